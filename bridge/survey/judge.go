package survey

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/homie"
)

// Evidence is weighed in log-odds: each piece adds to or takes from how sure it is, and the sum becomes a share. The
// weights are judgment, checked against made-up houses whose answers are known; the shares are no measured
// probabilities.
const (
	prior         = -4.0 // few of a household's numbers are a chamber's air
	byUnit        = 6.0  // a unit that only this has, declared by the device
	byVagueUnit   = 2.0  // percent: humidity, but also battery, soil, volume
	byWord        = 5.5  // a word for it right at the value
	byForeignWord = -7.0 // a word for something else right there
	byTypical     = 1.2
	byUntypical   = -2.5
	byBehavior    = 1.0
	byJumps       = -2.0
	byCounting    = -3.5
	byStandstill  = -0.8
	byCompany     = 1.5 // the same device measures other air too
	byConvention  = 1.0 // a Homie property of the right kind
)

// hypothesis is one thing that a series may be.
type hypothesis struct {
	measure measure
	unit    config.Unit // of the quantity; not for power
	sure    float64     // log-odds
	because []string
}

func (h *hypothesis) add(weight float64, format string, args ...any) {
	h.sure += weight
	if format != "" {
		h.because = append(h.because, fmt.Sprintf(format, args...))
	}
}

// share turns log-odds into 0..1.
func share(odds float64) float64 { return 1 / (1 + math.Exp(-odds)) }

// span is what values of a measure in some unit are.
type span struct {
	measure           measure
	unit              config.Unit
	low, high         float64 // beyond is impossible
	typLow, typHigh   float64
	step              float64 // a larger mean change from one value to the next is not how air changes
	declared          []string
	words             []stem // for the unit in topic or pointer
	distinct          bool   // the range alone says something
	distLow, distHigh float64
}

var spans = []span{
	{measure: humidity, unit: config.Percent, low: 0, high: 105, typLow: 25, typHigh: 101, step: 4, declared: []string{"%RH", "%rh", "% RH", "/100"}, words: stems("percent", "pct"), distinct: true, distLow: 75, distHigh: 100},
	{measure: humidity, unit: config.Ratio, low: 0, high: 1.05, typLow: 0.25, typHigh: 1.01, step: 0.04, declared: []string{"/"}, words: stems("ratio", "")},
	{measure: temperature, unit: config.Celsius, low: -40, high: 60, typLow: 4, typHigh: 36, step: 0.8, declared: []string{homie.DegreeCelsius, "Cel", "C", "degC", "celsius", "Celsius"}, words: stems("celsius", "c degc tempc")},
	{measure: temperature, unit: config.Fahrenheit, low: -20, high: 140, typLow: 40, typHigh: 97, step: 1.5, declared: []string{homie.DegreeFahrenheit, "F", "degF", "fahrenheit", "Fahrenheit"}, words: stems("fahrenheit", "f degf tempf")},
	{measure: temperature, unit: config.Kelvin, low: 233, high: 333, typLow: 277, typHigh: 309, step: 0.8, declared: []string{homie.Kelvin, "kelvin"}, words: stems("kelvin", "k")},
	{measure: co2, unit: config.PPM, low: 250, high: 50000, typLow: 380, typHigh: 6000, step: 150, declared: []string{homie.PPM}, words: stems("", "ppm"), distinct: true, distLow: 400, distHigh: 3000},
	{measure: illuminance, unit: config.Lux, low: 0, high: 200000, typLow: 0, typHigh: 20000, step: math.Inf(1), declared: []string{homie.Lux, "lux"}, words: stems("", "lux lx")},
	{measure: power, low: 0, high: 20000, typLow: 0, typHigh: 3500, step: math.Inf(1), declared: []string{homie.Watt, "watt", "Watt"}, words: stems("watt", "w")},
}

// vague are units that several measures have.
var vague = map[string][]measure{homie.Percent: {humidity}, "ratio": {humidity}, "/": {humidity, co2}}

// judge says what a series of numbers most probably is; nil: nothing of ours. The words are those of its topic and
// pointer, in order.
func (x *series) judge(words []string) *hypothesis {
	if x.n == 0 {
		return nil
	}
	var best *hypothesis
	for i := range spans {
		if h := x.test(&spans[i], words); h != nil && (best == nil || h.sure > best.sure) {
			best = h
		}
	}
	return best
}

// test weighs one hypothesis; nil where a value is impossible under it or its unit another.
func (x *series) test(s *span, words []string) *hypothesis {
	if x.min < s.low || x.max > s.high {
		return nil
	}
	h := &hypothesis{measure: s.measure, unit: s.unit, sure: prior}
	if !x.byUnit(s, h) {
		return nil
	}
	own, word := measured(s.measure, words)
	if own > 0 {
		h.add(byWord*own, "the word %q", word)
	}
	for m := range measures {
		if other, w := measured(m, words); m != s.measure && other > own {
			h.add(-byWord*other, "but the word %q", w)
		}
	}
	if w, word := strange(words); w > 0 {
		h.add(byForeignWord*w, "but the word %q", word)
	}
	if w, _ := found(s.words, words); w == 1 {
		h.add(0.5, "")
	}
	x.byRange(s, h)
	x.byTime(s, h, own > 0)
	return h
}

// byUnit weighs a declared unit, and reports whether the hypothesis stands with it.
func (x *series) byUnit(s *span, h *hypothesis) bool {
	if x.unit == "" {
		return true
	}
	for _, u := range s.declared {
		if u == x.unit && u != "/" {
			h.add(byUnit, "its unit %s", x.unit)
			return true
		}
	}
	for _, m := range vague[x.unit] {
		if m == s.measure && (x.unit == "/") == (s.unit == config.Ratio) {
			h.add(byVagueUnit, "its unit %s", x.unit)
			return true
		}
	}
	return false
}

func (x *series) byRange(s *span, h *hypothesis) {
	values := fmt.Sprintf("%.4g to %.4g", x.min, x.max)
	if x.min == x.max {
		values = fmt.Sprintf("%.4g", x.last)
	}
	if x.min < s.typLow || x.max > s.typHigh {
		h.add(byUntypical, "but values of %s", values)
		return
	}
	h.add(byTypical, "values of %s", values)
	switch {
	case s.unit == config.Ratio && x.whole:
		h.add(-4, "") // 0 and 1 are a switch's
	case s.distinct && x.min >= s.distLow && x.max <= s.distHigh && x.live >= 5:
		h.add(byBehavior, "")
	}
}

// byTime weighs how the values move.
func (x *series) byTime(s *span, h *hypothesis, named bool) {
	if x.live < 5 {
		return
	}
	switch moves := x.rises + x.falls; {
	case moves == 0 && s.measure != power && s.measure != illuminance:
		h.add(byStandstill, "but it never changes")
	case moves >= 6 && (x.falls == 0 || x.rises == 0) && !named:
		h.add(byCounting, "but it only counts")
	case x.meanStep() > s.step:
		h.add(byJumps, "but it jumps")
	case moves > 0 && s.measure != power && s.measure != illuminance:
		h.add(byBehavior, "it drifts as air does")
	}
}

// hints gives the words of where a value is said in order: those of the topic, then those of the pointer or record. Low
// and high in the value's own name tell a limit; above it they tell where in the chamber a sensor hangs, and are left out.
func (k *key) hints() []string {
	above, own := k.topic, k.pointer
	if k.form == inSenML {
		own = k.name
	}
	if own == "" {
		i := strings.LastIndexByte(k.topic, '/') + 1
		above, own = k.topic[:i], k.topic[i:]
	}
	words := slices.DeleteFunc(tokens(above), func(w string) bool { return w == "low" || w == "high" })
	return append(words, tokens(own)...)
}

// device is what a topic's value belongs to: the topic itself where it carries several values, else the level above.
func (k *key) device() string {
	if k.form != plain {
		return k.topic
	}
	if i := strings.LastIndexByte(k.topic, '/'); i >= 0 {
		return k.topic[:i]
	}
	return k.topic
}

package mqtt

import (
	"fmt"
	"math"
	"strings"
	"time"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/homie"
	"gillkeeper/policy/air"
	"gillkeeper/policy/chamber"
)

// maxWatts is more than any outlet carries: 400 V three-phase at 125 A.
const maxWatts = 90_000

// sensor decodes what one sensor says on one topic.
type sensor struct {
	index    int
	name     string
	quantity chamber.Quantity
	maxAge   time.Duration
	binding  config.SensorBinding
	pressure air.Pascal // to correct an infrared CO2 sensor for; 0: it needs no correction
}

func newSensor(i int, spec *chamber.Spec, b config.SensorBinding) sensor {
	s := spec.Sensors[i]
	d := sensor{index: i, name: s.Name, quantity: s.Quantity, maxAge: s.MaxAge, binding: b}
	if s.Quantity == chamber.CO2 && !s.CompensatesPressure {
		if p, ok := air.BarometricPressure(air.Meters(spec.AltitudeM)); ok {
			d.pressure = p
		}
	}
	return d
}

// decode gives the reading in the program's units. A value as old as the sensor's max_age by its own time stamp comes
// as last known, like a retained copy, with the fault that says so.
func (s *sensor) decode(m *message) (chamber.Reading, *fault) {
	r := chamber.Reading{Sensor: s.index, Retained: m.retained}
	var v float64
	var late, f *fault
	if s.binding.SenMLName == "" {
		if v, f = m.number(s.binding.HasPointer, s.binding.Pointer); f == nil {
			var u config.Unit
			u, f = s.unit(m)
			v = u.Convert(v)
		}
	} else {
		v, late, f = s.senml(m)
	}
	if f != nil {
		return r, f
	}
	if r.Value, f = s.admit(v); f != nil {
		return r, f
	}
	r.Retained = r.Retained || late != nil
	return r, late
}

func (s *sensor) senml(m *message) (v float64, late, f *fault) {
	record, f := m.newest(s.binding.SenMLName)
	if f != nil {
		return 0, nil, f
	}
	convert, ok := senmlUnits[senmlUnit{s.quantity, record.Unit}]
	switch {
	case ok:
		v = convert(*record.Value)
	case record.Unit == "":
		v = s.binding.Unit.Convert(*record.Value)
	default:
		return 0, nil, bad("a SenML unit that does not fit", "%s in %s", s.quantity, excerpt(record.Unit))
	}
	// A sender whose clock runs ahead is believed to mean now.
	age := time.Duration((float64(m.wall.UnixNano())/1e9 - record.Time) * float64(time.Second))
	if s.maxAge > 0 && age >= s.maxAge {
		late = &fault{result: Retained, cause: "older than max_age by its own time stamp", detail: age.Round(time.Second).String()}
	}
	// The sender says that a newer one was due by now (RFC 8428 §4.2): this one is out of date.
	if next := time.Duration(record.Update * float64(time.Second)); late == nil && next > 0 && age >= next {
		late = &fault{result: Retained, cause: "older than its update time by its own time stamp", detail: age.Round(time.Second).String()}
	}
	return v, late, nil
}

// admit corrects and checks a value in the program's units.
func (s *sensor) admit(v float64) (float64, *fault) {
	if s.pressure > 0 {
		if c, ok := air.CompensateNDIR(air.PPM(v), s.pressure); ok {
			v = float64(c)
		}
	}
	if !s.quantity.Plausible(v) {
		low, high := s.quantity.Bounds()
		return 0, &fault{result: Implausible, cause: "implausible", detail: fmt.Sprintf("%s of %v; %v to %v is possible%s", s.quantity, v, low, high, s.hint(v))}
	}
	if s.quantity == chamber.RelativeHumidity {
		v = min(v, 1) // a wet capacitive sensor shows a little more than there can be
	}
	return v, nil
}

// hint guesses what is meant by a value that is not plausible.
func (s *sensor) hint(v float64) string {
	switch {
	case s.binding.SenMLName != "":
	case s.quantity == chamber.Temperature && s.binding.Unit == config.Celsius && v > 0 && v < 110:
		return `; is it Fahrenheit? Then unit = "fahrenheit"`
	case s.quantity != chamber.RelativeHumidity:
	case s.binding.Unit == config.Percent && v > 0 && v <= 0.01:
		return `; is it a ratio? Then unit = "ratio"`
	case s.binding.Unit == config.Ratio && v > 1 && v <= 100:
		return `; is it percent? Then unit = "percent"`
	}
	return ""
}

type senmlUnit struct {
	quantity chamber.Quantity
	unit     string
}

// senmlUnits converts the units of the SenML registries (RFC 8428 §12.1; secondary ones of RFC 8798) into the
// program's. "%" is a ratio of 0 to 1 by the registry, as "/" is, and not percent. A sender who means percent is found
// out: 90 is an implausible ratio, and no air that people enter has a humidity of 1 percent.
var senmlUnits = map[senmlUnit]func(float64) float64{
	{chamber.RelativeHumidity, "%RH"}:  func(v float64) float64 { return v / 100 },
	{chamber.RelativeHumidity, "/"}:    func(v float64) float64 { return v },
	{chamber.RelativeHumidity, "%"}:    func(v float64) float64 { return v },
	{chamber.RelativeHumidity, "/100"}: func(v float64) float64 { return v / 100 },
	{chamber.Temperature, "Cel"}:       func(v float64) float64 { return v },
	{chamber.Temperature, "K"}:         func(v float64) float64 { return v - 273.15 },
	{chamber.CO2, "/"}:                 func(v float64) float64 { return v * 1e6 },
	{chamber.CO2, "ppm"}:               func(v float64) float64 { return v },
	{chamber.Illuminance, "lx"}:        func(v float64) float64 { return v },
}

// plug decodes what one plug says on one topic: its state, its power, or both.
type plug struct {
	index        int
	name         string
	binding      config.PlugBinding
	state, power bool // which of them this topic carries
}

// decode gives what the plug says of itself. Where one half of a payload is sound, the report has that half, beside
// the fault of the other.
func (p *plug) decode(m *message) (chamber.PlugReport, *fault) {
	r := chamber.PlugReport{Plug: p.index, Retained: m.retained}
	var stateFault, powerFault *fault
	if p.state {
		r.On, r.Level, stateFault = p.decodeState(m)
		r.HasOn = stateFault == nil
	}
	if p.power {
		r.Watts, powerFault = p.decodePower(m)
		r.HasWatts = powerFault == nil
	}
	if stateFault == nil || powerFault != nil && stateFault.absent {
		return r, powerFault
	}
	return r, stateFault
}

func (p *plug) decodePower(m *message) (float64, *fault) {
	v, f := m.number(p.binding.HasPowerPointer, p.binding.PowerPointer)
	if f != nil {
		return 0, f
	}
	if m.unit == homie.Kilowatt {
		v *= 1000
	}
	if !(v >= 0 && v <= maxWatts) {
		return 0, &fault{result: Implausible, cause: "implausible power", detail: fmt.Sprintf("%v W; 0 to %d is possible", v, maxWatts)}
	}
	return math.Abs(v), nil // no negative zero
}

// decodeState reads whether the plug is on, and at which share of full output where it modulates.
func (p *plug) decodeState(m *message) (on bool, level float64, f *fault) {
	s, kind, f := m.text(p.binding.HasStatePointer, p.binding.StatePointer)
	if f != nil {
		return false, 0, f
	}
	if p.binding.LevelPayload != "" {
		return p.decodeLevel(strings.TrimSpace(s), kind)
	}
	on, ok := stateWord(s, kind, p.binding.StateOn, p.binding.StateOff)
	if !ok {
		return false, 0, bad("neither the on word nor the off word", "%s; %q or %q is expected", excerpt(s), p.binding.StateOn, p.binding.StateOff)
	}
	return on, 0, nil
}

// mostLevel is how far above full output a number may be: plugs round.
const mostLevel = 1.02

// decodeLevel reads a number, the word for off, or JSON's true and false, which say nothing of the level.
func (p *plug) decodeLevel(s string, kind byte) (on bool, level float64, f *fault) {
	off := p.binding.StateOff
	switch {
	case off != "" && strings.EqualFold(s, strings.TrimSpace(off)):
		return false, 0, nil
	case kind == 'b':
		return s == "true", 0, nil
	}
	v, f := parseNumber(s)
	if f != nil {
		return false, 0, f
	}
	level = v / p.binding.LevelFull
	if !(level >= 0 && level <= mostLevel) {
		return false, 0, &fault{result: Implausible, cause: "implausible level", detail: fmt.Sprintf("%v; 0 to %v is possible", v, p.binding.LevelFull)}
	}
	return level > 0, min(level, 1), nil
}

// stateWord reads a plug's state by the words of the configuration: exactly, then without regard to case and blanks.
// JSON's own true, false, 1 and 0 are understood where the configuration gives none of them a meaning.
func stateWord(s string, kind byte, onWord, offWord string) (on, ok bool) {
	if s == onWord || s == offWord {
		return s == onWord, onWord != offWord
	}
	t := strings.TrimSpace(s)
	isOn, isOff := strings.EqualFold(t, strings.TrimSpace(onWord)), strings.EqualFold(t, strings.TrimSpace(offWord))
	if isOn != isOff {
		return isOn, true
	}
	if isOn || kind == 'w' || literal(onWord) || literal(offWord) {
		return false, false
	}
	switch t {
	case "true", "1":
		return true, true
	case "false", "0":
		return false, true
	}
	return false, false
}

func literal(word string) bool {
	switch strings.ToLower(strings.TrimSpace(word)) {
	case "true", "false", "0", "1":
		return true
	}
	return false
}

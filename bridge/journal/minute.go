package journal

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"
)

// check says what is wrong with an aggregate before it is stored.
func (m *Minute) check() error {
	switch {
	case m.Chamber == "" || m.Place == "" || m.Quantity == "":
		return fmt.Errorf("journal: an aggregate needs a chamber, a place and a quantity, not %q, %q, %q", m.Chamber, m.Place, m.Quantity)
	case m.Start.IsZero() || m.Start.Nanosecond() != 0 || m.Span%time.Second != 0 || m.Span < 0:
		return fmt.Errorf("journal: an aggregate of %s starts and lasts for whole seconds, not %s and %s", m.Quantity, m.Start, m.Span)
	case m.N < 0:
		return fmt.Errorf("journal: an aggregate of %s rests on %d values; it cannot be below 0", m.Quantity, m.N)
	}
	for _, v := range [...]float64{m.Mean, m.Min, m.Max, m.Seconds} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("journal: an aggregate of %s holds %g; only finite numbers are kept", m.Quantity, v)
		}
	}
	return checkTime("aggregate", m.Start)
}

// perUnit is how many grains make a unit. The grain is the resolution with which the values of a quantity are kept:
// finer than any sensor for it, and coarse enough that a value takes two or three bytes instead of eight.
func perUnit(quantity string) float64 {
	switch quantity {
	case "temperature", "dew_point":
		return 100 // hundredths of a kelvin
	case "co2", "illuminance", VaporDeficit, PlugPower:
		return 10 // tenths of a ppm, of a lux, of a Pa, of a watt
	case AirChangesFanOn, AirChangesFanOff, FanFlow, CO2Generation, MistOutput, MistDrawn, MistEvaporated, ReservoirLiters:
		return 1000
	}
	return 10_000 // ratios and whatever else
}

// secondsPerUnit is that of Minute.Seconds.
const secondsPerUnit = 10

// whole is a value in whole grains.
func whole(v, perUnit float64) int64 {
	const most = 1 << 53 // beyond, a float64 does not count in ones
	return int64(min(max(math.Round(v*perUnit), -most), most))
}

// settled gives the aggregate as it will be read back: rounded to its grain, in UTC, with its span.
func (m Minute) settled() Minute {
	per := perUnit(m.Quantity)
	round := func(v, per float64) float64 { return float64(whole(v, per)) / per }
	m.Mean, m.Min, m.Max = round(m.Mean, per), round(m.Min, per), round(m.Max, per)
	m.Seconds = round(m.Seconds, secondsPerUnit)
	m.Start = m.Start.Round(0).UTC()
	if m.Span == 0 {
		m.Span = Span
	}
	return m
}

// check says what is wrong with a query.
func (q *HistoryQuery) check() error {
	if q.Chamber == "" {
		return errNoChamber
	}
	if q.Step < 0 || q.Step%time.Second != 0 {
		return fmt.Errorf("journal: the step of a history is a whole number of seconds, not %s", q.Step)
	}
	return nil
}

// merger puts aggregates that arrive in order of time together to a step: means weighted by their counts, the lowest
// minimum, the highest maximum, counts and seconds summed. Without a step it only sorts those of the same start.
type merger struct {
	step time.Duration
	at   time.Time // start of the buckets at hand
	open map[series]*bucket
}

type bucket struct {
	Minute
	sum  float64 // of Mean·N
	rows int
}

// add takes one aggregate and gives the buckets before it when they are complete.
func (g *merger) add(v Minute) []Minute {
	start := v.Start
	if sec := int64(g.step / time.Second); sec > 0 {
		at := v.Start.Unix()
		start = time.Unix(at-((at%sec)+sec)%sec, 0).UTC()
	}
	var done []Minute
	if !start.Equal(g.at) {
		done = g.end()
		g.at = start
	}
	if g.open == nil {
		g.open = map[series]*bucket{}
	}
	key := series{v.Chamber, v.Place, v.Quantity}
	b := g.open[key]
	if b == nil {
		b = &bucket{Minute: v}
		b.Start, b.Span, b.N, b.Seconds = start, max(g.step, v.Span), 0, 0
		g.open[key] = b
	}
	b.rows++
	switch { // one that rests on no value has only its seconds to give
	case v.N > 0 && b.N == 0:
		b.Min, b.Max = v.Min, v.Max
	case v.N > 0 || b.N == 0:
		b.Min, b.Max = min(b.Min, v.Min), max(b.Max, v.Max)
	}
	b.N += v.N
	b.Seconds += v.Seconds
	b.sum += v.Mean * float64(v.N)
	if b.N == 0 { // nothing was counted: the plain mean
		b.Mean += (v.Mean - b.Mean) / float64(b.rows)
	}
	return done
}

// end gives the buckets at hand, in order of place and quantity.
func (g *merger) end() []Minute {
	out := make([]Minute, 0, len(g.open))
	for _, b := range g.open {
		if b.N > 0 && b.rows > 1 {
			b.Mean = b.sum / float64(b.N)
		}
		out = append(out, b.Minute)
	}
	slices.SortFunc(out, func(a, b Minute) int {
		return cmp.Or(cmp.Compare(a.Place, b.Place), cmp.Compare(a.Quantity, b.Quantity))
	})
	clear(g.open)
	return out
}

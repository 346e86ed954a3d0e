package journal

import (
	"fmt"
	"math"
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

// grain is the resolution with which the values of a quantity are kept: finer than any sensor for it, and coarse
// enough that a value takes two or three bytes instead of eight.
func grain(quantity string) float64 {
	switch quantity {
	case "relative_humidity", PlugOn:
		return 1e-4 // ratio
	case "temperature", "dew_point":
		return 1e-2 // K
	case "co2":
		return 0.1 // ppm
	case "illuminance":
		return 0.1 // lux
	}
	return 1e-4
}

// secondsGrain is the resolution of Minute.Seconds.
const secondsGrain = 0.1

// settled gives the aggregate as it will be read back: rounded to its grain, in UTC, with its span.
func (m Minute) settled() Minute {
	g := grain(m.Quantity)
	m.Mean, m.Min, m.Max = whole(m.Mean, g).value(g), whole(m.Min, g).value(g), whole(m.Max, g).value(g)
	m.Seconds = whole(m.Seconds, secondsGrain).value(secondsGrain)
	m.Start = m.Start.Round(0).UTC()
	if m.Span == 0 {
		m.Span = Span
	}
	return m
}

// grains is a value as a whole number of its grain.
type grains int64

func whole(v, grain float64) grains {
	n := math.Round(v / grain)
	return grains(min(max(n, -1<<53), 1<<53)) // beyond, a float64 does not count in ones
}

func (n grains) value(grain float64) float64 {
	// Division by the whole number that the grain is a fraction of gives the nearest decimal: 9123 → 0.9123.
	return float64(n) / math.Round(1/grain)
}

// check says what is wrong with a query.
func (q *HistoryQuery) check() error {
	if q.Step < 0 || q.Step%time.Second != 0 {
		return fmt.Errorf("journal: the step of a history is a whole number of seconds, not %s", q.Step)
	}
	return nil
}

// merge puts sorted aggregates together to the query's step: means weighted by their counts, the lowest minimum, the
// highest maximum, counts and seconds summed.
func (q *HistoryQuery) merge(ms []Minute) []Minute {
	if q.Step == 0 {
		return ms
	}
	var m merger
	var out []Minute
	for _, v := range ms {
		if done, ok := m.add(v, q.Step); ok {
			out = append(out, done)
		}
	}
	if done, ok := m.end(); ok {
		out = append(out, done)
	}
	return out
}

// merger puts aggregates that arrive sorted together, one bucket at a time.
type merger struct {
	cur  Minute
	sum  float64 // of Mean·N, or of Mean where nothing was counted
	rows int
}

// add takes one aggregate and gives the bucket before it when that is complete.
func (g *merger) add(v Minute, step time.Duration) (Minute, bool) {
	sec := int64(step / time.Second)
	at := v.Start.Unix()
	start := time.Unix(at-((at%sec)+sec)%sec, 0).UTC()
	var done Minute
	var ok bool
	if g.rows > 0 && (g.cur.Chamber != v.Chamber || g.cur.Place != v.Place || g.cur.Quantity != v.Quantity || !g.cur.Start.Equal(start)) {
		done, ok = g.end()
	}
	if g.rows == 0 {
		g.cur = v
		g.cur.Start, g.cur.Span, g.cur.N, g.cur.Seconds = start, max(step, v.Span), 0, 0
		g.cur.Mean, g.sum = 0, 0
	}
	g.rows++
	g.cur.Min, g.cur.Max = min(g.cur.Min, v.Min), max(g.cur.Max, v.Max)
	g.cur.N += v.N
	g.cur.Seconds += v.Seconds
	g.sum += v.Mean * float64(v.N)
	if v.N == 0 && g.cur.N == 0 {
		g.cur.Mean += (v.Mean - g.cur.Mean) / float64(g.rows)
	}
	return done, ok
}

// end gives the bucket at hand.
func (g *merger) end() (Minute, bool) {
	if g.rows == 0 {
		return Minute{}, false
	}
	m := g.cur
	if m.N > 0 {
		m.Mean = g.sum / float64(m.N)
	}
	*g = merger{}
	return m, true
}

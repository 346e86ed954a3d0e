package keeper

import (
	"context"
	"math"
	"sync"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
)

// mostMinutes bounds the aggregates that wait for a failing journal.
const mostMinutes = 200_000

// minutes puts what chambers showed together by the minute, for the record.
type minutes struct {
	mu   sync.Mutex
	open map[string]*minute
	done []journal.Minute
}

// minute is the present minute of one chamber.
type minute struct {
	start  time.Time
	last   time.Time // of the last snapshot taken in
	series map[seriesKey]*aggregate
	snap   *policy.Snapshot
}

type seriesKey struct{ place, quantity string }

type aggregate struct {
	sum, min, max float64
	n             int
	seconds       float64
}

// add takes in a snapshot: its values at the moment, and the time that the one before it held.
func (m *minutes) add(s *policy.Snapshot) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.open == nil {
		m.open = map[string]*minute{}
	}
	name := s.Spec.Name
	start := s.Wall.Truncate(journal.Span)
	cur := m.open[name]
	if cur != nil && !cur.start.Equal(start) {
		m.close(name, cur)
		cur = nil
	}
	if cur == nil {
		cur = &minute{start: start, last: s.Wall, series: map[seriesKey]*aggregate{}}
		m.open[name] = cur
	}
	if cur.snap != nil {
		cur.hold(math.Max(0, s.Wall.Sub(cur.last).Seconds()))
	}
	cur.last, cur.snap = s.Wall, s
	cur.sample()
}

// sample takes the values of the newest snapshot.
func (c *minute) sample() {
	for _, place := range []chamber.Place{chamber.Inside, chamber.Room} {
		for _, q := range chamber.Quantities() {
			e := c.snap.State.Air.Of(place, q)
			if !e.OK {
				continue
			}
			a := c.of(place.String(), q.String())
			if a.n == 0 || e.Value < a.min {
				a.min = e.Value
			}
			if a.n == 0 || e.Value > a.max {
				a.max = e.Value
			}
			a.sum += e.Value
			a.n++
		}
	}
}

// hold counts the seconds for which the last snapshot held: in range, and on.
func (c *minute) hold(seconds float64) {
	s := &c.snap.State
	for i := range s.Plugs {
		a := c.of(s.Plugs[i].Name, journal.PlugOn)
		a.n++
		if s.Plugs[i].On {
			a.seconds += seconds
		}
	}
	t := &s.Target
	if !t.OK {
		return
	}
	c.inRange(chamber.RelativeHumidity, t.RelativeHumidity.Low, t.RelativeHumidity.High, seconds)
	c.inRange(chamber.Temperature, t.TemperatureC.Low, t.TemperatureC.High, seconds)
	if t.CO2MaxPPM > 0 {
		c.inRange(chamber.CO2, t.CO2MinPPM, t.CO2MaxPPM, seconds)
	}
}

func (c *minute) inRange(q chamber.Quantity, low, high, seconds float64) {
	if e := c.snap.State.Air.Of(chamber.Inside, q); e.OK && e.Value >= low && e.Value <= high {
		c.of(chamber.Inside.String(), q.String()).seconds += seconds
	}
}

func (c *minute) of(place, quantity string) *aggregate {
	k := seriesKey{place, quantity}
	a := c.series[k]
	if a == nil {
		a = &aggregate{}
		c.series[k] = a
	}
	return a
}

func (m *minutes) close(name string, c *minute) {
	if c.snap != nil {
		c.hold(math.Max(0, c.start.Add(journal.Span).Sub(c.last).Seconds()))
	}
	for k, a := range c.series {
		x := journal.Minute{Chamber: name, Place: k.place, Quantity: k.quantity, Start: c.start, Seconds: math.Min(a.seconds, 60), N: a.n}
		if k.quantity == journal.PlugOn {
			x.Mean, x.Max = x.Seconds/60, x.Seconds/60
			x.Min = x.Mean
		} else if a.n > 0 {
			x.Mean, x.Min, x.Max = a.sum/float64(a.n), a.min, a.max
		}
		m.done = append(m.done, x)
	}
	if over := len(m.done) - mostMinutes; over > 0 {
		m.done = append(m.done[:0:0], m.done[over:]...)
	}
}

// saveMinutes writes the finished minutes; all of them at the end.
func (k *Keeper) saveMinutes(ctx context.Context, all bool) error {
	m := &k.minutes
	m.mu.Lock()
	if all {
		for name, c := range m.open {
			m.close(name, c)
		}
		m.open = nil
	}
	done := m.done
	m.done = nil
	m.mu.Unlock()
	if len(done) == 0 {
		return nil
	}
	if err := k.journal.Minutes(ctx, done); err != nil {
		m.mu.Lock()
		m.done = append(done, m.done...)
		m.mu.Unlock()
		return err
	}
	return nil
}

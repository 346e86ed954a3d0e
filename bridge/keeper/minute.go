package keeper

import (
	"context"
	"math"
	"sync"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/air"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
)

// mostMinutes bounds the aggregates that wait for a failing journal.
const mostMinutes = 200_000

// minutes puts what chambers showed together for the record: what the sensors measure and the plugs do by the minute,
// what changes slowly by [journal.SlowSpan].
type minutes struct {
	mu   sync.Mutex
	open map[string]*course
	done backlog[journal.Minute]
}

// course is the present minute and the present slow span of one chamber.
type course struct {
	fast, slow window
	last       time.Time // of the newest snapshot
	snap       *policy.Snapshot
}

// window is what came together since a moment.
type window struct {
	start  time.Time
	span   time.Duration
	series map[seriesKey]*aggregate
}

type seriesKey struct{ place, quantity string }

type aggregate struct {
	sum, min, max float64
	n             int
	held          float64 // seconds seen
	seconds       float64 // in range, or on
}

// add takes in a snapshot: its values at the moment, and the time that the one before it held.
func (m *minutes) add(s *policy.Snapshot) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.open == nil {
		m.open = map[string]*course{}
	}
	name := s.Spec.Name
	c := m.open[name]
	if c == nil {
		c = &course{fast: window{span: journal.Span}, slow: window{span: journal.SlowSpan}}
		m.open[name] = c
	}
	m.turn(name, c, &c.slow, s.Wall)
	m.turn(name, c, &c.fast, s.Wall)
	if c.snap != nil {
		c.hold(c.last, s.Wall)
	}
	c.last, c.snap = s.Wall, s
	c.sample()
}

// turn ends a window that the moment lies beyond and begins the next.
func (m *minutes) turn(name string, c *course, w *window, now time.Time) {
	start := now.Truncate(w.span)
	if w.start.Equal(start) {
		return
	}
	if c.snap != nil {
		left := w.left(c.last)
		if w.span == journal.Span {
			c.holdFast(left)
		} else {
			c.holdSlow(left)
		}
		m.end(name, c, w)
	}
	*w = window{start: start, span: w.span, series: map[seriesKey]*aggregate{}}
}

// end hands a window over.
func (m *minutes) end(name string, c *course, w *window) {
	if w.span == journal.SlowSpan {
		c.learned()
	}
	for k, a := range w.series {
		m.done.add(mostMinutes, a.minute(name, k, w))
	}
}

func (m *minutes) takeLost() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.done.takeLost()
}

// left is how many seconds of the window come after a moment in it.
func (w *window) left(after time.Time) float64 {
	if after.Before(w.start) {
		after = w.start
	}
	return math.Max(0, w.start.Add(w.span).Sub(after).Seconds())
}

func (w *window) of(place, quantity string) *aggregate {
	k := seriesKey{place, quantity}
	a := w.series[k]
	if a == nil {
		a = &aggregate{}
		w.series[k] = a
	}
	return a
}

// take counts one value.
func (a *aggregate) take(v float64) {
	a.sum += v
	a.see(v)
}

// see is take for a value whose mean is over time.
func (a *aggregate) see(v float64) {
	if a.n == 0 || v < a.min {
		a.min = v
	}
	if a.n == 0 || v > a.max {
		a.max = v
	}
	a.n++
}

// minute is the aggregate as the journal keeps it.
func (a *aggregate) minute(chamber string, k seriesKey, w *window) journal.Minute {
	whole := w.span.Seconds()
	x := journal.Minute{Chamber: chamber, Place: k.place, Quantity: k.quantity, Start: w.start, Span: w.span,
		Seconds: math.Min(a.seconds, whole), N: a.n}
	switch {
	case k.quantity == journal.PlugOn:
		x.N = int(math.Round(math.Min(a.held, whole))) // so that means over a wider step are over time
		if a.held > 0 {
			x.Mean = math.Min(a.seconds/a.held, 1)
		}
		x.Min, x.Max = x.Mean, x.Mean
	case k.quantity == journal.PlugPower:
		x.Mean, x.Min, x.Max = a.sum/a.seconds, a.min, a.max
	case k.place == journal.PlaceTarget || k.place == journal.PlaceLearned:
		x.Mean, x.Min, x.Max = a.sum, a.min, a.max
	case a.n > 0:
		x.Mean, x.Min, x.Max = a.sum/float64(a.n), a.min, a.max
	}
	return x
}

// sample takes the values of the newest snapshot.
func (c *course) sample() {
	s := &c.snap.State
	for _, place := range []chamber.Place{chamber.Inside, chamber.Room} {
		for _, q := range chamber.Quantities() {
			if e := s.Air.Of(place, q); e.OK {
				c.fast.of(place.String(), q.String()).take(e.Value)
			}
		}
	}
	t, rh := s.Air.Of(chamber.Inside, chamber.Temperature), s.Air.Of(chamber.Inside, chamber.RelativeHumidity)
	pressure, ok := air.BarometricPressure(air.Meters(c.snap.Spec.AltitudeM))
	if !ok || !t.OK || !rh.OK {
		return
	}
	if st, ok := air.New(air.Celsius(t.Value), air.Ratio(math.Min(rh.Value, 1)), pressure); ok {
		c.slow.of(chamber.Inside.String(), journal.VaporDeficit).take(float64(st.VaporPressureDeficit()))
	}
}

// hold counts the time for which the newest snapshot held, within the present windows.
func (c *course) hold(from, to time.Time) {
	within := func(w *window) float64 {
		if from.Before(w.start) {
			return math.Max(0, to.Sub(w.start).Seconds())
		}
		return math.Max(0, to.Sub(from).Seconds())
	}
	c.holdFast(within(&c.fast))
	c.holdSlow(within(&c.slow))
}

// holdFast counts seconds in range, and on.
func (c *course) holdFast(seconds float64) {
	s := &c.snap.State
	for i := range s.Plugs {
		a := c.fast.of(s.Plugs[i].Name, journal.PlugOn)
		a.held += seconds
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

func (c *course) inRange(q chamber.Quantity, low, high, seconds float64) {
	if e := c.snap.State.Air.Of(chamber.Inside, q); e.OK && e.Value >= low && e.Value <= high {
		c.fast.of(chamber.Inside.String(), q.String()).seconds += seconds
	}
}

// holdSlow counts the power of metering plugs, over time.
func (c *course) holdSlow(seconds float64) {
	s := &c.snap.State
	for i := range s.Plugs {
		x := &s.Plugs[i]
		if !x.HasWatts || !(seconds > 0) {
			continue
		}
		a := c.slow.of(x.Name, journal.PlugPower)
		watts := x.Watts
		if !x.On && x.Known { // the last report may be of before it went off
			watts = 0
		}
		a.see(watts)
		a.sum += watts * seconds
		a.seconds += seconds
	}
}

// learned writes what is aimed at and what is known of the chamber at the end of a slow span.
func (c *course) learned() {
	s, spec := &c.snap.State, c.snap.Spec
	set := func(place, quantity string, value, low, high float64) {
		*c.slow.of(place, quantity) = aggregate{sum: value, min: low, max: high, n: 1}
	}
	if t := &s.Target; t.OK {
		for q, b := range map[chamber.Quantity]chamber.Band{
			chamber.RelativeHumidity: t.RelativeHumidity, chamber.Temperature: t.TemperatureC,
			chamber.CO2: {Low: t.CO2MinPPM, Aim: t.CO2MaxPPM, High: t.CO2MaxPPM}} {
			if q != chamber.CO2 || b.Low > 0 || b.High > 0 {
				set(journal.PlaceTarget, q.String(), b.Aim, b.Low, b.High)
			}
		}
	}
	known := s.Learn.Knowledge(spec.VolumeM3, spec.AltitudeM)
	for quantity, x := range map[string]learn.Learned{
		journal.AirChangesFanOn: known.FanOn, journal.AirChangesFanOff: known.FanOff, journal.CO2Generation: known.CO2GPerH,
		journal.MistOutput: known.MistGPerH, journal.MistDrawn: s.Reservoir.Output(), journal.MistEvaporated: known.VaporGPerH,
		journal.FanFlow: fanFlow(&known, spec.VolumeM3), journal.FanFlowShare: fanShare(&known, spec),
	} {
		if x.Known {
			set(journal.PlaceLearned, quantity, x.Value, x.Value*(1-x.RelativeSD), x.Value*(1+x.RelativeSD))
		}
	}
	if r := &s.Reservoir; r.Known {
		set(journal.PlaceLearned, journal.ReservoirLiters, r.Liters, r.Low, r.High)
	}
}

// fanFlow is what the fan adds to the leaks, in m³/h.
func fanFlow(k *learn.Knowledge, volume float64) learn.Learned {
	x := k.FanOn
	x.Value = (k.FanOn.Value - k.FanOff.Value) * volume
	return x
}

// fanShare is the same as a share of what the fan is rated for.
func fanShare(k *learn.Knowledge, spec *chamber.Spec) learn.Learned {
	rated := spec.Rating(chamber.ExhaustFan, chamber.Flow)
	if !(rated > 0) {
		return learn.Learned{}
	}
	x := fanFlow(k, spec.VolumeM3)
	x.Value /= rated
	return x
}

// saveMinutes writes the finished windows; all of them at the end.
func (k *Keeper) saveMinutes(ctx context.Context, all bool) error {
	m := &k.minutes
	m.mu.Lock()
	if all {
		for name, c := range m.open {
			if c.snap != nil {
				m.end(name, c, &c.slow)
				m.end(name, c, &c.fast)
			}
		}
		m.open = nil
	}
	done := m.done.take()
	m.mu.Unlock()
	if len(done) == 0 {
		return nil
	}
	if err := k.journal.Minutes(ctx, done); err != nil {
		m.mu.Lock()
		m.done.back(mostMinutes, done)
		m.mu.Unlock()
		return err
	}
	k.saver.wrote = true
	return nil
}

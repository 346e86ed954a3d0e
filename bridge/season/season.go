// Package season puts together what a report of flushes and conditions rests on: the crop's record, the history of the
// air and the alarms, as one value.
//
// It must never judge any of it. Start reading at [Read].
package season

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/metrics/yield"
	"gillkeeper/policy"
	"gillkeeper/policy/air"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/species"
)

// Chamber is what must be known of a chamber beside its history.
type Chamber struct {
	Name      string
	VolumeM3  float64 // 0: not known
	AltitudeM float64
	Plugs     []chamber.Plug
}

// Query says which season.
type Query struct {
	Site       string
	Timezone   string // IANA name; "": UTC
	Fahrenheit bool
	Chambers   []Chamber
	Table      *species.Table // the climates that were to be kept
	From, To   time.Time
	// Progress is told the share done, by one goroutine at a time; nil: nobody.
	Progress func(share float64)
}

// step is the width of the aggregates: as fine as targets and learned values are kept, but for a long season, of which
// an hour is fine enough for every figure but the length of a short dip. A season is as long as crops grew in it.
func step(s *yield.Season) time.Duration {
	first := s.To
	for i := range s.Batches {
		if a := s.Batches[i].Added; a.Before(first) {
			first = a
		}
	}
	if len(s.Batches) == 0 || first.Before(s.From) {
		first = s.From
	}
	if s.To.Sub(first) <= 100*24*time.Hour {
		return journal.SlowSpan
	}
	return time.Hour
}

// Read puts a season together.
func Read(ctx context.Context, from journal.Source, q Query) (*yield.Season, error) {
	if length := q.To.Sub(q.From); length <= 0 || length > yield.Longest {
		return nil, fmt.Errorf("a season from %s to %s is none; it ends after it begins, and within three years",
			q.From.Format(time.RFC3339), q.To.Format(time.RFC3339))
	}
	s := &yield.Season{Site: q.Site, Timezone: q.Timezone, Fahrenheit: q.Fahrenheit, From: q.From.UTC(), To: q.To.UTC(),
		Chambers: []yield.Chamber{}, Batches: []yield.Batch{}, Alarms: []yield.Alarm{}}
	for i := range q.Chambers {
		if err := readBatches(ctx, from, s, q.Chambers[i].Name); err != nil {
			return nil, err
		}
		if err := readAlarms(ctx, from, s, q.Chambers[i].Name); err != nil {
			return nil, err
		}
	}
	climates, err := readClimates(ctx, from, &q, step(s))
	if err != nil {
		return nil, err
	}
	for i := range q.Chambers {
		s.Chambers = append(s.Chambers, yield.Chamber{Name: q.Chambers[i].Name, VolumeM3: q.Chambers[i].VolumeM3, Climate: *climates[i]})
	}
	s.FromTable(q.Table)
	return s, nil
}

// together is how many chambers' histories are read at a time: the store has as many connections for readers, and a
// machine with one core loses nothing.
const together = 2

// readClimates reads the histories of all chambers.
func readClimates(ctx context.Context, from journal.Source, q *Query, width time.Duration) ([]*yield.Climate, error) {
	climates, errs := make([]*yield.Climate, len(q.Chambers)), make([]error, len(q.Chambers))
	var mu sync.Mutex
	shares := make([]float64, len(q.Chambers)) // guarded by mu
	tell := func(i int, done float64) {
		mu.Lock()
		defer mu.Unlock()
		shares[i] = done
		sum := 0.0
		for _, v := range shares {
			sum += v / float64(len(shares))
		}
		if q.Progress != nil {
			q.Progress(sum)
		}
	}
	next := make(chan int)
	var wg sync.WaitGroup
	for range together {
		wg.Go(func() {
			for i := range next {
				climates[i], errs[i] = readClimate(ctx, from, &q.Chambers[i], q.From, q.To, width, func(done float64) { tell(i, done) })
			}
		})
	}
	for i := range q.Chambers {
		next <- i
	}
	close(next)
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return nil, err
		}
	}
	return climates, nil
}

// readBatches adds the batches of a chamber that were there during the season.
func readBatches(ctx context.Context, from journal.Source, s *yield.Season, name string) error {
	var all []policy.Entry
	for a, err := range from.Actions(ctx, journal.CropQuery(name)) {
		if err != nil {
			return err
		}
		all = append(all, policy.Entries(a.Seq, a.Action)...)
	}
	for _, r := range policy.Records(name, all) {
		if r.Added.Before(s.To) && (r.Retired.IsZero() || r.Retired.After(s.From)) && r.DryKg > 0 {
			s.Batches = append(s.Batches, batch(&r, s.To))
		}
	}
	return nil
}

// batch takes a record over as it stood at the season's end.
func batch(r *crop.Record, end time.Time) yield.Batch {
	b := yield.Batch{Name: r.Batch, Chamber: r.Chamber, Species: r.Species, Strain: r.Strain, Supplements: r.Supplements, Position: r.Position,
		SubstrateKg: r.SubstrateKg, DryKg: r.DryKg, Added: r.Added, Retired: before(r.Retired, end), Stages: []yield.Stage{}, Flushes: []yield.Flush{}}
	for _, p := range r.Stages {
		if !p.From.Before(end) {
			continue
		}
		to := before(p.To, end)
		if to.IsZero() {
			to = end
		}
		b.Stages = append(b.Stages, yield.Stage{Stage: p.Stage, Flush: p.Flush, From: p.From, To: to})
	}
	for _, f := range r.Flushes {
		x := yield.Flush{Number: f.Number, Closed: before(f.Closed, end), Pickings: []yield.Picking{}}
		for _, p := range f.Pickings {
			if !p.At.After(end) {
				x.Pickings = append(x.Pickings, yield.Picking{At: p.At, FreshG: p.FreshG, Quality: strings.Join(p.Marks, ", ")})
			}
		}
		if len(x.Pickings) > 0 || !x.Closed.IsZero() {
			b.Flushes = append(b.Flushes, x)
		}
	}
	for _, l := range r.Losses {
		if l.At.After(end) {
			continue
		}
		b.Losses = append(b.Losses, yield.Loss{At: l.At, Flush: l.Flush, Cause: string(l.Cause), Grams: l.Grams, Note: l.Note})
	}
	var notes []string
	for _, n := range r.Notes {
		if !n.At.After(end) {
			notes = append(notes, n.Text)
		}
	}
	b.Note = strings.Join(notes, "; ")
	return b
}

// before is t, or nothing when it lies beyond the end.
func before(t, end time.Time) time.Time {
	if t.After(end) {
		return time.Time{}
	}
	return t
}

// readAlarms adds each time that an alarm of a chamber stood.
func readAlarms(ctx context.Context, from journal.Source, s *yield.Season, name string) error {
	open := map[alarm.Name]yield.Alarm{}
	end := func(n alarm.Name, at time.Time) {
		if a, ok := open[n]; ok {
			a.To = at
			s.Alarms = append(s.Alarms, a)
			delete(open, n)
		}
	}
	q := journal.EventQuery{Chamber: name, From: s.From, To: s.To, Kinds: []policy.EventKind{policy.AlarmChanged}}
	for n, err := range from.Events(ctx, q) {
		if err != nil {
			return err
		}
		e := &n.Event
		var phase alarm.Phase
		if err := phase.UnmarshalText([]byte(e.Phase)); err != nil || !phase.Active() {
			end(e.Alarm, e.At)
		} else if _, stands := open[e.Alarm]; !stands {
			open[e.Alarm] = yield.Alarm{Chamber: name, Alarm: string(e.Alarm), Priority: e.Priority, From: e.At}
		}
	}
	var left []alarm.Name
	for n := range open {
		left = append(left, n)
	}
	slices.Sort(left)
	for _, n := range left {
		end(n, s.To)
	}
	return nil
}

// builder puts the aggregates of one moment together.
type builder struct {
	c       *Chamber
	out     *yield.Climate
	step    time.Duration
	roles   map[string]chamber.Role
	learned map[string]learnt // last known, which holds until the next
	at      time.Time
	i       int
	deficit bool // the record has the deficit itself
	lit     bool // there is a lamp's record
	lux     float64
}

// learnt is a learned value and since when it is known.
type learnt struct {
	value float64
	at    time.Time
}

// stale is how long a learned value holds after it was last written down: a day's silence of the learner says nothing
// new, a longer one that nobody looked.
const stale = 24 * time.Hour

// readClimate reads the history of a chamber, in wider aggregates where it was put together already.
func readClimate(ctx context.Context, from journal.Source, c *Chamber, begin, end time.Time, width time.Duration, share func(float64)) (*yield.Climate, error) {
	for {
		out, wider, err := readSteps(ctx, from, c, begin, end, width, share)
		if err != nil || wider <= width {
			share(1)
			return out, err
		}
		width = wider
	}
}

// unused are the places that no figure of a report rests on.
var unused = []string{chamber.Room.String(), journal.PlaceTarget}

// readSteps reads in aggregates of one width, or says that there are wider ones.
func readSteps(ctx context.Context, from journal.Source, c *Chamber, begin, end time.Time, width time.Duration, share func(float64)) (*yield.Climate, time.Duration, error) {
	b := builder{c: c, out: &yield.Climate{Start: []int64{}}, step: width, roles: map[string]chamber.Role{}, learned: map[string]learnt{}}
	for _, p := range c.Plugs {
		b.roles[p.Name] = p.Role
	}
	n := 0
	for m, err := range from.History(ctx, journal.HistoryQuery{Chamber: c.Name, From: begin, To: end, Step: width, Without: unused}) {
		if err != nil {
			return nil, 0, err
		}
		if m.Span > width && m.Place == chamber.Inside.String() {
			return nil, m.Span, nil
		}
		if n++; n%5000 == 0 {
			share(m.Start.Sub(begin).Seconds() / end.Sub(begin).Seconds())
		}
		b.take(&m)
	}
	b.finish()
	return b.out, 0, nil
}

func (b *builder) take(m *journal.Minute) {
	if len(b.out.Start) == 0 || !m.Start.Equal(b.at) {
		b.finish()
		b.at, b.i = m.Start, b.out.Add(m.Start, b.step)
		b.deficit, b.lit, b.lux = false, false, math.NaN()
	}
	o, i := b.out, b.i
	switch m.Place {
	case chamber.Inside.String():
		b.measured(m)
	case chamber.Room.String(), journal.PlaceTarget:
	case journal.PlaceLearned:
		b.learned[m.Quantity] = learnt{m.Mean, m.Start}
	default:
		b.plug(m, o, i)
	}
}

func (b *builder) measured(m *journal.Minute) {
	o, i := b.out, b.i
	if m.N == 0 {
		return
	}
	switch m.Quantity {
	case chamber.RelativeHumidity.String():
		o.RH[i], o.RHMin[i], o.RHMax[i] = m.Mean, m.Min, m.Max
	case chamber.Temperature.String():
		o.TemperatureC[i] = m.Mean
	case chamber.CO2.String():
		o.CO2[i], o.CO2Max[i] = m.Mean, m.Max
	case chamber.Illuminance.String():
		b.lux = m.Mean
	case journal.VaporDeficit:
		o.VPD[i], b.deficit = m.Mean, true
	}
}

func (b *builder) plug(m *journal.Minute, o *yield.Climate, i int) {
	switch m.Quantity {
	case journal.PlugPower:
		if math.IsNaN(o.EnergyWh[i]) {
			o.EnergyWh[i] = 0
		}
		o.EnergyWh[i] += m.Mean * m.Seconds / 3600
	case journal.PlugOn:
		// Seconds are what was on; the mean is the share of what was seen.
		switch b.roles[m.Place] {
		case chamber.Humidifier:
			o.Mist[i] = most(o.Mist[i], m.Mean)
			if math.IsNaN(o.WaterG[i]) {
				o.WaterG[i] = 0
			}
			o.WaterG[i] += m.Seconds // seconds for now: what they drew is known at the end
		case chamber.ExhaustFan:
			o.Fan[i] = most(o.Fan[i], m.Mean)
		case chamber.Lamp:
			o.Light[i], b.lit = most(o.Light[i], m.Mean), true
		}
	}
}

// most takes the larger of two shares, of which the first may be missing: two lamps together are as long on as the one
// that is on longer, at the least.
func most(a, b float64) float64 {
	if math.IsNaN(a) || b > a {
		return b
	}
	return a
}

// brightEnough is what counts as light where no lamp is switched here: dim, and well above a closed chamber's dark.
const brightEnough = 10.0 // lx

// finish works out what follows from the rest of a moment.
func (b *builder) finish() {
	o, i := b.out, b.i
	if len(o.Start) == 0 {
		return
	}
	if !b.deficit && !math.IsNaN(o.RH[i]) && !math.IsNaN(o.TemperatureC[i]) {
		b.vapor()
	}
	if !b.lit && !math.IsNaN(b.lux) {
		o.Light[i] = 0
		if b.lux >= brightEnough {
			o.Light[i] = 1
		}
	}
	if on, off := b.known(journal.AirChangesFanOn), b.known(journal.AirChangesFanOff); !math.IsNaN(o.Fan[i]) {
		o.AirChanges[i] = off + o.Fan[i]*(on-off)
	} else {
		o.AirChanges[i] = off
	}
	o.Respiration[i] = b.known(journal.CO2Generation)
	if !math.IsNaN(o.WaterG[i]) {
		o.WaterG[i] *= b.output() / 3600
	}
}

func (b *builder) vapor() {
	o, i := b.out, b.i
	pressure, ok := air.BarometricPressure(air.Meters(b.c.AltitudeM))
	if !ok {
		return
	}
	if st, ok := air.New(air.Celsius(o.TemperatureC[i]), air.Ratio(math.Min(o.RH[i], 1)), pressure); ok {
		o.VPD[i] = float64(st.VaporPressureDeficit())
	}
}

// known is a learned value that still holds, or NaN.
func (b *builder) known(quantity string) float64 {
	if v, ok := b.learned[quantity]; ok && b.at.Sub(v.at) <= stale {
		return v.value
	}
	return math.NaN()
}

// output is what the humidifier draws in g/h: as learned, or else as rated.
func (b *builder) output() float64 {
	if v := b.known(journal.MistDrawn); !math.IsNaN(v) {
		return v
	}
	for i := range b.c.Plugs {
		if p := &b.c.Plugs[i]; p.Role == chamber.Humidifier && p.OutputGPerH > 0 {
			return p.OutputGPerH
		}
	}
	return math.NaN()
}

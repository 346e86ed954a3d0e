// Package replay lets a stretch of a chamber's journal happen over again in a simulated chamber: the chamber as it was
// learned, the room as it was recorded, the crop as people tended it, and any configuration in charge.
//
// It must never decide anything or write to a journal. Start reading at [Read].
package replay

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/learn"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// Query says what to replay. All but Was are required.
type Query struct {
	Spec     *chamber.Spec  // the chamber as it is to be now
	Was      *chamber.Spec  // as it was then, where its fan or humidifier were others; nil: the same
	Climates *species.Table // to be kept now
	State    policy.State   // the last that the journal holds of the chamber: what was learned of it
	From, To time.Time
	Seed     uint64 // draws what the journal does not tell: walls, droplets, the sensors' rhythm
}

// Past is a stretch of a chamber's life, ready to be lived again.
type Past struct {
	Case     *rehearse.Case
	Recorded rehearse.Figures // as the journal has it, by its minutes
	Assumed  []Assumption     // what the journal does not tell and was taken for usual

	query   *Query
	drawn   float64         // water drawn from the reservoir by the mist that the air showed
	crop    crop.State      // at the beginning
	actions []policy.Action // what people did with the crop meanwhile
	batches []journal.Acted // what they did before
}

// Assumption names what the journal does not tell.
type Assumption string

// The assumptions.
const (
	RoomTemperature Assumption = "room_temperature" // taken for the chamber's own
	RoomHumidity    Assumption = "room_humidity"    // 45 % at 20 °C
	RoomCO2         Assumption = "room_co2"         // as learned, or 480 ppm
	FanAsDrawn      Assumption = "fan"              // neither fan nor leaks had been learned
	MistAsDrawn     Assumption = "mist"             // the humidifier's output had not been learned
	CropAsDrawn     Assumption = "crop"             // the crop's CO2 had not been learned
)

// What is usual where nothing was measured: common practice.
const (
	usualRH  = 0.45
	usualC   = 20.0
	usualPPM = 480.0
)

// settle is left out at the beginning: until walls and policy have found together.
const settle = time.Hour

// longest is the longest stretch: minutes are kept for a month where nothing else is said.
const longest = 62 * 24 * time.Hour

// Missing says that a journal holds too little of a chamber to replay the stretch asked for. Others may be there.
type Missing struct{ What string }

func (m *Missing) Error() string { return m.What }

// Read puts a stretch of the past together. It fails with a [Missing] where the journal holds too little of it.
func Read(ctx context.Context, from journal.Source, q Query) (*Past, error) {
	name := q.Spec.Name
	q.From, q.To = q.From.UTC().Truncate(time.Minute), q.To.UTC().Truncate(time.Minute)
	if d := q.To.Sub(q.From); d < 2*settle || d > longest {
		return nil, fmt.Errorf("chamber %s: from %s to %s is no stretch to replay: it takes at least %s and at most %.0f days", name,
			q.From.Format(time.RFC3339), q.To.Format(time.RFC3339), 2*settle, longest.Hours()/24)
	}
	p := &Past{query: &q}
	if err := p.readActions(ctx, from); err != nil {
		return nil, err
	}
	m, err := readMinutes(ctx, from, &q)
	if err != nil {
		return nil, err
	}
	if share := m.share(chamber.Inside, chamber.RelativeHumidity); share < 0.5 {
		return nil, &Missing{fmt.Sprintf("chamber %s: the journal has humidity for only %.0f %% of the time from %s to %s; choose a stretch that it holds by the minute",
			name, 100*share, q.From.Format(time.RFC3339), q.To.Format(time.RFC3339))}
	}
	target, err := p.firstTarget()
	if err != nil {
		return nil, err
	}
	p.Case = rehearse.ForSpec(q.Spec, rehearse.Load{SubstrateKg: kilograms(&p.crop), Stage: target.Stage}, target, q.Seed)
	c := p.Case
	c.Start, c.For, c.Settle = q.From, q.To.Sub(q.From), settle
	for i := range c.Sensors { // what was recorded is by the sensors: theirs is the truth that figures compare
		s := &c.Sensors[i]
		s.Bias, s.Gain, s.Creep, s.WetS = 0, 0, 0, 0
	}
	c.Weather = p.room(m)
	p.chamber(m)
	if err := c.Params.Validate(); err != nil {
		return nil, fmt.Errorf("chamber %s: what was learned of it is no chamber: %w", name, err)
	}
	p.Recorded, err = recorded(ctx, from, &q, m)
	return p, err
}

// readActions takes what people did with the crop before and meanwhile.
func (p *Past) readActions(ctx context.Context, from journal.Source) error {
	q := p.query
	for a, err := range from.Actions(ctx, journal.ActionQuery{Chamber: q.Spec.Name, Kinds: policy.CropKinds(), To: q.To}) {
		if err != nil {
			return err
		}
		if a.Action.At.Before(q.From) {
			p.batches = append(p.batches, a)
		} else {
			p.actions = append(p.actions, a.Action)
		}
	}
	pol := &policy.Policy{Spec: q.Spec, Climates: q.Climates}
	s := pol.Fresh(q.From.Add(-longest * 12))
	for i := range p.batches {
		s = pol.Redo(s, p.batches[i].Action)
	}
	p.crop = s.Crop
	return nil
}

// firstTarget is what is wanted at the beginning, by the climates of now; where nothing grew yet, by what comes next.
func (p *Past) firstTarget() (crop.Target, error) {
	s := p.start()
	pol := &policy.Policy{Spec: p.query.Spec, Climates: p.query.Climates}
	now, _ := s.Crop.Aim(p.query.Climates, p.query.From)
	for i := 0; !now.OK && i < len(p.actions); i++ {
		s = pol.Redo(s, p.actions[i])
		now, _ = s.Crop.Aim(p.query.Climates, latest(p.query.From, p.actions[i].At))
	}
	if !now.OK {
		return now, &Missing{fmt.Sprintf("chamber %s: nothing grew in it from %s to %s that a climate is known for", p.query.Spec.Name,
			p.query.From.Format(time.RFC3339), p.query.To.Format(time.RFC3339))}
	}
	return now, nil
}

func kilograms(s *crop.State) (kg float64) {
	for i := range s.Batches {
		if b := &s.Batches[i]; b.Retired.IsZero() {
			kg += b.SubstrateKg
		}
	}
	return kg
}

// start is the policy's state at the beginning: the crop as it was, the chamber as learned.
func (p *Past) start() policy.State {
	q := p.query
	pol := &policy.Policy{Spec: q.Spec, Climates: q.Climates}
	s := pol.Fresh(q.From)
	s.Crop, s.Learn = p.crop, q.State.Learn
	if !s.Learn.At.IsZero() { // it was learned later than the beginning: kept as over a gap
		s.Learn.At = q.From.Add(-time.Hour)
	}
	return s
}

// room is the recorded weather, minute by minute, with what is missing drawn through.
func (p *Past) room(m *minutes) plant.Weather {
	n := len(m.rows)
	t, rh, co2 := m.filled(chamber.Room, chamber.Temperature), m.filled(chamber.Room, chamber.RelativeHumidity), m.filled(chamber.Room, chamber.CO2)
	if t == nil {
		if t = m.filled(chamber.Inside, chamber.Temperature); t == nil {
			t = constant(n, usualC)
		}
		p.Assumed = append(p.Assumed, RoomTemperature)
	}
	if rh == nil {
		vapor := usualRH * plant.Saturation(usualC)
		for i := range n {
			rh = append(rh, math.Min(0.95, vapor/plant.Saturation(t[i])))
		}
		p.Assumed = append(p.Assumed, RoomHumidity)
	}
	if co2 == nil {
		ppm := usualPPM
		if k := p.knowledge(); k.RoomCO2.Value > 380 && k.RoomCO2.RelativeSD < 0.25 {
			ppm = k.RoomCO2.Value
		}
		co2 = constant(n, ppm)
		p.Assumed = append(p.Assumed, RoomCO2)
	}
	w := plant.Weather{RecordS: 60, StartHour: hourOf(p.query.From)}
	for i := range n {
		w.Record = append(w.Record, plant.Room{AirC: t[i], RelativeHumidity: math.Min(math.Max(rh[i], 0.02), 1), CO2PPM: co2[i]})
	}
	return w
}

func (p *Past) knowledge() learn.Knowledge {
	l := p.query.State.Learn
	return l.Knowledge(p.query.Spec.VolumeM3, p.query.Spec.AltitudeM)
}

// hourOf is the hour of the day in UTC, in which the learned daily course is.
func hourOf(t time.Time) float64 { return float64(t.Hour()) + float64(t.Minute())/60 }

// chamber gives the simulated chamber what was learned of the real one: as a mean over the stretch where the journal has
// it, else as of the end; fan and humidifier in the proportion of what is now to what was then.
func (p *Past) chamber(m *minutes) {
	q, c := p.query, &p.Case.Params
	drawnFan, drawnMist := c.FanM3PerH, c.MistGPerH
	p.drawn = 1
	if drawn, mist := m.learned[journal.MistDrawn], m.learned[journal.MistOutput]; drawn.weight > 0 && mist.value() > 0 {
		p.drawn = drawn.value() / mist.value()
	}
	k := p.knowledge()
	for quantity, into := range map[string]*learn.Learned{journal.AirChangesFanOn: &k.FanOn, journal.AirChangesFanOff: &k.FanOff,
		journal.CO2Generation: &k.CO2GPerH, journal.MistOutput: &k.MistGPerH} {
		if mean, ok := m.learned[quantity]; ok {
			into.Value, into.Known = mean.value(), true
		}
	}
	airC := usualC
	if inside := m.filled(chamber.Inside, chamber.Temperature); inside != nil {
		airC = mean(inside)
	}
	k.Shape(c, airC)
	c.GrowthPerDay, c.FoulingPerHour, c.ScalePerKg = 0, 0, 0 // means over the stretch
	c.StartHour = hourOf(q.From)
	if k.CO2GPerH.Known {
		c.DailySwing, c.DailyPeakH = math.Min(k.DailySwing, 0.9), k.DailyPeakH
	} else {
		p.Assumed = append(p.Assumed, CropAsDrawn)
	}
	if k.FanOn.Known {
		c.FanM3PerH *= p.another(chamber.ExhaustFan, chamber.Flow, m.ratedFan())
	} else {
		c.FanM3PerH = drawnFan
		p.Assumed = append(p.Assumed, FanAsDrawn)
	}
	if k.MistGPerH.Known {
		c.MistGPerH *= p.another(chamber.Humidifier, chamber.Output, 0)
	} else {
		c.MistGPerH = drawnMist
		p.Assumed = append(p.Assumed, MistAsDrawn)
	}
	slices.Sort(p.Assumed)
}

// another is by how much the plug of a role is rated for more now than then; 1 where nobody can tell. Then is what the
// journal has of it, for want of the configuration of then.
func (p *Past) another(role chamber.Role, rated func(*chamber.Plug) float64, then float64) float64 {
	now := p.query.Spec.Rating(role, rated)
	if was := p.query.Was; was != nil {
		then = was.Rating(role, rated)
	}
	if now > 0 && then > 0 {
		return now / then
	}
	return 1
}

func constant(n int, v float64) []float64 {
	list := make([]float64, n)
	for i := range list {
		list[i] = v
	}
	return list
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

package control

import (
	"math"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/learn"
	"gillkeeper/policy/reason"
)

// Plan is what humidifier and exhaust fan will do in the next minutes, chosen together.
type Plan struct {
	At      time.Time `json:"at,omitzero"` // when it was made; zero: none
	Mist    Span      `json:"mist"`
	Fan     Span      `json:"fan"`
	Cost    float64   `json:"cost"`     // of the plan
	Still   float64   `json:"still"`    // of leaving both plugs at rest
	RH      float64   `json:"rh"`       // expected at the end of the plan
	CO2     float64   `json:"co2"`      // the same, ppm
	StillRH float64   `json:"still_rh"` // with both plugs at rest
	StillC  float64   `json:"still_co2"`
}

// Span is a run of a plug; To not after From: none.
type Span struct {
	From time.Time `json:"from,omitzero"`
	To   time.Time `json:"to,omitzero"`
}

// The plan's horizon and steps in seconds: fine at first, coarser later.
const (
	planEvery  = 4 * time.Second
	fineStep   = 4.0
	fineUntil  = 100.0
	roughStep  = 8.0
	planEnd    = 236.0
	pulseNever = 1e9
)

// weights say what leaving the target costs, per second where it lasts.
type weights struct {
	rhUnit   float64 // deviation of relative humidity that costs 1
	rhBend   float64 // multiple of it from which the cost grows in proportion, never less: it must not saturate
	rhSlope  float64 // growth beyond it
	dry      float64 // factor below the aim
	co2Over  float64 // above the maximum, at once
	co2Unit  float64 // ppm that cost 1 more
	margin   float64 // ppm below the maximum from which CO2 begins to cost
	pulse    float64 // a switching on and off
	fresh    float64 // what lower CO2 at the end is worth, in pulses
	gram     float64 // of water
	blow     float64 // a second of fan
	terminal float64 // seconds for which the end counts on
}

var planWeights = weights{rhUnit: 0.025, rhBend: 2, rhSlope: 1.2, dry: 1.1, co2Over: 5, co2Unit: 25, margin: 30, pulse: 24, fresh: 30, gram: 5, blow: 0.3, terminal: 20}

// run is a plug's run in seconds from now.
type run struct{ from, to float64 }

var rest = run{pulseNever, pulseNever}

// planner holds what one planning needs.
type planner struct {
	w        *weights
	model    *learn.Model
	target   *crop.Target
	volume   float64
	freshPPM float64 // worth of each ppm at the end
	rolled   int
}

// outcome is what a plan leads to.
type outcome struct{ cost, rh, co2 float64 }

// roll plays a plan through.
func (p *planner) roll(mist, fan run) outcome {
	p.rolled++
	a, c, w := p.model.Air, &p.model.Constants, p.w
	aim, most, least := p.target.RelativeHumidity.Aim, p.target.CO2MaxPPM, p.target.CO2MinPPM
	cost := 0.0
	dt := fineStep
	var rh float64
	for t := 0.0; t < planEnd; t += dt {
		if t >= fineUntil {
			dt = roughStep
		}
		mid := t + dt/2
		a.Step(c, mid >= mist.from && mid < mist.to, mid >= fan.from && mid < fan.to, dt)
		rh = a.RH(c)
		cost += dt * (w.humidity(rh-aim) + w.carbon(a.CO2, most, least))
	}
	cost += w.terminal*w.humidity(rh-aim) + p.freshPPM*a.CO2
	if mist.to > mist.from {
		cost += w.pulse + w.gram*c.MistRate*p.volume*(mist.to-mist.from)
	}
	if fan.to > fan.from {
		cost += w.pulse + w.blow*(fan.to-fan.from)
	}
	return outcome{cost, rh, a.CO2}
}

func (w *weights) humidity(off float64) float64 {
	u := off / w.rhUnit
	if u < 0 {
		u *= -w.dry
	}
	if u <= w.rhBend {
		return u * u
	}
	return w.rhBend*w.rhBend + w.rhSlope*(u-w.rhBend)
}

func (w *weights) carbon(ppm, most, least float64) float64 {
	cost := 0.0
	if u := (ppm - most + w.margin) / w.co2Unit; most > 0 && u > 0 {
		cost = u
		if ppm > most {
			cost += w.co2Over
		}
	}
	if u := (least - ppm) / w.co2Unit; u > 0 {
		cost += u + 0.5
	}
	return cost
}

// plans says whether a plan can be made now.
func (sc *Scene) plans() bool {
	f, m := sc.Spec.Plug(chamber.ExhaustFan), sc.Spec.Plug(chamber.Humidifier)
	if sc.Model == nil || f < 0 || m < 0 || sc.Dry || sc.Probe || sc.Open || sc.Target.CO2MaxPPM <= 0 {
		return false
	}
	if !sc.Air.Inside.RelativeHumidity.OK || !sc.Air.Inside.CO2.OK {
		return false
	}
	return sc.Plugs[f].Known && sc.Plugs[m].Known && !sc.Plugs[f].Hand.Active && !sc.Plugs[m].Hand.Active
}

// plan chooses the runs of humidifier and fan together, and gives what it wants of both.
func (st *State) plan(sc *Scene) (mist, fan guard.Want) {
	i, j := sc.Spec.Plug(chamber.Humidifier), sc.Spec.Plug(chamber.ExhaustFan)
	pl := &st.Plan
	if pl.At.IsZero() || sc.Now.Sub(pl.At) >= planEvery {
		st.search(sc, i, j)
	}
	r := reason.Reason{Code: reason.Planned, Value: pl.Cost, Bound: pl.Still}
	mist, fan = pl.Mist.want(sc.Now), pl.Fan.want(sc.Now)
	r.Quantity, r.Predicted, r.Until = chamber.RelativeHumidity, pl.RH, mist.Until
	mist.Reasons = []reason.Reason{r}
	r.Quantity, r.Predicted, r.Until = chamber.CO2, pl.CO2, fan.Until
	fan.Reasons = []reason.Reason{r}
	// The rules take over where the plan leaves off.
	if mist.On {
		st.Mist.Since, st.Mist.Until, st.Mist.Why = pl.Mist.From, pl.Mist.To, mist.Reasons[0]
	} else if st.Mist.Until.After(sc.Now) {
		st.Mist.Until = sc.Now
	}
	if fan.On {
		st.Fan.Since, st.Fan.Until, st.Fan.Why = pl.Fan.From, pl.Fan.To, fan.Reasons[0]
	} else if st.Fan.Until.After(sc.Now) {
		st.Fan.Since, st.Fan.Until = minTime(st.Fan.Since, sc.Now), sc.Now
	}
	return mist, fan
}

func minTime(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

func (s Span) want(now time.Time) guard.Want {
	switch {
	case !s.To.After(now):
		return guard.Want{}
	case s.From.After(now):
		return guard.Want{Until: s.From}
	}
	return guard.Want{On: true, Until: s.To}
}

// search looks for the cheapest plan among a small, fixed set: the fan's pulses first, without mist and with mist a
// little ahead, then the humidifier's to the best of them, then the fan's once more.
func (st *State) search(sc *Scene, i, j int) {
	p := planner{w: &planWeights, model: sc.Model, target: &sc.Target, volume: sc.Spec.VolumeM3}
	c := &sc.Model.Constants
	least := sc.Spec.Plugs[j].MinOn.Seconds()
	drop := (sc.Target.CO2MaxPPM - c.RoomCO2) * (1 - math.Exp(-c.Flow*least))
	p.freshPPM = p.w.fresh / math.Max(drop, 15)

	mists := st.runs(sc, i, mistStarts[:], mistLengths[:])
	fans := st.runs(sc, j, fanStarts[:], fanLengths[:])
	mist, fan := mists.runs[0], fans.runs[0]
	still := p.roll(rest, rest)
	best := p.roll(mist, fan)
	try := func(m, f run) {
		if o := p.roll(m, f); o.cost < best.cost-1e-9 {
			best, mist, fan = o, m, f
		}
	}
	if m, f, ok := st.last(sc, &mists, &fans); ok {
		try(m, f)
	}
	m0 := mist
	for _, f := range fans.all() {
		try(m0, f)
		if !mists.on && f.from < planEnd {
			from := math.Max(mists.earliest, f.from-8)
			try(run{from, from + mists.least*1.2}, f)
		}
	}
	f0 := fan
	for _, m := range mists.all() {
		try(m, f0)
	}
	m0 = mist
	for _, f := range fans.all() {
		try(m0, f)
	}
	st.Plan = Plan{At: sc.Now, Mist: mist.span(sc.Now), Fan: fan.span(sc.Now), Cost: best.cost, Still: still.cost,
		RH: best.rh, CO2: best.co2, StillRH: still.rh, StillC: still.co2}
	if mists.on {
		st.Plan.Mist.From = st.Mist.Since
	}
	if fans.on {
		st.Plan.Fan.From = st.Fan.Since
	}
}

// last is the plan before, as far as it can still be followed.
func (st *State) last(sc *Scene, mists, fans *runSet) (m, f run, ok bool) {
	if st.Plan.At.IsZero() || sc.Now.Sub(st.Plan.At) > time.Minute {
		return m, f, false
	}
	return mists.fit(st.Plan.Mist, sc.Now), fans.fit(st.Plan.Fan, sc.Now), true
}

func (r *runSet) fit(s Span, now time.Time) run {
	from, to := s.From.Sub(now).Seconds(), s.To.Sub(now).Seconds()
	switch {
	case r.on:
		return run{0, math.Max(to, r.runs[0].to)}
	case to <= 0 || !s.To.After(s.From):
		return rest
	}
	from = math.Max(from, r.earliest)
	return run{from, math.Max(to, from+r.least)}
}

func (r run) span(now time.Time) Span {
	if r.to <= r.from || r.from >= pulseNever {
		return Span{}
	}
	at := func(s float64) time.Time { return now.Add(time.Duration(s * float64(time.Second))) }
	return Span{at(r.from), at(r.to)}
}

// The starts of pulses in seconds from the earliest, their lengths in multiples of the shortest, and for a plug that
// runs, how many seconds longer than it must.
var (
	mistStarts  = [...]float64{0, 9, 18, 30, 48, 72, 105}
	mistLengths = [...]float64{1, 1.35, 1.8, 2.5}
	fanStarts   = [...]float64{0, 12, 30, 60, 105}
	fanLengths  = [...]float64{1, 1.5, 2.2}
	longer      = [...]float64{0, 6, 12, 21, 33, 51, 75}
)

const mostRuns = 1 + 7*4

// runSet is what a plug can do next. The first is the least it must.
type runSet struct {
	runs     [mostRuns]run
	n        int
	on       bool
	earliest float64
	least    float64
}

func (r *runSet) all() []run { return r.runs[:r.n] }

func (r *runSet) add(x run) {
	r.runs[r.n] = x
	r.n++
}

// airNeeded reports whether CO2 alone is reason enough to run the fan.
func (st *State) airNeeded(sc *Scene) bool {
	return sc.Model.Air.CO2 > sc.Target.CO2MaxPPM-planWeights.margin
}

func (st *State) runs(sc *Scene, i int, starts, lengths []float64) (r runSet) {
	p, spec := &sc.Plugs[i], &sc.Spec.Plugs[i]
	edge := p.ChangedAt
	if p.TurnedAt.After(edge) {
		edge = p.TurnedAt
	}
	r.on = p.On
	if p.HasTold {
		r.on = p.Told
	}
	r.least = (spec.MinOn + guard.Slack).Seconds()
	if r.on {
		if limit := sc.Plugs[i].ChangedAt.Add(longestPulse); !sc.Now.Before(limit) && !st.airNeeded(sc) {
			r.add(run{0, 0}) // together the two could run for hours against each other; each rests now and then
			return r
		}
		must := math.Max(0, edge.Add(spec.MinOn+guard.Slack).Sub(sc.Now).Seconds())
		for _, x := range longer {
			r.add(run{0, must + x})
		}
		return r
	}
	r.earliest = math.Max(0, edge.Add(spec.MinOff+guard.Slack).Sub(sc.Now).Seconds())
	r.add(rest)
	for _, s := range starts {
		for _, l := range lengths {
			r.add(run{r.earliest + s, r.earliest + s + l*r.least})
		}
	}
	return r
}

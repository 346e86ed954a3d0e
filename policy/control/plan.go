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
	At      time.Time     `json:"at,omitzero"` // when it was made; zero: none
	Mist    Span          `json:"mist"`
	Fan     Span          `json:"fan"`
	MistWhy reason.Reason `json:"mist_why,omitzero"`
	FanWhy  reason.Reason `json:"fan_why,omitzero"`
}

// Span is a run of a plug; To not after From: none.
type Span struct {
	From  time.Time `json:"from,omitzero"`
	To    time.Time `json:"to,omitzero"`
	Level float64   `json:"level,omitempty"` // share of full output, of a plug that modulates; 0: full
}

// When a plan is made anew, and what stands for never, in seconds.
const (
	planEvery  = 4 * time.Second
	pulseNever = 1e9
)

// How far a plan is followed step by step, in seconds, and in which steps: fine while a plug runs and until what it did has
// settled, coarse while both rest. Every so many seconds it is given up if it can no longer be the cheapest.
const (
	horizon     = 184.0
	fine        = 4.0
	coarse      = 8.0
	mistSettles = 24.0
	fanSettles  = 6.0
	glances     = 20.0
)

// after are the steps in which the air is followed beyond the horizon with both plugs at rest, in seconds.
var after = [...]float64{12, 16, 20, 24, 32, 40, 48, 56, 64, 80, 96, 112, 116}

// fades is the time constant in seconds by which what lies beyond the horizon counts less: a forecast is worth the less
// the further it looks, and a landing foreseen too well would have the plan try for it again and again.
const fades = 450.0

// worth is what a second of each step of after counts.
var worth = func() (list [len(after)]float64) {
	age := 0.0
	for i, step := range after {
		list[i] = math.Exp(-(age + step/2) / fades)
		age += step
	}
	return list
}()

// afterWorth is what all of after counts at the most, in seconds.
var afterWorth = func() (sum float64) {
	for i, step := range after {
		sum += worth[i] * step
	}
	return sum
}()

// weights say what leaving the target costs, per second where it lasts.
type weights struct {
	rhUnit  float64 // deviation of relative humidity that costs 1
	rhBend  float64 // multiple of it from which the cost grows in proportion, never less: it must not saturate
	rhSlope float64 // growth beyond it
	dry     float64 // factor below the aim
	co2Over float64 // above the maximum, at once
	co2Unit float64 // ppm that cost 1 more
	margin  float64 // ppm below the maximum from which CO2 begins to cost
	pulse   float64 // a switching on and off
	gram    float64 // of water
	blow    float64 // a second of fan
}

var planWeights = weights{rhUnit: 0.025, rhBend: 2, rhSlope: 1.2, dry: 1.1, co2Over: 8, co2Unit: 20, margin: co2Doubt, pulse: 48, gram: 2, blow: 0.1}

// longerOnBudget is by how much longer at the most two plugs may run against each other where switchings are dear: what
// that costs in water it saves in relays.
const longerOnBudget = 4.0

// noRelay is the price of starting a plug that modulates, as a share of that of a switching: it has no relay to wear,
// and once it runs it may go on for nothing.
const noRelay = 0.25

// run is a plug's run in seconds from now, at a share of full output.
type run struct{ from, to, level float64 }

var rest = run{pulseNever, pulseNever, 0}

// output is what the plug is driven to at a moment.
func (r *run) output(t float64) float64 {
	if t >= r.from && t < r.to {
		return r.level
	}
	return 0
}

// seconds is the length of the run as if at full output.
func (r *run) seconds() float64 { return r.level * (r.to - r.from) }

// planner holds what one planning needs.
type planner struct {
	w      *weights
	model  *learn.Model
	target *crop.Target
	volume float64
	rate   float64 // what a second costs on average
	trim   float64 // that was taken off the aim of humidity
	// What a run of each costs for the plug's sake.
	mistPulse, fanPulse float64
	gust                float64 // price of a second of a fan that modulates at full speed, over blow
	// Fresh air by the clock goes on beyond the next run: from airFrom on, in seconds, as the mean share airing of the fan's output.
	airFrom, airing float64
	fanless         bool // nothing takes off what is too much
}

// fan is what the fan is driven to at a moment.
//
//go:norace
func (p *planner) fan(fan *run, t float64) float64 {
	if t >= p.airFrom {
		return math.Max(fan.output(t), p.airing)
	}
	return fan.output(t)
}

// gustPrice has a fan that modulates run slowly for longer rather than fast for a moment: power and noise grow with the
// cube of its speed and more (the affinity laws of fans), and fast air dries caps.
const gustPrice = 0.3

// blow is what a fan's run costs.
func (p *planner) blow(fan run) float64 {
	cost := p.w.blow * fan.seconds()
	if p.gust > 0 {
		cost += p.gust * (fan.to - fan.from) * fan.level * fan.level * fan.level
	}
	return cost
}

// roll plays a plan through and gives its cost over that of an average time of the same length, or infinity once it can
// be no less than the given one. A plan is followed until it would have to switch again, see [planner.follow]: one that
// puts a run off has its consequences to bear like one that does not.
//
//go:norace
func (p *planner) roll(mist, fan run, cheaper float64) float64 {
	a, c, w := p.model.Air, &p.model.Constants, p.w
	aim, most, least := p.target.RelativeHumidity.Aim, p.target.CO2MaxPPM, p.target.CO2MinPPM
	cost := 0.0
	if mist.to > mist.from {
		cost += p.mistPulse + w.gram*c.MistRate*p.volume*mist.seconds()
	}
	if fan.to > fan.from {
		cost += p.fanPulse + p.blow(fan)
	}
	before := w.humidity(a.RH(c)-aim) + w.carbon(a.CO2, most, least)
	for t, glance := 0.0, glances; t < horizon; {
		step := p.pace(t, &mist, &fan)
		mid := t + step/2
		a.Step(c, mist.output(mid), p.fan(&fan, mid), step)
		now := w.humidity(a.RH(c)-aim) + w.carbon(a.CO2, most, least)
		cost += step * ((before+now)/2 - p.rate)
		t, before = t+step, now
		if t >= glance {
			if cost-p.rate*(horizon-t+afterWorth) >= cheaper {
				return math.Inf(1)
			}
			glance += glances
		}
	}
	p.follow(&a, func(seconds float64, moist, carbon float64) {
		cost += seconds * (moist + carbon - p.rate)
	})
	return cost
}

// pace is the next step's length: it ends at the latest where a plug is switched.
//
//go:norace
func (p *planner) pace(t float64, mist, fan *run) float64 {
	end := t + coarse
	if t < mistSettles || mist.acts(t, mistSettles) || fan.acts(t, fanSettles) {
		end = t + fine
	}
	if end > horizon {
		end = horizon
	}
	return mist.cut(t, fan.cut(t, end)) - t
}

// cut is where a step from t to end is over if it ends where the plug is switched.
//
//go:norace
func (r *run) cut(t, end float64) float64 {
	if r.from > t && r.from < end {
		end = r.from
	}
	if r.to > t && r.to < end {
		end = r.to
	}
	return end
}

// acts says whether the plug runs then, or its run has not yet settled.
//
//go:norace
func (r *run) acts(t, settles float64) bool { return t >= r.from && t < r.to+settles }

// follow goes on from the horizon with both plugs at rest, until a second costs more than on average and does not
// get better by itself: then it is time to switch again, and every plan is alike. That is the rule of renewal by which the
// plan of the least average cost is found, the average being that of late (Dinkelbach's method). Air that grows too wet by
// itself is time to switch like air that grows too dry: a fan and a mist that makes good what it takes mend it; were it
// followed to the end, putting that off would always look cheaper. Without a fan it is no such time. Each step is given to
// add with the mean costs of its seconds, which count the less the further ahead they lie.
//
//go:norace
func (p *planner) follow(a *learn.Air, add func(seconds, moist, carbon float64)) {
	c, w := &p.model.Constants, p.w
	aim, most, least := p.target.RelativeHumidity.Aim, p.target.CO2MaxPPM, p.target.CO2MinPPM
	moist, carbon := w.humidity(a.RH(c)-aim), w.carbon(a.CO2, most, least)
	now := moist + carbon
	for i, step := range after {
		if now >= p.rate && (a.RH(c) < aim || most > 0 && a.CO2 > most-w.margin) {
			return
		}
		a.Step(c, 0, p.airing, step)
		m, o := w.humidity(a.RH(c)-aim), w.carbon(a.CO2, most, least)
		then, share := m+o, 1.0
		switch {
		case then <= now || then <= p.rate || p.fanless && a.RH(c) > aim:
		case now >= p.rate:
			return
		default: // as far as the average is reached
			share = (p.rate - now) / (then - now)
		}
		add(worth[i]*share*step, moist+share*(m-moist)/2, carbon+share*(o-carbon)/2)
		if share < 1 {
			return
		}
		moist, carbon, now = m, o, then
	}
}

//go:norace
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

//go:norace
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

// Where the room's air is itself near the maximum, no airing brings the chamber below it for long, and trying to would only dry and
// drench it by turns. From roomNear ppm below on it may rise above the maximum, up to [aboveStale] over the room.
const roomNear = 60.0

// bearable is the maximum of CO2 that a plan goes by, in ppm, with the room's air as it is.
func bearable(most, room float64) float64 {
	slack := most - room
	return most + aboveStale(room)*clamp(1-slack/roomNear, 0, 1) + math.Max(0, -slack)
}

// overMost is for how long CO2 may be measured above its maximum, where the room's air would bring it below, until plans
// are distrusted: a fan that is known well brings it down within its run and a sensor's lag.
const overMost = 5 * time.Minute

// over carries on since when CO2 is measured above its maximum.
func (sc *Scene) over(since time.Time) time.Time {
	e, most := sc.Air.Inside.CO2, sc.Target.CO2MaxPPM
	switch {
	case !e.OK || most <= 0 || e.Value <= most:
		return time.Time{}
	case since.IsZero() || since.After(sc.Now):
		return sc.Now
	}
	return since
}

// plans says whether a plan can be made now.
func (sc *Scene) plans(st *State) bool {
	f, m := sc.Spec.Plug(chamber.ExhaustFan), sc.Spec.Plug(chamber.Humidifier)
	if sc.Model == nil || m < 0 || sc.Dry || sc.Probe || !sc.Air.Inside.RelativeHumidity.OK {
		return false
	}
	for i := range sc.Plugs {
		moves := sc.Spec.Plugs[i].Role == chamber.ExhaustFan || sc.Spec.Plugs[i].Role == chamber.Humidifier
		if moves && (sc.Plugs[i].Hand.Active || (i == f || i == m) && !sc.Plugs[i].Known) {
			return false
		}
	}
	if f < 0 || sc.byClock() {
		return true
	}
	if sc.Target.CO2MaxPPM <= 0 || !sc.Air.Inside.CO2.OK {
		return false
	}
	if !st.Over.IsZero() && sc.Now.Sub(st.Over) > overMost && sc.Model.Constants.RoomCO2 < sc.Target.CO2MaxPPM-planWeights.margin {
		return false
	}
	return true
}

// byClock reports whether fresh air goes by the clock, because no sensor in the chamber measures CO2.
func (sc *Scene) byClock() bool {
	return !sc.Air.Inside.CO2.OK && !sc.Spec.Has(chamber.CO2, chamber.Inside)
}

// plan chooses the runs of humidifier and fan together, and gives what it wants of both. Without a fan nothing can be done about
// CO2, and there is a plan of the mist alone.
func (st *State) plan(sc *Scene) (mist, fan guard.Want) {
	i, j := sc.Spec.Plug(chamber.Humidifier), sc.Spec.Plug(chamber.ExhaustFan)
	pl := &st.Plan
	eased := *sc
	if sc.Air.Room.CO2.OK { // what is only believed of the room may be believed of a fan that fails
		eased.Target.CO2MaxPPM = bearable(sc.Target.CO2MaxPPM, sc.Model.Constants.RoomCO2)
	}
	if j < 0 || sc.byClock() {
		eased.Target.CO2MaxPPM, eased.Target.CO2MinPPM = 0, 0
	}
	sc = &eased
	st.Trim = st.Trim.take(sc.Now, sc.Model.Air.RH(&sc.Model.Constants)-sc.Target.RelativeHumidity.Aim)
	if j < 0 { // nothing takes off what is too much: that air stands above its aim for hours is no error of the plan
		st.Trim = Trim{}
	}
	eased.Target.RelativeHumidity.Aim -= st.Trim.value()
	st.Rate = st.Rate.take(sc)
	if pl.At.IsZero() || sc.Now.Sub(pl.At) >= planEvery {
		st.search(sc, i, j)
	}
	mist, fan = pl.Mist.want(sc.Now), pl.Fan.want(sc.Now)
	mist.Reasons, fan.Reasons = []reason.Reason{pl.MistWhy}, []reason.Reason{pl.FanWhy}
	mist.Reasons[0].Until = mist.Until
	switch why := &fan.Reasons[0]; {
	case why.Code == reason.Planned:
		why.Until = fan.Until
	case why.Code == reason.FreshAir && fan.On: // it was due, and the next is to come
		_, _, period := st.nextAir(sc, j)
		why.Until = pl.Fan.From.Add(seconds(period))
	}
	if mist.On && !st.Mist.Until.After(sc.Now) {
		st.Rate = st.Rate.start(&st.MistWear)
	}
	if fan.On && !st.Fan.Until.After(sc.Now) {
		st.Rate = st.Rate.start(&st.FanWear)
	}
	// The rules take over where the plan leaves off.
	if mist.On {
		st.Mist = Mist{Since: pl.Mist.From, Until: pl.Mist.To, Level: pl.Mist.Level, Why: mist.Reasons[0]}
	} else if st.Mist.Until.After(sc.Now) {
		st.Mist.Until = sc.Now
	}
	if fan.On {
		st.Fan.Since, st.Fan.Until, st.Fan.Level, st.Fan.Why = pl.Fan.From, pl.Fan.To, pl.Fan.Level, fan.Reasons[0]
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
	return guard.Want{On: true, Level: s.Level, Until: s.To}
}

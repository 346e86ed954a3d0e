package control

import (
	"math"
	"slices"
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

// legs are the horizon in seconds and the steps that it is followed in: fine while pulses act, coarser later.
var legs = [...]struct{ until, step float64 }{{20, 2}, {40, 2}, {80, 4}, {120, 4}, {184, 8}}

// after are the steps in which the air is followed beyond them with both plugs at rest, in seconds.
var after = [...]float64{12, 16, 20, 24, 32, 40, 48, 56, 64, 80, 96, 112, 116}

// farthest is the end of both.
const farthest = 900.0

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

var planWeights = weights{rhUnit: 0.025, rhBend: 2, rhSlope: 1.2, dry: 1.1, co2Over: 8, co2Unit: 20, margin: 70, pulse: 24, gram: 2, blow: 0.1}

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
	// What a run of each costs for the plug's sake.
	mistPulse, fanPulse float64
	gust                float64 // price of a second of a fan that modulates at full speed, over blow
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
	t := 0.0
	for _, leg := range legs {
		for ; t < leg.until; t += leg.step {
			mid := t + leg.step/2
			a.Step(c, mist.output(mid), fan.output(mid), leg.step)
			cost += leg.step * (w.humidity(a.RH(c)-aim) + w.carbon(a.CO2, most, least) - p.rate)
		}
		if cost-p.rate*(farthest-t) >= cheaper {
			return math.Inf(1)
		}
	}
	p.follow(&a, func(seconds float64, moist, carbon float64) {
		cost += seconds * (moist + carbon - p.rate)
	})
	return cost
}

// follow goes on from the end of the legs with both plugs at rest, until a second costs more than on average for want of
// mist or air: then it is time to switch again, and every plan is alike. That is the rule of renewal by which the plan of
// the least average cost is found, the average being that of late (Dinkelbach's method). Each step is given to add with
// the mean costs of its seconds.
//
//go:norace
func (p *planner) follow(a *learn.Air, add func(seconds, moist, carbon float64)) {
	c, w := &p.model.Constants, p.w
	aim, most, least := p.target.RelativeHumidity.Aim, p.target.CO2MaxPPM, p.target.CO2MinPPM
	wants := func() bool { return a.RH(c) < aim || most > 0 && a.CO2 > most-w.margin }
	moist, carbon := w.humidity(a.RH(c)-aim), w.carbon(a.CO2, most, least)
	now := moist + carbon
	for _, step := range after {
		if now >= p.rate && wants() {
			return
		}
		a.Step(c, 0, 0, step)
		m, o := w.humidity(a.RH(c)-aim), w.carbon(a.CO2, most, least)
		then, share := m+o, 1.0
		if then > p.rate && now < p.rate && wants() { // as far as that is reached
			share = (p.rate - now) / (then - now)
		}
		add(share*step, moist+share*(m-moist)/2, carbon+share*(o-carbon)/2)
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
	if sc.Model == nil || f < 0 || m < 0 || sc.Dry || sc.Probe || sc.Open || sc.Target.CO2MaxPPM <= 0 {
		return false
	}
	if !st.Over.IsZero() && sc.Now.Sub(st.Over) > overMost && sc.Model.Constants.RoomCO2 < sc.Target.CO2MaxPPM-planWeights.margin {
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
	st.Rate = st.Rate.take(sc)
	if pl.At.IsZero() || sc.Now.Sub(pl.At) >= planEvery {
		st.search(sc, i, j)
	}
	mist, fan = pl.Mist.want(sc.Now), pl.Fan.want(sc.Now)
	mist.Reasons, fan.Reasons = []reason.Reason{pl.MistWhy}, []reason.Reason{pl.FanWhy}
	mist.Reasons[0].Until, fan.Reasons[0].Until = mist.Until, fan.Until
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

// search looks for the cheapest plan among a small, fixed set: the two plugs' runs moved together first, then each
// alone to the best of the other's.
func (st *State) search(sc *Scene, i, j int) {
	p := planner{w: &planWeights, model: sc.Model, target: &sc.Target, volume: sc.Spec.VolumeM3, rate: st.Rate.Value}
	mists, fans := st.runs(sc, i), st.runs(sc, j)
	p.mistPulse, p.fanPulse = p.w.pulse*mists.wear(&st.MistWear), p.w.pulse*fans.wear(&st.FanWear)
	if sc.Spec.Plugs[j].Modulates() {
		p.gust = gustPrice
	}
	b := best{p: &p, mist: mists.runs[0], fan: fans.runs[0]}
	b.cost = p.roll(b.mist, b.fan, math.Inf(1))
	if m, f, ok := st.last(sc, &mists, &fans); ok {
		b.try(m, f)
	}
	if !mists.on && !fans.on {
		b.together(&mists, &fans)
	}
	b.steady(&mists, &fans)
	if st.MistWear.Factor() > 1 || st.FanWear.Factor() > 1 {
		b.both(&mists, &fans)
	}
	for range 2 {
		before := b.cost
		b.alone(&mists, &fans)
		if b.cost == before {
			break
		}
	}
	chosen := p.foresee(b.mist, b.fan)
	st.Plan = Plan{At: sc.Now, Mist: b.mist.span(sc.Now), Fan: b.fan.span(sc.Now),
		MistWhy: p.explain(chamber.RelativeHumidity, &mists, b.mist, &chosen, func(r run) foreseen { return p.foresee(r, b.fan) }),
		FanWhy:  p.explain(chamber.CO2, &fans, b.fan, &chosen, func(r run) foreseen { return p.foresee(b.mist, r) })}
	if mists.on {
		st.Plan.Mist.From = st.Mist.Since
	}
	if fans.on {
		st.Plan.Fan.From = st.Fan.Since
	}
}

// best is the best plan so far.
type best struct {
	p         *planner
	mist, fan run
	cost      float64
}

func (b *best) try(mist, fan run) bool {
	if c := b.p.roll(mist, fan, b.cost); c < b.cost-1e-9 {
		b.cost, b.mist, b.fan = c, mist, fan
		return true
	}
	return false
}

// together tries runs of both plugs, and of each alone, that begin now or later.
func (b *best) together(mists, fans *runSet) {
	both := max(mists.earliest, fans.earliest-leads[1])
	for _, d := range delays {
		m := mists.at(both+d, 1)
		b.try(m, fans.at(both+d+leads[1], 1))
		b.try(m, rest)
		b.try(rest, fans.at(fans.earliest+d, 1))
	}
	if b.mist == rest || b.fan == rest {
		return
	}
	for range 2 {
		before := b.cost
		m, f := b.mist, b.fan
		for _, l := range runLengths {
			b.try(m, fans.at(f.from, l))
		}
		f = b.fan
		for _, l := range runLengths {
			b.try(mists.at(m.from, l), f)
		}
		m, f = b.mist, b.fan
		for _, l := range leads {
			from := max(fans.earliest, m.from+l)
			b.try(m, run{from, from + f.to - f.from, f.level})
		}
		m, f = b.mist, b.fan
		for _, d := range nudges {
			b.try(m.moved(d, mists.earliest), f.moved(d, fans.earliest))
		}
		if b.cost == before {
			return
		}
	}
}

// both stretches the two runs together: where a switching is dear they should last, and each alone would dry or drench.
func (b *best) both(mists, fans *runSet) {
	m, f := b.mist, b.fan
	if m == rest || f == rest || mists.ends || fans.ends {
		return
	}
	for _, x := range longer[1:] {
		long := func(r run) run { return run{r.from, r.to + x, r.level} }
		b.try(long(m), long(f))
		b.try(run{m.from, m.to + x/2, m.level}, long(f))
	}
}

// steadyFor are the lengths of runs at low output that are tried.
var steadyFor = [...]float64{60, 120, 240}

// steady tries long runs of plugs that modulate, at their lowest level and at those that hold the air as it should be:
// the fan takes off what the crop gives, the mist makes good what the fan takes.
func (b *best) steady(mists, fans *runSet) {
	if !mists.plug.Modulates() && !fans.plug.Modulates() {
		return
	}
	for _, s := range steadyFor { // as much of both over a longer time
		m, f := mists.spread(b.mist, s), fans.spread(b.fan, s)
		b.try(m, f)
		b.try(b.mist, f)
	}
	c, air := &b.p.model.Constants, &b.p.model.Air
	room := max(b.p.target.CO2MaxPPM-b.p.w.margin-c.RoomCO2, b.p.w.margin)
	flow := max(0, c.CO2Rate/room-c.Leak) // air changes a second
	fan := [...]float64{fans.plug.Least(), fans.plug.AtLeast(flow / max(c.Flow, 1e-6))}
	for i, f := range fan {
		lost := (f*c.Flow + c.Leak) * max(0, air.Vapor-c.RoomV)
		mist := mists.plug.AtLeast(lost / max(c.MistRate*(1-c.Loss), 1e-6))
		if i > 0 && f == fan[0] {
			return
		}
		for _, s := range steadyFor {
			m, a := mists.steadily(b.mist, mist, s), fans.steadily(b.fan, f, s)
			b.try(m, a)
			b.try(b.mist, a)
			b.try(m, b.fan)
		}
	}
}

// spread is a run that gives as much within so many seconds, at the lowest level that will do.
func (r *runSet) spread(x run, seconds float64) run {
	if !r.plug.Modulates() || x == rest || x.to <= x.from {
		return x
	}
	level := r.plug.AtLeast(x.seconds() / seconds)
	return run{x.from, x.from + max(r.least, x.seconds()/level), level}
}

// steadily is a run at that level from now or as soon as may be, or the given one of a plug that does not modulate.
func (r *runSet) steadily(otherwise run, level, seconds float64) run {
	if !r.plug.Modulates() {
		return otherwise
	}
	return run{r.earliest, r.earliest + max(seconds, r.least), level}
}

// alone moves and stretches one run at a time.
func (b *best) alone(mists, fans *runSet) {
	f := b.fan
	for _, m := range mists.variants(b.mist) {
		b.try(m, f)
	}
	m := b.mist
	for _, f := range fans.variants(b.fan) {
		b.try(m, f)
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
	level := r.level
	if r.plug.Modulates() && s.Level > 0 {
		level = s.Level
	}
	switch {
	case r.ends:
		return r.runs[0]
	case r.on:
		return run{0, max(to, r.runs[0].to), level}
	case to <= 0 || !s.To.After(s.From):
		return rest
	}
	from = max(from, r.earliest)
	return run{from, max(to, from+r.least), level}
}

func (r run) span(now time.Time) Span {
	if r.to <= r.from || r.from >= pulseNever {
		return Span{}
	}
	at := func(s float64) time.Time { return now.Add(time.Duration(s * float64(time.Second))) }
	return Span{at(r.from), at(r.to), r.level}
}

// What is tried, in seconds: how much later than at the earliest two runs begin, by how much the mist goes ahead of the
// fan, how far a run is moved, how much longer a plug runs than it must; lengths are multiples of the shortest run.
var (
	delays     = [...]float64{0, 8, 20, 40, 75, 120}
	leads      = [...]float64{0, 6, 12, 20}
	nudges     = [...]float64{-12, -4, 4, 12}
	runLengths = [...]float64{1.3, 1.7, 2.3, 3.2}
	longer     = [...]float64{0, 5, 10, 16, 24, 36, 54, 80}
)

// runSet is what a plug can do next. The first is the least it must.
type runSet struct {
	runs     [1 + len(longer) + len(delays)*2 + 3*levelsTried]run
	n        int
	plug     *chamber.Plug
	on       bool
	earliest float64
	least    float64
	must     float64 // of a plug that runs: seconds for which it must go on
	ends     bool    // its run is over, whatever the last plan had in mind
	level    float64 // at which it runs, or would at first
}

// levelsTried is how many levels of a plug that modulates are tried at once at the most.
const levelsTried = 6

// levels are those worth trying: a few over the whole range, and the two beside the given one.
func (r *runSet) levels(at float64) (list [levelsTried]float64, n int) {
	all := r.plug.Levels
	add := func(i int) {
		if i < 0 || i >= len(all) || all[i] == at || slices.Contains(list[:n], all[i]) {
			return
		}
		list[n] = all[i]
		n++
	}
	for i := range all {
		if all[i] == at {
			add(i - 1)
			add(i + 1)
		}
	}
	for k := range levelsTried - 2 {
		add(k * (len(all) - 1) / (levelsTried - 3))
	}
	return list, n
}

// wear is what a run costs of the price of a switching. Once it runs, one that modulates goes on for nothing; another the
// cheaper the dearer its next start will be.
func (r *runSet) wear(w *Wear) float64 {
	switch {
	case r.plug.Modulates() && r.on:
		return 0
	case r.plug.Modulates():
		return noRelay * w.Factor()
	case r.on:
		return 1 / w.Factor()
	}
	return w.Factor()
}

func (r *runSet) add(x run) {
	r.runs[r.n] = x
	r.n++
}

// at is a run that begins then, or as soon after as may be.
func (r *runSet) at(from, lengths float64) run {
	from = max(from, r.earliest)
	return run{from, from + lengths*r.least, r.level}
}

// variants are the runs near one, and none.
func (r *runSet) variants(x run) []run {
	if r.on {
		if r.plug.Modulates() {
			r.leveled(x)
		}
		return r.runs[:r.n]
	}
	r.n = 0
	r.add(rest)
	if x == rest {
		for _, d := range delays {
			r.add(r.at(r.earliest+d, 1))
		}
		return r.runs[:r.n]
	}
	length := x.to - x.from
	for _, d := range nudges {
		r.add(x.moved(d, r.earliest))
	}
	for _, l := range [...]float64{0.8, 0.9, 1.12, 1.3} {
		r.add(run{x.from, x.from + max(r.least, l*length), x.level})
	}
	list, n := r.levels(x.level)
	for _, l := range list[:n] { // as much in less or more time, and more or less in the same
		r.add(run{x.from, x.from + max(r.least, min(length*x.level/l, steadyFor[len(steadyFor)-1])), l})
		r.add(run{x.from, x.to, l})
	}
	return r.runs[:r.n]
}

// leveled puts together what a plug that runs and modulates can do: go on for longer, at this level or another.
func (r *runSet) leveled(x run) {
	r.n = 0
	r.add(run{0, r.must, r.level})
	for _, l := range longer {
		r.add(run{0, r.must + l, x.level})
	}
	list, n := r.levels(x.level)
	for _, l := range list[:n] {
		r.add(run{0, max(x.to, r.must), l})
		r.add(run{0, r.must + longer[len(longer)-1], l})
	}
}

func (r run) moved(d, earliest float64) run {
	if r == rest {
		return r
	}
	from := max(r.from+d, earliest)
	return run{from, from + r.to - r.from, r.level}
}

// airNeeded reports whether CO2 alone is reason enough to run the fan.
func (st *State) airNeeded(sc *Scene) bool {
	return sc.Model.Air.CO2 > sc.Target.CO2MaxPPM-planWeights.margin
}

// plain is a plug that is on or off.
var plain chamber.Plug

func (st *State) runs(sc *Scene, i int) (r runSet) {
	p, spec := &sc.Plugs[i], &sc.Spec.Plugs[i]
	since := edge(p)
	r.on = p.On
	if p.HasTold {
		r.on = p.Told
	}
	r.plug, r.level = spec, spec.Most()
	r.least = (spec.MinOn + guard.Slack).Seconds()
	if r.on {
		if p.ToldAs > 0 && spec.Modulates() {
			r.level = p.ToldAs
		}
		part := spec.Modulates() && r.level < spec.Most()
		longest := longestPulse
		if spec.SwitchingsPerDay > 0 {
			longest = seconds(longestPulse.Seconds() * min(max(st.MistWear.Factor(), st.FanWear.Factor()), longerOnBudget))
		}
		if limit := p.ChangedAt.Add(longest); !sc.Now.Before(limit) && !st.airNeeded(sc) && !part {
			r.ends = spec.SwitchingsPerDay > 0 || spec.Modulates()
			r.plug = &plain
			r.add(run{0, 0, r.level}) // together the two could run for hours against each other; each rests now and then
			return r
		}
		r.must = max(0, since.Add(spec.MinOn+guard.Slack).Sub(sc.Now).Seconds())
		for _, x := range longer {
			r.add(run{0, r.must + x, r.level})
		}
		return r
	}
	r.earliest = max(0, since.Add(spec.MinOff+guard.Slack).Sub(sc.Now).Seconds())
	r.add(rest)
	return r
}

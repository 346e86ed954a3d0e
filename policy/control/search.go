package control

import (
	"math"
	"slices"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
)

// search looks for the cheapest plan among a small, fixed set: the two plugs' runs moved together first, then each
// alone to the best of the other's.
func (st *State) search(sc *Scene, i, j int) {
	p := planner{w: &planWeights, model: sc.Model, target: &sc.Target, volume: sc.Spec.VolumeM3, rate: st.Rate.Value, trim: st.Trim.value()}
	mists, fans := st.runs(sc, i), st.runs(sc, j)
	p.mistPulse, p.fanPulse = p.w.pulse*mists.wear(&st.MistWear), p.w.pulse*fans.wear(&st.FanWear)
	if fans.plug.Modulates() {
		p.gust = gustPrice
	}
	b := best{p: &p, mist: mists.runs[0], fan: fans.runs[0]}
	p.airFrom, p.fanless = pulseNever, j < 0
	if j >= 0 && sc.byClock() {
		due, length, period := st.nextAir(sc, j)
		length = max(length, fans.least)
		p.airFrom, p.airing = due, fans.level*length/max(period, length)
		if due < airAhead && !fans.on {
			from := max(fans.earliest, due)
			b.fan, b.clocked = run{from, from + length, fans.level}, true
			p.airFrom = from + length
		}
	}
	b.cost = p.roll(b.mist, b.fan, math.Inf(1))
	if b.clocked {
		b.beside(&mists)
		st.settle(sc, &p, &b, &mists, &fans)
		return
	}
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
	st.settle(sc, &p, &b, &mists, &fans)
}

// airAhead is how long before it is due fresh air by the clock is reckoned with, in seconds.
const airAhead = 120.0

// beside looks for the mist that goes best with a run of the fan that stands.
func (b *best) beside(mists *runSet) {
	f := b.fan
	if mists.on {
		for range 2 {
			for _, m := range mists.variants(b.mist) {
				b.try(m, f)
			}
		}
		return
	}
	for _, l := range leads {
		from := max(mists.earliest, f.from-l)
		b.try(mists.at(from, 1), f)
		b.try(run{from, from + max(mists.least, b.p.makesGood(f)), mists.level}, f)
	}
	for _, d := range delays {
		b.try(mists.at(mists.earliest+d, 1), f)
	}
	for range 3 {
		before := b.cost
		for _, m := range mists.variants(b.mist) {
			b.try(m, f)
		}
		if b.cost == before {
			break
		}
	}
}

// settle writes down what was chosen.
func (st *State) settle(sc *Scene, p *planner, b *best, mists, fans *runSet) {
	chosen := p.foresee(b.mist, b.fan)
	if low := sc.Target.RelativeHumidity.Low; p.fanless && b.mist == rest && !mists.on && chosen.course.High.RH < low {
		// Of a chamber that only leaks, the shortest run may wet the air for longer than a plan looks ahead. Too wet for a while harms a
		// crop less than too dry for good.
		b.mist = mists.at(mists.earliest, 1)
		chosen = p.foresee(b.mist, b.fan)
	}
	st.Plan = Plan{At: sc.Now, Mist: b.mist.span(sc.Now), Fan: b.fan.span(sc.Now),
		MistWhy: p.explain(chamber.RelativeHumidity, mists, b.mist, &chosen, func(r run) foreseen { return p.foresee(r, b.fan) })}
	switch {
	case p.fanless:
	case b.clocked || sc.byClock() && b.fan == rest:
		st.Plan.FanWhy, _ = st.airByClock(sc, sc.Spec.Plug(chamber.ExhaustFan))
		st.Plan.FanWhy.For = seconds(b.fan.to - b.fan.from)
	default:
		st.Plan.FanWhy = p.explain(chamber.CO2, fans, b.fan, &chosen, func(r run) foreseen { return p.foresee(b.mist, r) })
	}
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
	clocked   bool // the fan runs by the clock
}

func (b *best) try(mist, fan run) bool {
	if mist == b.mist && fan == b.fan {
		return false // moved or stretched no further than it may be, which is one in seven
	}
	if c := b.p.roll(mist, fan, b.cost); c < b.cost-1e-9 {
		b.cost, b.mist, b.fan = c, mist, fan
		return true
	}
	return false
}

// together tries runs of each plug alone, and of both, that begin now or later. The mist of both is at first as long as
// makes good what the fan takes: the shortest runs of both are often worse than rest, and no single step leads from them
// to what is better.
func (b *best) together(mists, fans *runSet) {
	for _, d := range delays {
		b.try(mists.at(mists.earliest+d, 1), rest)
		b.try(rest, fans.at(fans.earliest+d, 1))
	}
	j := best{p: b.p, cost: math.Inf(1)}
	from := max(mists.earliest, fans.earliest-leads[1])
	f := fans.at(from+leads[1], 1)
	j.try(mists.at(from, 1), f)
	j.try(run{from, from + max(mists.least, b.p.makesGood(f)), mists.level}, f)
	j.jointly(mists, fans)
	early := j
	for _, d := range delays[1:] {
		j.try(early.mist.moved(d, mists.earliest), early.fan.moved(d, fans.earliest))
	}
	if j != early {
		j.jointly(mists, fans)
	}
	if j.cost < b.cost-1e-9 {
		*b = j
	}
}

// makesGood is for how many seconds the mist must run to bring the air back to its aim after that run of the fan.
func (p *planner) makesGood(fan run) float64 {
	c, a := &p.model.Constants, &p.model.Air
	left := c.RoomV + (a.Vapor-c.RoomV)*math.Exp(-(c.Flow+c.Leak)*fan.seconds())
	lack := p.target.RelativeHumidity.Aim*a.Vapor/a.RH(c) - left
	return c.MistSeconds(lack)
}

// jointly stretches and moves two runs beside each other, as long as that gets better.
func (b *best) jointly(mists, fans *runSet) {
	for range 2 {
		before := b.cost
		m, f := b.mist, b.fan
		for _, l := range runLengths {
			b.try(m, fans.at(f.from, l))
		}
		f = b.fan
		for _, l := range stretches {
			b.try(m.stretched(l, mists.least), f)
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
	if b.p.target.CO2MaxPPM <= 0 {
		flow = 0 // nobody knows
	}
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
// fan, how far a run is moved, how much longer a plug runs than it must; lengths are multiples of the shortest run, stretches of
// the one there is.
var (
	delays     = [...]float64{0, 8, 20, 40, 75, 120}
	leads      = [...]float64{0, 6, 12, 20}
	nudges     = [...]float64{-12, -4, 4, 12}
	runLengths = [...]float64{1.3, 1.7, 2.3, 3.2}
	stretches  = [...]float64{0.8, 0.9, 1.12, 1.3}
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
	for _, l := range stretches {
		r.add(x.stretched(l, r.least))
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

// stretched is the run that begins with it and lasts as many times as long, but not less than the least.
func (r run) stretched(times, least float64) run {
	return run{r.from, r.from + max(least, times*(r.to-r.from)), r.level}
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
	return sc.Target.CO2MaxPPM > 0 && sc.Model.Air.CO2 > sc.Target.CO2MaxPPM-planWeights.margin
}

// plain is a plug that is on or off.
var plain chamber.Plug

func (st *State) runs(sc *Scene, i int) (r runSet) {
	if i < 0 { // it never runs
		r = runSet{plug: &plain, earliest: pulseNever, least: 1, level: 1}
		r.add(rest)
		return r
	}
	p, spec := &sc.Plugs[i], &sc.Spec.Plugs[i]
	since := edge(p)
	r.on = p.On
	if p.HasTold {
		r.on = p.Told
	}
	r.plug, r.level = spec, spec.Most()
	r.least = (spec.MinOn + guard.Slack).Seconds() + p.Answers // the guard counts from when the plug says that it runs
	if r.on {
		if p.ToldAs > 0 && spec.Modulates() {
			r.level = p.ToldAs
		}
		part := spec.Modulates() && r.level < spec.Most()
		longest, dear := longestPulse, false
		if spec.SwitchingsPerDay > 0 {
			price := max(st.MistWear.Factor(), st.FanWear.Factor())
			longest, dear = seconds(longestPulse.Seconds()*min(price, longerOnBudget)), price > 1
		}
		if limit := p.ChangedAt.Add(longest); !sc.Now.Before(limit) && !st.airNeeded(sc) && !part {
			r.ends = dear || spec.Modulates()
			r.plug = &plain
			r.add(run{0, 0, r.level}) // together the two could run for hours against each other; each rests now and then
			return r
		}
		r.must = max(0, since.Add(spec.MinOn+guard.Slack).Sub(sc.Now).Seconds()+p.Pending())
		if spec.Role == chamber.ExhaustFan && sc.byClock() { // no reading shows what a shorter run would have left undone
			_, length, _ := st.nextAir(sc, i)
			r.must = max(r.must, since.Add(seconds(length)).Sub(sc.Now).Seconds()+p.Pending())
		}
		for _, x := range longer {
			r.add(run{0, r.must + x, r.level})
		}
		return r
	}
	r.earliest = max(0, since.Add(spec.MinOff+guard.Slack).Sub(sc.Now).Seconds()+p.Pending())
	r.add(rest)
	return r
}

package control

import (
	"math"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
	"gillkeeper/policy/reason"
)

// How far ahead reasons look beyond the horizon of a plan, and in which steps, in seconds.
const (
	foreseeFor  = 600.0
	foreseeStep = 8.0
)

// explained are the costs of which a plan's is the sum.
var explained = [...]reason.Cost{reason.TooDry, reason.TooWet, reason.TooStale, reason.TooFresh, reason.Sooner, reason.Switching, reason.Water, reason.FanRun}

// The places of the costs in explained.
const (
	tooDry = iota
	tooWet
	tooStale
	tooFresh
	sooner
	switching
	water
	fanRun
)

// foreseen is what a plan is expected to lead to, and what it costs by cause: the sum is the cost of [planner.roll].
type foreseen struct {
	parts  [len(explained)]float64
	course reason.Course
}

func (f *foreseen) cost() (sum float64) {
	for _, c := range f.parts {
		sum += c
	}
	return sum
}

// foresee plays a plan through to the end of what reasons look ahead. It steps like [planner.roll] and not through it: roll is called
// for every plan that is tried, and a step that both share made a planning dearer by 3 to 4 %.
//
//go:norace
func (p *planner) foresee(mist, fan run) (f foreseen) {
	a, c, w := p.model.Air, &p.model.Constants, p.w
	aim, most, least := p.target.RelativeHumidity.Aim, p.target.CO2MaxPPM, p.target.CO2MinPPM
	f.course.Low, f.course.High = p.airOf(&a), p.airOf(&a)
	if mist.to > mist.from {
		f.parts[switching] += p.mistPulse
		f.parts[water] += w.gram * c.MistRate * p.volume * mist.seconds()
	}
	if fan.to > fan.from {
		f.parts[switching] += p.fanPulse
		f.parts[fanRun] += p.blow(fan)
	}
	charge := func(seconds float64) {
		off := a.RH(c) - aim
		i := tooWet
		if off < 0 {
			i = tooDry
		}
		f.parts[i] += seconds * w.humidity(off)
		f.parts[tooStale] += seconds * w.carbon(a.CO2, most, 0)
		f.parts[tooFresh] += seconds * w.carbon(a.CO2, 0, least)
	}
	t := 0.0
	step := func(dt float64) {
		mid := t + dt/2
		a.Step(c, mist.output(mid), p.fan(&fan, mid), dt)
		t += dt
		f.course.Take(p.airOf(&a))
	}
	for t < horizon {
		dt := p.pace(t, &mist, &fan)
		charge(dt / 2)
		step(dt)
		charge(dt / 2)
	}
	f.parts[sooner] -= t * p.rate
	rests := a
	p.follow(&rests, func(seconds, moist, carbon float64) {
		f.parts[sooner] += seconds * (moist + carbon - p.rate)
	})
	for t < foreseeFor {
		step(foreseeStep)
	}
	return f
}

// airOf is the air for people: of CO2 that nobody measures nothing is foreseen.
func (p *planner) airOf(a *learn.Air) reason.Air {
	r := reason.Air{RH: a.RH(&p.model.Constants), AirC: a.AirC}
	if p.target.CO2MaxPPM > 0 {
		r.CO2 = a.CO2
	}
	return r
}

// explain gives the reason of a plug's part of the plan: what was chosen beside the other way, which is rest where it
// runs, its shortest run as soon as may be where it rests, and to go on for as long where its run ends.
func (p *planner) explain(q chamber.Quantity, set *runSet, chosen run, mine *foreseen, at func(run) foreseen) reason.Reason {
	ends := set.ending(chosen)
	other, runs := set.otherwise(), chosen.to > chosen.from && !ends
	switch {
	case ends:
		other = run{0, chosen.to + set.least, chosen.level}
	case !runs:
		other = set.at(set.earliest, 1)
	}
	its := at(other)
	r := reason.Reason{Code: reason.Planned, Quantity: q, Value: mine.cost(), Bound: its.cost()}
	x := &reason.Plan{Ahead: time.Duration(foreseeFor) * time.Second, Runs: runs, Now: p.airOf(&p.model.Air).Rounded(), With: mine.course, Without: its.course, Trim: math.Round(p.trim*1e3) / 1e3}
	as := chosen
	if !runs {
		as, x.With, x.Without = other, its.course, mine.course
	}
	if ends {
		as.from = chosen.to
	}
	if set.plug.Modulates() {
		x.Level = as.level
	}
	x.In, x.For = wholeSeconds(as.from), wholeSeconds(as.to-as.from)
	x.Decided = decided(mine, &its)
	x.With, x.Without = x.With.Rounded(), x.Without.Rounded()
	r.Plan = x
	return r
}

// decided is the cost by which the other way would have cost most more.
func decided(chosen, other *foreseen) (c reason.Cost) {
	most := 0.0
	for i, cost := range explained {
		if more := other.parts[i] - chosen.parts[i]; more > most {
			c, most = cost, more
		}
	}
	return c
}

// ending reports whether a run under way ends before it is planned anew, or as soon as it may. That it ends is what calls
// for a reason then, and it has no other way that is shorter.
func (r *runSet) ending(chosen run) bool {
	return r.on && (chosen.to <= planEvery.Seconds() || chosen.to <= r.must)
}

// otherwise is the least that a plug must run.
func (r *runSet) otherwise() run {
	if r.on {
		return r.runs[0]
	}
	return rest
}

func wholeSeconds(s float64) time.Duration {
	return time.Duration(math.Round(s)) * time.Second
}

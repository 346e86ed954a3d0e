// Package rehearse runs a controller against a simulated chamber, offline and as fast as the machine can, and works
// out how well the chamber was kept: by its true state, not by what its sensors said.
//
// It must never read a clock or let a controller see more than its sensors and plugs tell. Start reading at [New].
package rehearse

import (
	"fmt"
	"slices"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/plant"
)

// Controller decides what the plugs of one chamber do. It sees what a real one would see.
type Controller interface {
	Step(in policy.Input) policy.Decision
}

// Case is everything about a rehearsal but the controller. Runs of the same case see the same chamber, weather and
// sensors, whatever the controller does.
type Case struct {
	Spec    *chamber.Spec // sensors and plugs are those of Sensors and Outlets, in the same order
	Params  plant.Params
	Weather plant.Weather
	Sensors []plant.SensorSpec
	Outlets []plant.OutletSpec
	Faults  []plant.Fault
	Seed    uint64

	Target  crop.Target     // what the figures are measured against
	Actions []policy.Action // what a person did before the start: batches put in, stages set
	Start   time.Time
	For     time.Duration
	Settle  time.Duration // at the start, left out of the figures
	// RefillEvery is how often the grower fills the reservoir, and says so; 0: never.
	RefillEvery time.Duration
	Trace       bool // keep a row a minute
	// Gather is how often what was said is handed over, as by a gateway that listens around; 0: at once.
	Gather time.Duration
}

// tick is the step of the plant and of the world around it.
const tick = time.Second

// Run is a rehearsal under way.
type Run struct {
	c    *Case
	ctl  Controller
	rig  *plant.Rig
	post post

	at      time.Duration // since the start
	wake    time.Time
	linked  bool
	refills int
	tally   Tally
	trace   Trace
	heard   policy.Input // gathered since the last step

	// Watch, where set, sees every step of the controller: what it was told, what it decided, and the truth.
	Watch func(in *policy.Input, d *policy.Decision, truth plant.Truth)
}

// New sets a rehearsal up; nothing has happened yet. It fails when the case does not fit together.
func New(c *Case, ctl Controller) (*Run, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	r := &Run{c: c, ctl: ctl, rig: plant.NewRig(c.Params, c.Weather, c.Sensors, c.Outlets, c.Seed)}
	r.rig.Faults = c.Faults
	r.post.noise = plant.Noise{State: c.Seed ^ 0x6a09e667f3bcc909}
	r.tally = NewTally(c.Target, c.Settle, len(c.Outlets))
	r.decide(policy.Input{Actions: c.Actions})
	return r, nil
}

func (c *Case) check() error {
	if len(c.Sensors) != len(c.Spec.Sensors) || len(c.Outlets) != len(c.Spec.Plugs) {
		return fmt.Errorf("rehearse: chamber %q has %d sensors and %d plugs, the simulation %d and %d; give one for each",
			c.Spec.Name, len(c.Spec.Sensors), len(c.Spec.Plugs), len(c.Sensors), len(c.Outlets))
	}
	for i := range c.Faults {
		if err := c.Faults[i].Check(len(c.Sensors), len(c.Outlets)); err != nil {
			return err
		}
	}
	return c.Params.Validate()
}

// Done reports whether the time of the case is over.
func (r *Run) Done() bool { return r.at >= r.c.For }

// At is how much time has passed in the chamber.
func (r *Run) At() time.Duration { return r.at }

// Rig is the simulated chamber, to look at.
func (r *Run) Rig() *plant.Rig { return r.rig }

// Advance lets the time of the chamber pass, but not beyond the end of the case.
func (r *Run) Advance(d time.Duration) {
	for end := min(r.at+d, r.c.For); r.at < end; {
		r.tick()
	}
}

// Finish runs to the end and gives the figures.
func (r *Run) Finish() Figures {
	r.Advance(r.c.For)
	return r.Figures()
}

// Figures are those of the time so far.
func (r *Run) Figures() Figures { return r.tally.figures(r.c, r.rig) }

// Trace is the course so far, where the case asked for it.
func (r *Run) Trace() *Trace { return &r.trace }

// tick lets one second pass and steps the controller if it hears something or wanted to be woken.
func (r *Run) tick() {
	samples, reports := r.rig.Advance(tick.Seconds())
	r.at += tick
	truth := r.rig.State.Truth(&r.c.Params)
	r.tally.Add(r.at, tick, r.rig, truth)
	if r.c.Trace {
		r.trace.add(r.at, r.rig, truth)
	}

	now := r.now()
	link := r.post.pass(r.at.Seconds(), r.c.Faults)
	in := &r.heard
	readings, said := r.post.deliver(r.c.Spec, now, r.at.Seconds(), samples, reports)
	in.Readings, in.Reports = append(in.Readings, readings...), append(in.Reports, said...)
	if r.c.RefillEvery > 0 && r.at%r.c.RefillEvery == 0 {
		in.Actions = append(in.Actions, r.refill(now))
	}
	something := len(in.Readings) > 0 || len(in.Reports) > 0 || len(in.Actions) > 0
	if r.c.Gather > 0 && r.at%r.c.Gather != 0 {
		something = false
	}
	if something || link != r.linked || !now.Before(r.wake) {
		heard := *in
		*in = policy.Input{}
		r.decide(heard)
	}
}

// Fork is another run of the same case that goes on from here with more faults, under a controller that knows what
// this one's does. Fault times count from the start of the case; of the case's length, only the fork's is changed.
func (r *Run) Fork(ctl Controller, length time.Duration, faults ...plant.Fault) (*Run, error) {
	c, f := *r.c, *r
	c.For, c.Faults = length, append(slices.Clone(r.c.Faults), faults...)
	if err := c.check(); err != nil {
		return nil, err
	}
	f.c, f.ctl, f.rig, f.post, f.Watch = &c, ctl, r.rig.Clone(), r.post.fork(), nil
	f.rig.Faults = c.Faults
	f.tally.switches = slices.Clone(r.tally.switches)
	f.trace = Trace{}
	f.heard = policy.Input{Readings: slices.Clone(r.heard.Readings), Reports: slices.Clone(r.heard.Reports), Actions: slices.Clone(r.heard.Actions)}
	return &f, nil
}

func (r *Run) now() time.Time { return r.c.Start.Add(r.at) }

func (r *Run) refill(now time.Time) policy.Action {
	r.rig.Refill()
	r.refills++
	return policy.Action{ID: fmt.Sprintf("refill-%d", r.refills), Kind: policy.Refilled, At: now, By: "rehearsal"}
}

// decide steps the controller and carries out what it wants.
func (r *Run) decide(in policy.Input) {
	link := !r.post.down
	in.Now, in.Wall = r.now(), r.now()
	in.Link, in.LinkUp = link, link && !r.linked
	r.linked = link
	d := r.ctl.Step(in)
	if r.wake = d.Wake; d.Wake.IsZero() {
		r.wake = in.Now.Add(policy.LongestSleep)
	}
	for i := range d.Plugs {
		if p := &d.Plugs[i]; p.Send && link && !r.post.loses() {
			r.rig.Command(i, p.Order())
		}
	}
	if r.Watch != nil {
		r.Watch(&in, &d, r.rig.State.Truth(&r.c.Params))
	}
}

// PolicyController is the real policy as a rehearsal's controller.
type PolicyController struct {
	Policy *policy.Policy
	State  policy.State
}

// NewPolicyController starts a policy that knows nothing yet of its chamber.
func NewPolicyController(p *policy.Policy, start time.Time) *PolicyController {
	return &PolicyController{Policy: p, State: p.Fresh(start)}
}

// Step steps the policy.
func (c *PolicyController) Step(in policy.Input) policy.Decision {
	var d policy.Decision
	c.State, d = c.Policy.Step(c.State, in)
	return d
}

// TargetOf is the climate that a policy aims at once the given actions are done.
func TargetOf(p *policy.Policy, start time.Time, actions []policy.Action) crop.Target {
	s, _ := p.Step(p.Fresh(start), policy.Input{Now: start, Wall: start, Link: true, Actions: actions})
	return s.Target
}

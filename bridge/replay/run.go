package replay

import (
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/rehearse"
)

// Run is a replay under way.
type Run struct {
	past *Past
	ctl  *tended
	run  *rehearse.Run
	sums rehearse.Shares
}

// tended is a policy in whose chamber people do what they did.
type tended struct {
	*rehearse.PolicyController
	todo []policy.Action
}

// Step steps the policy, with what people did since the last step.
func (c *tended) Step(in policy.Input) policy.Decision {
	for len(c.todo) > 0 && !c.todo[0].At.After(in.Now) {
		in.Actions = append(in.Actions, c.todo[0])
		c.todo = c.todo[1:]
	}
	return c.PolicyController.Step(in)
}

// Begin starts a replay under the policy of now; rules alone where it must not plan.
func (p *Past) Begin(rules bool) (*Run, error) {
	pol := &policy.Policy{Spec: p.query.Spec, Climates: p.query.Climates, Rules: rules}
	ctl := &tended{PolicyController: &rehearse.PolicyController{Policy: pol, State: p.start()}, todo: p.actions}
	run, err := rehearse.New(p.Case, ctl)
	if err != nil {
		return nil, err
	}
	return &Run{past: p, ctl: ctl, run: run}, nil
}

// Done reports whether the stretch is over.
func (r *Run) Done() bool { return r.run.Done() }

// At is how much of the stretch has passed.
func (r *Run) At() time.Duration { return r.run.At() }

// For is its length.
func (r *Run) For() time.Duration { return r.past.Case.For }

// Advance lets time pass, whole minutes.
func (r *Run) Advance(d time.Duration) {
	for end := min(r.run.At()+d, r.past.Case.For); r.run.At() < end; {
		var mean rehearse.Air
		for range 60 {
			r.run.Advance(time.Second)
			rig := r.run.Rig()
			air := rig.State.Truth(&rig.Params)
			mean.RelativeHumidity += air.RelativeHumidity / 60
			mean.CO2PPM += air.CO2PPM / 60
			mean.AirC += air.AirC / 60
			mean.RoomCO2PPM += rig.Room().CO2PPM / 60
		}
		if wanted := &r.ctl.State.Target; r.run.At() > settle && wanted.OK {
			r.sums.Add(time.Minute, mean, wanted)
		}
	}
}

// Figures are those of the stretch so far, by minutes as those of the record are.
func (r *Run) Figures() rehearse.Figures {
	f, by := r.sums.Figures(), r.run.Figures()
	f.SwitchesPerHour, f.FanHoursPerDay, f.Violations = by.SwitchesPerHour, by.FanHoursPerDay, by.Violations
	f.WaterLitersPerDay = by.WaterLitersPerDay * r.past.drawn // as in the record: drops that fall out are drawn, too
	if f.Hours > 0 {                                          // while nothing was wanted the plugs rested: that is no part of the stretch
		part := by.Hours / f.Hours
		f.WaterLitersPerDay *= part
		f.FanHoursPerDay *= part
		for name := range f.SwitchesPerHour {
			f.SwitchesPerHour[name] *= part
		}
	}
	return f
}

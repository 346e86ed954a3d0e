package rehearse

import (
	"slices"

	"gillkeeper/policy"
	"gillkeeper/policy/learn"
)

// NewOracle sets up the same case, kept by the same policy that knows what nobody can: its plan is given the simulated chamber
// as it is instead of what was learned, and its sensors are quick and never wrong. What the policy itself falls short of
// that is the price of learning and of sensors. What happens next it does not know either.
func NewOracle(c *Case, p *policy.Policy) (*Run, error) {
	perfect, spec, knows := *c, *c.Spec, *p
	perfect.Spec, knows.Spec = &spec, &spec
	perfect.Sensors, spec.Sensors = slices.Clone(c.Sensors), slices.Clone(c.Spec.Sensors)
	for i := range perfect.Sensors {
		x := &perfect.Sensors[i]
		x.LagS, x.Noise, x.Quantum, x.Bias, x.Gain, x.Creep, x.WetS, x.WarmerK, x.GapS, x.Change = 1, 0, 0, 0, 0, 0, 0, 0, 0, 0
		x.EveryS, x.CompensatesPressure, spec.Sensors[i].CompensatesPressure = oracleEveryS, true, true
	}
	o := &oracle{PolicyController: NewPolicyController(&knows, c.Start)}
	run, err := New(&perfect, o)
	if err != nil {
		return nil, err
	}
	o.run = run
	return run, nil
}

// oracleEveryS is how often a sensor is read that is never wrong, in seconds.
const oracleEveryS = 4

type oracle struct {
	*PolicyController
	run *Run // nil in the very first step
}

// Step steps the policy.
func (o *oracle) Step(in policy.Input) policy.Decision {
	if o.run != nil {
		rig := o.run.Rig()
		known := learn.Known(&o.run.c.Params, &rig.State, rig.Room())
		in.Known = &known
	}
	return o.PolicyController.Step(in)
}

package rehearse

import (
	"slices"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
)

// NewOracle sets up the same case, kept by the same policy with sensors that nobody can buy: as slow as they are, but without
// noise, and where they are calibrated never wrong. What the policy falls short of the latter is the price of its sensors; of the
// former, which are off as ever, what it could have learned.
func NewOracle(c *Case, p *policy.Policy, calibrated bool) (*Run, error) {
	perfect, spec, knows := *c, *c.Spec, *p
	perfect.Spec, knows.Spec = &spec, &spec
	perfect.Sensors, spec.Sensors = slices.Clone(c.Sensors), slices.Clone(c.Spec.Sensors)
	for i := range perfect.Sensors {
		x := &perfect.Sensors[i]
		x.Noise, x.Quantum, x.WetS, x.WarmerK = 0, 0, 0, 0
		if calibrated {
			x.Bias, x.Gain = 0, 0
		}
		if x.Quantity == chamber.RelativeHumidity {
			x.Creep, x.CreepH = learn.CreepMost, learn.CreepH // what is usual and taken off: else it were off by that
		}
		x.CompensatesPressure, spec.Sensors[i].CompensatesPressure = true, true
	}
	return New(&perfect, NewPolicyController(&knows, c.Start))
}

package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// TestPlanWithFewerMeans keeps chambers written apart in which nobody measures CO2, so that fresh air goes by the clock and mist is
// planned around it, and such without a fan, where mist is planned alone. Common practice is no measure of these: where air only
// leaks, a humidistat keeps it as well. The suite looks at four for some hours; GILLKEEPER_SEEDS and GILLKEEPER_DAYS make it more.
func TestPlanWithFewerMeans(t *testing.T) {
	t.Parallel()
	n, d, whole := extent(4, 8*time.Hour, 4*time.Hour)
	if raceDetector && !whole {
		n = 4 // also under the race detector: of one alone, a sensor that is off by a point decides
	}
	for _, c := range []struct {
		name  string
		more  float64 // by how much more of the time, in percent, the plan keeps humidity within 2.5 points than the rules do
		fan   bool
		spoil func(*chamber.Spec)
	}{
		{"no CO2 sensor", 10, true, withoutCO2},
		{"no fan", 4, false, func(s *chamber.Spec) { withoutCO2(s); s.Plugs = s.Plugs[:1] }},
	} {
		spoiled := func(control func(*chamber.Spec, crop.Target) rehearse.Controller) func(*chamber.Spec, crop.Target) rehearse.Controller {
			return func(s *chamber.Spec, w crop.Target) rehearse.Controller {
				c.spoil(s)
				return control(s, w)
			}
		}
		for _, stage := range []species.Stage{species.Pinning, species.Fruiting} {
			plan := apartMean(t, c.name+", planned", n, stage, spoiled(apartPolicy(t, false)), d)
			rules := apartMean(t, c.name+", rules alone", n, stage, spoiled(apartPolicy(t, true)), d)
			theirs := apartMean(t, c.name+", common practice", n, stage, spoiled(apartPractice), d)
			if plan.in25 < rules.in25+c.more || c.fan && (plan.in5 < theirs.in5+40 || plan.co2 < min(theirs.co2, 93)) {
				t.Errorf("%s, %s: within 2.5 points %.1f %% of the time, within 5 %.1f and CO2 below its maximum %.1f %%; by the rules %.1f, %.1f and %.1f, common practice %.1f, %.1f and %.1f",
					c.name, stage, plan.in25, plan.in5, plan.co2, rules.in25, rules.in5, rules.co2, theirs.in25, theirs.in5, theirs.co2)
			}
		}
	}
}

// withoutCO2 turns sensors of CO2 into some that nobody heeds, so that all keep their places.
func withoutCO2(s *chamber.Spec) {
	for i := range s.Sensors {
		if s.Sensors[i].Quantity == chamber.CO2 {
			s.Sensors[i].Quantity = chamber.Illuminance
		}
	}
}

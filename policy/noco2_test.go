package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// TestPlanWithoutCO2 keeps chambers written apart in which nobody measures CO2: fresh air goes by the clock, and mist is planned
// around it. The suite looks at two for some hours; GILLKEEPER_SEEDS and GILLKEEPER_DAYS make it more.
func TestPlanWithoutCO2(t *testing.T) {
	t.Parallel()
	n, d, _ := extent(2, 8*time.Hour, 6*time.Hour)
	start := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	blind := func(spec *chamber.Spec) {
		for i, x := range spec.Sensors {
			if x.Quantity == chamber.CO2 {
				spec.Sensors[i].Quantity = chamber.Illuminance // nobody heeds it
			}
		}
	}
	ours := func(rules bool) func(*chamber.Spec, crop.Target) rehearse.Controller {
		return func(s *chamber.Spec, w crop.Target) rehearse.Controller {
			blind(s)
			p := familyPolicy(t, &rehearse.Case{Spec: s, Target: w})
			p.Rules = rules
			return rehearse.NewPolicyController(p, start)
		}
	}
	practice := func(s *chamber.Spec, w crop.Target) rehearse.Controller {
		return rehearse.NewCommonPractice(s, w, rehearse.Timer{On: 2 * time.Minute, Off: 13 * time.Minute})
	}
	for _, stage := range []species.Stage{species.Pinning, species.Fruiting} {
		plan := apartMean(t, "planned", n, stage, ours(false), d)
		rules := apartMean(t, "rules alone", n, stage, ours(true), d)
		theirs := apartMean(t, "common practice", n, stage, practice, d)
		if plan.in5 < rules.in5 || plan.in5 < theirs.in5+20 || plan.co2 < min(theirs.co2, 95) {
			t.Errorf("%s: within 5 points %.1f %% of the time and CO2 below its maximum %.1f %%; by the rules %.1f and %.1f, common practice %.1f and %.1f",
				stage, plan.in5, plan.co2, rules.in5, rules.co2, theirs.in5, theirs.co2)
		}
	}
}

package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// TestPlanBesideOracle prints what share the plan reaches of what it would with sensors that are never wrong, and with such that are
// off as ever but make no noise: no plan can learn from a sensor by how much that is off. The suite runs two seeds for some hours, of
// the first only, and asks for little; GILLKEEPER_SEEDS and GILLKEEPER_DAYS make it the whole comparison, from
// GILLKEEPER_FROM on.
func TestPlanBesideOracle(t *testing.T) {
	t.Parallel()
	seeds, length, _ := extent(2, 10*time.Hour, 8*time.Hour)
	from := uint64(number("GILLKEEPER_FROM", 1))
	for _, stage := range []species.Stage{species.Pinning, species.Fruiting} {
		kept := func(by keeper) []rehearse.Figures {
			all := make([]rehearse.Figures, seeds)
			sideBySide(seeds, func(i int) { all[i] = keep(t, by, from+uint64(i), stage, length) })
			return all
		}
		plans := kept(planned)
		for _, by := range []struct {
			keeper
			name string
		}{{byOracle, "never wrong"}, {byNoNoise, "off as ever"}} {
			if by.keeper == byNoNoise && seeds <= 2 {
				break
			}
			oracles := kept(by.keeper)
			for _, f := range shares {
				plan, oracle := mean(plans, f.of), mean(oracles, f.of)
				t.Logf("%s, %s, %d seeds × %v: plan %.1f [%.1f], with sensors %s %.1f [%.1f], %.1f %% of it", stage, f.name, seeds, length,
					plan, p10(plans, f.of), by.name, oracle, p10(oracles, f.of), 100*plan/oracle)
				if plan < 0.7*oracle {
					t.Errorf("%s, %s: %.1f of the oracle's %.1f", stage, f.name, plan, oracle)
				}
			}
		}
	}
}

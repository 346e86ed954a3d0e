package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// TestPlanBesideOracle prints what share the plan reaches of what it would with sensors that are never wrong. The suite runs
// two seeds for some hours and asks for little; GILLKEEPER_SEEDS and GILLKEEPER_DAYS make it the whole comparison, from
// GILLKEEPER_FROM on.
func TestPlanBesideOracle(t *testing.T) {
	seeds, length, _ := extent(2, 8*time.Hour, 90*time.Minute)
	from := uint64(number("GILLKEEPER_FROM", 1))
	for _, stage := range []species.Stage{species.Pinning, species.Fruiting} {
		all := inPairs(seeds, func(seed, of int) rehearse.Figures {
			return keep(t, [2]keeper{planned, byOracle}[of], from+uint64(seed), stage, length)
		})
		for _, f := range shares {
			plan, oracle := mean(all[0], f.of), mean(all[1], f.of)
			t.Logf("%s, %s, %d seeds × %v: plan %.1f [%.1f], oracle %.1f [%.1f], %.1f %% of it", stage, f.name, seeds, length,
				plan, p10(all[0], f.of), oracle, p10(all[1], f.of), 100*plan/oracle)
			if plan < 0.7*oracle {
				t.Errorf("%s, %s: %.1f of the oracle's %.1f", stage, f.name, plan, oracle)
			}
		}
	}
}

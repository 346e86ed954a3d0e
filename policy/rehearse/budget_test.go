package rehearse_test

import (
	"reflect"
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// TestLooseBudgetChangesNothing: with a budget of switchings that is never near its end, a chamber is kept as it is with none. In these
// two a plug runs for longer than it should at a time.
func TestLooseBudgetChangesNothing(t *testing.T) {
	for _, seed := range []uint64{3, 5} {
		kept := func(budget float64) rehearse.Figures {
			c := short(seed, 4*time.Hour)
			c.Actions = []policy.Action{{ID: "b", Kind: policy.BatchAdd, Batch: "b", Species: "pleurotus-ostreatus", Stage: species.Fruiting, SubstrateKg: 12, DryKg: 4}}
			for _, role := range []chamber.Role{chamber.Humidifier, chamber.ExhaustFan} {
				c.Spec.Plugs[c.Spec.Plug(role)].SwitchingsPerDay = budget
			}
			r, err := rehearse.New(c, rehearse.NewPolicyController(&policy.Policy{Spec: c.Spec, Climates: species.Builtin()}, c.Start))
			if err != nil {
				t.Fatal(err)
			}
			return r.Finish()
		}
		if none, loose := kept(0), kept(1e5); !reflect.DeepEqual(none, loose) {
			t.Errorf("seed %d: with no budget\n%+v, with one that is never used up\n%+v", seed, none, loose)
		}
	}
}

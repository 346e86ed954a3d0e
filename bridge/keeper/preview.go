package keeper

import (
	"gillkeeper/policy"
	"gillkeeper/policy/species"
)

// Preview says what an action would bring, or why it cannot be done. It changes nothing.
func (k *Keeper) Preview(chamber string, a policy.Action) (policy.Preview, error) {
	u := k.unit(chamber)
	if u == nil {
		return policy.Preview{}, &policy.Refusal{Field: "chamber", Value: chamber, Missing: true, Allowed: k.namesHint()}
	}
	if err := k.claim(chamber, &a); err != nil {
		return policy.Preview{}, err
	}
	snap := u.snap.Load()
	return u.currentPolicy().Preview(&snap.State, a, snap.State.Now)
}

// Climates is the table that a chamber goes by; nil when there is no such chamber.
func (k *Keeper) Climates(chamber string) *species.Table {
	u := k.unit(chamber)
	if u == nil {
		return nil
	}
	return u.currentPolicy().Climates
}

package keeper

import "gillkeeper/policy"

// Policy gives the policy that decides for a chamber, or nil when there is no such chamber. It is not to be written to.
func (k *Keeper) Policy(chamber string) *policy.Policy {
	u := k.unit(chamber)
	if u == nil {
		return nil
	}
	return u.currentPolicy()
}

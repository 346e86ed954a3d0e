package keeper

import (
	"context"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
)

// AlarmEvents gives what became of a chamber's alarms, and what people did, from one moment on and before another,
// oldest first.
func (k *Keeper) AlarmEvents(ctx context.Context, chamber string, from, to time.Time) ([]policy.Event, error) {
	if k.unit(chamber) == nil {
		return nil, &policy.Refusal{Field: "chamber", Value: chamber, Missing: true, Allowed: k.namesHint()}
	}
	var all []policy.Event
	q := journal.EventQuery{Chamber: chamber, From: from, To: to, Newest: mostEvents,
		Kinds: []policy.EventKind{policy.AlarmChanged, policy.PersonActed}}
	for n, err := range k.journal.Events(ctx, q) {
		if err != nil {
			return nil, err
		}
		all = append(all, n.Event)
	}
	return all, nil
}

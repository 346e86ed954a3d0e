package keeper

import (
	"context"
	"errors"
	"fmt"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/crop"
)

// advanceEvery is how often chambers with auto_advance are looked at: a stage lasts days.
const advanceEvery = time.Minute

// keepAdvancing moves batches to the stage that they have surely reached, in chambers whose configuration asks for it.
func (k *Keeper) keepAdvancing(ctx context.Context) {
	tick := time.NewTicker(advanceEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			k.advanceAll(ctx)
		}
	}
}

func (k *Keeper) advanceAll(ctx context.Context) {
	k.mu.RLock()
	units := append([]*unit(nil), k.order...)
	k.mu.RUnlock()
	for _, u := range units {
		snap := u.snap.Load()
		if !snap.Spec.AutoAdvance || snap.Observe {
			continue
		}
		for i := range snap.Proposals {
			if p := &snap.Proposals[i]; p.Sure {
				if err := k.advance(ctx, u, p); err != nil && ctx.Err() == nil {
					k.log.Warn("a batch could not be moved to its next stage", "chamber", u.name, "batch", p.Batch, "stage", p.To.String(), "error", err)
				}
			}
		}
	}
}

// advance moves one batch, once: what a person undid is not done again. It goes the way of every action, so it is in the
// record with its reason, and can be undone.
func (k *Keeper) advance(ctx context.Context, u *unit, p *crop.Proposal) error {
	a := policy.Action{Kind: policy.StageSet, Batch: p.Batch, Stage: p.To, By: "auto_advance", Note: ground(p),
		ID: fmt.Sprintf("advance-%s-%s-%d", p.Batch, p.To, p.Flush)}
	past, err := k.entries(ctx, u.name)
	if err != nil {
		return err
	}
	for i := range past {
		if past[i].Action.ID == a.ID {
			return nil
		}
	}
	_, err = k.Act(ctx, u.name, a)
	if _, refused := errors.AsType[*policy.Refusal](err); refused {
		return nil // somebody was faster
	}
	return err
}

// ground is the reason that is written down beside the move.
func ground(p *crop.Proposal) string {
	s := fmt.Sprintf("by itself after %.1f days", p.Days)
	if p.ByBreath {
		s += fmt.Sprintf(", breath from %.2f to %.2f g/h of CO2 at 20 °C", p.Was, p.Is)
	}
	return s
}

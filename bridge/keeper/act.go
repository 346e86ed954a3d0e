package keeper

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
)

// errGone answers an action that is in the journal already: it is applied if the chamber comes back.
func errGone(chamber string) error {
	return fmt.Errorf("chamber %q was taken out of the configuration meanwhile; what you did is written down and counts once the chamber is back: do not repeat it", chamber)
}

// Act does what a person asked of a chamber. When it returns without an error the action is in the journal and done.
// An action that cannot be done gives a [policy.Refusal].
func (k *Keeper) Act(ctx context.Context, chamber string, a policy.Action) (*policy.Snapshot, error) {
	u := k.unit(chamber)
	if u == nil {
		return nil, &policy.Refusal{Field: "chamber", Value: chamber, Missing: true, Allowed: k.namesHint()}
	}
	if a.At.IsZero() {
		a.At = k.clock.Wall()
	}
	if a.Kind == policy.BatchAdd || a.Kind == policy.Undo { // or two chambers could take the same name at once
		k.naming.Lock()
		defer k.naming.Unlock()
	}
	if err := k.claim(chamber, &a); err != nil {
		return nil, err
	}
	r := request{action: a, reply: make(chan answer, 1)}
	if err := u.submit(ctx, &r); errors.Is(err, errDone) {
		return u.snap.Load(), nil
	} else if err != nil {
		return nil, err
	}
	select {
	case got := <-r.reply:
		return got.snap, got.err
	case <-ctx.Done():
		return nil, fmt.Errorf("the action is written down and will be done, but was not done in time: %w", context.Cause(ctx))
	}
}

func idTaken(a *policy.Action) error {
	return &policy.Refusal{Field: "id", Value: a.ID, Allowed: "it belongs to another action; use a new one"}
}

// submit checks an action, makes it durable and hands it to the worker, one at a time for each chamber.
func (u *unit) submit(ctx context.Context, r *request) error {
	u.acting.Lock()
	defer u.acting.Unlock()
	if err := u.settle(ctx, &r.action); err != nil {
		return err
	}
	snap := u.snap.Load()
	if err := u.currentPolicy().Check(&snap.State, &r.action); err != nil {
		return err
	}
	seq, err := u.k.journal.Act(ctx, u.name, r.action)
	if errors.Is(err, journal.ErrIDTaken) {
		return idTaken(&r.action)
	}
	if err != nil {
		return u.k.untaken(ctx, "action", err)
	}
	r.seq = seq
	u.mu.Lock()
	defer u.mu.Unlock()
	u.acts = append(u.acts, *r)
	u.queue()
	return nil
}

// untaken says that the journal did not take what a person did. That the person did not wait for it is no fault of the journal.
func (k *Keeper) untaken(ctx context.Context, what string, err error) error {
	if ctx.Err() == nil || !errors.Is(err, ctx.Err()) {
		k.fail("act", err)
	}
	return fmt.Errorf("the journal does not take the %s: %w; nothing was done, try again when it works", what, err)
}

func (u *unit) currentPolicy() *policy.Policy {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.decidingBy()
}

// decidingBy is currentPolicy for whoever holds the lock.
func (u *unit) decidingBy() *policy.Policy {
	if u.next != nil {
		return u.next
	}
	return u.policyNow.Load()
}

// claim refuses a batch name that another chamber uses: names are unique at the site, because commands name a batch
// without its chamber.
func (k *Keeper) claim(chamber string, a *policy.Action) error {
	if a.Kind != policy.BatchAdd {
		return nil
	}
	k.mu.RLock()
	defer k.mu.RUnlock()
	for _, u := range k.order {
		if u.name == chamber {
			continue
		}
		for _, b := range u.snap.Load().State.Crop.Batches {
			if b.Name == a.Batch {
				return &policy.Refusal{Field: "batch", Value: a.Batch, Allowed: fmt.Sprintf("chamber %s has a batch of that name; choose another", u.name)}
			}
		}
	}
	return nil
}

func (k *Keeper) namesHint() string {
	k.mu.RLock()
	defer k.mu.RUnlock()
	s := "chambers are"
	for i, u := range k.order {
		if i > 0 {
			s += ","
		}
		s += " " + u.name
	}
	return s
}

// WhyAt gives for each plug the last switch at or before a moment, with its reasons as they were decided.
func (k *Keeper) WhyAt(ctx context.Context, chamber string, at time.Time) ([]policy.Event, error) {
	if k.unit(chamber) == nil {
		return nil, &policy.Refusal{Field: "chamber", Value: chamber, Missing: true, Allowed: k.namesHint()}
	}
	return k.journal.LastSwitches(ctx, chamber, at)
}

// Events gives what was logged of a chamber from one moment on and before another, oldest first: of some kinds, or of
// all when none is named.
func (k *Keeper) Events(ctx context.Context, chamber string, from, to time.Time, kinds ...policy.EventKind) ([]policy.Event, error) {
	if k.unit(chamber) == nil {
		return nil, &policy.Refusal{Field: "chamber", Value: chamber, Missing: true, Allowed: k.namesHint()}
	}
	var all []policy.Event
	for n, err := range k.journal.Events(ctx, journal.EventQuery{Chamber: chamber, From: from, To: to, Kinds: kinds, Newest: mostEvents}) {
		if err != nil {
			return nil, err
		}
		all = append(all, n.Event)
	}
	return all, nil
}

// History gives what was measured, learned and run in a chamber, minute by minute or at the width asked for.
func (k *Keeper) History(ctx context.Context, q journal.HistoryQuery) iter.Seq2[journal.Minute, error] {
	return k.journal.History(ctx, q)
}

// Actions gives what people did, in order.
func (k *Keeper) Actions(ctx context.Context, q journal.ActionQuery) iter.Seq2[journal.Acted, error] {
	return k.journal.Actions(ctx, q)
}

// mostEvents bounds what one question brings back.
const mostEvents = 5000

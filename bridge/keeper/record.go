package keeper

import (
	"context"
	"errors"
	"fmt"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
)

// errDone says that an action was written down before; nothing is left to do.
var errDone = errors.New("done before")

// settle works out what an action that reaches into the past leads to, by the whole record of the chamber. The caller
// holds u.acting, so that no entry comes in between.
func (u *unit) settle(ctx context.Context, a *policy.Action) error {
	if !a.Reaches() {
		return nil
	}
	past, err := u.k.entries(ctx, u.name)
	if err != nil {
		return err
	}
	for i := range past {
		if past[i].Action.ID != a.ID {
			continue
		}
		if a.Repeats(&past[i].Action) {
			return errDone
		}
		return idTaken(a)
	}
	if err := u.currentPolicy().Settle(past, a, u.k.clock.Wall()); err != nil {
		return err
	}
	return u.reclaim(a)
}

// reclaim refuses to bring a batch back by an undo where another chamber has taken its name since.
func (u *unit) reclaim(a *policy.Action) error {
	for i := range a.Outcome.Batches {
		name := a.Outcome.Batches[i].Name
		if _, here := u.snap.Load().State.Crop.Find(name); here {
			continue
		}
		if err := u.k.claim(u.name, &policy.Action{Kind: policy.BatchAdd, Batch: name}); err != nil {
			return err
		}
	}
	return nil
}

// entries reads what is written down of a chamber's crop.
func (k *Keeper) entries(ctx context.Context, chamber string) ([]policy.Entry, error) {
	var all []policy.Entry
	for a, err := range k.journal.Actions(ctx, journal.CropQuery(chamber)) {
		if err != nil {
			return nil, fmt.Errorf("the record of chamber %s cannot be read: %w; nothing was done", chamber, err)
		}
		all = append(all, policy.Entries(a.Seq, a.Action)...)
	}
	return all, nil
}

// ImportAll brings in entries for several chambers, for each an action of kind [policy.Import], in order of the chambers'
// names: all of them or none. Entries that cannot be give a [policy.Rejected]. The same import again does nothing.
func (k *Keeper) ImportAll(ctx context.Context, imports []journal.Acted) error {
	var units []*unit
	for i := range imports {
		u := k.unit(imports[i].Chamber)
		if u == nil {
			return &policy.Refusal{Field: "chamber", Value: imports[i].Chamber, Missing: true, Allowed: k.namesHint()}
		}
		units = append(units, u)
	}
	k.naming.Lock()
	defer k.naming.Unlock()
	requests, err := k.importAll(ctx, imports, units)
	if err != nil {
		return err
	}
	for i := range requests {
		r := &requests[i]
		select {
		case got := <-r.reply:
			if got.err != nil {
				return got.err
			}
		case <-ctx.Done():
			return fmt.Errorf("the import is written down and will be done, but was not done in time: %w", context.Cause(ctx))
		}
	}
	return nil
}

// CheckImport says what ImportAll would, and brings nothing in.
func (k *Keeper) CheckImport(ctx context.Context, imports []journal.Acted) error {
	var bad policy.Rejected
	for i := range imports {
		u := k.unit(imports[i].Chamber)
		if u == nil {
			return &policy.Refusal{Field: "chamber", Value: imports[i].Chamber, Missing: true, Allowed: k.namesHint()}
		}
		if _, err := u.misfits(ctx, &imports[i].Action, &bad); err != nil {
			return err
		}
	}
	if len(bad.Chambers) > 0 {
		return &bad
	}
	return nil
}

// misfits adds what is wrong with one chamber's import to the list, and gives the record that it was checked against.
func (u *unit) misfits(ctx context.Context, a *policy.Action, bad *policy.Rejected) ([]policy.Entry, error) {
	past, err := u.k.entries(ctx, u.name)
	if err != nil {
		return nil, err
	}
	list := u.currentPolicy().CheckImport(past, a.Entries, u.k.clock.Wall())
	for i := range a.Entries {
		if err := u.k.claim(u.name, &a.Entries[i]); err != nil {
			list = append(list, policy.Misfit{Index: i, Err: err})
		}
	}
	if len(list) > 0 {
		bad.Chambers = append(bad.Chambers, policy.Misfits{Chamber: u.name, List: list})
	}
	return past, nil
}

// importAll checks everything, makes it durable at once and hands it to the workers. The order of the imports is the
// order in which the chambers are held, which is that of their names for every caller.
func (k *Keeper) importAll(ctx context.Context, imports []journal.Acted, units []*unit) ([]request, error) {
	for i := 1; i < len(units); i++ {
		if units[i-1].name >= units[i].name {
			return nil, errors.New("keeper: an import names its chambers once each, in order")
		}
	}
	for _, u := range units {
		u.acting.Lock()
		defer u.acting.Unlock()
	}
	var bad policy.Rejected
	var acts []journal.Acted
	requests := make([]request, len(imports))
	for i, u := range units {
		a := &imports[i].Action
		a.At = k.clock.Wall()
		known := len(bad.Chambers)
		past, err := u.misfits(ctx, a, &bad)
		if err != nil {
			return nil, err
		}
		if there, same := policy.Brought(past, a.ID, a.Entries); there && same {
			return nil, nil // all were written down together, so the others are there too
		} else if there {
			return nil, idTaken(a)
		}
		if len(bad.Chambers) > known {
			continue
		}
		if err := u.currentPolicy().Settle(past, a, a.At); err != nil {
			return nil, err
		}
		acts = append(acts, journal.Acted{Chamber: u.name, Action: *a})
		requests[i] = request{action: *a, reply: make(chan answer, 1)}
	}
	if len(bad.Chambers) > 0 {
		return nil, &bad
	}
	seqs, err := k.store(ctx, acts)
	if err != nil {
		return nil, err
	}
	for i, u := range units {
		requests[i].seq = seqs[i]
		u.mu.Lock()
		u.acts = append(u.acts, requests[i])
		u.queue()
		u.mu.Unlock()
	}
	return requests, nil
}

func (k *Keeper) store(ctx context.Context, acts []journal.Acted) ([]int64, error) {
	j, ok := k.journal.(journal.Together)
	if !ok {
		return nil, errors.New("this journal cannot store several actions at once; import with a file journal")
	}
	seqs, err := j.ActTogether(ctx, acts)
	if err != nil {
		return nil, k.untaken(ctx, "import", err)
	}
	return seqs, nil
}

package policy

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"gillkeeper/policy/crop"
)

// Entry is an action of the crop's record with the name that people call it by.
type Entry struct {
	Ref    string // the number in the journal; of an import's entries with their place in it, such as 41.3
	Action Action
	within string // ID of the import that it came with
}

// Entries gives what an action of the journal adds to the record: itself and, of an import, everything in it. A kind
// that is no part of the crop's record adds nothing.
func Entries(seq int64, a Action) []Entry {
	if !slices.Contains(CropKinds(), a.Kind) {
		return nil
	}
	out := []Entry{{Ref: strconv.FormatInt(seq, 10), Action: a}}
	if a.Kind != Import {
		return out
	}
	out[0].Action.Entries, out[0].Action.Outcome = nil, nil
	for i, e := range a.Entries {
		e.At, e.By = a.At, a.By
		out = append(out, Entry{Ref: fmt.Sprintf("%d.%d", seq, i+1), Action: e, within: a.ID})
	}
	return out
}

// Brought reports whether an import of that ID is written down, and whether it brought in those entries.
func Brought(past []Entry, id string, entries []Action) (there, same bool) {
	var old []*Action
	for i := range past {
		e := &past[i]
		there = there || e.Action.ID == id
		if e.within == id {
			old = append(old, &e.Action)
		}
	}
	return there, slices.EqualFunc(entries, old, func(a Action, b *Action) bool { return a.ID == b.ID && a.Repeats(b) })
}

// Standing gives the entries that hold: with their corrections, without what was undone, in order of the moments for
// which they hold. An undo can be undone.
func Standing(all []Entry) []Entry {
	dead := Undone(all)
	amended := map[string]*Action{}
	for i := range all {
		if a := &all[i].Action; a.Kind == Correct && !dead[a.ID] {
			amended[a.Of] = a.Amended
		}
	}
	var out []Entry
	for _, e := range all {
		if !e.Action.Kind.plain() || dead[e.Action.ID] || e.within != "" && dead[e.within] {
			continue
		}
		if to := amended[e.Action.ID]; to != nil {
			e.Action = e.Action.as(to)
		}
		out = append(out, e)
	}
	slices.SortStableFunc(out, func(a, b Entry) int { return a.Action.Moment().Compare(b.Action.Moment()) })
	return out
}

// as is the action with what another says instead; who wrote it, when, and of which batch it is, stays.
func (a Action) as(to *Action) Action {
	b := *to
	b.ID, b.Kind, b.At, b.By, b.Batch = a.ID, a.Kind, a.At, a.By, a.Batch
	b.Outcome, b.Amended, b.Entries, b.Of = nil, nil, nil, ""
	if b.When.IsZero() {
		b.When = a.When
	}
	return b
}

// Records works the record of every batch out from the entries of one chamber, in order of their coming. Entries that
// were refused when they came are passed over.
func Records(chamber string, all []Entry) []crop.Record {
	t := retell(chamber, Standing(all))
	out := make([]crop.Record, 0, len(t.records))
	for _, r := range t.records {
		out = append(out, *r)
	}
	return out
}

// tale is what entries come to, one after the other.
type tale struct {
	chamber string
	crop    crop.State
	records []*crop.Record
	now     map[string]*crop.Record // by the batch's name; the newest of that name
	refused map[string]error        // by the entry's ID
}

func retell(chamber string, entries []Entry) *tale {
	t := &tale{chamber: chamber, now: map[string]*crop.Record{}, refused: map[string]error{}}
	for i := range entries {
		if err := t.tell(&entries[i]); err != nil {
			t.refused[entries[i].Action.ID] = err
		}
	}
	return t
}

// tell lets one entry happen.
func (t *tale) tell(e *Entry) error {
	a, at := &e.Action, e.Action.Moment()
	if a.Kind == BatchAdd {
		t.forget(a.Batch) // a name that is free again
	} else if t.now[a.Batch] == nil {
		return &Refusal{Field: "batch", Value: a.Batch, Missing: true, Allowed: "it came in later, or never"}
	}
	next, err := enter(t.crop, nil, a, at)
	if err != nil {
		return err
	}
	t.crop = next
	b, _ := next.Find(a.Batch)
	if a.Kind == BatchAdd {
		t.begin(&b)
	}
	r := t.now[a.Batch]
	t.detail(r, e, b.Flush)
	t.follow(r, &b)
	return nil
}

// forget lets a retired batch go, so that its name may be used anew.
func (t *tale) forget(name string) {
	t.crop.Batches = slices.DeleteFunc(slices.Clone(t.crop.Batches), func(b crop.Batch) bool {
		return b.Name == name && !b.Retired.IsZero()
	})
}

func (t *tale) begin(b *crop.Batch) {
	r := &crop.Record{Chamber: t.chamber, Batch: b.Name, Species: b.Species, Strain: b.Strain, Supplements: b.Supplements,
		Position: b.Position, SubstrateKg: b.SubstrateKg, DryKg: b.DryKg, Inoculated: b.Inoculated, Added: b.Added}
	t.records = append(t.records, r)
	t.now[b.Name] = r
}

// detail adds what only the record keeps.
func (t *tale) detail(r *crop.Record, e *Entry, flush int) {
	a, at := &e.Action, stamp(e.Action.Moment())
	switch a.Kind {
	case HarvestDone:
		if a.FreshG > 0 {
			f := flushOf(r, flush)
			f.Pickings = append(f.Pickings, crop.PickingRecord{Entry: e.Ref, At: at, FreshG: a.FreshG, Marks: a.Marks, Photos: a.Photos, Note: a.Note})
			return
		}
	case LossSeen:
		r.Losses = append(r.Losses, crop.Loss{Entry: e.Ref, At: at, Flush: flush, Cause: a.Cause, Grams: a.Grams, Note: a.Note})
		return
	}
	if a.Note != "" || len(a.Photos) > 0 {
		r.Notes = append(r.Notes, crop.Note{Entry: e.Ref, At: at, Text: a.Note, Photos: a.Photos})
	}
}

// follow takes over what the batch's stage and flushes are now.
func (t *tale) follow(r *crop.Record, b *crop.Batch) {
	for i := range b.Flushes {
		flushOf(r, b.Flushes[i].Number).Closed = b.Flushes[i].Closed
	}
	last := len(r.Stages) - 1
	if last < 0 || r.Stages[last].Stage != b.Stage || r.Stages[last].Flush != b.Flush {
		if last >= 0 {
			r.Stages[last].To = b.Since
		}
		r.Stages = append(r.Stages, crop.Period{Stage: b.Stage, Flush: b.Flush, From: b.Since})
	}
	if r.Retired = b.Retired; !b.Retired.IsZero() {
		r.Stages[len(r.Stages)-1].To = b.Retired
	}
}

// flushOf finds a flush of the record, or begins it.
func flushOf(r *crop.Record, number int) *crop.FlushRecord {
	i := slices.IndexFunc(r.Flushes, func(f crop.FlushRecord) bool { return f.Number == number })
	if i < 0 {
		r.Flushes = append(r.Flushes, crop.FlushRecord{Number: number})
		i = len(r.Flushes) - 1
	}
	return &r.Flushes[i]
}

// stamp makes a time that survives JSON unchanged.
func stamp(t time.Time) time.Time { return t.Round(0).UTC() }

// Settle works out what an action that reaches into the past leads to, and writes that into it, so that it can be done
// again without the record. past is every entry of the chamber so far. What would make an earlier entry impossible is
// refused, and the refusal names that entry. Other actions are left as they are.
func (p *Policy) Settle(past []Entry, a *Action, now time.Time) error {
	if !a.Reaches() {
		return nil
	}
	a.Outcome = nil
	if err := a.checkEntry(now); err != nil {
		return err
	}
	if err := p.target(past, a, now); err != nil {
		return err
	}
	added := Entries(0, *a)
	before, after := retell(p.Spec.Name, Standing(past)), retell(p.Spec.Name, Standing(append(slices.Clip(past), added...)))
	for _, e := range append(slices.Clip(past), added...) {
		err := after.refused[e.Action.ID]
		if err == nil || before.refused[e.Action.ID] != nil {
			continue
		}
		if e.Action.ID == a.ID || a.Kind == Correct && e.Action.ID == a.Of {
			return refusal(err)
		}
		return &Refusal{Field: "entry", Value: e.Ref, Allowed: fmt.Sprintf("that would leave entry %s, %s, impossible (%s); undo or correct that one first", e.Ref, e.Action.Kind, refusal(err)), Unfit: true}
	}
	a.Outcome = outcome(before, after, touched(a, past), now)
	return nil
}

// target checks what an undo or a correction is of, and fills in its batch.
func (p *Policy) target(past []Entry, a *Action, now time.Time) error {
	if a.Kind != Undo && a.Kind != Correct {
		return nil
	}
	i := slices.IndexFunc(past, func(e Entry) bool { return e.Action.ID == a.Of })
	if i < 0 {
		return &Refusal{Field: "of", Value: a.Of, Missing: true, Allowed: "see batch record for the entries"}
	}
	of := &past[i]
	a.Batch = of.Action.Batch
	if a.Kind == Correct && !of.Action.Kind.plain() {
		return &Refusal{Field: "entry", Value: of.Ref, Allowed: "only an entry itself can be corrected, not a correction, an undo or an import; undo it instead", Unfit: true}
	}
	if by := undoneBy(past)[a.Of]; by != "" {
		return &Refusal{Field: "entry", Value: of.Ref, Allowed: fmt.Sprintf("it is undone already; to have it back, undo entry %s, which undid it", by), Unfit: true}
	}
	if a.Kind == Undo {
		return nil
	}
	if a.Amended == nil {
		return &Refusal{Field: "amended", Value: "", Allowed: "say what the entry should be"}
	}
	to := of.Action.as(a.Amended)
	if err := to.checkEntry(now); err != nil {
		return err
	}
	if r := retell(p.Spec.Name, Standing(past)).now[a.Batch]; r != nil {
		if err := to.checkLoss(r.SubstrateKg); err != nil {
			return err
		}
	}
	if to.Kind == BatchAdd { // a species that no climate is known of would leave the chamber without a target
		_, err := crop.State{}.AddBatch(p.Climates, crop.Batch{Name: to.Batch, Species: to.Species, Strain: to.Strain, Supplements: to.Supplements,
			Position: to.Position, SubstrateKg: to.SubstrateKg, DryKg: to.DryKg, Stage: stageOr(to.Stage, 1)}, now)
		if err != nil {
			return refusal(err)
		}
	}
	return nil
}

// Undone gives the IDs of what was undone and not had back, from the last entry to the first.
func Undone(all []Entry) map[string]bool {
	dead := map[string]bool{}
	for id := range undoneBy(all) {
		dead[id] = true
	}
	return dead
}

// undoneBy gives, by the ID of what was undone and not had back, the number of the entry that undid it.
func undoneBy(all []Entry) map[string]string {
	by := map[string]string{}
	for _, e := range slices.Backward(all) {
		if e.Action.Kind == Undo && by[e.Action.ID] == "" {
			by[e.Action.Of] = e.Ref
		}
	}
	return by
}

// touched names the batches that an action may have changed.
func touched(a *Action, past []Entry) []string {
	names := []string{a.Batch}
	add := func(entries []Action) {
		for i := range entries {
			names = append(names, entries[i].Batch)
		}
	}
	add(a.Entries)
	seen := map[string]bool{}
	for of := a.Of; of != "" && !seen[of]; { // an undo of an undo of an import reaches as far as the import
		seen[of] = true
		next := ""
		for i := range past {
			if e := &past[i]; e.within == of || e.Action.ID == of {
				names = append(names, e.Action.Batch)
				if e.Action.ID == of {
					next = e.Action.Of
				}
			}
		}
		of = next
	}
	slices.Sort(names)
	return slices.DeleteFunc(slices.Compact(names), func(s string) bool { return s == "" })
}

// outcome compares how the batches stood before and after.
func outcome(before, after *tale, names []string, now time.Time) *Outcome {
	o := &Outcome{}
	for _, name := range names {
		if r := after.now[name]; r != nil {
			o.Spent = append(o.Spent, spent(r, now)...)
		}
		if b, ok := after.crop.Find(name); ok {
			o.Batches = append(o.Batches, b)
		} else if _, was := before.crop.Find(name); was {
			o.Gone = append(o.Gone, name)
		}
	}
	return o
}

// spent adds up for how long a batch was in each stage of each flush until now.
func spent(r *crop.Record, now time.Time) []StageTotal {
	var sum Totals
	for _, p := range r.Stages {
		to := p.To
		if to.IsZero() {
			to = latest(p.From, now)
		}
		sum.stage(StageTotal{Batch: r.Batch, Species: r.Species, Stage: p.Stage, Flush: p.Flush}).Seconds += to.Sub(p.From).Seconds()
	}
	return sum.Stages
}

// Misfit is an entry of an import that cannot be.
type Misfit struct {
	Index int // in the entries given
	Err   error
}

// Rejected says which entries of an import cannot be, chamber by chamber. Nothing of it was brought in.
type Rejected struct{ Chambers []Misfits }

// Misfits are those of one chamber.
type Misfits struct {
	Chamber string
	List    []Misfit
}

func (r *Rejected) Error() string {
	n := 0
	for _, c := range r.Chambers {
		n += len(c.List)
	}
	return fmt.Sprintf("%d entries cannot be; nothing was imported", n)
}

// CheckImport finds every entry that cannot be: in itself, by the climate table, or by what is written down of the
// chamber already. It gives them in order of the entries.
func (p *Policy) CheckImport(past []Entry, entries []Action, now time.Time) []Misfit {
	faults := map[int]error{}
	batch := Action{ID: "import", Kind: Import, At: now, Entries: entries}
	index := map[string]int{}
	for i := range entries {
		a := &entries[i]
		index[a.ID] = i
		if !a.Kind.plain() {
			faults[i] = &Refusal{Field: "kind", Value: string(a.Kind), Allowed: "an import takes batch_add, batch_retire, stage_set, harvest, loss and note"}
		} else if err := a.checkEntry(now); err != nil {
			faults[i] = err
		} else if a.Kind == BatchAdd {
			if _, err := enter(crop.State{}, p.Climates, a, a.Moment()); err != nil {
				faults[i] = refusal(err)
			}
		}
	}
	all := append(slices.Clip(past), Entries(0, batch)...)
	before, after := retell(p.Spec.Name, Standing(past)), retell(p.Spec.Name, Standing(all))
	for _, e := range all {
		err := after.refused[e.Action.ID]
		if err == nil || before.refused[e.Action.ID] != nil {
			continue
		}
		if i, ok := index[e.Action.ID]; ok && faults[i] == nil {
			faults[i] = refusal(err)
		} else if !ok { // what was there already comes to nothing: the whole import is at odds with it
			faults[len(entries)] = errors.Join(faults[len(entries)], fmt.Errorf("entry %s of chamber %s would become impossible: %w", e.Ref, p.Spec.Name, refusal(err)))
		}
	}
	var out []Misfit
	for i := 0; i <= len(entries); i++ {
		if faults[i] != nil {
			out = append(out, Misfit{i, faults[i]})
		}
	}
	return out
}

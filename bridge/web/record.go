package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"reflect"
	"slices"
	"strings"
	"time"

	"github.com/maruel/natural"

	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/web/api"
	"gillkeeper/policy"
	"gillkeeper/policy/crop"
)

// past reads a moment of a request into a field of an action; nothing stays nothing.
func (s *Server) past(into *time.Time, field, text string) error {
	if text == "" {
		return nil
	}
	t, err := s.pastMoment(field, text, s.now())
	*into = t.UTC()
	return err
}

func (s *Server) postLoss(r *http.Request) (any, error) {
	var in api.LossAdd
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	return s.actOnBatchAt(r, in.ID, in.At, policy.Action{Kind: policy.LossSeen, Cause: crop.LossCause(in.Cause), Grams: in.Grams, Note: in.Note})
}

func (s *Server) postNote(r *http.Request) (any, error) {
	var in api.NoteAdd
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	return s.actOnBatchAt(r, in.ID, in.At, policy.Action{Kind: policy.NoteMade, Note: in.Note, Photos: in.Photos})
}

// chronicle is what is written down of one chamber's crop.
type chronicle struct {
	chamber string
	entries []policy.Entry
}

// chronicles reads the crop's record of one chamber, or of every one that the journal knows.
func (s *Server) chronicles(ctx context.Context, chamber string) ([]chronicle, error) {
	var all []chronicle
	index := map[string]int{}
	for a, err := range s.backend.Actions(ctx, journal.CropQuery(chamber)) {
		if err != nil {
			return nil, err
		}
		i, ok := index[a.Chamber]
		if !ok {
			i = len(all)
			index[a.Chamber] = i
			all = append(all, chronicle{chamber: a.Chamber})
		}
		all[i].entries = append(all[i].entries, policy.Entries(a.Seq, a.Action)...)
	}
	slices.SortFunc(all, func(a, b chronicle) int { return natural.Compare(a.chamber, b.chamber) })
	return all, nil
}

func (s *Server) getRecord(r *http.Request) (any, error) {
	name := r.PathValue("batch")
	all, err := s.records(r.Context(), "")
	if err != nil {
		return nil, err
	}
	var names []string
	for _, x := range slices.Backward(all) { // of a name that was used again the newest
		if x.Batch == name {
			return x, nil
		}
		names = append(names, x.Batch)
	}
	slices.Reverse(names)
	return nil, missing("batch", name, names)
}

func (s *Server) getRecords(r *http.Request) (any, error) {
	all, err := s.records(r.Context(), r.URL.Query().Get("chamber"))
	if err != nil {
		return nil, err
	}
	return api.Records{Records: all}, nil
}

func (s *Server) records(ctx context.Context, chamber string) ([]api.BatchRecord, error) {
	all, err := s.chronicles(ctx, chamber)
	if err != nil {
		return nil, err
	}
	out := []api.BatchRecord{}
	for _, c := range all {
		list := policy.Records(c.chamber, c.entries)
		for i := range list {
			x := record(&list[i])
			if x.Retired == nil {
				x.Proposal = s.proposalFor(c.chamber, x.Batch)
			}
			out = append(out, x)
		}
	}
	return out, nil
}

// proposalFor is the stage that a batch that grows seems to have reached.
func (s *Server) proposalFor(chamber, batch string) *api.StageProposal {
	snap, ok := s.backend.Snapshot(chamber)
	if !ok {
		return nil
	}
	v := newView(snap, s.settings.Load().words)
	return v.proposal(batch)
}

func (v *view) proposal(batch string) *api.StageProposal {
	for _, p := range v.snap.Proposals {
		if p.Batch == batch {
			return &api.StageProposal{Stage: p.To.String(), Since: v.day(p.Since), Sure: p.Sure, Why: v.words.Proposal(&p)}
		}
	}
	return nil
}

// record shows a record. Its times are of the calendar already.
func record(r *crop.Record) api.BatchRecord {
	out := api.BatchRecord{
		Chamber: r.Chamber, Batch: r.Batch, Species: r.Species, Strain: r.Strain, Supplements: r.Supplements, Position: r.Position,
		SubstrateKg: finite(r.SubstrateKg), DryKg: finite(r.DryKg), Inoculated: moved(r.Inoculated), Added: r.Added, Retired: moved(r.Retired),
		Stages: []api.StagePeriod{}, Flushes: []api.FlushDetail{}, Losses: []api.LossDetail{}, Notes: []api.NoteDetail{},
		FreshG: finite(r.FreshG()), BiologicalEfficiency: finite(r.BiologicalEfficiency()),
	}
	for _, p := range r.Stages {
		out.Stages = append(out.Stages, api.StagePeriod{Stage: p.Stage.String(), Flush: p.Flush, From: p.From, To: moved(p.To)})
	}
	for i := range r.Flushes {
		f := &r.Flushes[i]
		x := api.FlushDetail{Number: f.Number, FreshG: finite(f.FreshG()), BiologicalEfficiency: finite(r.Efficiency(f)),
			Pickings: []api.PickingDetail{}, Closed: moved(f.Closed)}
		for _, p := range f.Pickings {
			x.Pickings = append(x.Pickings, api.PickingDetail{Entry: p.Entry, At: p.At, FreshG: finite(p.FreshG), Marks: p.Marks, Photos: p.Photos, Note: p.Note})
		}
		out.Flushes = append(out.Flushes, x)
	}
	for _, l := range r.Losses {
		out.Losses = append(out.Losses, api.LossDetail{Entry: l.Entry, At: l.At, Flush: l.Flush, Cause: string(l.Cause), Grams: finite(l.Grams), Note: l.Note})
	}
	for _, n := range r.Notes {
		out.Notes = append(out.Notes, api.NoteDetail{Entry: n.Entry, At: n.At, Text: n.Text, Photos: n.Photos})
	}
	return out
}

// moved is a moment, or nil for none.
func moved(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return new(t.UTC())
}

func (s *Server) getEntries(r *http.Request) (any, error) {
	q := r.URL.Query()
	if v := q.Get("standing"); v != "" && v != "true" && v != "false" {
		return nil, &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Field: "standing", Value: v, Detail: "standing is true or false"}
	}
	all, err := s.chronicles(r.Context(), q.Get("chamber"))
	if err != nil {
		return nil, err
	}
	if name := q.Get("chamber"); name != "" && len(all) == 0 { // one that is not kept any more may have a record
		if _, err := s.viewOf(name); err != nil {
			return nil, err
		}
	}
	out := api.Entries{Entries: []api.Entry{}}
	for _, c := range all {
		for _, x := range c.list(q.Get("standing") == "true") {
			if batch := q.Get("batch"); batch == "" || x.Batch == batch {
				out.Entries = append(out.Entries, x)
			}
		}
	}
	return out, nil
}

// list shows the entries: those that hold, or all of them with what became of each.
func (c *chronicle) list(standing bool) []api.Entry {
	var out []api.Entry
	if standing {
		for _, e := range policy.Standing(c.entries) {
			out = append(out, entry(c.chamber, &e))
		}
		return out
	}
	refs, corrected := map[string]string{}, map[string]bool{}
	dead := policy.Undone(c.entries)
	for i := range c.entries {
		a := &c.entries[i].Action
		refs[a.ID] = c.entries[i].Ref
		if a.Kind == policy.Correct && !dead[a.ID] {
			corrected[a.Of] = true
		}
	}
	for i := range c.entries {
		e := c.entries[i]
		if a := e.Action.Amended; a != nil {
			to := *a
			to.ID, to.Kind, to.At, to.By, to.Batch, to.Of = e.Action.ID, e.Action.Kind, e.Action.At, e.Action.By, e.Action.Batch, e.Action.Of
			e.Action = to
		}
		x := entry(c.chamber, &e)
		x.Of, x.Undone, x.Corrected = refs[e.Action.Of], dead[e.Action.ID], corrected[e.Action.ID]
		out = append(out, x)
	}
	return out
}

func entry(chamber string, e *policy.Entry) api.Entry {
	a := &e.Action
	x := api.Entry{
		Entry: e.Ref, Chamber: chamber, Batch: a.Batch, Kind: string(a.Kind), At: a.Moment().UTC(), Written: moved(a.At), By: a.By,
		Species: a.Species, Strain: a.Strain, Supplements: a.Supplements, Position: a.Position, SubstrateKg: finite(a.SubstrateKg),
		DryKg: finite(a.DryKg), Inoculated: moved(a.Inoculated), FreshG: finite(a.FreshG), Done: a.Done, Marks: a.Marks, Photos: a.Photos,
		Cause: string(a.Cause), Grams: finite(a.Grams), Note: a.Note,
	}
	if a.Stage != 0 {
		x.Stage = a.Stage.String()
	}
	return x
}

// entryNamed finds an entry by its number.
func (s *Server) entryNamed(ctx context.Context, ref string) (chamber string, e policy.Entry, err error) {
	all, err := s.chronicles(ctx, "")
	if err != nil {
		return "", e, err
	}
	for _, c := range all {
		for _, e := range c.entries {
			if e.Ref == ref {
				return c.chamber, e, nil
			}
		}
	}
	return "", e, &api.Problem{Status: http.StatusNotFound, Code: api.CodeNotFound, Field: "entry", Value: ref,
		Detail: fmt.Sprintf("there is no entry %q; `gillkeeper batch record BATCH --entries` lists their numbers", oneLine(ref))}
}

func (s *Server) postUndo(r *http.Request) (any, error) {
	var in api.EntryUndo
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	chamber, e, err := s.entryNamed(r.Context(), r.PathValue("entry"))
	if err != nil {
		return nil, err
	}
	return s.act(r, chamber, in.ID, policy.Action{Kind: policy.Undo, Batch: e.Action.Batch, Of: e.Action.ID, Note: in.Note})
}

func (s *Server) postCorrect(r *http.Request) (any, error) {
	var in api.EntryCorrect
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	said := in
	if said.ID = ""; reflect.ValueOf(said).IsZero() {
		return nil, &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Detail: "nothing is corrected; give the fields that should say something else, such as fresh_g"}
	}
	chamber, e, err := s.entryNamed(r.Context(), r.PathValue("entry"))
	if err != nil {
		return nil, err
	}
	if err := misplaced(&e, &in); err != nil {
		return nil, err
	}
	to, err := s.amend(r.Context(), chamber, &e, &in)
	if err != nil {
		return nil, err
	}
	return s.act(r, chamber, in.ID, policy.Action{Kind: policy.Correct, Batch: e.Action.Batch, Of: e.Action.ID, Amended: to})
}

// misplaced refuses what a correction says of a field that its entry has not: it would be written down, and change nothing. Every
// entry has a moment, photos and a note; what is empty says nothing.
func misplaced(e *policy.Entry, in *api.EntryCorrect) error {
	switch e.Action.Kind {
	case policy.Undo, policy.Correct, policy.Import:
		return nil // refused for what they are
	}
	var has []string
	var wrong *policy.Refusal
	for _, f := range []struct {
		name, value string
		of          []policy.ActionKind
	}{
		{"species", given(in.Species), []policy.ActionKind{policy.BatchAdd}},
		{"strain", given(in.Strain), []policy.ActionKind{policy.BatchAdd}},
		{"supplements", given(in.Supplements), []policy.ActionKind{policy.BatchAdd}},
		{"position", given(in.Position), []policy.ActionKind{policy.BatchAdd}},
		{"substrate_kg", given(in.SubstrateKg), []policy.ActionKind{policy.BatchAdd}},
		{"dry_kg", given(in.DryKg), []policy.ActionKind{policy.BatchAdd}},
		{"inoculated", given(in.Inoculated), []policy.ActionKind{policy.BatchAdd}},
		{"stage", given(in.Stage), []policy.ActionKind{policy.BatchAdd, policy.StageSet}},
		{"fresh_g", given(in.FreshG), []policy.ActionKind{policy.HarvestDone}},
		{"done", given(in.Done), []policy.ActionKind{policy.HarvestDone}},
		{"marks", strings.Join(in.Marks, ","), []policy.ActionKind{policy.HarvestDone}},
		{"cause", given(in.Cause), []policy.ActionKind{policy.LossSeen}},
		{"grams", given(in.Grams), []policy.ActionKind{policy.LossSeen}},
	} {
		switch {
		case slices.Contains(f.of, e.Action.Kind):
			has = append(has, f.name)
		case f.value != "" && wrong == nil:
			wrong = &policy.Refusal{Field: f.name, Value: f.value}
		}
	}
	if wrong == nil {
		return nil
	}
	wrong.Allowed = fmt.Sprintf("entry %s is a %s and has only %s", e.Ref, e.Action.Kind, strings.Join(append(has, "at, photos and a note"), ", "))
	return wrong
}

// given writes a field down, or nothing where nothing is said of it.
func given[T comparable](x *T) string {
	var nothing T
	if x == nil || *x == nothing {
		return ""
	}
	return fmt.Sprint(*x)
}

// amend lays what is given over what the entry says now, with the corrections that it has had.
func (s *Server) amend(ctx context.Context, chamber string, e *policy.Entry, in *api.EntryCorrect) (*policy.Action, error) {
	all, err := s.chronicles(ctx, chamber)
	if err != nil {
		return nil, err
	}
	to := e.Action
	for _, c := range all {
		for _, now := range policy.Standing(c.entries) {
			if now.Action.ID == e.Action.ID {
				to = now.Action
			}
		}
	}
	to.ID, to.At, to.By, to.Outcome, to.Kind, to.Batch = "", time.Time{}, "", nil, "", ""
	set(&to.Species, in.Species)
	set(&to.Strain, in.Strain)
	set(&to.Supplements, in.Supplements)
	set(&to.Position, in.Position)
	set(&to.SubstrateKg, in.SubstrateKg)
	set(&to.DryKg, in.DryKg)
	set(&to.FreshG, in.FreshG)
	set(&to.Done, in.Done)
	set(&to.Grams, in.Grams)
	set(&to.Note, in.Note)
	if in.Cause != nil {
		to.Cause = crop.LossCause(*in.Cause)
	}
	if in.Marks != nil {
		to.Marks = in.Marks
	}
	if in.Photos != nil {
		to.Photos = in.Photos
	}
	if in.Stage != nil {
		if to.Stage, err = stageNamed(*in.Stage); err != nil {
			return nil, err
		}
	}
	if in.At != nil {
		err = s.past(&to.When, "at", *in.At)
	}
	if in.Inoculated != nil {
		err = errors.Join(err, s.past(&to.Inoculated, "inoculated", *in.Inoculated))
	}
	return &to, err
}

func set[T any](into *T, from *T) {
	if from != nil {
		*into = *from
	}
}

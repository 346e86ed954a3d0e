package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"

	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/web/api"
	"gillkeeper/policy"
	"gillkeeper/policy/crop"
)

func (s *Server) postImport(r *http.Request) (any, error) {
	var in api.Import
	if err := decode(r, &in); err != nil {
		return nil, err
	}
	id, err := actionID(r, in.ID)
	if err != nil {
		return nil, err
	}
	sorted, at, faults := s.sortImport(id, in.Entries)
	if len(in.Entries) == 0 {
		return nil, &api.Problem{Status: http.StatusUnprocessableEntity, Code: api.CodeRefused, Field: "entries", Detail: "there are no entries to import"}
	}
	done := api.Imported{ID: id, Entries: len(in.Entries), Checked: in.Check}
	for i := range in.Entries {
		if in.Entries[i].Kind == string(policy.BatchAdd) {
			done.Batches++
		}
	}
	// Entries that can be read are checked though others cannot, so that all that is wrong is said at once.
	ctx, cancel := context.WithTimeout(r.Context(), actTimeout)
	defer cancel()
	err = nil
	if in.Check || len(faults) > 0 {
		err = s.backend.CheckImport(ctx, sorted)
	} else {
		err = s.backend.ImportAll(ctx, sorted)
	}
	if bad, ok := errors.AsType[*policy.Rejected](err); ok {
		for _, c := range bad.Chambers {
			for _, m := range c.List {
				faults = append(faults, api.Fault{Index: at.of(c.Chamber, m.Index, len(in.Entries)), Detail: oneLine(m.Err.Error())})
			}
		}
	} else if err != nil {
		return nil, err
	}
	if len(faults) > 0 {
		slices.SortStableFunc(faults, func(a, b api.Fault) int { return a.Index - b.Index })
		return nil, &api.Problem{Status: http.StatusUnprocessableEntity, Code: api.CodeRefused, Field: "entries", Faults: faults,
			Detail: fmt.Sprintf("%d of %d entries cannot be; nothing was imported", len(faults), len(in.Entries))}
	}
	return done, nil
}

// places says where in a request the entries of each chamber stood.
type places map[string][]int

func (p places) of(chamber string, index, otherwise int) int {
	if list := p[chamber]; index < len(list) {
		return list[index]
	}
	return otherwise
}

// sortImport makes one action for each chamber, in order of their names, of the entries that can be read.
func (s *Server) sortImport(id string, entries []api.Entry) ([]journal.Acted, places, []api.Fault) {
	var faults []api.Fault
	at := places{}
	by := map[string]*policy.Action{}
	var names []string
	for i := range entries {
		e := &entries[i]
		a, err := importedAction(e)
		if err == nil {
			_, err = s.viewOf(e.Chamber)
		}
		if err != nil {
			faults = append(faults, api.Fault{Index: i, Detail: oneLine(err.Error())})
			continue
		}
		if by[e.Chamber] == nil {
			by[e.Chamber] = &policy.Action{ID: id + "." + e.Chamber, Kind: policy.Import, By: "api"}
			names = append(names, e.Chamber)
		}
		a.ID = fmt.Sprintf("%s.%d", id, i+1)
		by[e.Chamber].Entries = append(by[e.Chamber].Entries, a)
		at[e.Chamber] = append(at[e.Chamber], i)
	}
	slices.Sort(names)
	var out []journal.Acted
	for _, n := range names {
		out = append(out, journal.Acted{Chamber: n, Action: *by[n]})
	}
	return out, at, faults
}

// importedAction reads one entry.
func importedAction(e *api.Entry) (policy.Action, error) {
	a := policy.Action{Kind: policy.ActionKind(e.Kind), When: e.At.UTC(), Batch: e.Batch, Species: e.Species, Strain: e.Strain,
		Supplements: e.Supplements, Position: e.Position, SubstrateKg: e.SubstrateKg, DryKg: e.DryKg, FreshG: e.FreshG, Done: e.Done,
		Marks: e.Marks, Photos: e.Photos, Cause: crop.LossCause(e.Cause), Grams: e.Grams, Note: e.Note}
	if e.Inoculated != nil {
		a.Inoculated = e.Inoculated.UTC()
	}
	if e.At.IsZero() {
		return a, errors.New("at is missing; give the moment for which the entry holds")
	}
	if e.Stage != "" {
		var err error
		if a.Stage, err = stageNamed(e.Stage); err != nil {
			return a, err
		}
	}
	return a, nil
}

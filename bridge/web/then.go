package web

import (
	"cmp"
	"context"
	"slices"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/web/api"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
)

// then adds what the record holds of a past moment: the air, what was wanted of it, what ran and what grew.
func (s *Server) then(ctx context.Context, v *view, why api.Why) (any, error) {
	t := api.Then{Values: []api.ThenValue{}, Batches: []api.ThenBatch{}}
	targets := map[string]journal.Minute{}
	var held []journal.Minute
	// The widest stretch that is kept is an hour.
	q := journal.HistoryQuery{Chamber: why.Chamber, From: why.At.Add(-time.Hour), To: why.At.Add(time.Second)}
	for m, err := range s.backend.History(ctx, q) {
		switch {
		case err != nil:
			return nil, err
		case m.Start.After(why.At) || !m.Start.Add(m.Span).After(why.At):
		case m.Place == journal.PlaceTarget:
			targets[m.Quantity] = m
		default:
			held = append(held, m)
		}
	}
	for i := range held {
		m := &held[i]
		switch {
		case m.Quantity == journal.PlugOn:
			for j := range why.Plugs {
				if why.Plugs[j].Name == m.Place {
					why.Plugs[j].Share = new(finite(m.Mean))
				}
			}
		case m.Quantity != journal.PlugPower:
			t.Values = append(t.Values, v.thenValue(m, targets))
		}
		if m.Place == chamber.Inside.String() && m.Quantity != journal.VaporDeficit && (t.Seconds == 0 || m.Span.Seconds() < t.Seconds) {
			t.From, t.Seconds = m.Start, m.Span.Seconds()
		}
	}
	slices.SortStableFunc(t.Values, func(a, b api.ThenValue) int {
		return cmp.Or(cmp.Compare(a.Place, b.Place), cmp.Compare(rank(a.Quantity), rank(b.Quantity)))
	})
	batches, err := s.grewThen(ctx, why.Chamber, why.At)
	if err != nil {
		return nil, err
	}
	t.Batches = append(t.Batches, batches...)
	why.Then = &t
	return why, nil
}

// rank orders quantities as tables show them; what is derived or learned comes last.
func rank(quantity string) int {
	for i, q := range chamber.Quantities() {
		if q.String() == quantity {
			return i
		}
	}
	return len(chamber.Quantities())
}

func (v *view) thenValue(m *journal.Minute, targets map[string]journal.Minute) api.ThenValue {
	x := api.ThenValue{Quantity: m.Quantity, Place: m.Place, Mean: finite(m.Mean), Min: finite(m.Min), Max: finite(m.Max)}
	wanted, low, high := false, 0.0, 0.0
	if w, ok := targets[m.Quantity]; ok && m.Place == chamber.Inside.String() {
		wanted, low, high = true, w.Min, w.Max
		x.Low, x.Aim, x.High = new(finite(w.Min)), new(finite(w.Mean)), new(finite(w.Max))
		x.InRange = new(finite(m.Seconds / m.Span.Seconds()))
	}
	x.Says = v.words.Recorded(m.Place, m.Quantity, m.Mean, m.Min, m.Max)
	if wanted {
		x.Says += v.words.Wanted(m.Quantity, low, high)
	}
	return x
}

// grewThen gives the batches that grew in a chamber at a moment, in the stage that they were in then.
func (s *Server) grewThen(ctx context.Context, chamber string, at time.Time) ([]api.ThenBatch, error) {
	all, err := s.chronicles(ctx, chamber)
	if err != nil {
		return nil, err
	}
	var out []api.ThenBatch
	for _, c := range all {
		for _, r := range policy.Records(c.chamber, c.entries) {
			for _, p := range r.Stages {
				if !p.From.After(at) && (p.To.IsZero() || p.To.After(at)) {
					out = append(out, api.ThenBatch{Batch: r.Batch, Species: r.Species, Stage: p.Stage.String(), Flush: p.Flush, Since: p.From})
				}
			}
		}
	}
	return out, nil
}

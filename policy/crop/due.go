package crop

import (
	"cmp"
	"slices"
	"time"

	"github.com/maruel/natural"

	"gillkeeper/policy/species"
)

// Slack on the table's days before a stage counts as overdue: handbooks' days hold at handbooks' temperatures, and a
// cool shed is slower.
const (
	OverdueShare = 0.25 // of the longest usual duration
	OverdueLeast = 24 * time.Hour
)

// Due says that something of a batch comes due.
type Due struct {
	Batch   string        `json:"batch"`
	Species string        `json:"species"`
	Stage   species.Stage `json:"stage"`
	Flush   int           `json:"flush"`
	From    time.Time     `json:"from"`  // due since, or from then on
	Until   time.Time     `json:"until"` // the latest usual time
	// Picked is when its present flush was last picked from.
	Picked time.Time `json:"picked,omitzero"`
}

// Calendar gives for each batch when its present stage usually ends (From at the earliest, Until at the latest),
// soonest first. Batches whose row states no days are left out.
func (s State) Calendar(table *species.Table) []Due {
	var all []Due
	for i := range s.Batches {
		b := &s.Batches[i]
		row, ok := table.Lookup(b.Species, b.Stage)
		if !b.Retired.IsZero() || !ok || !row.Days.Given() {
			continue
		}
		d := Due{Batch: b.Name, Species: b.Species, Stage: b.Stage, Flush: b.Flush,
			From: b.Since.Add(days(row.Days.Low)), Until: b.Since.Add(days(row.Days.High))}
		if f := b.current(); f != nil {
			for _, p := range f.Pickings {
				d.Picked = maxTime(d.Picked, p.At)
			}
		}
		all = append(all, d)
	}
	slices.SortStableFunc(all, func(a, b Due) int { return cmp.Or(a.From.Compare(b.From), natural.Compare(a.Batch, b.Batch)) })
	return all
}

// HarvestDue gives the batches that wait for the first picking of their flush, the one that has waited longest first: they
// have fruited for as long as their species takes at the least. Until is when the last of the flush usually is ripe.
func (s State) HarvestDue(table *species.Table, now time.Time) (all []Due) {
	for _, d := range s.Calendar(table) {
		if d.Stage == species.Fruiting && !now.Before(d.From) && d.Picked.IsZero() {
			all = append(all, d)
		}
	}
	return all
}

// Overdue gives the batches that have outstayed their stage, the one that has done so longest first. From is since when
// one counts as overdue: the longest usual duration and [OverdueShare] of it, or [OverdueLeast], have passed. Until is
// the longest usual duration.
func (s State) Overdue(table *species.Table, now time.Time) (all []Due) {
	for _, d := range s.Calendar(table) {
		usual := d.Until.Sub(s.Batches[s.index(d.Batch)].Since)
		d.From = d.Until.Add(max(time.Duration(OverdueShare*float64(usual)), OverdueLeast))
		if !now.Before(d.From) {
			all = append(all, d)
		}
	}
	slices.SortStableFunc(all, func(a, b Due) int { return a.From.Compare(b.From) })
	return all
}

func maxTime(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func days(n float64) time.Duration { return time.Duration(n * 24 * float64(time.Hour)) }

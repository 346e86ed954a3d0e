package policy

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"gillkeeper/policy/crop"
	"gillkeeper/policy/species"
)

// The limits of an entry of the crop's record.
const (
	// MostMarks, MostPhotos and LongestPhoto bound what is hung onto one entry.
	MostMarks    = 8
	MostPhotos   = 8
	LongestPhoto = 300 // bytes of a path or an address
	// MostEntries is how many entries one import can hold: thirty years of a picking a day.
	MostEntries = 10_000
	// ahead is how far the calendar of whoever writes an entry may run before the daemon's.
	ahead = time.Minute
)

// earliestEntry is before any record that a grower will bring along.
var earliestEntry = time.Date(1970, 1, 2, 0, 0, 0, 0, time.UTC)

// CropKinds lists the kinds of actions that make up the crop's record.
func CropKinds() []ActionKind {
	return []ActionKind{BatchAdd, BatchRetire, StageSet, HarvestDone, LossSeen, NoteMade, Undo, Correct, Import}
}

// plain reports whether a kind stands for itself: it can be undone, corrected and imported.
func (k ActionKind) plain() bool {
	switch k {
	case BatchAdd, BatchRetire, StageSet, HarvestDone, LossSeen, NoteMade:
		return true
	}
	return false
}

// Moment is the calendar's time for which an action holds.
func (a *Action) Moment() time.Time {
	if !a.When.IsZero() {
		return a.When
	}
	return a.At
}

// Outcome is what an entry that reaches into the past made of the batches of its chamber.
type Outcome struct {
	Batches []crop.Batch `json:"batches,omitempty"` // as they stand after it
	Gone    []string     `json:"gone,omitempty"`    // names of batches that never were, after it
	Spent   []StageTotal `json:"spent,omitempty"`   // for how long they were in each stage, up to the moment of writing
}

// applyCrop does an action of the crop's record. One that reaches into the past has been settled before.
func (p *Policy) applyCrop(c crop.State, a *Action, now time.Time) (crop.State, error) {
	if err := a.checkEntry(latest(now, a.At)); err != nil { // the calendar may be ahead of the steady clock
		return c, err
	}
	if a.Outcome != nil {
		return a.Outcome.apply(c), nil
	}
	switch {
	case a.Reaches():
		return c, &Refusal{Field: "kind", Value: string(a.Kind), Allowed: "it reaches into the past and was not settled; send it to the daemon again"}
	case a.Kind == LossSeen || a.Kind == NoteMade:
		b, ok := c.Find(a.Batch)
		if !ok {
			return c, &Refusal{Field: "batch", Value: a.Batch, Missing: true, Allowed: "see batch list --all"}
		}
		return c, a.checkLoss(b.SubstrateKg)
	}
	return enter(c, p.Climates, a, now)
}

// enter does a plain entry at a moment.
func enter(c crop.State, table *species.Table, a *Action, at time.Time) (crop.State, error) {
	switch a.Kind {
	case BatchAdd:
		return c.AddBatch(table, crop.Batch{
			Name: a.Batch, Species: a.Species, Strain: a.Strain, Supplements: a.Supplements, Position: a.Position,
			Inoculated: a.Inoculated, SubstrateKg: a.SubstrateKg, DryKg: a.DryKg,
			Added: a.When, Since: a.When, Stage: stageOr(a.Stage, species.Colonization),
		}, at)
	case BatchRetire:
		return c.Retire(a.Batch, at)
	case StageSet:
		return c.SetStage(a.Batch, a.Stage, at)
	case HarvestDone:
		return c.Harvest(a.Batch, a.FreshG, a.Done, at)
	}
	return c, nil
}

// Reaches reports whether an action needs [Policy.Settle]: it changes what was written down, or holds for a moment
// after which more may have been written.
func (a *Action) Reaches() bool {
	switch a.Kind {
	case Undo, Correct, Import:
		return true
	case BatchRetire, StageSet, HarvestDone:
		return !a.When.IsZero()
	}
	return false
}

// brief is the action without what only the record needs, for the log of events.
func (a *Action) brief() *Action {
	if a.Entries == nil && a.Outcome == nil {
		return a
	}
	b := *a
	b.Entries, b.Outcome = nil, nil
	return &b
}

// apply lays the outcome over the batches.
func (o *Outcome) apply(c crop.State) crop.State {
	c.Batches = slices.DeleteFunc(slices.Clone(c.Batches), func(b crop.Batch) bool { return slices.Contains(o.Gone, b.Name) })
	for _, b := range o.Batches {
		i := slices.IndexFunc(c.Batches, func(x crop.Batch) bool { return x.Name == b.Name })
		switch {
		case i >= 0:
			c.Batches[i] = b
		case b.Retired.IsZero():
			c.Batches = append(c.Batches, b)
		}
	}
	return c
}

var markPattern = regexp.MustCompile(`^[a-z][a-z0-9-]{0,31}$`)

// checkEntry says what is wrong with an entry in itself.
func (a *Action) checkEntry(now time.Time) error {
	if !a.When.IsZero() && (a.When.After(now.Add(ahead)) || a.When.Before(earliestEntry)) {
		return &Refusal{Field: "at", Value: a.When.Format(time.RFC3339), Allowed: "give a moment that has passed"}
	}
	if !a.Inoculated.IsZero() && (a.Inoculated.After(now.Add(ahead)) || a.Inoculated.Before(earliestEntry)) {
		return &Refusal{Field: "inoculated", Value: a.Inoculated.Format(time.RFC3339), Allowed: "give a moment that has passed"}
	}
	for _, m := range a.Marks {
		if !markPattern.MatchString(m) {
			return &Refusal{Field: "marks", Value: crop.Short(m), Allowed: "use words of a to z, 0 to 9 and hyphens, such as first or long-stems"}
		}
	}
	if len(a.Marks) > MostMarks || len(a.Photos) > MostPhotos {
		return &Refusal{Field: "marks", Value: strconv.Itoa(max(len(a.Marks), len(a.Photos))), Allowed: fmt.Sprintf("give at most %d marks and %d photos", MostMarks, MostPhotos)}
	}
	for _, f := range a.Photos {
		if f == "" || len(f) > LongestPhoto || !crop.Printable(f) || strings.Contains(f, ";") {
			return &Refusal{Field: "photos", Value: crop.Short(f), Allowed: fmt.Sprintf("give a path or an address of at most %d bytes, without semicolons", LongestPhoto)}
		}
	}
	return a.checkKind()
}

// checkLoss refuses more contaminated substrate than the batch ever had: that was meant in another unit.
func (a *Action) checkLoss(substrateKg float64) error {
	if a.Kind == LossSeen && a.Cause == crop.Contaminated && a.Grams > 1000*substrateKg {
		return &Refusal{Field: "grams", Value: fmt.Sprint(a.Grams), Allowed: fmt.Sprintf("give at most the weight of the substrate, %g g", 1000*substrateKg)}
	}
	return nil
}

// checkKind says what a loss, a note or an import lacks.
func (a *Action) checkKind() error {
	switch {
	case a.Kind == LossSeen && !slices.Contains(crop.LossCauses(), a.Cause):
		return &Refusal{Field: "cause", Value: crop.Short(string(a.Cause)), Allowed: "a loss is contaminated, aborted or spoiled"}
	case a.Kind == LossSeen && !(a.Grams >= 0 && a.Grams <= 1000*crop.MostSubstrateKg):
		return &Refusal{Field: "grams", Value: fmt.Sprint(a.Grams), Allowed: "give grams from 0 (not weighed) up"}
	case a.Kind == NoteMade && a.Note == "" && len(a.Photos) == 0:
		return &Refusal{Field: "note", Value: "", Allowed: "write something, or name a photo"}
	case a.Kind == Import && (len(a.Entries) == 0 || len(a.Entries) > MostEntries):
		return &Refusal{Field: "entries", Value: strconv.Itoa(len(a.Entries)), Allowed: fmt.Sprintf("import 1 to %d entries at a time", MostEntries)}
	case a.Kind == HarvestDone && math.IsNaN(a.FreshG):
		return &Refusal{Field: "fresh_g", Value: "NaN", Allowed: "give grams"}
	}
	return nil
}

func stageOr(s, otherwise species.Stage) species.Stage {
	if s == 0 {
		return otherwise
	}
	return s
}

package crop

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"gillkeeper/policy/species"
)

// The limits of what a chamber can hold. They keep a state small enough to be written every second, and catch figures
// that were meant in another unit.
const (
	// MostBatches is how many batches can grow in one chamber at a time: more than shelves hold.
	MostBatches = 200
	// RetiredKept is how many retired batches are remembered; of more, the longest retired are forgotten here (the
	// journal keeps them).
	RetiredKept = 200
	// MostFlushes is how many crops one batch can give: substrate is spent long before.
	MostFlushes = 50
	// MostPickings is how many weighings one flush can have: several a day for its whole life.
	MostPickings = 500
	// MostSubstrateKg is the heaviest batch: a chamber of a hundred cubic meters, filled to the roof.
	MostSubstrateKg = 50_000
	// LongestName is the longest name of a batch, in bytes: it must fit one level of a topic.
	LongestName = 63
	// LongestStrain is the longest strain, in bytes.
	LongestStrain = 100
	// LongestText is the longest of other short texts about a batch, in bytes.
	LongestText = 200
)

// Refused says why something cannot be done: which field, what it was, what is allowed.
type Refused struct {
	Field   string // as in the JSON of an action
	Value   string
	Allowed string // what to do instead
	Missing bool   // the thing named does not exist
	Unfit   bool   // it exists, and this cannot be done with it as it stands; Allowed says why
}

func (r *Refused) Error() string {
	what := " is not allowed;"
	switch {
	case r.Unfit:
		what = ":"
	case r.Missing:
		what = " does not exist;"
	}
	return fmt.Sprintf("%s %q%s %s", r.Field, r.Value, what, r.Allowed)
}

var namePattern = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]*[a-z0-9])?$`)

// AddBatch puts a batch into the chamber. Added and Since become now unless they are given, Flush becomes 1. It gives
// a [Refused] for a name in use (also by a retired batch, whose figures would mix), an unknown species or stage, and
// weights that cannot be. Without a table every species is taken, for what was written down under an older one.
func (s State) AddBatch(table *species.Table, b Batch, now time.Time) (State, error) {
	if err := s.checkBatch(table, &b); err != nil {
		return s, err
	}
	if b.Added.IsZero() {
		b.Added = now
	}
	if b.Since.IsZero() {
		b.Since = now
	}
	b.Added, b.Since, b.Inoculated = stamp(b.Added), stamp(b.Since), stamp(b.Inoculated)
	b.Flush = max(b.Flush, 1)
	b.Flushes, b.Retired = nil, time.Time{}
	s.Batches = append(slices.Clip(s.Batches), b)
	return s, nil
}

func (s *State) checkBatch(table *species.Table, b *Batch) error {
	switch {
	case len(b.Name) > LongestName || !namePattern.MatchString(b.Name):
		return &Refused{Field: "batch", Value: Short(b.Name), Allowed: fmt.Sprintf("use a to z, 0 to 9 and hyphens between them, at most %d", LongestName)}
	case s.index(b.Name) >= 0:
		return &Refused{Field: "batch", Value: b.Name, Allowed: "there is one of that name already, perhaps retired; choose another"}
	case s.growing() >= MostBatches:
		return &Refused{Field: "batch", Value: b.Name, Allowed: fmt.Sprintf("the chamber holds %d batches already; retire one first", MostBatches)}
	case len(b.Strain) > LongestStrain || !Printable(b.Strain):
		return &Refused{Field: "strain", Value: Short(b.Strain), Allowed: fmt.Sprintf("use at most %d bytes of plain text", LongestStrain)}
	case len(b.Supplements) > LongestText || !Printable(b.Supplements):
		return &Refused{Field: "supplements", Value: Short(b.Supplements), Allowed: fmt.Sprintf("use at most %d bytes of plain text", LongestText)}
	case len(b.Position) > LongestText || !Printable(b.Position):
		return &Refused{Field: "position", Value: Short(b.Position), Allowed: fmt.Sprintf("use at most %d bytes of plain text", LongestText)}
	case b.Flush < 0 || b.Flush > MostFlushes:
		return &Refused{Field: "flush", Value: strconv.Itoa(b.Flush), Allowed: fmt.Sprintf("use 1 to %d", MostFlushes)}
	}
	if err := checkClimate(table, b); err != nil {
		return err
	}
	if !(b.SubstrateKg > 0 && b.SubstrateKg <= MostSubstrateKg) { // false for NaN
		return &Refused{Field: "substrate_kg", Value: number(b.SubstrateKg), Allowed: fmt.Sprintf("give the wet weight in kg, above 0 and at most %d", MostSubstrateKg)}
	}
	if !(b.DryKg > 0 && b.DryKg <= b.SubstrateKg) {
		return &Refused{Field: "dry_kg", Value: number(b.DryKg), Allowed: "give the dry weight in kg, above 0 and at most the substrate's " + number(b.SubstrateKg)}
	}
	return nil
}

// checkClimate refuses a batch for which no climate is known; without a table it asks nothing.
func checkClimate(table *species.Table, b *Batch) error {
	if table == nil {
		return nil
	}
	if !table.Has(b.Species) {
		allowed := "see the climate table for its species, or add rows of your own to the configuration"
		if near := table.Nearest(b.Species); near != "" {
			allowed = "did you mean " + near + "?"
		}
		return &Refused{Field: "species", Value: Short(b.Species), Missing: true, Allowed: allowed}
	}
	if _, ok := table.Lookup(b.Species, b.Stage); !ok {
		var known []string
		for _, r := range table.Rows(b.Species) {
			known = append(known, r.Stage.String())
		}
		return &Refused{Field: "stage", Value: b.Stage.String(), Allowed: "the climate table has " + strings.Join(known, ", ") + " for " + b.Species}
	}
	return nil
}

// Retire takes a batch out of the chamber and closes its flush. Its figures stay; when more than [RetiredKept] are
// retired the longest retired is forgotten.
func (s State) Retire(name string, now time.Time) (State, error) {
	i, err := s.present(name)
	if err != nil {
		return s, err
	}
	s.Batches = slices.Clone(s.Batches)
	s.Batches[i].close(now)
	s.Batches[i].Retired = stamp(now)
	for len(s.Batches)-s.growing() > RetiredKept {
		s.Batches = slices.Delete(s.Batches, s.longestRetired(), s.longestRetired()+1)
	}
	return s, nil
}

// SetStage moves a batch to a stage; nothing happens when it is there already. The next flush begins when a batch
// leaves its rest for pinning or fruiting, when its flush was closed, and when it pins again after fruit was picked.
// Anything else is taken as a correction and stays in the same flush.
func (s State) SetStage(name string, stage species.Stage, now time.Time) (State, error) {
	i, err := s.present(name)
	if err != nil {
		return s, err
	}
	if stage < species.Colonization || stage > species.Rest {
		return s, &Refused{Field: "stage", Value: stage.String(), Allowed: "use colonization, pinning, fruiting or rest"}
	}
	if s.Batches[i].Stage == stage {
		return s, nil
	}
	next := s.Batches[i].beginsFlush(stage)
	if next && s.Batches[i].Flush >= MostFlushes {
		return s, &Refused{Field: "stage", Value: stage.String(), Allowed: fmt.Sprintf("the batch has given %d crops; retire it", MostFlushes)}
	}
	s.Batches = slices.Clone(s.Batches)
	b := &s.Batches[i]
	if next {
		b.close(now)
		b.Flush++
	}
	b.Stage, b.Since = stage, stamp(now)
	return s, nil
}

// beginsFlush says whether moving to that stage begins the next crop.
func (b *Batch) beginsFlush(to species.Stage) bool {
	if to != species.Pinning && to != species.Fruiting {
		return false
	}
	var picked, closed bool
	if f := b.current(); f != nil {
		picked, closed = len(f.Pickings) > 0, !f.Closed.IsZero()
	}
	return b.Stage == species.Rest || closed || b.Stage == species.Fruiting && to == species.Pinning && picked
}

// Harvest records a weighing of the current flush in grams; done closes the flush and starts the rest. Nothing weighed
// (0 g) is allowed only with done. A weighing during the rest still counts for the flush before it.
func (s State) Harvest(name string, freshG float64, done bool, now time.Time) (State, error) {
	i, err := s.present(name)
	if err != nil {
		return s, err
	}
	if err := s.Batches[i].checkHarvest(freshG, done); err != nil {
		return s, err
	}
	s.Batches = slices.Clone(s.Batches)
	b := &s.Batches[i]
	if freshG > 0 {
		f := b.own()
		f.Pickings = append(slices.Clip(f.Pickings), Picking{At: stamp(now), FreshG: freshG})
	}
	if !done {
		return s, nil
	}
	b.close(now)
	if b.Stage != species.Rest {
		b.Stage, b.Since = species.Rest, stamp(now)
	}
	return s, nil
}

func (b *Batch) checkHarvest(freshG float64, done bool) error {
	// Fruit takes its water from the block and what is sprayed on it: twice the wet substrate is beyond any crop.
	most := 2000 * b.SubstrateKg
	switch {
	case b.Stage == species.Colonization:
		return &Refused{Field: "batch", Value: b.Name, Allowed: "it is still in colonization; move it to fruiting first"}
	case freshG == 0 && done:
		return nil
	case !(freshG > 0 && freshG <= most): // false for NaN
		return &Refused{Field: "fresh_g", Value: number(freshG), Allowed: fmt.Sprintf("give the fresh weight in grams, above 0 and at most twice the substrate (%s)", number(most))}
	}
	if f := b.current(); f != nil && len(f.Pickings) >= MostPickings {
		return &Refused{Field: "fresh_g", Value: number(freshG), Allowed: fmt.Sprintf("the flush has %d weighings already; close it with done", MostPickings)}
	}
	return nil
}

// Find gives the batch of that name, retired or not. Nobody may write to what it points at.
func (s State) Find(name string) (Batch, bool) {
	i := s.index(name)
	if i < 0 {
		return Batch{}, false
	}
	return s.Batches[i], true
}

// current is the record of the flush that grows now; nil before its first weighing.
func (b *Batch) current() *Flush {
	for i := range b.Flushes {
		if b.Flushes[i].Number == b.Flush {
			return &b.Flushes[i]
		}
	}
	return nil
}

// own is the record of the flush that grows now, in a slice that only b has.
func (b *Batch) own() *Flush {
	b.Flushes = slices.Clone(b.Flushes)
	if f := b.current(); f != nil {
		return f
	}
	b.Flushes = append(b.Flushes, Flush{Number: b.Flush})
	return &b.Flushes[len(b.Flushes)-1]
}

// close ends the flush that grows now, unless it is closed. One that never began, in colonization, has no record.
func (b *Batch) close(now time.Time) {
	if f := b.current(); f != nil && !f.Closed.IsZero() || f == nil && b.Stage == species.Colonization {
		return
	}
	b.own().Closed = stamp(now)
}

// present finds a batch that is not retired.
func (s *State) present(name string) (int, error) {
	i := s.index(name)
	if i < 0 {
		allowed := "no batch grows in this chamber"
		if names := s.names(); len(names) > 0 {
			allowed = "batches here are " + strings.Join(names, ", ")
		}
		return 0, &Refused{Field: "batch", Value: Short(name), Missing: true, Allowed: allowed}
	}
	if r := s.Batches[i].Retired; !r.IsZero() {
		return 0, &Refused{Field: "batch", Value: name, Allowed: "it was retired on " + r.Format(time.DateOnly) + "; add a new one", Unfit: true}
	}
	return i, nil
}

func (s *State) index(name string) int {
	return slices.IndexFunc(s.Batches, func(b Batch) bool { return b.Name == name })
}

// growing counts the batches that are not retired.
func (s *State) growing() int {
	n := 0
	for i := range s.Batches {
		if s.Batches[i].Retired.IsZero() {
			n++
		}
	}
	return n
}

func (s *State) longestRetired() int {
	first := -1
	for i := range s.Batches {
		if r := s.Batches[i].Retired; !r.IsZero() && (first < 0 || r.Before(s.Batches[first].Retired)) {
			first = i
		}
	}
	return first
}

// names lists the batches that grow here, as many as fit a message.
func (s *State) names() []string {
	var names []string
	for i := range s.Batches {
		if !s.Batches[i].Retired.IsZero() {
			continue
		}
		if len(names) == 10 {
			return append(names, "…")
		}
		names = append(names, s.Batches[i].Name)
	}
	return names
}

// stamp makes a time that survives JSON unchanged.
func stamp(t time.Time) time.Time { return t.Round(0).UTC() }

// Printable reports whether a text holds nothing but what can be seen, and spaces.
func Printable(s string) bool {
	return utf8.ValidString(s) && !strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) })
}

// Short keeps a value from outside small in a message, and cuts no letter in two.
func Short(s string) string {
	s = strings.ToValidUTF8(s, "?")
	if len(s) <= LongestName {
		return s
	}
	return strings.ToValidUTF8(s[:LongestName], "") + "…"
}

func number(v float64) string {
	if math.Abs(v) < 1e15 {
		return strconv.FormatFloat(v, 'f', -1, 64)
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}

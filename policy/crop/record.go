package crop

import (
	"time"

	"gillkeeper/policy/species"
)

// Record is the whole life of one batch as it is written down: what went in, when it was in which stage, what was
// picked and what was lost. [State] holds of it only what the climate needs; the record is worked out from what people
// did, with their corrections and without what they undid. Times are of the calendar, in UTC; a zero time is not known.
type Record struct {
	Chamber     string        `json:"chamber"`
	Batch       string        `json:"batch"`
	Species     string        `json:"species"`
	Strain      string        `json:"strain,omitempty"`
	Supplements string        `json:"supplements,omitempty"` // what was mixed into the substrate, in the grower's words
	Position    string        `json:"position,omitempty"`    // where in the chamber: a shelf, a row
	SubstrateKg float64       `json:"substrate_kg"`          // wet
	DryKg       float64       `json:"dry_kg"`
	Inoculated  time.Time     `json:"inoculated,omitzero"`
	Added       time.Time     `json:"added"`            // into the chamber
	Retired     time.Time     `json:"retired,omitzero"` // out of it; zero: it grows
	Stages      []Period      `json:"stages"`           // in order of time, one after the other without a gap
	Flushes     []FlushRecord `json:"flushes,omitempty"`
	Losses      []Loss        `json:"losses,omitempty"`
	Notes       []Note        `json:"notes,omitempty"`
}

// Period is the time that a batch spent in a stage of one flush.
type Period struct {
	Stage species.Stage `json:"stage"`
	Flush int           `json:"flush"`
	From  time.Time     `json:"from"`
	To    time.Time     `json:"to,omitzero"` // zero: it goes on
}

// FlushRecord is one crop of a batch: several pickings, and what became of it.
type FlushRecord struct {
	Number   int             `json:"number"` // from 1
	Pickings []PickingRecord `json:"pickings,omitempty"`
	Closed   time.Time       `json:"closed,omitzero"` // zero: more may be picked
}

// PickingRecord is one weighing with what was seen of it.
type PickingRecord struct {
	Entry  string    `json:"entry"` // of the journal, to correct or undo it by
	At     time.Time `json:"at"`
	FreshG float64   `json:"fresh_g"`
	Marks  []string  `json:"marks,omitempty"`  // of quality: first, second, or a sign such as long-stems
	Photos []string  `json:"photos,omitempty"` // paths or addresses, never opened
	Note   string    `json:"note,omitempty"`
}

// LossCause says what a loss was.
type LossCause string

// The causes of losses.
const (
	Contaminated LossCause = "contaminated" // blocks taken out for mold or rot: grams of substrate
	Aborted      LossCause = "aborted"      // pins or fruit that stopped growing: grams of fruit
	Spoiled      LossCause = "spoiled"      // grown and unfit to sell: grams of fruit
)

// LossCauses lists the causes.
func LossCauses() []LossCause { return []LossCause{Contaminated, Aborted, Spoiled} }

// Loss is what did not become crop.
type Loss struct {
	Entry string    `json:"entry"`
	At    time.Time `json:"at"`
	Flush int       `json:"flush"`
	Cause LossCause `json:"cause"`
	Grams float64   `json:"grams"` // 0: not weighed
	Note  string    `json:"note,omitempty"`
}

// Note is what somebody wrote beside an entry, or by itself.
type Note struct {
	Entry  string    `json:"entry"`
	At     time.Time `json:"at"`
	Text   string    `json:"text"`
	Photos []string  `json:"photos,omitempty"`
}

// FreshG is what the flush gave, in grams.
func (f *FlushRecord) FreshG() float64 {
	sum := 0.0
	for i := range f.Pickings {
		sum += f.Pickings[i].FreshG
	}
	return sum
}

// FirstPicked is when the flush was picked first; zero when it was not.
func (f *FlushRecord) FirstPicked() time.Time {
	if len(f.Pickings) == 0 {
		return time.Time{}
	}
	return f.Pickings[0].At
}

// FreshG is what the batch gave, in grams.
func (r *Record) FreshG() float64 {
	sum := 0.0
	for i := range r.Flushes {
		sum += r.Flushes[i].FreshG()
	}
	return sum
}

// Efficiency is the biological efficiency of a flush, as a ratio: fresh weight over the dry weight of the substrate. It
// is 0 when the dry weight is not known. The flushes of a batch add up to the batch's.
func (r *Record) Efficiency(f *FlushRecord) float64 {
	if !(r.DryKg > 0) {
		return 0
	}
	return f.FreshG() / (1000 * r.DryKg)
}

// BiologicalEfficiency is that of all flushes so far.
func (r *Record) BiologicalEfficiency() float64 {
	sum := 0.0
	for i := range r.Flushes {
		sum += r.Efficiency(&r.Flushes[i])
	}
	return sum
}

// During gives the periods of one stage in one flush; a stage that was entered twice has two.
func (r *Record) During(stage species.Stage, flush int) []Period {
	var out []Period
	for _, p := range r.Stages {
		if p.Stage == stage && p.Flush == flush {
			out = append(out, p)
		}
	}
	return out
}

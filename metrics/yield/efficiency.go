package yield

import (
	"slices"
	"time"

	"gillkeeper/policy/species"
)

// Standing is where a figure lies against what the handbook lets expect.
type Standing string

// The standings.
const (
	Below   Standing = "below"
	Within  Standing = "within"
	Above   Standing = "above"
	Unknown Standing = ""
)

// Harvest is what one flush gave, with the conditions that it grew under.
type Harvest struct {
	Batch      string    `json:"batch"`
	Chamber    string    `json:"chamber"`
	Species    string    `json:"species"`
	Strain     string    `json:"strain,omitempty"`
	Flush      int       `json:"flush"`
	Final      bool      `json:"final"` // the flush is closed; only then its figures enter comparisons
	First      time.Time `json:"first_picking,omitzero"`
	Last       time.Time `json:"last_picking,omitzero"`
	Pickings   int       `json:"pickings"`
	FreshG     float64   `json:"fresh_g"`
	Efficiency float64   `json:"biological_efficiency"` // ratio
	// Low and High are what the handbook lets expect of this flush; 0: it does not say.
	Low      float64  `json:"expected_low,omitempty"`
	High     float64  `json:"expected_high,omitempty"`
	Standing Standing `json:"standing,omitempty"`
	// Relative is the efficiency against the median of the species' final flushes of the same number; NaN with fewer
	// than two of them.
	Relative   Value        `json:"relative_to_median"`
	Conditions []Conditions `json:"conditions"`
}

// During gives the conditions of one stage.
func (h *Harvest) During(stage species.Stage) (Conditions, bool) {
	i := slices.IndexFunc(h.Conditions, func(c Conditions) bool { return c.Stage == stage })
	if i < 0 {
		return Conditions{}, false
	}
	return h.Conditions[i], true
}

// BatchYield is what a batch gave in all.
type BatchYield struct {
	Batch      string    `json:"batch"`
	Chamber    string    `json:"chamber"`
	Species    string    `json:"species"`
	Strain     string    `json:"strain,omitempty"`
	Note       string    `json:"note,omitempty"`
	DryKg      float64   `json:"dry_kg"`
	Added      time.Time `json:"added"`
	Retired    time.Time `json:"retired,omitzero"`
	FreshG     float64   `json:"fresh_g"`
	Efficiency float64   `json:"biological_efficiency"`
	Low        float64   `json:"expected_low,omitempty"`
	High       float64   `json:"expected_high,omitempty"`
	Standing   Standing  `json:"standing,omitempty"` // only of a batch that was retired
	Flushes    []int     `json:"flushes"`            // index in the report's harvests
}

// shares is how a batch's crop divides over its flushes, from memory of the trade: about 55, 30 and 15 percent of oyster
// mushrooms, 45, 30 and 25 of shiitake; the blue oyster by analogy. No source was seen, and of other species not even
// that: their flushes are shown without a range.
var shares = map[string][]float64{
	"pleurotus-ostreatus":  {0.55, 0.30, 0.15},
	"pleurotus-columbinus": {0.55, 0.30, 0.15},
	"lentinula-edodes":     {0.45, 0.30, 0.25},
}

// expected gives the range for one flush.
func (s *Season) expected(name string, flush int) (low, high float64) {
	c, ok := s.crop(name)
	part := shares[name]
	if !ok || flush < 1 || flush > len(part) {
		return 0, 0
	}
	return c.BELow * part[flush-1], c.BEHigh * part[flush-1]
}

func standing(v, low, high float64) Standing {
	switch {
	case high <= 0:
		return Unknown
	case v < low:
		return Below
	case v > high:
		return Above
	}
	return Within
}

// harvest works out one flush.
func (s *Season) harvest(b *Batch, f *Flush) Harvest {
	h := Harvest{Batch: b.Name, Chamber: b.Chamber, Species: b.Species, Strain: b.Strain, Flush: f.Number, Final: !f.Closed.IsZero(),
		Pickings: len(f.Pickings), FreshG: f.FreshG(), Relative: NaN, Conditions: []Conditions{}}
	if n := len(f.Pickings); n > 0 {
		h.First, h.Last = f.Pickings[0].At, f.Pickings[n-1].At
	}
	h.Efficiency = h.FreshG / (1000 * b.DryKg)
	h.Low, h.High = s.expected(b.Species, f.Number)
	if h.Final {
		h.Standing = standing(h.Efficiency, h.Low, h.High)
	}
	for _, stage := range species.Stages() {
		if c, ok := s.conditions(b, f.Number, stage); ok {
			h.Conditions = append(h.Conditions, c)
		}
	}
	return h
}

// batchYield sums a batch up.
func (s *Season) batchYield(b *Batch) BatchYield {
	y := BatchYield{Batch: b.Name, Chamber: b.Chamber, Species: b.Species, Strain: b.Strain, Note: b.Note, DryKg: b.DryKg, Added: b.Added, Retired: b.Retired}
	for i := range b.Flushes {
		y.FreshG += b.Flushes[i].FreshG()
	}
	y.Efficiency = y.FreshG / (1000 * b.DryKg)
	if c, ok := s.crop(b.Species); ok {
		y.Low, y.High = c.BELow, c.BEHigh
	}
	if !y.Retired.IsZero() {
		y.Standing = standing(y.Efficiency, y.Low, y.High)
	}
	return y
}

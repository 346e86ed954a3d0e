package crop

import (
	"math"
	"time"

	"gillkeeper/policy/species"
)

// Breath is how strongly the crop respires and how that went during the stage of the one batch that grows. Where several
// batches share the air nobody can tell whose breath it is, and nothing is kept.
type Breath struct {
	At     time.Time     `json:"at,omitzero"`
	Batch  string        `json:"batch,omitempty"`
	Stage  species.Stage `json:"stage,omitempty"`
	Since  time.Time     `json:"since,omitzero"` // of the stage
	Mean   float64       `json:"mean"`           // g/h of CO2 as it would be at 20 °C, over about [breathSpan]
	Hours  float64       `json:"hours"`          // what the mean rests on
	Low    float64       `json:"low"`            // least and most of the mean during the stage
	LowAt  time.Time     `json:"low_at,omitzero"`
	High   float64       `json:"high"`
	HighAt time.Time     `json:"high_at,omitzero"`
}

// How breath is judged. Mycelium that has run through its food breathes less, pins and fruit breathe much more, a
// picked block less again; shares and hours are common practice, set well beyond a day's ups and downs.
const (
	breathSpan = 6 * time.Hour
	breathGap  = time.Hour // a longer silence begins the mean anew
	breathRise = 1.25      // of the least: fruit is growing
	breathFall = 0.70      // of the most: fruit is gone
	breathDone = 0.80      // of the most: the substrate is run through
	breathLag  = 12 * time.Hour
	leastHours = 6.0
)

// Breathe takes in what the crop gives off now, in g/h of CO2 as it would be at 20 °C.
func (s State) Breathe(now time.Time, gPerH float64) State {
	b, only := s.only()
	if !only || !(gPerH > 0) || math.IsInf(gPerH, 0) {
		if !only {
			s.Breath = Breath{}
		}
		return s
	}
	x := s.Breath
	dt := now.Sub(x.At)
	if x.Batch != b.Name || x.At.IsZero() || dt > breathGap || dt < 0 {
		x.Mean, x.Hours = gPerH, 0
	} else {
		// The first hours are a plain mean, later ones fade.
		share := dt.Hours() / math.Min(x.Hours+dt.Hours(), breathSpan.Hours())
		if dt > 0 {
			x.Mean += float64((gPerH - x.Mean) * share) // not fused: the same on every machine
			x.Hours = math.Min(x.Hours+dt.Hours(), 1000)
		}
	}
	if x.Batch != b.Name || x.Stage != b.Stage || !x.Since.Equal(b.Since) {
		x.Batch, x.Stage, x.Since = b.Name, b.Stage, b.Since
		x.Low, x.High, x.LowAt, x.HighAt = 0, 0, time.Time{}, time.Time{}
	}
	x.At = stamp(now)
	if x.Hours >= leastHours {
		if x.Low == 0 || x.Mean < x.Low {
			x.Low, x.LowAt = x.Mean, x.At
		}
		if x.Mean > x.High {
			x.High, x.HighAt = x.Mean, x.At
		}
	}
	s.Breath = x
	return s
}

// only gives the batch that grows when it is the only one.
func (s *State) only() (*Batch, bool) {
	var one *Batch
	for i := range s.Batches {
		if !s.Batches[i].Retired.IsZero() {
			continue
		}
		if one != nil {
			return nil, false
		}
		one = &s.Batches[i]
	}
	return one, one != nil
}

// Proposal says that a batch seems to have reached another stage, and why. Nobody is bound by it.
type Proposal struct {
	Batch string        `json:"batch"`
	From  species.Stage `json:"from"`
	To    species.Stage `json:"to"`
	Flush int           `json:"flush"`
	Since time.Time     `json:"since"` // of the stage that it is in
	Sure  bool          `json:"sure"`  // time and breath agree, or the longest usual time has passed

	ByTime bool    `json:"by_time,omitempty"` // its days in the stage are within or beyond the usual
	Days   float64 `json:"days"`              // in the stage
	Low    float64 `json:"low"`               // usual days, from the climate table; 0 and 0: it has none
	High   float64 `json:"high"`

	ByBreath bool    `json:"by_breath,omitempty"`
	Was      float64 `json:"was"` // g/h at 20 °C: the least or the most during the stage, from which it rose or fell
	Is       float64 `json:"is"`
}

// Proposals gives for each batch the stage that it seems to have reached, if any, in order of their coming.
func (s State) Proposals(table *species.Table, now time.Time) []Proposal {
	var all []Proposal
	for i := range s.Batches {
		b := &s.Batches[i]
		if !b.Retired.IsZero() {
			continue
		}
		if p, ok := s.propose(table, b, now); ok {
			all = append(all, p)
		}
	}
	return all
}

func (s *State) propose(table *species.Table, b *Batch, now time.Time) (Proposal, bool) {
	p := Proposal{Batch: b.Name, From: b.Stage, Flush: b.Flush, Since: b.Since, Days: now.Sub(b.Since).Hours() / 24}
	if row, ok := table.Lookup(b.Species, b.Stage); ok && row.Days.Given() {
		p.Low, p.High = row.Days.Low, row.Days.High
		p.ByTime = p.Days >= p.Low
	}
	x := &s.Breath
	breathes := x.Batch == b.Name && x.Stage == b.Stage && x.Since.Equal(b.Since) && x.High > 0 && now.Sub(x.At) < breathGap
	rose := breathes && x.Mean >= breathRise*x.Low && x.At.Sub(x.LowAt) >= breathLag
	fell := func(to float64) bool { return breathes && x.Mean <= to*x.High && x.At.Sub(x.HighAt) >= breathLag }
	late := p.ByTime && p.Days >= p.High
	switch b.Stage {
	case species.Colonization:
		p.To, p.ByBreath, p.Was = species.Pinning, fell(breathDone), x.High
		if !p.ByTime {
			return p, false // a cool night slows a young run too
		}
	case species.Pinning:
		p.To, p.ByBreath, p.Was = species.Fruiting, rose, x.Low
	case species.Rest:
		p.To, p.ByBreath, p.Was = species.Pinning, rose, x.Low
	default:
		f := b.current()
		if f == nil || len(f.Pickings) == 0 {
			return p, false // only who picks knows when a flush is over
		}
		p.To, p.ByBreath, p.Was = species.Rest, fell(breathFall), x.High
		quiet := now.Sub(f.Pickings[len(f.Pickings)-1].At) >= 48*time.Hour
		p.ByTime, late = p.ByTime && quiet, late && quiet
	}
	if p.ByBreath {
		p.Is = x.Mean
	} else {
		p.Was = 0
	}
	p.Sure = p.ByTime && p.ByBreath || late
	return p, p.ByBreath || p.ByTime
}

// Package diagnose ranks what may have made the signs that a grower sees on fruit and substrate: causes weighed by what
// the chamber's record shows of the time in which each sign is made, and the change that would help, in numbers of the
// chamber as it was learned.
//
// It must never decide or change anything, and never be surer than its record: what that cannot show is a question to
// check by hand. Start reading at [Diagnose]; which causes a sign has is in sign.go, with sources.
package diagnose

import (
	"cmp"
	"math"
	"slices"
	"time"

	"gillkeeper/policy/crop"
	"gillkeeper/policy/species"
)

// Case is what is seen, of which batch, and what the record holds.
type Case struct {
	Signs   []Sign
	Now     time.Time      // when it is seen
	Zone    *time.Location // of the site, for hours of the day; nil: UTC
	Batch   crop.Record
	Table   *species.Table
	History []Bucket // in order of time, without overlap
	Chamber Chamber
}

// Bucket is the record of one stretch of time, ten minutes to an hour long.
type Bucket struct {
	At   time.Time
	Span time.Duration
	// Of the chamber's air.
	RH, TempC, CO2, Lux Value
	// Of the room.
	RoomRH, RoomC, RoomCO2 Value
	// Shares of time on, 0..1.
	Fan, Mist, Lamp Value
}

// Value is what is known of one quantity in a stretch; OK is false when nothing is.
type Value struct {
	Mean, Min, Max float64
	OK             bool
}

// Chamber is what is known of the chamber, by its configuration and as learned; what is 0 is not known.
type Chamber struct {
	VolumeM3, AltitudeM float64
	FanOn, FanOff       float64 // air changes an hour with the fan running and at rest
	CO2GPerH            float64 // given off by the crop
	MistGPerH           float64 // drawn from the reservoir by an hour of mist
	VaporGPerH          float64 // what of it becomes vapor in the air
}

// Answer is the ranking.
type Answer struct {
	Window  Window    `json:"window"`
	Causes  []Verdict `json:"causes"`  // the likeliest first
	Unknown []Sign    `json:"unknown"` // signs that nothing is known of
}

// Window is the time in which the signs were made.
type Window struct {
	From    time.Time       `json:"from"`
	To      time.Time       `json:"to"`
	Stages  []species.Stage `json:"stages"`
	Covered time.Duration   `json:"covered"` // of it recorded
}

// Verdict is one cause with what speaks for and against it.
type Verdict struct {
	Cause   Cause     `json:"cause"`
	Chance  float64   `json:"chance"` // 0..1, of all causes together 1
	Seen    bool      `json:"seen"`   // the record holds something on it
	For     []Finding `json:"for,omitempty"`
	Against []Finding `json:"against,omitempty"`
	Change  *Change   `json:"change,omitempty"`
	Ask     []Ask     `json:"ask,omitempty"` // to check by hand
}

// persuasion is how far the record moves a cause: by this power of e up where it shows the full dose, and as far down
// where it shows nothing.
const persuasion = 3.2

// elsewhere is the weight of a cause that is not listed for a sign when several signs are given.
const elsewhere = 0.02

// Diagnose ranks the causes of what is seen.
func Diagnose(c *Case) Answer {
	var a Answer
	var known []Sign
	for _, s := range c.Signs {
		if _, ok := signs[s]; ok {
			known = append(known, s)
		} else {
			a.Unknown = append(a.Unknown, s)
		}
	}
	scores := map[Cause]float64{}
	views := map[Cause]*view{}
	for _, s := range known {
		w := c.window(s)
		a.Window = a.Window.and(w.Window)
		for _, cause := range Causes() {
			prior := elsewhere
			if p, ok := signs[s].causes[cause]; ok {
				prior = p
			}
			v := w.look(cause)
			scores[cause] += math.Log(prior) + persuasion*(2*v.strength-1)/float64(len(known))
			if old := views[cause]; old == nil || v.strength > old.strength {
				views[cause] = v
			}
		}
	}
	for _, cause := range Causes() {
		if listed(known, cause) {
			a.Causes = append(a.Causes, views[cause].verdict(c, cause, scores[cause]))
		}
	}
	normalize(a.Causes)
	slices.SortStableFunc(a.Causes, func(x, y Verdict) int { return cmp.Compare(y.Chance, x.Chance) })
	return a
}

// listed reports whether any of the signs may come from the cause.
func listed(known []Sign, cause Cause) bool {
	return slices.ContainsFunc(known, func(s Sign) bool { return signs[s].causes[cause] > 0 })
}

// normalize turns logarithms of weights into chances.
func normalize(list []Verdict) {
	if len(list) == 0 {
		return
	}
	most := math.Inf(-1)
	for i := range list {
		most = math.Max(most, list[i].Chance)
	}
	sum := 0.0
	for i := range list {
		list[i].Chance = math.Exp(list[i].Chance - most)
		sum += list[i].Chance
	}
	for i := range list {
		list[i].Chance /= sum
	}
}

// and is the time that both windows span.
func (w Window) and(o Window) Window {
	if w.From.IsZero() {
		return o
	}
	if o.From.Before(w.From) {
		w.From = o.From
	}
	if o.To.After(w.To) {
		w.To = o.To
	}
	w.Covered = max(w.Covered, o.Covered)
	for _, s := range o.Stages {
		if !slices.Contains(w.Stages, s) {
			w.Stages = append(w.Stages, s)
		}
	}
	return w
}

func (v *view) verdict(c *Case, cause Cause, score float64) Verdict {
	out := Verdict{Cause: cause, Chance: score, Seen: v.seen, Ask: asks(cause, v.seen)}
	for _, f := range v.findings {
		if f.Against {
			out.Against = append(out.Against, f)
		} else {
			out.For = append(out.For, f)
		}
	}
	if v.seen && v.strength >= 0.5 {
		out.Change = c.change(cause, v)
	}
	return out
}

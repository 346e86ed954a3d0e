package yield

import (
	"cmp"
	"context"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"

	"gillkeeper/policy/species"
)

// Level is the share of false findings that is accepted among all findings of a report, in the long run.
const Level = 0.10

// Measure is one figure of the conditions that a question can be about.
type Measure struct {
	Key   string // as in CSV and JSON
	Name  string // on the page, without a unit
	More  string // how a sentence begins that says what more of it goes with
	Unit  string // on an axis
	Scale float64
	Of    func(*Conditions) Value
}

// measures lists what is asked about. Total hours, degree-hours and light hours grow with the length of a stage, and a
// heavy flush takes longer to pick; so the questions are about shares and means. Respiration is not asked about: it is
// the crop itself, breathing.
var measures = []Measure{
	{"relative_humidity_in_range", "time with humidity in range", "The more of the time humidity was in range", "% of time with humidity in range", 100, func(c *Conditions) Value { return c.RHInRange }},
	{"longest_dry_dip_hours", "longest dry dip", "The longer the longest dry dip was", "longest dry dip, h", 1, func(c *Conditions) Value { return c.DryDipHours }},
	{"mean_vapor_pressure_deficit_pa", "vapor pressure deficit", "The higher the vapor pressure deficit was", "mean vapor pressure deficit, Pa", 1, func(c *Conditions) Value { return c.MeanVPDPa }},
	{"co2_above_limit", "time with CO2 above its limit", "The more of the time CO2 was above its limit", "% of time with CO2 above its limit", 100, func(c *Conditions) Value { return c.CO2Above }},
	{"mean_temperature_c", "mean temperature", "The warmer it was", "mean temperature, °C", 1, func(c *Conditions) Value { return c.MeanC }},
	{"air_changes_per_hour", "air changes", "The more often the air was changed", "air changes per hour", 1, func(c *Conditions) Value { return c.AirChangesPerHour }},
	{"light_hours_per_day", "hours of light", "The longer the light was on", "light, h per day", 1, func(c *Conditions) Value { return c.LightHoursPerDay }},
}

// asked lists the stages whose conditions are asked about.
var asked = []species.Stage{species.Pinning, species.Fruiting}

// Relation is the answer to one question: how one condition in one stage goes together with what was picked.
type Relation struct {
	Species string        `json:"species"`
	Stage   species.Stage `json:"stage"`
	Measure string        `json:"measure"`
	Flushes int           `json:"flushes"`
	Batches int           `json:"batches"` // that have another one to be set against
	// R is Spearman's rank correlation within flush numbers, and Low to High its 95 % interval.
	R    float64 `json:"r"`
	Low  Value   `json:"r_low"`
	High Value   `json:"r_high"`
	// P is of this question alone; Q is adjusted for all questions of the report.
	P      float64 `json:"p"`
	Exact  bool    `json:"p_exact"` // every order was looked at
	Orders float64 `json:"orders"`  // that chance has
	Q      float64 `json:"q"`
	Found  bool    `json:"found"` // Q is at or below the level
	// Least and Most are the middle yield, against the median of the flush's number, of the third of flushes with the
	// least of the condition, and with the most.
	Least  Value   `json:"least_third"`
	Most   Value   `json:"most_third"`
	Points []Point `json:"points"`
}

// Point is one flush in a question.
type Point struct {
	Batch    string  `json:"batch"`
	Flush    int     `json:"flush"`
	X        float64 `json:"x"`        // the condition, in the measure's own unit
	Relative float64 `json:"relative"` // yield against the median of the flush's number
}

// TooFew says of a species why nothing was asked about it.
type TooFew struct {
	Species string  `json:"species"`
	Batches int     `json:"batches"` // with final flushes
	Flushes int     `json:"flushes"` // final ones
	Orders  float64 `json:"orders"`  // the most that chance has, over the questions
	Needed  float64 `json:"orders_needed"`
}

// question is a species, a stage and a measure with its samples.
type question struct {
	species string
	stage   species.Stage
	measure *Measure
	samples []sample
	points  []Point
	kin     []kin
}

// questions lists what can be asked of the harvests, and the species of which nothing can. Whether a question is asked
// rests on the design alone (how many batches, whether the condition varied), never on what was picked.
func questions(harvests []Harvest) (ask []question, few []TooFew) {
	var names []string
	for i := range harvests {
		names = append(names, harvests[i].Species)
	}
	slices.Sort(names)
	for _, name := range slices.Compact(names) {
		most, had := 0.0, len(ask)
		for _, stage := range asked {
			for m := range measures {
				q := newQuestion(harvests, name, stage, &measures[m])
				n := orders(q.kin)
				most = math.Max(most, n)
				if n >= fewestOrders && varies(q.kin) {
					ask = append(ask, q)
				}
			}
		}
		if len(ask) == had {
			t := TooFew{Species: name, Orders: most, Needed: fewestOrders}
			t.Batches, t.Flushes = count(harvests, name)
			few = append(few, t)
		}
	}
	return ask, few
}

func newQuestion(harvests []Harvest, name string, stage species.Stage, m *Measure) question {
	q := question{species: name, stage: stage, measure: m}
	for i := range harvests {
		h := &harvests[i]
		if h.Species != name || !h.Final {
			continue
		}
		c, ok := h.During(stage)
		if x := m.Of(&c); ok && x.OK() {
			q.samples = append(q.samples, sample{batch: h.Batch, flush: h.Flush, x: float64(x), y: h.Efficiency})
			if h.Relative.OK() {
				q.points = append(q.points, Point{h.Batch, h.Flush, float64(x), float64(h.Relative)})
			}
		}
	}
	q.kin = families(q.samples)
	return q
}

// varies reports whether the condition differs between batches that can be set against each other.
func varies(all []kin) bool {
	for i := range all {
		for _, row := range all[i].x {
			for _, v := range row {
				if math.Abs(v) > 1e-9 {
					return true
				}
			}
		}
	}
	return false
}

func count(harvests []Harvest, name string) (batches, flushes int) {
	seen := map[string]bool{}
	for i := range harvests {
		if h := &harvests[i]; h.Species == name && h.Final {
			seen[h.Batch] = true
			flushes++
		}
	}
	return len(seen), flushes
}

// answer works out one question but for Q, which rests on all of them, with so many draws for its interval. The same
// season gives the same answer.
func (q *question) answer(draws int) Relation {
	h := fnv.New64a()
	h.Write([]byte(q.species + "/" + q.stage.String() + "/" + q.measure.Key))
	rng := rand.New(rand.NewPCG(h.Sum64(), 1))
	r := Relation{Species: q.species, Stage: q.stage, Measure: q.measure.Key, Flushes: len(q.samples), Orders: orders(q.kin), Points: q.points}
	for i := range q.kin {
		if n := len(q.kin[i].batches); n > 1 {
			r.Batches += n
		}
	}
	r.Least, r.Most = thirds(q.points)
	r.R = correlation(q.kin)
	if math.IsNaN(r.R) { // the harvests were all alike
		r.R, r.P, r.Low, r.High, r.Exact = 0, 1, NaN, NaN, true
		return r
	}
	r.P, r.Exact = permutation(q.kin, rng)
	low, high := interval(q.samples, draws, rng)
	r.Low, r.High = Value(low), Value(high)
	return r
}

// thirds gives the middle yield of the third of flushes with the least of a condition, and of that with the most.
func thirds(points []Point) (least, most Value) {
	points = slices.Clone(points)
	slices.SortStableFunc(points, func(a, b Point) int { return cmp.Compare(a.X, b.X) })
	k := len(points) / 3
	if k == 0 {
		return NaN, NaN
	}
	middle := func(some []Point) Value {
		var v []float64
		for _, p := range some {
			v = append(v, p.Relative)
		}
		return Value(median(v))
	}
	return middle(points[:k]), middle(points[len(points)-k:])
}

// relations answers every question and corrects for having asked them all, the most certain first.
func relations(ctx context.Context, ask []question, draws int, progress func(share float64)) ([]Relation, error) {
	out := make([]Relation, 0, len(ask))
	var p []float64
	for i := range ask {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		out = append(out, ask[i].answer(draws))
		p = append(p, out[i].P)
		progress(float64(i+1) / float64(len(ask)))
	}
	for i, q := range discoveries(p) {
		out[i].Q, out[i].Found = q, q <= Level
	}
	slices.SortStableFunc(out, func(a, b Relation) int {
		return cmp.Or(cmp.Compare(a.P, b.P), -cmp.Compare(math.Abs(a.R), math.Abs(b.R)))
	})
	return out, nil
}

// measureOf finds a measure by its key.
func measureOf(key string) *Measure {
	for i := range measures {
		if measures[i].Key == key {
			return &measures[i]
		}
	}
	return &Measure{Key: key, Name: key, More: "The more " + key, Unit: key, Scale: 1, Of: func(*Conditions) Value { return NaN }}
}

package yield

import (
	"cmp"
	"context"
	"math"
	"slices"
	"time"

	"github.com/maruel/natural"
	"gonum.org/v1/gonum/stat"

	"gillkeeper/policy/species"
)

// Report is every figure of a season's report. It holds numbers; the words are made where it is written.
type Report struct {
	Site      string       `json:"site"`
	From      time.Time    `json:"from"`
	To        time.Time    `json:"to"`
	Level     float64      `json:"false_discovery_level"`
	Chambers  []Use        `json:"chambers"`
	Batches   []BatchYield `json:"batches"`
	Harvests  []Harvest    `json:"flushes"`
	Relations []Relation   `json:"relations"` // every question that was asked, the most certain first
	TooFew    []TooFew     `json:"too_few,omitempty"`
	Alarms    []AlarmCost  `json:"alarms"`
}

// Use is what a chamber took and gave.
type Use struct {
	Chamber    string  `json:"chamber"`
	Hours      float64 `json:"hours"` // recorded
	FreshKg    float64 `json:"fresh_kg"`
	WaterL     Value   `json:"water_l"`
	EnergyKWh  Value   `json:"energy_kwh"`
	MistHours  Value   `json:"humidifier_hours"`
	FanHours   Value   `json:"exhaust_fan_hours"`
	LightHours Value   `json:"light_hours"`
	WaterPerKg Value   `json:"water_l_per_kg"` // of fresh harvest
	KWhPerKg   Value   `json:"energy_kwh_per_kg"`
}

// AlarmCost is how long an alarm stood in a chamber, and what it stood over.
type AlarmCost struct {
	Chamber  string  `json:"chamber"`
	Alarm    string  `json:"alarm"`
	Priority string  `json:"priority"`
	Times    int     `json:"times"`
	Hours    float64 `json:"hours"`
	Longest  float64 `json:"longest_hours"`
	// CropHours is for how much of that a batch was pinning or fruiting; Flushes how many flushes it touched then.
	CropHours float64 `json:"crop_hours"`
	Flushes   int     `json:"flushes"`
	// DryHours and StaleHours are the part of CropHours in which humidity was below its range and CO2 above its limit.
	DryHours   Value `json:"dry_hours"`
	StaleHours Value `json:"co2_above_limit_hours"`
}

// Make works out the report of a season. progress is told the share done; nil: nobody.
func Make(ctx context.Context, s *Season, progress func(share float64)) (*Report, error) {
	if progress == nil {
		progress = func(float64) {}
	}
	if err := s.Check(); err != nil {
		return nil, err
	}
	r := &Report{Site: s.Site, From: s.From, To: s.To, Level: Level, Chambers: []Use{}, Batches: []BatchYield{}, Harvests: []Harvest{}, Alarms: []AlarmCost{}}
	for i := range s.Batches {
		b := &s.Batches[i]
		y := s.batchYield(b)
		y.Flushes = []int{}
		for j := range b.Flushes {
			y.Flushes = append(y.Flushes, len(r.Harvests))
			r.Harvests = append(r.Harvests, s.harvest(b, &b.Flushes[j]))
		}
		r.Batches = append(r.Batches, y)
		progress(0.3 * float64(i+1) / float64(len(s.Batches)))
	}
	r.relate()
	ask, few := questions(r.Harvests)
	r.TooFew = few
	var err error
	if r.Relations, err = relations(ctx, ask, resamples, func(share float64) { progress(0.3 + 0.6*share) }); err != nil {
		return nil, err
	}
	for i := range s.Chambers {
		r.Chambers = append(r.Chambers, s.use(&s.Chambers[i]))
	}
	r.Alarms = s.alarmCosts()
	progress(1)
	return r, nil
}

// relate sets each final flush against the median of its species' flushes of the same number.
func (r *Report) relate() {
	type key struct {
		species string
		flush   int
	}
	groups := map[key][]int{}
	for i := range r.Harvests {
		if h := &r.Harvests[i]; h.Final {
			k := key{h.Species, h.Flush}
			groups[k] = append(groups[k], i)
		}
	}
	for _, at := range groups {
		if len(at) < 2 {
			continue
		}
		var v []float64
		for _, i := range at {
			v = append(v, r.Harvests[i].Efficiency)
		}
		m := median(v)
		for _, i := range at {
			if m > 0 {
				r.Harvests[i].Relative = Value(r.Harvests[i].Efficiency / m)
			}
		}
	}
}

// median is the middle value, or the mean of the two in the middle.
func median(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	n := len(v)
	return stat.Mean(v[(n-1)/2:n/2+1], nil)
}

func (s *Season) use(c *Chamber) Use {
	u := Use{Chamber: c.Name, WaterL: NaN, EnergyKWh: NaN, WaterPerKg: NaN, KWhPerKg: NaN}
	var mist, fan, light tally
	sum := func(into *Value, v, scale float64) {
		if math.IsNaN(v) {
			return
		}
		if !into.OK() {
			*into = 0
		}
		*into += Value(v * scale)
	}
	for i, seconds := range c.Climate.Seconds {
		u.Hours += seconds / 3600
		mist.add(c.Climate.Mist[i], seconds)
		fan.add(c.Climate.Fan[i], seconds)
		light.add(c.Climate.Light[i], seconds)
		sum(&u.WaterL, c.Climate.WaterG[i], 1e-3)
		sum(&u.EnergyKWh, c.Climate.EnergyWh[i], 1e-3)
	}
	u.MistHours, u.FanHours, u.LightHours = mist.hours(), fan.hours(), light.hours()
	for i := range s.Batches {
		if s.Batches[i].Chamber != c.Name {
			continue
		}
		for j := range s.Batches[i].Flushes {
			u.FreshKg += s.Batches[i].Flushes[j].FreshG() / 1000
		}
	}
	if u.FreshKg > 0 {
		u.WaterPerKg, u.KWhPerKg = u.WaterL/Value(u.FreshKg), u.EnergyKWh/Value(u.FreshKg)
	}
	return u
}

// alarmCosts sums the alarms up by chamber and name, the longest over a crop first.
func (s *Season) alarmCosts() []AlarmCost {
	type key struct{ chamber, alarm string }
	at := map[key]int{}
	out := []AlarmCost{}
	touched := []map[[2]any]bool{}
	for i := range s.Alarms {
		a := &s.Alarms[i]
		if !a.From.Before(a.To) {
			continue
		}
		k := key{a.Chamber, a.Alarm}
		n, ok := at[k]
		if !ok {
			n = len(out)
			at[k] = n
			out = append(out, AlarmCost{Chamber: a.Chamber, Alarm: a.Alarm, Priority: a.Priority, DryHours: NaN, StaleHours: NaN})
			touched = append(touched, map[[2]any]bool{})
		}
		c := &out[n]
		hours := a.To.Sub(a.From).Hours()
		c.Times++
		c.Hours += hours
		c.Longest = math.Max(c.Longest, hours)
		s.over(a, c, touched[n])
		c.Flushes = len(touched[n])
	}
	slices.SortStableFunc(out, func(a, b AlarmCost) int {
		return cmp.Or(-cmp.Compare(a.CropHours, b.CropHours), -cmp.Compare(a.Hours, b.Hours), natural.Compare(a.Chamber, b.Chamber), cmp.Compare(a.Alarm, b.Alarm))
	})
	return out
}

// over adds the time that an alarm stood over crops. Time over several batches counts once; each moment is judged by
// the batch that is named first.
func (s *Season) over(a *Alarm, cost *AlarmCost, touched map[[2]any]bool) {
	chamber := s.chamber(a.Chamber)
	var done []Stage
	for i := range s.Batches {
		b := &s.Batches[i]
		if b.Chamber != a.Chamber {
			continue
		}
		for _, p := range b.Stages {
			if p.Stage != species.Pinning && p.Stage != species.Fruiting {
				continue
			}
			from, to := later(p.From, a.From), earlier(p.To, a.To)
			if !from.Before(to) {
				continue
			}
			touched[[2]any{b.Name, p.Flush}] = true
			for _, free := range without(Stage{From: from, To: to}, done) {
				w := window{}
				w.want, w.hasWant = s.want(b.Species, p.Stage)
				w.hasCO2Want = w.hasWant && w.want.CO2MaxPPM > 0
				if chamber != nil {
					w.take(&chamber.Climate, free.From, free.To)
				}
				cost.CropHours += free.To.Sub(free.From).Hours()
				if w.rh.seconds > 0 {
					cost.DryHours = plus(cost.DryHours, w.dryTotal/3600)
				}
				if w.co2Over.seconds > 0 {
					cost.StaleHours = plus(cost.StaleHours, w.co2Over.sum/3600)
				}
			}
			done = append(done, Stage{From: from, To: to})
		}
	}
}

func plus(v Value, more float64) Value {
	if !v.OK() {
		v = 0
	}
	return v + Value(more)
}

// without gives what is left of a stretch of time when others are taken out.
func without(s Stage, others []Stage) []Stage {
	left := []Stage{s}
	for _, o := range others {
		var next []Stage
		for _, l := range left {
			if !o.From.Before(l.To) || !l.From.Before(o.To) {
				next = append(next, l)
				continue
			}
			if l.From.Before(o.From) {
				next = append(next, Stage{From: l.From, To: o.From})
			}
			if o.To.Before(l.To) {
				next = append(next, Stage{From: o.To, To: l.To})
			}
		}
		left = next
	}
	return left
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

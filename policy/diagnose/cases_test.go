package diagnose_test

import (
	"math"
	"math/rand/v2"
	"time"

	"gillkeeper/policy/crop"
	"gillkeeper/policy/diagnose"
	"gillkeeper/policy/species"
)

// This file makes chambers with one thing wrong in each. It knows what each cause does to air, light and calendar from
// the sources named in sign.go, and nothing of how causes are weighed.

var firstDay = time.Date(2026, 1, 10, 9, 0, 0, 0, time.UTC)

// makes says which signs a cause makes.
var makes = map[diagnose.Cause][]diagnose.Sign{
	diagnose.HighCO2:     {"long-stems", "coral-growth", "fuzzy-stems", "no-pins", "aborted-pins", "white-mat"},
	diagnose.LowHumidity: {"cracked-caps", "aborted-pins", "no-pins"},
	diagnose.DryDip:      {"aborted-pins", "cracked-caps"},
	diagnose.Wet:         {"wet-spots", "fuzzy-stems", "withered-fruit", "cobweb"},
	diagnose.Heat:        {"early-caps", "pale-caps", "coral-growth", "no-pins", "aborted-pins"},
	diagnose.Cold:        {"dark-thick-fruit", "ruffled-margins"},
	diagnose.Swings:      {"ruffled-margins", "wet-spots"},
	diagnose.LowLight:    {"long-stems", "pale-caps", "no-pins"},
	diagnose.LatePicking: {"cracked-caps", "withered-fruit"},
	diagnose.Hidden:      {"no-pins", "aborted-pins", "cobweb", "long-stems", "wet-spots", "cracked-caps"},
}

// planted is one made case.
type planted struct {
	diagnose.Case
	cause diagnose.Cause
	sign  diagnose.Sign
}

// grower makes cases.
type grower struct {
	*rand.Rand
	table *species.Table
	names []string
	rows  map[string]map[species.Stage]*species.Row
}

func (g *grower) row(name string, stage species.Stage) *species.Row {
	if r := g.rows[name][stage]; r != nil {
		return r
	}
	return &species.Row{}
}

func newGrower(seed uint64) *grower {
	g := &grower{Rand: rand.New(rand.NewPCG(seed, 77)), table: species.Builtin(), rows: map[string]map[species.Stage]*species.Row{}}
	for _, name := range g.table.Species() {
		g.rows[name] = map[species.Stage]*species.Row{}
		for _, stage := range species.Stages() {
			if r, ok := g.table.Lookup(name, stage); ok {
				g.rows[name][stage] = &r
			}
		}
		f, ok := g.table.Lookup(name, species.Fruiting)
		p, ok2 := g.table.Lookup(name, species.Pinning)
		if ok && ok2 && f.CO2MaxPPM > 0 && p.CO2MaxPPM > 0 && f.LightHours > 0 && f.Days.Given() && p.Days.Given() {
			g.names = append(g.names, name)
		}
	}
	return g
}

func (g *grower) between(low, high float64) float64 { return low + (high-low)*g.Float64() }

// scene is one chamber's life in steps of ten minutes.
type scene struct {
	times          []time.Time
	stage          []species.Stage
	rh, temp, co2  []float64
	lamp, fan, mst []float64
	lux            bool
	stages         []crop.Period
}

// grow makes a case of a cause.
func (g *grower) grow(cause diagnose.Cause) planted {
	name := g.names[g.IntN(len(g.names))]
	sign := makes[cause][g.IntN(len(makes[cause]))]
	s := g.wellKept(name, cause, sign)
	g.spoil(s, name, cause, sign)
	g.distract(s, name, cause, sign)
	now := s.times[len(s.times)-1].Add(10 * time.Minute)
	c := planted{cause: cause, sign: sign}
	c.Case = diagnose.Case{Signs: []diagnose.Sign{sign}, Now: now, Table: g.table,
		Batch:   crop.Record{Batch: "b", Species: name, Stages: s.stages},
		Chamber: diagnose.Chamber{VolumeM3: 0.56, FanOn: 20, FanOff: 0.7, CO2GPerH: 1.5, MistGPerH: 280, VaporGPerH: 210}}
	c.History = g.record(s)
	return c
}

// wellKept is a chamber as it should be: every quantity where the species wants it, with the ups and downs that even a
// good controller leaves.
func (g *grower) wellKept(name string, cause diagnose.Cause, sign diagnose.Sign) *scene {
	s := &scene{lux: g.IntN(4) == 0}
	pins, _ := g.table.Lookup(name, species.Pinning)
	fruit, _ := g.table.Lookup(name, species.Fruiting)
	run := g.between(6, 9)
	pinning := g.between(pins.Days.Low, pins.Days.High)
	if sign == "no-pins" {
		pinning = pins.Days.High * g.between(1.1, 1.6)
	}
	fruiting := g.between(0.6, 1) * fruit.Days.High
	if cause == diagnose.LatePicking {
		fruiting = fruit.Days.High * g.between(1.5, 2.4)
	}
	plan := []struct {
		stage species.Stage
		days  float64
	}{{species.Colonization, run}, {species.Pinning, pinning}, {species.Fruiting, fruiting}}
	switch sign {
	case "no-pins":
		plan = plan[:2]
	case "white-mat":
		plan = plan[:2]
		plan[1].days = g.between(0.5, 1) * pinning
	case "aborted-pins":
		if g.IntN(2) == 0 {
			plan = plan[:2]
			plan[1].days = math.Max(2, pinning)
		} else {
			plan[2].days = g.between(1, 3)
		}
	}
	at := firstDay
	for _, p := range plan {
		s.stages = append(s.stages, crop.Period{Stage: p.stage, Flush: 1, From: at})
		if n := len(s.stages); n > 1 {
			s.stages[n-2].To = at
		}
		row, ok := g.table.Lookup(name, p.stage)
		for end := at.Add(time.Duration(p.days * 24 * float64(time.Hour))); at.Before(end); at = at.Add(10 * time.Minute) {
			g.moment(s, at, p.stage, &row, ok)
		}
	}
	return s
}

// moment adds ten good minutes.
func (g *grower) moment(s *scene, at time.Time, stage species.Stage, row *species.Row, ok bool) {
	h := float64(at.Hour()) + float64(at.Minute())/60
	day := math.Sin(2 * math.Pi * (h - 9) / 24) // warmest at three in the afternoon
	rh := math.Min((row.RelativeHumidity.Low+row.RelativeHumidity.High)/2, 0.95)
	band := row.TemperatureC.High - row.TemperatureC.Low
	temp := (row.TemperatureC.Low+row.TemperatureC.High)/2 + math.Min(1.2, 0.25*band)*day
	limit := row.CO2MaxPPM
	if !ok || limit == 0 {
		limit = 15000
	}
	lit := 0.0
	if on := row.LightsOn.Hours(); row.LightHours > 0 && h >= on && h < on+row.LightHours {
		lit = 1
	}
	s.times, s.stage = append(s.times, at), append(s.stage, stage)
	s.rh = append(s.rh, math.Min(rh+0.008*g.NormFloat64(), 1))
	s.temp = append(s.temp, temp+0.25*g.NormFloat64())
	s.co2 = append(s.co2, math.Max(420, limit*(0.78+0.05*g.NormFloat64()-0.04*day)))
	s.lamp = append(s.lamp, lit)
	s.fan = append(s.fan, math.Max(0, 0.12+0.03*g.NormFloat64()))
	s.mst = append(s.mst, math.Max(0, 0.1+0.03*g.NormFloat64()))
}

// reach gives the steps in which the sign is made, from the stages that its sources name.
func (s *scene) reach(sign diagnose.Sign) []int {
	days := 4.0
	ok := map[species.Stage]bool{species.Fruiting: true}
	switch sign {
	case "no-pins":
		ok, days = map[species.Stage]bool{species.Pinning: true}, 9
	case "white-mat":
		ok, days = map[species.Stage]bool{species.Pinning: true, species.Colonization: true}, 8
	case "long-stems", "coral-growth", "fuzzy-stems", "pale-caps", "aborted-pins", "dark-thick-fruit", "cobweb":
		ok = map[species.Stage]bool{species.Fruiting: true, species.Pinning: true}
	}
	end := s.times[len(s.times)-1]
	var out []int
	for i, at := range s.times {
		if ok[s.stage[i]] && end.Sub(at).Hours() <= 24*days {
			out = append(out, i)
		}
	}
	return out
}

// hours picks a daily pattern: all day, or so many hours from some hour on.
func (g *grower) hours(least, most float64) func(time.Time) bool {
	long, from := g.between(least, most), g.between(0, 24)
	return func(at time.Time) bool {
		h := float64(at.Hour()) + float64(at.Minute())/60
		return math.Mod(h-from+24, 24) < long
	}
}

// spoil plants the cause where the sign is made, as strongly as it takes to make it and up to twice as strongly.
func (g *grower) spoil(s *scene, name string, cause diagnose.Cause, sign diagnose.Sign) {
	window := s.reach(sign)
	on := g.hours(8, 24)
	by := g.between(0.85, 2)
	row := func(i int) *species.Row { return g.row(name, s.stage[i]) }
	switch cause {
	case diagnose.HighCO2:
		for _, i := range window {
			limit := row(i).CO2MaxPPM
			if limit == 0 {
				limit = 15000
			}
			if on(s.times[i]) {
				s.co2[i] = limit * (1 + 0.5*by) * (1 + 0.06*g.NormFloat64())
				s.fan[i] *= 0.3
			}
		}
	case diagnose.LowHumidity:
		for _, i := range window {
			if on(s.times[i]) {
				s.rh[i] = math.Min(row(i).RelativeHumidity.Low, 0.92) - 0.08*by + 0.012*g.NormFloat64()
				s.mst[i] *= 0.2
			}
		}
	case diagnose.DryDip:
		g.dip(s, window, row, by)
	case diagnose.Wet:
		for _, i := range window {
			if on(s.times[i]) {
				s.rh[i] = math.Min(1, 0.98+0.012*(by-1)+0.004*g.NormFloat64())
			}
		}
	case diagnose.Heat:
		for _, i := range window {
			if on(s.times[i]) {
				s.temp[i] = row(i).TemperatureC.High + 2.8*by + 0.3*g.NormFloat64()
			}
		}
	case diagnose.Cold:
		for _, i := range window {
			if on(s.times[i]) {
				s.temp[i] = row(i).TemperatureC.Low - 2.8*by + 0.3*g.NormFloat64()
			}
		}
	case diagnose.Swings:
		for _, i := range window {
			h := float64(s.times[i].Hour()) + float64(s.times[i].Minute())/60
			middle := (row(i).TemperatureC.Low + row(i).TemperatureC.High) / 2
			s.temp[i] = middle + (3.2+1.6*by)*math.Sin(2*math.Pi*(h-9)/24) + 0.25*g.NormFloat64()
		}
	case diagnose.LowLight:
		keep := g.between(0, 0.4) // of the hours
		for _, i := range window {
			if g.Float64() > keep {
				s.lamp[i] = 0
			}
		}
	}
}

// dip plants one or two drops of humidity of 50 minutes to four hours.
func (g *grower) dip(s *scene, window []int, row func(int) *species.Row, by float64) {
	for range 1 + g.IntN(2) {
		first := window[g.IntN(max(1, len(window)-30))]
		long := int(g.between(5, 26))
		for i := first; i < min(first+long, len(s.rh)); i++ {
			s.rh[i] = math.Min(row(i).RelativeHumidity.Low, 0.92) - 0.14*by + 0.01*g.NormFloat64()
		}
	}
}

// distract adds what happens in every chamber and harms nobody, in quantities that the cause does not touch: for one to
// four hours a day, by a third to two thirds of what makes a sign.
func (g *grower) distract(s *scene, name string, cause diagnose.Cause, sign diagnose.Sign) {
	row := func(i int) *species.Row { return g.row(name, s.stage[i]) }
	mild := g.hours(1, 4)
	if g.IntN(2) == 0 && cause != diagnose.HighCO2 {
		for i := range s.co2 {
			if mild(s.times[i]) && row(i).CO2MaxPPM > 0 {
				s.co2[i] = row(i).CO2MaxPPM * g.between(1.05, 1.4)
			}
		}
	}
	if g.IntN(2) == 0 && cause != diagnose.LowHumidity && cause != diagnose.DryDip && cause != diagnose.Wet {
		for range 3 { // a door, a refill: a quarter of an hour and little
			first := g.IntN(len(s.rh))
			for i := first; i < min(first+1+g.IntN(3), len(s.rh)); i++ {
				s.rh[i] -= g.between(0.03, 0.10)
			}
		}
	}
	if g.IntN(2) == 0 && cause != diagnose.Heat && cause != diagnose.Cold && cause != diagnose.Swings {
		for i := range s.temp {
			if mild(s.times[i]) {
				s.temp[i] = row(i).TemperatureC.High + g.between(0, 2)
			}
		}
	}
	if g.IntN(2) == 0 && cause != diagnose.LowHumidity && cause != diagnose.DryDip && cause != diagnose.Wet {
		damp := g.hours(1, 4)
		for i := range s.rh {
			if damp(s.times[i]) {
				s.rh[i] = math.Max(s.rh[i], g.between(0.95, 0.985))
			}
		}
	}
	if g.IntN(2) == 0 && cause != diagnose.LowLight {
		for i := range s.lamp {
			if g.Float64() < 0.2 {
				s.lamp[i] = 0
			}
		}
	}
}

// record is what the journal holds of it: gaps, and hours where it was thinned out.
func (g *grower) record(s *scene) []diagnose.Bucket {
	holes := g.between(0, 0.2)
	hourly := g.IntN(3) == 0
	var out []diagnose.Bucket
	step := 1
	if hourly {
		step = 6
	}
	skip := 0
	from := max(0, len(s.times)-20*144) // older than any sign reaches
	for i := from; i+step <= len(s.times); i += step {
		if skip > 0 {
			skip--
			continue
		}
		if g.Float64() < holes/20 { // holes come in stretches
			skip = 20 / step
		}
		b := diagnose.Bucket{At: s.times[i], Span: time.Duration(step) * 10 * time.Minute}
		b.RH, b.TempC, b.CO2 = over(s.rh[i:i+step]), over(s.temp[i:i+step]), over(s.co2[i:i+step])
		b.Lamp, b.Fan, b.Mist = over(s.lamp[i:i+step]), over(s.fan[i:i+step]), over(s.mst[i:i+step])
		if s.lux {
			b.Lux = diagnose.Value{Mean: 600 * b.Lamp.Mean, Max: 600, OK: true}
		}
		b.RoomRH, b.RoomC, b.RoomCO2 = over([]float64{0.45}), over([]float64{19}), over([]float64{520})
		out = append(out, b)
	}
	return out
}

func over(v []float64) diagnose.Value {
	x := diagnose.Value{Min: math.Inf(1), Max: math.Inf(-1), OK: true}
	for _, y := range v {
		x.Mean += y / float64(len(v))
		x.Min, x.Max = math.Min(x.Min, y), math.Max(x.Max, y)
	}
	return x
}

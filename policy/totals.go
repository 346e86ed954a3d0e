package policy

import (
	"slices"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/species"
)

// longestPass bounds the time that one step may count: a gap in which nobody looked says nothing of the air.
const longestPass = time.Minute

// pass lets time go by: counters grow by what held since the last step.
func (t *step) pass(dt time.Duration) {
	if dt <= 0 {
		return
	}
	s := t.s
	seen := min(dt, longestPass)
	for i := range s.Plugs {
		s.Plugs[i].Pass(seen, t.steered(s.Plugs[i].Role))
	}
	for i := range s.Crop.Batches {
		b := &s.Crop.Batches[i]
		if !b.Retired.IsZero() {
			continue
		}
		x := s.Totals.stage(StageTotal{Batch: b.Name, Species: b.Species, Stage: b.Stage, Flush: b.Flush})
		x.Seconds += dt.Seconds()
	}
	if !s.Target.OK {
		return
	}
	t.inRange(chamber.RelativeHumidity, seen, s.Target.RelativeHumidity.Low, s.Target.RelativeHumidity.High)
	t.inRange(chamber.Temperature, seen, s.Target.TemperatureC.Low, s.Target.TemperatureC.High)
	if s.Target.CO2MaxPPM > 0 {
		t.inRange(chamber.CO2, seen, s.Target.CO2MinPPM, s.Target.CO2MaxPPM)
	}
}

// steered reports whether a plug of that role was steered by a good reading.
func (t *step) steered(r chamber.Role) bool {
	if !t.s.Target.OK {
		return false
	}
	switch r {
	case chamber.Humidifier:
		return t.s.Air.Inside.RelativeHumidity.OK && !t.s.Reservoir.Dry && !t.s.Detectors.Drifts()
	case chamber.ExhaustFan:
		return t.s.Air.Inside.CO2.OK && !t.doubted(chamber.CO2) && !t.s.Detectors.Drifts() // it airs what reads too damp
	case chamber.Heater, chamber.Cooler:
		return t.s.Air.Inside.Temperature.OK && !t.doubted(chamber.Temperature)
	}
	return false
}

func (t *step) inRange(q chamber.Quantity, dt time.Duration, low, high float64) {
	e := t.s.Air.Of(chamber.Inside, q)
	if !e.OK {
		return
	}
	x := t.s.Totals.inRange(q, t.s.Target.Stage)
	seconds, in := dt.Seconds(), 0.0
	if e.Value >= low && e.Value <= high {
		in = seconds
	}
	x.ObservedSeconds += seconds
	x.InRangeSeconds += in
	if t.s.Reservoir.Dry {
		x.DryObserved += seconds
		x.DryInRange += in
	}
}

// inRange is the total of a quantity in a stage, begun at nothing where there is none.
func (t *Totals) inRange(q chamber.Quantity, stage species.Stage) *RangeTotal {
	for i := range t.InRange {
		if x := &t.InRange[i]; x.Quantity == q && x.Stage == stage {
			return x
		}
	}
	t.InRange = append(t.InRange, RangeTotal{Quantity: q, Stage: stage})
	return &t.InRange[len(t.InRange)-1]
}

// stage is the total of a batch's stage and flush, begun at nothing where there is none.
func (t *Totals) stage(key StageTotal) *StageTotal {
	for i := range t.Stages {
		if x := &t.Stages[i]; x.Batch == key.Batch && x.Species == key.Species && x.Stage == key.Stage && x.Flush == key.Flush {
			return x
		}
	}
	key.Seconds = 0
	t.Stages = append(t.Stages, key)
	return &t.Stages[len(t.Stages)-1]
}

// written brings the counters up to what an entry made of the record. They never fall: what was counted for another stage before a
// move was written down stays, and so does the most that a flush was said to have given.
func (t *Totals) written(a *Action, before, after *crop.State, now time.Time) {
	if a.Outcome != nil {
		for _, spent := range a.Outcome.Spent {
			if _, here := after.Find(spent.Batch); here { // what had gone before it was brought in has no series
				x := t.stage(spent)
				x.Seconds = max(x.Seconds, spent.Seconds)
			}
		}
	} else if b, ok := after.Find(a.Batch); ok && a.Kind == BatchAdd {
		x := t.stage(StageTotal{Batch: b.Name, Species: b.Species, Stage: b.Stage, Flush: b.Flush})
		x.Seconds = max(x.Seconds, now.Sub(b.Since).Seconds())
	}
	for i := range before.Batches {
		b := &before.Batches[i]
		for j := range b.Flushes {
			f := &b.Flushes[j]
			if was := f.FreshG(); was > freshOf(after, b.Name, f.Number) {
				x := t.harvest(HarvestTotal{Batch: b.Name, Species: b.Species, Flush: f.Number})
				x.FreshG = max(x.FreshG, was)
			}
		}
	}
}

// freshOf is what a flush gave, in grams; 0 where there is none.
func freshOf(c *crop.State, batch string, flush int) float64 {
	b, _ := c.Find(batch)
	i := slices.IndexFunc(b.Flushes, func(f crop.Flush) bool { return f.Number == flush })
	if i < 0 {
		return 0
	}
	return b.Flushes[i].FreshG()
}

// harvest is the most that a flush was said to have given, begun at nothing where there is none.
func (t *Totals) harvest(key HarvestTotal) *HarvestTotal {
	for i := range t.Harvests {
		if x := &t.Harvests[i]; x.Batch == key.Batch && x.Species == key.Species && x.Flush == key.Flush {
			return x
		}
	}
	t.Harvests = append(t.Harvests, key)
	return &t.Harvests[len(t.Harvests)-1]
}

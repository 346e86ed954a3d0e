package policy

import (
	"time"

	"gillkeeper/policy/chamber"
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
		return t.s.Air.Inside.RelativeHumidity.OK && !t.s.Reservoir.Dry
	case chamber.ExhaustFan:
		return t.s.Air.Inside.CO2.OK && !t.doubted(chamber.CO2)
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
		if x := &t.Stages[i]; x.Batch == key.Batch && x.Stage == key.Stage && x.Flush == key.Flush {
			return x
		}
	}
	key.Seconds = 0
	t.Stages = append(t.Stages, key)
	return &t.Stages[len(t.Stages)-1]
}

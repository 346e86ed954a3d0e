package control

import (
	"testing"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/learn"
)

// planScene is a chamber of 0.56 m³ at pinning whose CO2 nears the maximum, with a model that knows nothing but the
// labels.
func planScene() *Scene {
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	spec := &chamber.Spec{Name: "one", VolumeM3: 0.56, Plugs: []chamber.Plug{
		{Name: "mist", Role: chamber.Humidifier, MinOn: 20 * time.Second, MinOff: 20 * time.Second, MaxOn: 30 * time.Minute, OutputGPerH: 300},
		{Name: "fan", Role: chamber.ExhaustFan, MinOn: 20 * time.Second, MinOff: 20 * time.Second, FlowM3PerH: 60},
	}}
	f := learn.Facts{Now: now, VolumeM3: 0.56, RatedFlow: 60, RatedMist: 300, AirC: 18, RoomC: 20, RoomRH: 0.5, RoomCO2: 500, RH: []float64{0.94}, CO2: []float64{780}}
	s := learn.State{}.Learn(&f)
	m, _ := s.Model(&f)
	fresh := func(v float64) chamber.Estimate { return chamber.Estimate{Value: v, OK: true, At: now, Used: 1} }
	rested := guard.Plug{Known: true, HasTold: true, ChangedAt: now.Add(-time.Hour)}
	return &Scene{
		Now: now, Spec: spec, Model: &m, Heard: true, Plugs: []guard.Plug{rested, rested},
		Air: &chamber.Air{Inside: chamber.Measured{RelativeHumidity: fresh(0.94), CO2: fresh(780), Temperature: fresh(18)}},
		Target: crop.Target{OK: true, RelativeHumidity: chamber.Band{Low: 0.9, Aim: 0.95, High: 1}, CO2MaxPPM: 800,
			TemperatureC: chamber.Band{Low: 12, Aim: 18, High: 24}},
	}
}

// BenchmarkPlan is the cost of one decision that plans anew.
func BenchmarkPlan(b *testing.B) {
	sc := planScene()
	for b.Loop() {
		var st State
		Decide(st, sc)
	}
}

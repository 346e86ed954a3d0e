package policy_test

import (
	"math"
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// TestAirByLoad: where nobody measures CO2, a chamber that is fuller than usual gets the air that its load is expected to need. By hand:
// 12 kg at 0.08 g/(h kg) give off 0.96 g of CO2 an hour at 20 °C. The room's 480 ppm may rise by 240 ppm to nine tenths of 800, which
// is 0.44 g/m³ (1.83 g/m³ for each 1000 ppm at 20 °C and 101.3 kPa, ideal gas). In 0.2 m³ that takes 10.9 air changes an hour.
func TestAirByLoad(t *testing.T) {
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	own := species.Override{Species: "pleurotus-ostreatus", Stage: species.Pinning, FAEPerHour: species.Range{Low: 4, High: 4}}
	with := func(over species.Override, kg float64, sensors ...chamber.Quantity) float64 {
		spec := &chamber.Spec{Name: "loft", VolumeM3: 0.2, Zone: time.UTC,
			Plugs: []chamber.Plug{{Name: "fan", Role: chamber.ExhaustFan, FlowM3PerH: 20, MinOn: 20 * time.Second, MinOff: 20 * time.Second}}}
		in := policy.Input{Now: start, Wall: start, Link: true, Actions: batch(species.Pinning)}
		in.Actions[0].SubstrateKg, in.Actions[0].DryKg = kg, kg/3
		for i, q := range sensors {
			spec.Sensors = append(spec.Sensors, chamber.Sensor{Name: q.String(), Quantity: q, Place: chamber.Inside, MaxAge: 5 * time.Minute})
			in.Readings = append(in.Readings, chamber.Reading{Sensor: i, Value: map[chamber.Quantity]float64{chamber.Temperature: 20, chamber.CO2: 700}[q], At: start})
		}
		ppm := 800.0
		over.Species, over.Stage, over.CO2MaxPPM = "pleurotus-ostreatus", species.Pinning, &ppm
		table, err := species.Builtin().With([]species.Override{over})
		if err != nil {
			t.Fatal(err)
		}
		p := &policy.Policy{Spec: spec, Climates: table}
		s, _ := p.Step(p.Fresh(start), in)
		return s.Target.FAEPerHour
	}
	usual := with(species.Override{}, 0.5, chamber.Temperature)
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"a full chamber", with(species.Override{}, 12, chamber.Temperature), 10.9},
		{"twice as full", with(species.Override{}, 24, chamber.Temperature), 21.8},
		{"crammed", with(species.Override{}, 200, chamber.Temperature), 30},
		{"the grower's own number", with(own, 12, chamber.Temperature), 4},
		{"CO2 is measured", with(species.Override{}, 12, chamber.Temperature, chamber.CO2), usual},
	} {
		if math.Abs(c.got-c.want) > 0.01*c.want {
			t.Errorf("%s: %.2f air changes an hour, want %.2f", c.name, c.got, c.want)
		}
	}
}

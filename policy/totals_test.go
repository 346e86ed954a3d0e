package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// TestTimeWithoutWaterIsCountedApart: of four hours in range the last two are without water.
func TestTimeWithoutWaterIsCountedApart(t *testing.T) {
	p := &policy.Policy{Climates: species.Builtin(), Spec: &chamber.Spec{Name: "loft", VolumeM3: 0.5,
		Sensors: []chamber.Sensor{{Name: "rh", Quantity: chamber.RelativeHumidity, Place: chamber.Inside, MaxAge: 5 * time.Minute}},
		Plugs: []chamber.Plug{{Name: "mister", Role: chamber.Humidifier, MinOn: 20 * time.Second, MinOff: 20 * time.Second, MaxOn: 30 * time.Minute,
			OutputGPerH: 300, ReservoirLiters: 5, Reports: true}}}}
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	s := p.Fresh(start)
	in := policy.Input{Actions: batch(species.Fruiting)}
	for at := time.Duration(0); at <= 4*time.Hour; at += 30 * time.Second {
		in.Now, in.Wall, in.LinkUp = start.Add(at), start.Add(at), true
		in.Readings = []chamber.Reading{{Sensor: 0, Value: 0.87 + 0.001*float64(at/(30*time.Second)%7), At: in.Now}}
		s.Reservoir.Dry = at > 2*time.Hour
		s, _ = p.Step(s, in)
		in = policy.Input{}
	}
	x := s.Totals.InRange[0]
	near := func(seconds, hours float64) bool { return seconds > 3600*hours-120 && seconds <= 3600*hours }
	if !near(x.ObservedSeconds, 4) || !near(x.InRangeSeconds, 4) || !near(x.DryObserved, 2) || !near(x.DryInRange, 2) {
		t.Errorf("%+v, want four hours and two", x)
	}
}

package policy_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// TestMistIsBackThoughItCoolsNothing keeps a chamber whose air is as warm as the room whatever evaporates in it, and whose lining takes
// up vapor. Its humidifier gives nothing for an hour and then as ever, and nobody says so. Temperature speaks against mist in every
// trial; humidity, which rises by ten points in one, must be believed all the same. It was not, and the chamber stood at the room's
// humidity from then on.
func TestMistIsBackThoughItCoolsNothing(t *testing.T) {
	t.Parallel()
	const (
		volume, mist, flow   = 0.78, 184.0 / 3600, 63.0 / 3600 // m³, g/s that become vapor, m³/s
		full, room           = 15.4, 0.37 * 15.4               // g/m³, of air at 18 °C
		lining, lag          = 30.0, 40.0                      // g for each unit of relative humidity; s
		gone, back, to, last = 3 * 3600, 4 * 3600, 6 * 3600, 8 * 3600
	)
	spec := &chamber.Spec{Name: "lined", VolumeM3: volume, Zone: time.UTC}
	for _, q := range []chamber.Quantity{chamber.RelativeHumidity, chamber.Temperature} {
		spec.Sensors = append(spec.Sensors, chamber.Sensor{Name: q.String(), Quantity: q, Place: chamber.Inside, MaxAge: 5 * time.Minute})
	}
	spec.Plugs = []chamber.Plug{
		{Name: "mister", Role: chamber.Humidifier, MinOn: 20 * time.Second, MinOff: 20 * time.Second, MaxOn: 30 * time.Minute, OutputGPerH: 250, Reports: true},
		{Name: "fan", Role: chamber.ExhaustFan, MinOn: 20 * time.Second, MinOff: 20 * time.Second, MaxOn: time.Hour, FlowM3PerH: 80, Reports: true},
	}
	stage := species.Fruiting
	target := rehearse.FamilyTarget(stage)
	start := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	ctl := rehearse.NewPolicyController(familyPolicy(t, &rehearse.Case{Spec: spec, Target: target}), start)
	in := policy.Input{Link: true, LinkUp: true, Actions: batch(stage)}
	noise := rand.New(rand.NewPCG(1, 2))
	vapor, lined, seen := 0.75*full, 0.75, 0.75
	spun, runs := [2]float64{}, [2]bool{}
	called, early, near, after := false, false, 0, 0
	var wake time.Time
	for s := 1; s < last; s++ {
		now := start.Add(time.Duration(s) * time.Second)
		if len(in.Readings)+len(in.Reports)+len(in.Actions) > 0 || !now.Before(wake) {
			in.Now, in.Wall, in.Link = now, now, true
			d := ctl.Step(in)
			in, wake = policy.Input{}, d.Wake
			for i, p := range d.Plugs {
				if p.Send {
					runs[i] = p.On
					in.Reports = append(in.Reports, chamber.PlugReport{Plug: i, HasOn: true, On: p.On, At: now})
				}
			}
		}
		for i, on := range runs {
			share := 0.0
			if on {
				share = 1
			}
			spun[i] += (share - spun[i]) / 5
		}
		given := mist * spun[0]
		if s >= gone && s < back {
			given = 0
		}
		rh := vapor / full
		vapor += (given + (flow*spun[1]+0.5*volume/3600)*(room-vapor) - lining*(rh-lined)/1200) / volume
		vapor = math.Min(vapor, full)
		lined += (rh - lined) / 1200
		seen += (vapor/full - seen) / lag
		if s%12 == 0 {
			in.Readings = append(in.Readings, chamber.Reading{Sensor: 0, Value: math.Round((seen+0.002*noise.NormFloat64())*1000) / 1000, At: now},
				chamber.Reading{Sensor: 1, Value: math.Round((18+0.03*noise.NormFloat64())*10) / 10, At: now})
		}
		if s < back {
			early = early || called && !ctl.State.Reservoir.Dry
			called = called || s >= gone && ctl.State.Reservoir.Dry
		}
		if s >= to {
			after++
			if math.Abs(vapor/full-target.RelativeHumidity.Aim) <= 0.1 {
				near++
			}
		}
	}
	if !called {
		t.Error("a humidifier that gives nothing for an hour was not called dry: this test tells nothing")
	}
	if early {
		t.Error("a humidifier that gives nothing was called dry and then believed again")
	}
	if share := float64(near) / float64(after); ctl.State.Reservoir.Dry || share < 0.6 {
		t.Errorf("two hours after mist was back the humidifier counts as dry (%v), and humidity is within ten points of its aim %.0f %% of the time; want at least 60", ctl.State.Reservoir.Dry, 100*share)
	}
}

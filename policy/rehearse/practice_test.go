package rehearse_test

import (
	"math"
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

var monday = time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)

func devices(min time.Duration) *chamber.Spec {
	return &chamber.Spec{Name: "loft", VolumeM3: 0.56,
		Sensors: []chamber.Sensor{
			{Name: "room", Quantity: chamber.RelativeHumidity, Place: chamber.Room},
			{Name: "air", Quantity: chamber.RelativeHumidity, Place: chamber.Inside},
			{Name: "t", Quantity: chamber.Temperature, Place: chamber.Inside},
		},
		Plugs: []chamber.Plug{
			{Name: "mister", Role: chamber.Humidifier, MinOn: min, MinOff: min}, {Name: "fan", Role: chamber.ExhaustFan, MinOn: min, MinOff: min},
			{Name: "lamp", Role: chamber.Lamp}, {Name: "heater", Role: chamber.Heater}, {Name: "cooler", Role: chamber.Cooler},
		}}
}

// at steps the devices at an hour with readings of the chamber's humidity and temperature.
func at(c *rehearse.CommonPractice, when time.Duration, rh, airC float64) policy.Decision {
	now := monday.Add(when)
	return c.Step(policy.Input{Now: now, Wall: now, Readings: []chamber.Reading{{Sensor: 0, Value: 0.3}, {Sensor: 1, Value: rh}, {Sensor: 2, Value: airC}}})
}

// The humidistat for 90 % switches on at 87.5 and off at 92.5, and keeps what it does between.
func TestHumidistat(t *testing.T) {
	c := rehearse.NewCommonPractice(devices(0), rehearse.FamilyTarget(species.Fruiting), rehearse.Timer{})
	for i, x := range []struct {
		rh float64
		on bool
	}{{0.90, false}, {0.88, false}, {0.874, true}, {0.90, true}, {0.92, true}, {0.926, false}, {0.90, false}, {0.86, true}} {
		if d := at(c, time.Duration(i)*time.Minute, x.rh, 18); d.Plugs[0].On != x.on {
			t.Errorf("step %d at %v: on %v", i, x.rh, d.Plugs[0].On)
		}
	}
}

func TestRepeatCycleTimer(t *testing.T) {
	c := rehearse.NewCommonPractice(devices(0), rehearse.FamilyTarget(species.Fruiting), rehearse.Timer{On: 2 * time.Minute, Off: 13 * time.Minute})
	sent := 0
	for s := range 3600 {
		d := at(c, time.Duration(s)*time.Second, 0.9, 18)
		if want := s%900 >= 780; d.Plugs[1].On != want {
			t.Fatalf("at %d s the fan is on %v", s, d.Plugs[1].On)
		}
		if d.Plugs[1].Send {
			sent++
		}
	}
	if sent != 8 { // told to begin off, then 7 switchings within the hour
		t.Errorf("%d commands, want 8", sent)
	}
}

// Common practice obeys the plugs' minimum times too.
func TestDevicesKeepMinimumTimes(t *testing.T) {
	c := rehearse.NewCommonPractice(devices(30*time.Second), rehearse.FamilyTarget(species.Fruiting), rehearse.Timer{On: 10 * time.Second, Off: 50 * time.Second})
	var last time.Duration
	for s := range 600 {
		when := time.Duration(s) * time.Second
		if d := at(c, when, 0.9, 18); d.Plugs[1].Send && s > 0 {
			if when-last < 30*time.Second {
				t.Fatalf("switched %v after the last", when-last)
			}
			last = when
		}
	}
	if last == 0 {
		t.Error("the fan never ran")
	}
}

func TestLampAndThermostat(t *testing.T) {
	c := rehearse.NewCommonPractice(devices(0), rehearse.FamilyTarget(species.Fruiting), rehearse.Timer{})
	for _, x := range []struct {
		when                 time.Duration
		airC                 float64
		lamp, heater, cooler bool
	}{
		{7 * time.Hour, 18, false, false, false}, {8 * time.Hour, 11.9, true, true, false}, {12 * time.Hour, 12.9, true, true, false},
		{13 * time.Hour, 13.1, true, false, false}, {19 * time.Hour, 24.1, true, false, true}, {20 * time.Hour, 23.2, false, false, true},
		{21 * time.Hour, 22.9, false, false, false},
	} {
		d := at(c, x.when, 0.9, x.airC)
		if d.Plugs[2].On != x.lamp || d.Plugs[3].On != x.heater || d.Plugs[4].On != x.cooler {
			t.Errorf("at %v and %v °C: lamp %v heater %v cooler %v", x.when, x.airC, d.Plugs[2].On, d.Plugs[3].On, d.Plugs[4].On)
		}
	}
}

// The careful grower's timer keeps its promise where the promise can be kept: with the crop at its middle load, the
// room at its mean and the weather still, a long simulation under that timer has a mean 100 ppm below the maximum, and
// one minute less would not.
func TestCarefulTimer(t *testing.T) {
	for seed := uint64(1); seed <= 6; seed++ {
		c := short(seed, 48*time.Hour)
		var sum float64
		for h := range 48 {
			sum += c.Weather.At(float64(h) * 3600).CO2PPM
		}
		room := plant.Room{AirC: c.Weather.AirC, RelativeHumidity: c.Weather.Humidity, CO2PPM: sum / 48}
		timer := rehearse.CarefulTimer(c)
		if timer.On+timer.Off != 15*time.Minute {
			t.Fatalf("seed %d: %+v is no cycle of 15 minutes", seed, timer)
		}
		mean := func(on time.Duration) float64 {
			p := c.Params
			p.GrowthPerDay, p.DailySwing, p.RespirationPerK, p.LeakPerK, p.FoulingPerHour = 0, 0, 0, 0, 0
			grown := plant.Start(&c.Params, room)
			for range 24 {
				grown.Grow(&c.Params, 3600)
			}
			q := c.Params // respiration per degree is left out below: bring it to the room's temperature first
			p.SubstrateCO2 *= math.Exp(q.RespirationPerK * (c.Weather.AirC - 20))
			p.FruitCO2 *= math.Exp(q.RespirationPerK * (c.Weather.AirC - 20))
			p.FruitKg = grown.FruitKg
			s := plant.Start(&p, room)
			var sum float64
			for i := range 4 * 3600 {
				var plugs plant.Plugs
				if i%900 < int(on.Seconds()) {
					plugs.ExhaustFan = 1
				}
				s = plant.Step(&p, s, plugs, room, 1)
				if i >= 3*3600 {
					sum += s.Truth(&p).CO2PPM / 3600
				}
			}
			return sum
		}
		limit := c.Target.CO2MaxPPM - 100
		if got := mean(timer.On); got > limit*1.03 && timer.On < 14*time.Minute {
			t.Errorf("seed %d: a mean of %.0f ppm under %+v, want at most %v", seed, got, timer, limit)
		}
		if timer.On > time.Minute {
			if got := mean(timer.On - time.Minute); got < limit*0.97 {
				t.Errorf("seed %d: a minute less than %+v gives %.0f ppm already", seed, timer, got)
			}
		}
	}
}

// What is configured is what is simulated.
func TestForSpec(t *testing.T) {
	spec := devices(20 * time.Second)
	spec.AltitudeM = 1500
	spec.Plugs[0].OutputGPerH, spec.Plugs[0].ReservoirLiters, spec.Plugs[1].FlowM3PerH = 300, 5, 100
	c := rehearse.ForSpec(spec, rehearse.Load{SubstrateKg: 12, Stage: species.Fruiting}, rehearse.FamilyTarget(species.Fruiting), 3)
	p := c.Params
	if p.VolumeM3 != 0.56 || p.SubstrateKg != 12 || p.ReservoirG != 5000 || p.FanM3PerH != 60 || p.MistGPerH != 270 || math.Abs(p.PressurePa-84556) > 5 {
		t.Errorf("%+v", p)
	}
	r, err := rehearse.New(c, rehearse.NewCommonPractice(spec, c.Target, rehearse.CarefulTimer(c)))
	if err != nil {
		t.Fatal(err)
	}
	r.Advance(8 * time.Hour)
	if f := r.Figures(); f.Hours < 1.99 || f.Hours > 2.01 || f.SwitchesPerHour["fan"] != 8 {
		t.Errorf("%+v", f)
	}
}

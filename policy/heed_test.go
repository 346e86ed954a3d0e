package policy_test

import (
	"math"
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// TestTheOnlySensorIsHeededAfterAStep: the only sensor says from one reading to the next that it is much colder, or that the air is
// stale. Plugs go by it, and it is told of, until it has stayed so for longer than a door stands open; then it is left out.
func TestTheOnlySensorIsHeededAfterAStep(t *testing.T) {
	for _, c := range []struct {
		sensor, plug int
		normal, then float64
		says         alarm.Name
	}{
		{sensor: 1, plug: 1, normal: 700, then: 2500, says: alarm.CO2High},
		{sensor: 2, plug: 2, normal: 16, then: 7, says: alarm.TemperatureLow},
	} {
		b := newBench(t)
		b.p.Spec.Sensors = []chamber.Sensor{b.p.Spec.Sensors[0], b.p.Spec.Sensors[2], b.p.Spec.Sensors[3]}
		q := b.p.Spec.Sensors[c.sensor].Quantity
		b.p.Spec.Plugs = []chamber.Plug{{Name: "mist", Role: chamber.Humidifier}, {Name: "fan", Role: chamber.ExhaustFan, FlowM3PerH: 60}, {Name: "heat", Role: chamber.Heater}}
		b.p.Rules = true
		b.s = b.p.Fresh(morning)
		b.step(time.Second, nil, policy.Action{ID: "b", Kind: policy.BatchAdd, Batch: "b1", Species: "pleurotus-ostreatus",
			SubstrateKg: 12, DryKg: 4, Stage: species.Fruiting})
		air := map[int]float64{0: 0.88, 1: 700, 2: 16}
		ran, of := 0, 0
		pass := func(d time.Duration) {
			ran, of = 0, int(d/(10*time.Second))
			for i := range of {
				wobble := map[int]float64{}
				for k, v := range air {
					wobble[k] = v * (1 + 0.001*math.Sin(float64(i+k)))
				}
				b.step(10*time.Second, wobble)
				if b.s.Plugs[c.plug].Told {
					ran++
				}
			}
		}
		pass(30 * time.Minute)
		air[c.sensor] = c.then
		pass(18 * time.Minute)
		if got := b.s.Air.Of(chamber.Inside, q); !got.OK || math.Abs(got.Value/c.then-1) > 0.01 {
			t.Errorf("%s: the air is %+v, and the only sensor says %g", q, *got, c.then)
		}
		if ran < of*3/5 {
			t.Errorf("%s: the plug that answers it ran for %d of %d steps", q, ran, of)
		}
		if !b.s.Alarms.Active(c.says) || !b.s.Alarms.Active(alarm.SensorDisagrees) {
			t.Errorf("%s: after 18 min %s is %v, %s is %v", q, c.says, b.s.Alarms.Active(c.says), alarm.SensorDisagrees, b.s.Alarms.Active(alarm.SensorDisagrees))
		}
		pass(10 * time.Minute)
		if got := b.s.Air.Of(chamber.Inside, q); got.OK {
			t.Errorf("%s: it stays there, and is still used", q)
		}
		air[c.sensor] = c.normal
		pass(75 * time.Minute)
		if got := b.s.Air.Of(chamber.Inside, q); !got.OK {
			t.Errorf("%s: it is back where it was, and is not used", q)
		}
	}
}

// TestTheOnlyHumiditySensorIsNotLearnedFromAfterAStep: while it is weighed whether the only sensor of humidity has jumped, plugs go by it,
// and the learner is told nothing of what it says.
func TestTheOnlyHumiditySensorIsNotLearnedFromAfterAStep(t *testing.T) {
	b := newBench(t)
	b.p.Spec.Sensors = []chamber.Sensor{b.p.Spec.Sensors[0], b.p.Spec.Sensors[2], b.p.Spec.Sensors[3]}
	b.p.Rules = true
	b.s = b.p.Fresh(morning)
	b.step(time.Second, nil, policy.Action{ID: "b", Kind: policy.BatchAdd, Batch: "b1", Species: "pleurotus-ostreatus",
		SubstrateKg: 12, DryKg: 4, Stage: species.Fruiting})
	rh := 0.88
	pass := func(d time.Duration) (taken int) {
		before := b.s.Learn.Water.Taken
		for i := range int(d / (10 * time.Second)) {
			wobble := 1 + 0.001*math.Sin(float64(i))
			b.step(10*time.Second, map[int]float64{0: rh * wobble, 1: 700 * wobble, 2: 16 * wobble})
		}
		return b.s.Learn.Water.Taken - before
	}
	pass(2 * time.Hour)
	if n := pass(3 * time.Minute); n == 0 {
		t.Fatal("nothing is learned from it before")
	}
	rh = 0.76
	b.step(10*time.Second, map[int]float64{0: rh, 1: 700, 2: 16})
	if n := pass(3 * time.Minute); n > 0 || !b.s.Air.Inside.RelativeHumidity.OK {
		t.Errorf("three minutes after the step %d readings were learned from; the air is %+v", n, b.s.Air.Inside.RelativeHumidity)
	}
}

package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// TestProvesASaturatedSensor: while the only sensor of humidity is left out at the end of its range, the fan runs for some minutes
// without mist every half hour, that a sound one may dip; by three dips it is used again, and the runs end.
func TestProvesASaturatedSensor(t *testing.T) {
	b := newBench(t)
	b.p.Spec.Sensors = []chamber.Sensor{b.p.Spec.Sensors[0], b.p.Spec.Sensors[2], b.p.Spec.Sensors[3]}
	b.p.Spec.Plugs = []chamber.Plug{{Name: "mist", Role: chamber.Humidifier, MinOn: 10 * time.Second, MinOff: 10 * time.Second},
		{Name: "fan", Role: chamber.ExhaustFan, MinOn: 10 * time.Second, MinOff: 10 * time.Second, FlowM3PerH: 60}}
	b.p.Rules = true // a plan runs the fan for as long for reasons of its own
	b.s = b.p.Fresh(morning)
	b.step(time.Second, nil, policy.Action{ID: "b", Kind: policy.BatchAdd, Batch: "b1", Species: "pleurotus-ostreatus",
		SubstrateKg: 12, DryKg: 4, Stage: species.Fruiting})
	rh := 0.999
	step := func() {
		b.step(10*time.Second, map[int]float64{0: rh, 1: 600, 2: 17})
	}
	step()
	b.s.Detectors.Sensors[0].Suspect = alarm.Saturated
	long, run, misted := 0, 0, false
	pass := func(d time.Duration) {
		long = 0
		for range int(d / (10 * time.Second)) {
			step()
			if !b.s.Plugs[1].Told {
				run, misted = 0, false
				continue
			}
			if misted = misted || b.s.Plugs[0].Told; !misted {
				run++
			}
			if run == 15 {
				long++
			}
		}
	}
	pass(25 * time.Minute)
	if long > 0 {
		t.Errorf("%d long runs of the fan within 25 min, before anything is to be shown", long)
	}
	pass(2 * time.Hour)
	if long != 4 {
		t.Errorf("%d long runs of the fan without mist in two hours, want 4", long)
	}
	for range 3 {
		rh = 0.95
		pass(time.Minute)
		rh = 0.999
		pass(4 * time.Minute)
	}
	if b.s.Detectors.Sensors[0].Suspect != "" {
		t.Fatal("three dips do not bring it back")
	}
	rh = 0.91
	if pass(40 * time.Minute); !b.humidity().OK || long > 0 {
		t.Errorf("%d more long runs of the fan though the sensor is used again", long)
	}
}

package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// TestWhatPeopleDoBeginsTheVaporAnew has what is usual of a chamber's vapor forgotten by what may change it, and by nothing else.
func TestWhatPeopleDoBeginsTheVaporAnew(t *testing.T) {
	for _, c := range []struct {
		does   policy.Action
		forget bool
	}{
		{policy.Action{Kind: policy.BatchAdd, Batch: "b2", Species: "pleurotus-ostreatus", SubstrateKg: 5, DryKg: 2, Stage: species.Fruiting}, true},
		{policy.Action{Kind: policy.StageSet, Batch: "b1", Stage: species.Pinning}, true},
		{policy.Action{Kind: policy.HarvestDone, Batch: "b1", FreshG: 400}, true},
		{policy.Action{Kind: policy.BatchRetire, Batch: "b1"}, true},
		{policy.Action{Kind: policy.Refilled, Liters: 3, Cleaned: true}, true},
		{calibrate(t, "", "upper", 0.78), true},
		{policy.Action{Kind: policy.Refilled, Liters: 3}, false},
		{policy.Action{Kind: policy.NoteMade, Batch: "b1", Note: "fine pins"}, false},
		{policy.Action{Kind: policy.SensorAside, Sensor: "upper", For: time.Hour}, false},
	} {
		b := fruitingWith(t, 0, chamber.Plug{Name: "mister", Role: chamber.Humidifier, MaxOn: 30 * time.Minute})
		b.step(10*time.Second, map[int]float64{0: 0.9})
		o := &b.s.Detectors.Offset
		if o.Of != "upper" || o.Aim == 0 {
			t.Fatalf("nothing follows the only sensor: %+v", *o)
		}
		o.For = 1e5
		c.does.ID, c.does.At = "a", b.s.Now
		b.step(10*time.Second, map[int]float64{0: 0.9}, c.does)
		if got := b.s.Detectors.Offset.For < 1e5; got != c.forget {
			t.Errorf("%s: forgotten %v, want %v", c.does.Kind, got, c.forget)
		}
	}
}

// TestADriftedSensorSparesNoMist has the only sensor stand at the end of its range: mist is spared by habit where it may be right,
// and not where it reads too high, which in dry air takes it there.
func TestADriftedSensorSparesNoMist(t *testing.T) {
	for _, c := range []struct {
		suspect alarm.Code
		spared  bool
	}{{alarm.Saturated, true}, {alarm.Drifted, false}} {
		b := fruitingWith(t, 0, chamber.Plug{Name: "mister", Role: chamber.Humidifier, MaxOn: 30 * time.Minute})
		b.step(10*time.Second, map[int]float64{0: 1})
		var on [2]float64
		for hour := range 8 {
			for range 360 {
				p := &b.s.Plugs[0]
				p.Duty, p.DutyHours = 0.2, 24
				was := p.OnSeconds
				w := &b.s.Detectors.Sensors[0]
				w.Suspect, w.Good, w.Changes = c.suspect, 0, 0
				b.s.Detectors.Offset.Left = alarm.Left{Read: 1}
				b.step(10*time.Second, map[int]float64{0: 1})
				on[hour/4] += b.s.Plugs[0].OnSeconds - was
			}
		}
		if got := on[1] < 0.8*on[0]; on[0] == 0 || got != c.spared {
			t.Errorf("%s: mist ran %.0f s in four hours and %.0f s in the next, spared %v, want %v", c.suspect, on[0], on[1], got, c.spared)
		}
	}
}

package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/reason"
)

// TestDryAirWithoutAFanIsMisted: a chamber without an exhaust fan stays dry. The humidifier's shortest run would lead beyond the aim by
// more than the air lacks; it is given all the same, soon and again, for nothing else brings the air back into its range.
func TestDryAirWithoutAFanIsMisted(t *testing.T) {
	for _, every := range []time.Duration{time.Second, 30 * time.Second} {
		b := fruitingWith(t, 0, chamber.Plug{Name: "mist", Role: chamber.Humidifier, MinOn: 20 * time.Second, MinOff: 20 * time.Second})
		first, runs, on := time.Duration(0), 0, false
		for at := time.Duration(0); at < time.Hour; at += time.Second {
			var air map[int]float64
			if at%every == 0 {
				air = map[int]float64{0: 0.8} // the range begins at 85 %
			}
			b.step(time.Second, air)
			if told := b.s.Plugs[0].Told; told != on {
				if on = told; on {
					runs++
				}
				if runs == 1 && on {
					first = at
				}
			}
		}
		if runs < 3 || first > time.Minute {
			t.Errorf("a reading each %v: %d runs in an hour of 80 %%, the first after %v", every, runs, first)
		}
	}
}

// TestWhyALittleDryAirIsLeft: where the humidifier is too coarse for what the air lacks, that is the reason given, also between one
// look and the next.
func TestWhyALittleDryAirIsLeft(t *testing.T) {
	b := fruitingWith(t, 0, chamber.Plug{Name: "mist", Role: chamber.Humidifier, MinOn: 20 * time.Second, MinOff: 20 * time.Second})
	for at := range 120 {
		now := b.s.Now.Add(time.Second)
		var d policy.Decision
		b.s, d = b.p.Step(b.s, policy.Input{Now: now, Wall: now, Link: true, Readings: []chamber.Reading{{Value: 0.84, At: now}}})
		if why := d.Plugs[0].Reasons[0].Code; at > 60 && why != reason.TooCoarse {
			t.Fatalf("after %d s at 84 %% the reason is %q", at, why)
		}
	}
}

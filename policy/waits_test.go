package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/reason"
)

// TestNoBoundThatIsPassedIsTheReasonForRest: after a run the fan waits for a slow sensor to show it. That is the reason given, and not
// a bound that the reading has passed.
func TestNoBoundThatIsPassedIsTheReasonForRest(t *testing.T) {
	b := fruitingWith(t, 2, chamber.Plug{Name: "fan", Role: chamber.ExhaustFan, MinOn: 20 * time.Second, MinOff: 20 * time.Second})
	waited := false
	for at := range 300 {
		now := b.s.Now.Add(time.Second)
		var d policy.Decision
		b.s, d = b.p.Step(b.s, policy.Input{Now: now, Wall: now, Link: true, Readings: []chamber.Reading{{Value: 1050, At: now}}})
		why := d.Plugs[0].Reasons[0]
		waited = waited || why.Code == reason.WaitEffect
		if !d.Plugs[0].On && why.Code == reason.InBand && why.Value >= why.Bound {
			t.Fatalf("after %d s it rests because %v is below %v", at, why.Value, why.Bound)
		}
	}
	if !waited {
		t.Error("it never waits for the sensor: the test shows nothing")
	}
}

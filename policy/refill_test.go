package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
)

// TestRefillEndsReservoirLow: who says what the reservoir holds is not told for another ten minutes that the water will soon run out.
// The humidifier draws 100 g in an hour of its on-time, is on all the time, and its 4 liters are to be warned of 24 h ahead.
func TestRefillEndsReservoirLow(t *testing.T) {
	for name, c := range map[string]struct {
		liters float64
		want   alarm.Phase
	}{
		"full: it lasts for 40 h":                              {0, alarm.ReturnedUnacknowledged},
		"to a little above the warning: 2.8 L last for 28 h":   {2.8, alarm.ReturnedUnacknowledged},
		"too little: 2 L last for 20 h, and it is low as ever": {2, alarm.Unacknowledged},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBook(t)
			b.p.Spec.Plugs = []chamber.Plug{{Name: "mister", Role: chamber.Humidifier, Reports: true, OutputGPerH: 100, ReservoirLiters: 4, WarnBefore: 24 * time.Hour}}
			b.state = b.p.Fresh(b.now)
			step := func(passed time.Duration, actions ...policy.Action) {
				b.now = b.now.Add(passed)
				b.state, _ = b.p.Step(b.state, policy.Input{Now: b.now, Wall: b.now, Link: true, Actions: actions,
					Reports: []chamber.PlugReport{{HasOn: true, On: true, At: b.now}}})
			}
			for range 6 * 18 { // after 18 h, 2.2 L are left
				for range 60 {
					step(10 * time.Second)
				}
			}
			low := b.state.Alarms.Of(alarm.ReservoirLow)
			if low.Phase != alarm.Unacknowledged {
				t.Fatalf("%s with %.1f L, empty in %s", low.Phase, b.state.Reservoir.Liters, b.state.Reservoir.EmptyIn)
			}
			step(10*time.Second, policy.Action{ID: "refill", Kind: policy.Refilled, Liters: c.liters, At: b.now})
			step(10 * time.Second)
			if low := b.state.Alarms.Of(alarm.ReservoirLow); low.Phase != c.want {
				t.Errorf("%s with %.1f L, empty in %s; want %s", low.Phase, b.state.Reservoir.Liters, b.state.Reservoir.EmptyIn, c.want)
			}
		})
	}
}

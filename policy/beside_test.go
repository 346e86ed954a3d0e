package policy_test

import (
	"encoding/json"
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// TestBeside: a policy that observes counts what the plug did and what it wished, and how the air was kept: ten minutes
// of dry air in which somebody else's control leaves the mister off for five and runs it for five.
func TestBeside(t *testing.T) {
	spec := &chamber.Spec{Name: "loft", VolumeM3: 0.5,
		Sensors: []chamber.Sensor{{Name: "rh", Quantity: chamber.RelativeHumidity, Place: chamber.Inside, MaxAge: 5 * time.Minute}},
		Plugs:   []chamber.Plug{{Name: "mister", Role: chamber.Humidifier, Reports: true, MinOn: 10 * time.Second, MinOff: 10 * time.Second, MaxOn: time.Hour}}}
	p := &policy.Policy{Spec: spec, Climates: species.Builtin(), Observe: true}
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	s := p.Fresh(start)
	step := func(at time.Duration, rh float64, on bool, actions ...policy.Action) {
		now := start.Add(at)
		var d policy.Decision
		s, d = p.Step(s, policy.Input{Now: now, Wall: now, Link: true, LinkUp: at == 0, Actions: actions,
			Readings: []chamber.Reading{{Value: rh, At: now}}, Reports: []chamber.PlugReport{{HasOn: true, On: on, At: now}}})
		if d.Plugs[0].Send {
			t.Fatalf("%v: a command is sent", at)
		}
	}
	step(0, 0.6, false, policy.Action{ID: "b", Kind: policy.BatchAdd, At: start, Batch: "b", Species: "pleurotus-ostreatus", Stage: species.Fruiting, SubstrateKg: 5, DryKg: 2})
	for at := 10 * time.Second; at <= 10*time.Minute; at += 10 * time.Second {
		step(at, 0.6, at >= 5*time.Minute)
	}
	b := s.Beside
	if b == nil || len(b.Plugs) != 1 || len(b.InRange) != 1 || !b.Since.Equal(start) || b.Seconds != 600 {
		t.Fatalf("%+v", b)
	}
	if x := b.Plugs[0]; x.Seconds != 600 || x.OnSeconds != 300 || x.Switches != 1 || x.WantedSeconds < 250 {
		t.Errorf("%+v; want 300 of 600 s on, switched once, and mist wished most of the time", x)
	}
	if r := b.InRange[0]; r.Quantity != chamber.RelativeHumidity || r.Seconds < 590 || r.Within != 0 {
		t.Errorf("%+v; want air that was never in range", r)
	}
	// A gap that nobody saw does not count, and a state that was written is the state that is read.
	step(2*time.Hour, 0.6, true)
	if s.Beside.Seconds != 600 {
		t.Errorf("%v s observed, want 600", s.Beside.Seconds)
	}
	bytes, err := json.Marshal(s)
	var again policy.State
	if err != nil || json.Unmarshal(bytes, &again) != nil || again.Beside.Plugs[0] != s.Beside.Plugs[0] {
		t.Errorf("%v: %+v", err, again.Beside)
	}
	p.Observe = false
	if s, _ = p.Step(s, policy.Input{Now: start.Add(3 * time.Hour), Wall: start.Add(3 * time.Hour), Link: true}); s.Beside != nil {
		t.Error("it goes on when the policy is in charge")
	}
}

// TestBesideAfterCharge: a policy that was in charge and then only observes takes the switches of other controls for theirs,
// and for nobody's hand. The air holds more humidity than is wanted, so that no mist is wished whatever they do.
func TestBesideAfterCharge(t *testing.T) {
	spec := &chamber.Spec{Name: "loft", VolumeM3: 0.5,
		Sensors: []chamber.Sensor{{Name: "rh", Quantity: chamber.RelativeHumidity, Place: chamber.Inside, MaxAge: 5 * time.Minute}},
		Plugs:   []chamber.Plug{{Name: "mister", Role: chamber.Humidifier, Reports: true, MinOn: 20 * time.Second, MinOff: 20 * time.Second, MaxOn: time.Hour}}}
	p := &policy.Policy{Spec: spec, Climates: species.Builtin()}
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	s := p.Fresh(start)
	step := func(at time.Duration, on bool, actions ...policy.Action) {
		now := start.Add(at)
		s, _ = p.Step(s, policy.Input{Now: now, Wall: now, Link: true, LinkUp: at == 0, Actions: actions,
			Readings: []chamber.Reading{{Value: 0.97, At: now}}, Reports: []chamber.PlugReport{{HasOn: true, On: on, At: now}}})
	}
	step(0, false, policy.Action{ID: "b", Kind: policy.BatchAdd, At: start, Batch: "b", Species: "pleurotus-ostreatus", Stage: species.Fruiting, SubstrateKg: 5, DryKg: 2})
	for at := 10 * time.Second; at <= 5*time.Minute; at += 10 * time.Second {
		step(at, false)
	}
	if !s.Plugs[0].HasTold {
		t.Fatal("the plug was never told while the policy was in charge")
	}
	p.Observe = true
	for at := 310 * time.Second; at <= 15*time.Minute; at += 10 * time.Second {
		step(at, at/time.Minute%2 == 0)
	}
	if x := s.Beside.Plugs[0]; x.Switches < 8 || x.WantedSeconds > 0 || s.Plugs[0].Hand.Active {
		t.Errorf("%+v, hand %+v; want the wish to stay off beside controls that switch every minute", x, s.Plugs[0].Hand)
	}
}

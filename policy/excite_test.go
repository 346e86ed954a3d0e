package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/reason"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// purges runs a fruiting chamber of the family by the rules from the given hour of the day, and gives the lengths of
// the purges and the lowest relative humidity during one.
func purges(t *testing.T, hour int, d time.Duration, change func(*rehearse.Case, *policy.Policy)) (runs []time.Duration, driest float64) {
	t.Helper()
	c := rehearse.FamilyCase(306, species.Fruiting)
	c.Start = time.Date(2026, 3, 2, hour, 0, 0, 0, time.UTC)
	c.For, c.Settle, c.Actions = d, 0, batch(species.Fruiting)
	p := familyPolicy(t, c)
	p.Rules = true
	if change != nil {
		change(c, p)
		p.Spec = c.Spec
	}
	run, err := rehearse.New(c, rehearse.NewPolicyController(p, c.Start))
	if err != nil {
		t.Fatal(err)
	}
	fan := c.Spec.Plug(chamber.ExhaustFan)
	var since time.Time
	driest = 1
	run.Watch = func(in *policy.Input, decision *policy.Decision, truth plant.Truth) {
		r := decision.Plugs[fan].Reasons
		purging := decision.Plugs[fan].On && len(r) > 0 && r[0].Code == reason.Purge
		switch {
		case purging && since.IsZero():
			since = in.Now
		case !purging && !since.IsZero():
			runs, since = append(runs, in.Now.Sub(since)), time.Time{}
		}
		if purging {
			driest = min(driest, truth.RelativeHumidity)
		}
	}
	f := run.Finish()
	if f.Violations > 0 {
		t.Errorf("%d minimum times broken", f.Violations)
	}
	return runs, driest
}

// TestPurge has the fan run longer once the chamber was watched for a while: once, for one to three minutes, without
// drying the crop.
func TestPurge(t *testing.T) {
	if raceDetector {
		t.Skip("no goroutine takes part")
	}
	runs, driest := purges(t, 8, 3*time.Hour, nil)
	if len(runs) != 1 || runs[0] < 55*time.Second || runs[0] > 3*time.Minute+5*time.Second {
		t.Errorf("purges of %v in three hours; want one of one to three minutes", runs)
	}
	if driest < 0.85-0.10 {
		t.Errorf("the air fell to %.1f %% in a purge", 100*driest)
	}
}

// TestNoPurge takes away, one at a time, what makes a purge harmless or worthwhile.
func TestNoPurge(t *testing.T) {
	t.Parallel()
	if raceDetector {
		t.Skip("no goroutine takes part")
	}
	hand := func(role chamber.Role) func(*rehearse.Case, *policy.Policy) {
		return func(c *rehearse.Case, _ *policy.Policy) {
			c.Actions = append(c.Actions, policy.Action{ID: "h", Kind: policy.HandSet, Plug: role.String(), Hand: policy.HandOff, For: 2 * time.Hour})
		}
	}
	for name, x := range map[string]struct {
		hour   int
		change func(*rehearse.Case, *policy.Policy)
	}{
		"forbidden":                {8, func(_ *rehearse.Case, p *policy.Policy) { p.NoPurge = true }},
		"observing":                {8, func(_ *rehearse.Case, p *policy.Policy) { p.Observe = true }},
		"at night":                 {22, nil},
		"no CO2 sensor":            {8, func(c *rehearse.Case, _ *policy.Policy) { drop(c, 4) }},
		"the fan in a hand":        {8, hand(chamber.ExhaustFan)},
		"the humidifier in a hand": {8, hand(chamber.Humidifier)},
		"nothing in the reservoir": {8, func(c *rehearse.Case, _ *policy.Policy) {
			c.Faults = []plant.Fault{{Kind: plant.ReservoirDry, From: 60}}
		}},
		"the chamber stands open": {8, func(c *rehearse.Case, _ *policy.Policy) {
			c.Faults = []plant.Fault{{Kind: plant.DoorOpen, From: 60}}
		}},
		"the broker is away": {8, func(c *rehearse.Case, _ *policy.Policy) {
			c.Faults = []plant.Fault{{Kind: plant.LinkDown, From: 60}}
		}},
		"pins and a room too dry": {8, func(c *rehearse.Case, _ *policy.Policy) { c.Actions = batch(species.Pinning); c.Weather.Humidity = 0.2 }},
		"a chamber like its room": {8, func(c *rehearse.Case, _ *policy.Policy) { c.Params.SubstrateCO2, c.Params.FruitCO2 = 0, 0 }},
	} {
		if runs, _ := purges(t, x.hour, 90*time.Minute, x.change); len(runs) > 0 {
			t.Errorf("%s: purges of %v", name, runs)
		}
	}
}

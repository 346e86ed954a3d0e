package policy_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// TestTwoOfARoleRunAsOne: a chamber with two humidifiers and two exhaust fans, each of them half as strong as the label of one says
// that it replaces. Both of a pair run alike, for whatever reason, and what is learned is what both do.
func TestTwoOfARoleRunAsOne(t *testing.T) {
	t.Parallel()
	c := rehearse.FamilyCase(21, species.Fruiting)
	c.For, c.Settle, c.Actions = 8*time.Hour, 2*time.Hour, batch(species.Fruiting)
	if raceDetector {
		c.For = 4 * time.Hour
	}
	spec := *c.Spec
	c.Spec = &spec
	spec.Plugs, c.Outlets = nil, nil
	_, outlets := plant.Equip(21)
	for i, p := range rehearse.FamilyCase(21, species.Fruiting).Spec.Plugs[:2] {
		p.OutputGPerH, p.FlowM3PerH = p.OutputGPerH/2, p.FlowM3PerH/2
		for _, name := range []string{"-left", "-right"} {
			q := p
			q.Name += name
			spec.Plugs, c.Outlets = append(spec.Plugs, q), append(c.Outlets, outlets[i])
		}
	}
	ctl := rehearse.NewPolicyController(familyPolicy(t, c), c.Start)
	run, err := rehearse.New(c, ctl)
	if err != nil {
		t.Fatal(err)
	}
	apart := 0
	run.Watch = func(_ *policy.Input, d *policy.Decision, _ plant.Truth) {
		if d.Plugs[0].On != d.Plugs[1].On || d.Plugs[2].On != d.Plugs[3].On {
			apart++
		}
	}
	f := run.Finish()
	if apart > 0 || f.Violations > 0 {
		t.Errorf("the two of a pair were told otherwise in %d steps, and switched too soon %d times", apart, f.Violations)
	}
	if f.RHWithin5 < 0.85 || f.CO2BelowMax < 0.95 {
		t.Errorf("humidity within 5 points %.0f %% of the time, CO2 below its maximum %.0f %%", 100*f.RHWithin5, 100*f.CO2BelowMax)
	}
	k := ctl.State.Learn.Knowledge(spec.VolumeM3, spec.AltitudeM)
	flow := (k.FanOn.Value - k.FanOff.Value) * c.Params.VolumeM3
	if off := math.Abs(flow/c.Params.FanM3PerH - 1); !k.FanOn.Known || off > 0.15 {
		t.Errorf("both fans move %.1f m³/h as learned, %.1f in truth", flow, c.Params.FanM3PerH)
	}
}

// TestHandOnOneOfARole: who names the role of two plugs is asked which of the two, and of no other.
func TestHandOnOneOfARole(t *testing.T) {
	c := rehearse.FamilyCase(21, species.Fruiting)
	spec := *c.Spec
	second := spec.Plugs[0]
	second.Name = "second"
	spec.Plugs = append(slices.Clone(spec.Plugs), second)
	spec.Plugs[0].Name = "first"
	p := &policy.Policy{Spec: &spec, Climates: species.Builtin()}
	s := p.Fresh(c.Start)
	err := p.Check(&s, &policy.Action{ID: "1", Kind: policy.HandSet, Plug: "humidifier", Hand: policy.HandOff, For: time.Minute})
	if err == nil || !strings.HasSuffix(err.Error(), "name one of first, second") {
		t.Errorf("%v", err)
	}
}

package policy_test

import (
	"math"
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/learn"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// spoiler is a policy whose learned values are replaced once.
type spoiler struct {
	*rehearse.PolicyController
	at    time.Time
	spoil func(*learn.State)
	done  bool
}

func (s *spoiler) Step(in policy.Input) policy.Decision {
	if !s.done && in.Now.After(s.at) {
		s.done = true
		s.spoil(&s.State.Learn)
	}
	return s.PolicyController.Step(in)
}

// TestSpoiledLearningDoesNoHarm replaces what was learned by nonsense after an hour, surely believed, and compares the
// hours after it with common practice.
func TestSpoiledLearningDoesNoHarm(t *testing.T) {
	t.Parallel()
	if raceDetector {
		t.Skip("no goroutine takes part")
	}
	sure := func(s *learn.State) {
		for i := range s.CO2.P {
			s.CO2.P[i] *= 0.01
		}
		for i := range s.Water.P {
			s.Water.P[i] *= 0.01
		}
	}
	c := rehearse.FamilyCase(8, species.Fruiting)
	c.For, c.Settle, c.Actions = 6*time.Hour, 90*time.Minute, batch(species.Fruiting)
	run, err := rehearse.New(c, rehearse.NewCommonPractice(c.Spec, c.Target, rehearse.CarefulTimer(c)))
	if err != nil {
		t.Fatal(err)
	}
	theirs := run.Finish()
	for name, spoil := range map[string]func(*learn.State){
		"ten times the flow":    func(s *learn.State) { s.CO2.X[2] += math.Log(10); sure(s) },
		"a tenth of the flow":   func(s *learn.State) { s.CO2.X[2] -= math.Log(10); sure(s) },
		"five times the mist":   func(s *learn.State) { s.Water.X[6] += math.Log(5); sure(s) },
		"a fifth of the mist":   func(s *learn.State) { s.Water.X[6] -= math.Log(5); sure(s) },
		"ten times the CO2":     func(s *learn.State) { s.CO2.X[4] += math.Log(10); sure(s) },
		"not a number":          func(s *learn.State) { s.Water.X[0] = math.NaN() },
		"a variance below zero": func(s *learn.State) { s.CO2.P[0] = -1 },
	} {
		run, err := rehearse.New(c, &spoiler{PolicyController: rehearse.NewPolicyController(familyPolicy(t, c), c.Start), at: c.Start.Add(time.Hour), spoil: spoil})
		if err != nil {
			t.Fatal(err)
		}
		ours := run.Finish()
		t.Logf("%s: ±5 %.1f against %.1f, CO2 %.1f against %.1f", name, 100*ours.RHWithin5, 100*theirs.RHWithin5, 100*ours.CO2BelowMax, 100*theirs.CO2BelowMax)
		if ours.RHWithin5 < theirs.RHWithin5 || ours.CO2BelowMax < theirs.CO2BelowMax || ours.Violations > 0 {
			t.Errorf("%s: ±5 %.1f against %.1f, CO2 %.1f against %.1f, %d minimum times broken", name,
				100*ours.RHWithin5, 100*theirs.RHWithin5, 100*ours.CO2BelowMax, 100*theirs.CO2BelowMax, ours.Violations)
		}
	}
}

// TestFewerSensors takes sensors and labels away; the chamber must still be aired and kept moist, no minimum time
// broken.
func TestFewerSensors(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(c *rehearse.Case){
		"no CO2 sensor":  func(c *rehearse.Case) { drop(c, 4) },
		"no room sensor": func(c *rehearse.Case) { drop(c, 5, 6, 7) },
		"one RH sensor":  func(c *rehearse.Case) { drop(c, 2, 3) },
		"no ratings": func(c *rehearse.Case) {
			spec := *c.Spec
			spec.Plugs = append(spec.Plugs[:0:0], spec.Plugs...)
			for i := range spec.Plugs {
				spec.Plugs[i].FlowM3PerH, spec.Plugs[i].OutputGPerH = 0, 0
			}
			c.Spec = &spec
		},
	} {
		c := rehearse.FamilyCase(3, species.Fruiting)
		c.For, c.Settle, c.Actions = 5*time.Hour, 2*time.Hour, batch(species.Fruiting)
		if raceDetector {
			c.For, c.Settle = time.Hour, 20*time.Minute
		}
		change(c)
		run, err := rehearse.New(c, rehearse.NewPolicyController(familyPolicy(t, c), c.Start))
		if err != nil {
			t.Fatal(err)
		}
		f := run.Finish()
		t.Logf("%s: ±5 %.1f, mean RH %.1f, CO2 %.1f, mean %.0f, switches %.1f + %.1f", name, 100*f.RHWithin5, 100*f.RHMean, 100*f.CO2BelowMax, f.CO2Mean,
			f.SwitchesPerHour["humidifier"], f.SwitchesPerHour["exhaust_fan"])
		if f.Violations > 0 || f.RHMean < 0.80 || f.RHSaturated > 0.6 || f.SwitchesPerHour["exhaust_fan"] < 1 || f.SwitchesPerHour["humidifier"] < 1 || f.CO2Mean > 1500 {
			t.Errorf("%s: mean RH %.1f, saturated %.1f, CO2 mean %.0f, switches %v, %d minimum times broken", name, 100*f.RHMean, 100*f.RHSaturated, f.CO2Mean, f.SwitchesPerHour, f.Violations)
		}
	}
}

// drop takes sensors away, by index.
func drop(c *rehearse.Case, gone ...int) {
	spec := *c.Spec
	spec.Sensors = nil
	sensors := c.Sensors
	c.Sensors = nil
	for i := range sensors {
		keep := true
		for _, g := range gone {
			keep = keep && g != i
		}
		if keep {
			spec.Sensors = append(spec.Sensors, c.Spec.Sensors[i])
			c.Sensors = append(c.Sensors, sensors[i])
		}
	}
	c.Spec = &spec
}

package policy_test

import (
	"slices"
	"testing"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// TestFanDoesNotLockOnInADryRoom: where the room is so dry that every minute of fan costs many points of humidity, a cost
// of humidity that saturates, beside a reward for low CO2, locked a fan on for hours at 42 %. Humidity must not stand far
// below its range for long while CO2 leaves room, on a budget of switchings neither.
func TestFanDoesNotLockOnInADryRoom(t *testing.T) {
	t.Parallel()
	if raceDetector {
		t.Skip("no goroutine takes part")
	}
	const far, long = 0.15, 30 * time.Minute
	for i := range number("GILLKEEPER_SEEDS", 4) {
		stage := []species.Stage{species.Pinning, species.Fruiting}[i%2]
		c := rehearse.FamilyCase(uint64(60+i), stage)
		c.Weather.AirC, c.Weather.Humidity, c.Weather.SlowShare, c.Weather.SlowK, c.Weather.DailyK = 22, 0.15, 0, 0, 1
		c.Params.FanM3PerH *= 1.5 // a fan too large for the tent
		c.For, c.Settle, c.Actions = 4*time.Hour, time.Hour, batch(stage)
		if i%4 >= 2 {
			spec := *c.Spec
			spec.Plugs = slices.Clone(spec.Plugs)
			for j := range spec.Plugs {
				if r := spec.Plugs[j].Role; r == chamber.Humidifier || r == chamber.ExhaustFan {
					spec.Plugs[j].SwitchingsPerDay = 240
				}
			}
			c.Spec = &spec
		}
		run, err := rehearse.New(c, rehearse.NewPolicyController(familyPolicy(t, c), c.Start))
		if err != nil {
			t.Fatal(err)
		}
		var dry, driest time.Duration
		for !run.Done() {
			run.Advance(time.Minute)
			if run.At() < c.Settle {
				continue
			}
			air := run.Rig().State.Truth(&run.Rig().Params)
			if air.RelativeHumidity < c.Target.RelativeHumidity.Low-far && air.CO2PPM < c.Target.CO2MaxPPM {
				dry += time.Minute
			} else {
				dry = 0
			}
			driest = max(driest, dry)
		}
		f := run.Figures()
		t.Logf("chamber %d, %s: at most %v far below the range, mean %.1f %%, CO2 %.0f ppm, below maximum %.1f %%, fan %.1f h a day", i, stage, driest,
			100*f.RHMean, f.CO2Mean, 100*f.CO2BelowMax, f.FanHoursPerDay)
		if driest > long {
			t.Errorf("chamber %d, %s: humidity stood %v at a stretch more than %.0f points below its range, while CO2 was below its maximum", i, stage, driest, 100*far)
		}
	}
}

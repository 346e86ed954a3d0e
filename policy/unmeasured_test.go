package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// TestRoomThatNobodyMeasures keeps chambers with one sensor of each quantity inside and none outside, in rooms far from what is
// usual: taken for a heated living room, a cellar had its mist reckoned as wasted on warm walls, and stood in fog all day.
func TestRoomThatNobodyMeasures(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		name      string
		seed      uint64
		airC, rh  float64
		stage     species.Stage
		saturated float64 // at the most, a share of the time
		within    float64 // at the least
	}{
		{"cellar", 108, 11.5, 0.77, species.Pinning, 0.15, 0.65},
		{"hot attic", 112, 26.1, 0.40, species.Fruiting, 0.02, 0.70},
	} {
		c := unmeasured(x.seed, x.stage, 8*time.Hour)
		c.Weather.AirC, c.Weather.Humidity = x.airC, x.rh
		run, err := rehearse.New(c, rehearse.NewPolicyController(familyPolicy(t, c), c.Start))
		if err != nil {
			t.Fatal(err)
		}
		f := run.Finish()
		t.Logf("%s: within 2.5 points %.1f %%, saturated %.1f %%, CO2 below its maximum %.1f %%", x.name, 100*f.RHWithin2_5, 100*f.RHSaturated, 100*f.CO2BelowMax)
		if f.RHWithin2_5 < x.within || f.RHSaturated > x.saturated || f.CO2BelowMax < 0.99 {
			t.Errorf("%s: within 2.5 points %.1f %% of the time, saturated %.1f %%, CO2 below its maximum %.1f %%; want at least %.0f, at most %.0f, at least 99",
				x.name, 100*f.RHWithin2_5, 100*f.RHSaturated, 100*f.CO2BelowMax, 100*x.within, 100*x.saturated)
		}
	}
}

// TestRoomsThatNobodyMeasures prints how well chambers of the family are kept with one sensor of each quantity inside and none
// outside, in rooms of 11 to 27 °C. GILLKEEPER_SEEDS and GILLKEEPER_DAYS make it the whole comparison, from GILLKEEPER_FROM on;
// the suite leaves it to the test above.
func TestRoomsThatNobodyMeasures(t *testing.T) {
	seeds, length, whole := extent(0, 0, 0)
	if !whole {
		return
	}
	from := uint64(number("GILLKEEPER_FROM", 1))
	for _, stage := range []species.Stage{species.Pinning, species.Fruiting} {
		all := inPairs(seeds, func(seed, of int) rehearse.Figures {
			c := unmeasured(from+uint64(seed), stage, length)
			var ctl rehearse.Controller = rehearse.NewPolicyController(familyPolicy(t, c), c.Start)
			if of == 1 {
				ctl = rehearse.NewCommonPractice(c.Spec, c.Target, rehearse.CarefulTimer(c))
			}
			run, err := rehearse.New(c, ctl)
			if err != nil {
				t.Error(err)
				return rehearse.Figures{}
			}
			return run.Finish()
		})
		for _, f := range shares {
			t.Logf("%s, %s, %d seeds × %v: planned %.1f [%.1f], common practice %.1f [%.1f]", stage, f.name, seeds, length,
				mean(all[0], f.of), p10(all[0], f.of), mean(all[1], f.of), p10(all[1], f.of))
			if mean(all[0], f.of) <= mean(all[1], f.of) {
				t.Errorf("%s, %s: common practice does better", stage, f.name)
			}
		}
	}
}

// unmeasured is a chamber of the family with the first sensor of each quantity and none outside, in a room of 11 to 27 °C, which
// is damper where it is cool.
func unmeasured(seed uint64, stage species.Stage, length time.Duration) *rehearse.Case {
	c := rehearse.FamilyCase(seed, stage)
	c.For, c.Settle, c.Actions = length, min(c.Settle, length/3), batch(stage)
	n := plant.Noise{State: seed * 0x9e3779b97f4a7c15}
	c.AnyRoom(&n)
	c.Target.TemperatureC = chamber.Band{Low: 8, Aim: 18, High: 30}
	c.KeepFirstSensors()
	c.DropRoom()
	return c
}

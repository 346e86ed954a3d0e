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
	for _, x := range []struct {
		name      string
		seed      uint64
		airC, rh  float64
		stage     species.Stage
		saturated float64 // at the most, a share of the time
		within    float64 // at the least
	}{
		{"cellar", 108, 11.5, 0.77, species.Pinning, 0.10, 0.65},
		{"hot attic", 112, 26.1, 0.40, species.Fruiting, 0.02, 0.70},
	} {
		c := rehearse.FamilyCase(x.seed, x.stage)
		c.For, c.Settle, c.Actions = 8*time.Hour, 2*time.Hour, batch(x.stage)
		c.Target.TemperatureC = chamber.Band{Low: 8, Aim: 18, High: 30}
		c.Weather.AirC, c.Weather.Humidity = x.airC, x.rh
		onlyInside(c)
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

// onlyInside leaves the first sensor of each quantity in the chamber.
func onlyInside(c *rehearse.Case) {
	spec, seen := *c.Spec, map[chamber.Quantity]bool{}
	var sensors []plant.SensorSpec
	spec.Sensors = nil
	for i, s := range c.Spec.Sensors {
		if s.Place == chamber.Inside && !seen[s.Quantity] {
			seen[s.Quantity] = true
			spec.Sensors, sensors = append(spec.Sensors, s), append(sensors, c.Sensors[i])
		}
	}
	c.Spec, c.Sensors = &spec, sensors
}

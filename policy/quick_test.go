package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// TestSensorsOfEverySpeed keeps chambers by sensors that follow the air within seconds, as bare ones beside a fan do, or
// within minutes, as in a closed housing. Quick ones fall by 20 points between two readings and reach the end of their range
// in every pulse; none of that may pass for a broken sensor, or for water on it.
func TestSensorsOfEverySpeed(t *testing.T) {
	t.Parallel()
	if raceDetector {
		t.Skip("no goroutine takes part")
	}
	for _, speed := range []struct {
		name    string
		rh, co2 float64 // s
	}{{"quick", 6, 20}, {"slow", 140, 180}} {
		for _, seed := range []uint64{205, 206, 209} {
			c := rehearse.FamilyCase(seed, species.Pinning)
			c.For, c.Settle, c.Actions = 8*time.Hour, 4*time.Hour, batch(species.Pinning)
			for i := range c.Sensors {
				s := &c.Sensors[i]
				s.Bias, s.Creep, s.Gain, s.WetS = 0, 0, 0, 0 // what a sensor is off by cannot be known
				if s.LagS = speed.rh; s.Quantity == chamber.CO2 {
					s.LagS = speed.co2
				}
			}
			ctl := rehearse.NewPolicyController(familyPolicy(t, c), c.Start)
			run, err := rehearse.New(c, ctl)
			if err != nil {
				t.Fatal(err)
			}
			f := run.Finish()
			t.Logf("%s, seed %d: ±2.5 %.1f, ±5 %.1f, saturated %.1f, CO2 %.1f", speed.name, seed, 100*f.RHWithin2_5, 100*f.RHWithin5, 100*f.RHSaturated, 100*f.CO2BelowMax)
			if f.RHWithin5 < 0.85 || f.CO2BelowMax < 0.95 || f.RHSaturated > 0.15 {
				t.Errorf("%s sensors, seed %d: RH within 5 points for %.1f %%, saturated %.1f %%, CO2 below maximum %.1f %%", speed.name, seed,
					100*f.RHWithin5, 100*f.RHSaturated, 100*f.CO2BelowMax)
			}
			for i := range ctl.State.Sensors {
				if code := ctl.State.Sensors[i].Suspect; code != "" {
					t.Errorf("%s sensors, seed %d: %s is suspected: %s", speed.name, seed, c.Spec.Sensors[i].Name, code)
				}
			}
		}
	}
}

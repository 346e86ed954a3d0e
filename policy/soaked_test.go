package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// TestWaterOnSensorsIsNotTheAir: in this chamber each run of mist saturates the air, and water stays on both sensors of humidity for
// minutes after the fan has taken that off. Who believes them learns that the fan dries nothing, and runs it until the air truly is
// five points too dry: humidity was within 2.5 points of its aim for less than half of the day.
func TestWaterOnSensorsIsNotTheAir(t *testing.T) {
	t.Parallel()
	c := rehearse.FamilyCase(606, species.Pinning)
	c.For, c.Actions = 16*time.Hour, batch(species.Pinning)
	if raceDetector {
		c.For = 10 * time.Hour
	}
	run, err := rehearse.New(c, rehearse.NewPolicyController(familyPolicy(t, c), c.Start))
	if err != nil {
		t.Fatal(err)
	}
	wet := 0
	for !run.Done() {
		run.Advance(time.Minute)
		if rig := run.Rig(); rig.Sensors[0].Wet() && rig.Sensors[2].Wet() {
			wet++
		}
	}
	if share := float64(wet) / c.For.Minutes(); share < 0.05 {
		t.Errorf("both sensors are wet %.0f %% of the time only, and the test says nothing", 100*share)
	}
	if f := run.Figures(); f.RHWithin2_5 < 0.7 {
		t.Errorf("humidity within 2.5 points of its aim %.0f %% of the time", 100*f.RHWithin2_5)
	}
}

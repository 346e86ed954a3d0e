package keeper

import (
	"math"
	"testing"
	"testing/synctest"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/air/salt"
	"gillkeeper/policy/calibration"
)

// Greenspan 1977: 75.47 % over sodium chloride at 20 °C. The sensor shows 78.47, so its 90 % are 87 %.
func TestACalibrationOutlivesTheDaemon(t *testing.T) {
	for name, saved := range map[string]bool{"stopped": true, "killed before its state was saved": false} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				j := &brittle{Memory: journal.NewMemory()}
				h := open(t, j, tent("loft"))
				h.k.Link(true)
				h.air(0.90, 700)
				time.Sleep(time.Second)
				c, err := calibration.Fit(time.Now(), calibration.Point{Salt: salt.SodiumChloride, TemperatureC: 20, Reading: 0.7847, Noise: 0.001})
				if err != nil {
					t.Fatal(err)
				}
				h.act(policy.Action{ID: "c1", Kind: policy.Calibrate, Sensor: "rh", Calibration: &c})
				j.set(!saved) // what was acknowledged is in the journal already
				h.cancel()
				<-h.done
				j.set(false)

				h = open(t, j, tent("loft"))
				defer h.close()
				h.k.Link(true)
				h.air(0.90, 700)
				time.Sleep(time.Second)
				s, _ := h.k.Snapshot("loft")
				if e := s.State.Air.Inside.RelativeHumidity; !e.OK || math.Abs(e.Value-0.87) > 2e-4 {
					t.Errorf("after the restart the air is %+v, want 0.87", e)
				}
				if x := s.State.Sensors[0]; x.Raw != 0.90 || len(x.Earlier) != 0 {
					t.Errorf("after the restart the sensor is %+v", x)
				}
			})
		})
	}
}

package learn_test

import (
	"math"
	"testing"
	"time"

	"gillkeeper/policy/learn"
)

// TestAirStepConverges plays runs of both plugs in the steps that plans are made in and in steps so short that their
// length no longer matters. Mist that evaporates while the fan runs is the stiffest that happens: cooling that a step does
// not carry off again within itself adds up to several points of relative humidity.
func TestAirStepConverges(t *testing.T) {
	ch := newChamber()
	ch.run(2 * time.Hour)
	f := learn.Facts{Now: ch.now, VolumeM3: ch.p.VolumeM3, RatedFlow: 80, RatedMist: 300, AirC: 19, RoomC: 20, RoomRH: 0.5}
	m, _ := ch.learned.Model(&f)
	for _, flow := range []float64{1, 3} { // the nominal chamber's, and that of a much smaller one
		for _, mist := range []float64{1, 3} {
			c := m.Constants
			c.Flow, c.MistRate, c.Heat, c.Wall = flow*c.Flow, mist*c.MistRate, flow*c.Heat, flow*c.Wall
			course := func(step float64) (rh []float64) {
				a := m.Air
				for at := 0.0; at < 180; at += step {
					on := [2]float64{}
					if at < 36 {
						on[0] = 1
					}
					if at >= 12 && at < 48 {
						on[1] = 1
					}
					a.Step(&c, on[0], on[1], step)
					if end := at + step; end == math.Trunc(end/4)*4 {
						rh = append(rh, 100*a.RH(&c))
					}
				}
				return rh
			}
			exact := course(1.0 / 16)
			for _, l := range []struct{ step, mean, worst float64 }{{1, 0.15, 1.2}, {2, 0.25, 1.7}, {4, 0.4, 2.9}} {
				sum, worst := 0.0, 0.0
				rh := course(l.step)
				for i := range rh {
					off := math.Abs(rh[i] - exact[i])
					sum, worst = sum+off, max(worst, off)
				}
				mean := sum / float64(len(rh))
				t.Logf("flow %v, mist %v, steps of %v s: %.2f points off on average, %.2f at most", flow, mist, l.step, mean, worst)
				if mean > l.mean || worst > l.worst {
					t.Errorf("flow %v, mist %v: steps of %v s are %.2f points off on average, %.2f at most", flow, mist, l.step, mean, worst)
				}
			}
		}
	}
}

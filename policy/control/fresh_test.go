package control

import (
	"math"
	"testing"

	"gillkeeper/policy/reason"
)

// TestReasonInAStaleRoom: where the room's own air is no fresher than the maximum, the fan acts some way above the room, and says so: a
// number far above the maximum needs its why. By hand: 150 ppm above a room that is only believed, 15 % of it above one that is measured.
func TestReasonInAStaleRoom(t *testing.T) {
	for name, c := range map[string]struct {
		measured bool
		room     float64
		code     reason.Code
		bound    float64
	}{
		"believed":        {false, 2961, reason.StaleRoom, 3111},
		"measured":        {true, 2961, reason.StaleRoom, 3405.15},
		"a room as fresh": {true, 500, reason.AboveAim, 940},
	} {
		sc := planScene()
		sc.Target.CO2MaxPPM = 1000
		sc.Air.Inside.CO2.OK, sc.Air.Inside.CO2.Value = true, 3972
		sc.Air.Room.CO2.OK, sc.Air.Room.CO2.Value = c.measured, c.room
		var st State
		st.Seen.CO2, st.Seen.Flow = 3972, 0.7
		st.Fan.Freshest, st.Fan.Flushed, st.Fan.SeenAt = c.room, 10, sc.Now
		r, run := st.freshAir(sc, 1)
		if r.Code != c.code || run <= 0 || r.Value != 3972 || math.Abs(r.Bound-c.bound) > 1 {
			t.Errorf("%s: %+v for %s; want %s from %g ppm on", name, r, run, c.code, c.bound)
		}
		if r.Code == reason.StaleRoom && r.Predicted != c.room {
			t.Errorf("%s: the room is said to be at %g ppm", name, r.Predicted)
		}
	}
}

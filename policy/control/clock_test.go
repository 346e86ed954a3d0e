package control

import (
	"math"
	"testing"
	"time"

	"gillkeeper/policy/reason"
)

// TestAirByTheClockSparesPlugs: a full chamber whose CO2 nobody measures gets the air that it is due by few long runs, not by many
// short ones. By hand: 60 m³/h, of which 55 % pass duct and filter, change 0.56 m³ 58.9 times an hour. For 15 changes the fan runs for
// 0.2546 of the time, which by runs of 22 s would be 83 switchings an hour; a plug should need no more than 35.
func TestAirByTheClockSparesPlugs(t *testing.T) {
	sc := planScene()
	sc.Air.Inside.CO2.OK = false
	sc.Target.FAEPerHour = 15
	var st State
	ran, hour := 0, 3600
	switched := [2]int{}
	for range hour {
		was := [2]bool{sc.Plugs[0].Told, sc.Plugs[1].Told}
		drive(t, sc, &st, time.Second)
		for j := range was {
			if sc.Plugs[j].Told != was[j] {
				switched[j]++
			}
		}
		if sc.Plugs[1].Told {
			ran++
		}
	}
	if switched[1] > 36 || switched[0] > 41 { // a run may straddle the end of the hour
		t.Errorf("in an hour the humidifier is switched %d times and the fan %d times", switched[0], switched[1])
	}
	if share := float64(ran) / float64(hour); math.Abs(share-0.2546) > 0.02 {
		t.Errorf("the fan runs for %.3f of the time, want 0.255", share)
	}
}

// TestNextAirIsToCome: once the fan runs by the clock, by the plan or by the rules, the next run is one to come.
func TestNextAirIsToCome(t *testing.T) {
	sc := planScene()
	sc.Air.Inside.CO2.OK = false
	sc.Target.FAEPerHour = 6
	var st State
	if why, run := st.airByClock(sc, 1); run == 0 || !why.Until.After(sc.Now) {
		t.Errorf("due at %v for %v, and the next run is at %v", sc.Now, run, why.Until)
	}
	ran := 0
	for range 1800 {
		drive(t, sc, &st, time.Second)
		if sc.Plugs[1].Told && st.Fan.Why.Code == reason.FreshAir {
			ran++
			if until := st.Fan.Why.Until; !until.After(sc.Now) {
				t.Fatalf("at %v the next run is at %v", sc.Now, until)
			}
		}
	}
	if ran == 0 {
		t.Error("the fan never ran by the clock")
	}
}

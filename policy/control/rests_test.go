package control

import (
	"testing"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/reason"
)

// TestPulseEndsWithItsReading: a pulse that humidity decided ends when humidity is not known any more.
func TestPulseEndsWithItsReading(t *testing.T) {
	sc := planScene()
	sc.Model = nil
	sc.Air.Inside.RelativeHumidity.Value, sc.Air.Inside.CO2.Value = 0.80, 500
	st, wants := Decide(State{}, sc)
	if !wants[0].On || st.Mist.Until.Sub(sc.Now) < 10*time.Second {
		t.Fatalf("no pulse in dry air: %+v", wants[0])
	}
	sc.Plugs[0].On = true
	sc.Now = sc.Now.Add(time.Second)
	sc.Air.Inside.RelativeHumidity.OK = false
	if _, wants = Decide(st, sc); wants[0].On {
		t.Errorf("the humidifier runs on by a reading that is gone: %+v", wants[0].Reasons)
	}
}

// TestRunPutOffEndsWithItsReading: so does a run of the fan that was yet to begin, and it does not come back a moment later.
func TestRunPutOffEndsWithItsReading(t *testing.T) {
	sc := planScene()
	sc.Model = nil
	why := reason.Reason{Code: reason.AboveAim, Quantity: chamber.RelativeHumidity, Value: 0.98, Bound: 0.95}
	st := State{Fan: Fan{Since: sc.Now.Add(10 * time.Second), Until: sc.Now.Add(30 * time.Second), Why: why}}
	sc.Air.Inside.RelativeHumidity.OK, sc.Air.Inside.CO2.Value = false, 500
	for range 30 {
		var wants []guard.Want
		st, wants = Decide(st, sc)
		for _, r := range wants[1].Reasons {
			if r.Quantity == chamber.RelativeHumidity {
				t.Fatalf("the fan goes by humidity, which nobody knows: %+v", r)
			}
		}
		sc.Now = sc.Now.Add(time.Second)
	}
}

// TestReasonOfARunThatIsOver: with CO2 still above what the fan acts at, a fan whose run is over is not off because of that.
func TestReasonOfARunThatIsOver(t *testing.T) {
	sc := planScene()
	sc.Model = nil
	sc.Air.Inside.RelativeHumidity.Value = sc.Target.RelativeHumidity.Aim
	var st State
	ends := 0
	for range 1800 {
		sc.Air.Inside.CO2.Value = 900
		var wants []guard.Want
		st, wants = Decide(st, sc)
		p, was := &sc.Plugs[1], sc.Plugs[1].Told
		for j := range wants {
			sc.Plugs[j].Apply(&sc.Spec.Plugs[j], wants[j], guard.Scene{Now: sc.Now, Link: true, LinkSince: sc.Now.Add(-time.Hour)})
		}
		if was && !p.Told {
			ends++
			if r := wants[1].Reasons[0]; r.Code != reason.MinOff || !r.Until.Equal(sc.Now.Add(20*time.Second+guard.Slack)) {
				t.Fatalf("turned off at %v because %+v", sc.Now, r)
			}
		}
		sc.Now = sc.Now.Add(time.Second)
	}
	if ends < 3 {
		t.Errorf("%d runs of the fan in half an hour above the maximum", ends)
	}
}

// TestRulesRestFromMistThatTheReadingsDeny: by the labels the fan dries the air, and the rules give mist with each of its runs. But
// every reading is at the end of the sensor's range, and stays there: after half an hour the fan runs alone.
func TestRulesRestFromMistThatTheReadingsDeny(t *testing.T) {
	sc := planScene()
	sc.Model = nil
	var st State
	run := func(d time.Duration, rh float64) (mist, fan time.Duration) {
		for range int(d / time.Second) {
			sc.Air.Inside.RelativeHumidity.Value, sc.Air.Inside.CO2.Value = rh, 900
			sc.Air.Inside.RelativeHumidity.At, sc.Air.Inside.CO2.At = sc.Now, sc.Now
			var wants []guard.Want
			st, wants = Decide(st, sc)
			for j := range wants {
				p := &sc.Plugs[j]
				p.Apply(&sc.Spec.Plugs[j], wants[j], guard.Scene{Now: sc.Now, Link: true, LinkSince: sc.Now.Add(-time.Hour)})
			}
			if sc.Plugs[0].On {
				mist += time.Second
			}
			if sc.Plugs[1].On {
				fan += time.Second
			}
			sc.Now = sc.Now.Add(time.Second)
		}
		return mist, fan
	}
	if mist, _ := run(30*time.Minute, 0.999); mist == 0 {
		t.Error("no mist at once: a sensor may be wet for a while")
	}
	run(2*time.Minute, 0.999) // a run that had begun
	if mist, fan := run(3*time.Hour, 0.999); mist > 0 || fan == 0 {
		t.Errorf("mist for %v, fan for %v in three hours at saturation", mist, fan)
	}
	if mist, _ := run(time.Hour, 0.85); mist == 0 {
		t.Error("no mist in dry air")
	}
}

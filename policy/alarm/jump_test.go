package alarm_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
)

// A step that no air makes, in one sensor of several or in the only one, is that sensor's; what comes slowly is not
// taken for one, and trust comes back with the value.
func TestSensorJumps(t *testing.T) {
	for _, c := range []struct {
		name string
		i    int
		by   float64
	}{{"humidity", rhB, -0.12}, {"temperature", tempA, 4}, {"co2", co2A, 600}} {
		d := newDesk(t)
		d.run(3*time.Hour, d.sound)
		step, slowly := c.by, 0.0
		off := func(i int) float64 {
			v := d.sound(i)
			if i == c.i {
				slowly = max(-math.Abs(step), min(slowly+c.by/90, math.Abs(step)))
				v += slowly
			}
			return v
		}
		d.run(90*time.Minute, off)
		if d.suspect[c.i] == alarm.Jumped {
			t.Errorf("%s: a change over an hour and a half counts as a jump", c.name)
		}
		d = newDesk(t)
		d.run(3*time.Hour, d.sound)
		slowly = c.by
		d.run(10*time.Minute, off)
		d.expect(alarm.SensorDisagrees, true, c.name+" stepped")
		if a := d.c.Of(alarm.SensorDisagrees); a.Code != alarm.Jumped || a.About != d.e.Spec.Sensors[c.i].Name {
			t.Errorf("%s: says %+v", c.name, *a)
		}
		for i, code := range d.suspect {
			if (code == alarm.Jumped) != (i == c.i) {
				t.Errorf("%s: sensor %d is suspect: %q", c.name, i, code)
			}
		}
		d.run(15*time.Minute, d.sound)
		if d.suspect[c.i] != "" {
			t.Errorf("%s: back where it was, it is not trusted", c.name)
		}
	}
}

// TestNoJumpBeforeItsSpotIsKnown: a thermometer in a warmer spot that mist had cooled when the program began is no jump when it is
// warm again: how far it is from the others was not known as a mean, and it would never come back to that.
func TestNoJumpBeforeItsSpotIsKnown(t *testing.T) {
	d := newDesk(t)
	top := len(d.e.Sensors) // a second thermometer
	d.e.Spec.Sensors = append(d.e.Spec.Sensors, chamber.Sensor{Name: "top", Quantity: chamber.Temperature, Place: chamber.Inside, MaxAge: 5 * time.Minute})
	d.e.Sensors = append(d.e.Sensors, alarm.SensorView{})
	by := -1.0
	off := func(i int) float64 {
		if i == top {
			return d.sound(tempA) + by
		}
		return d.sound(i)
	}
	d.run(2*time.Minute, off)
	by = 1.8
	d.run(2*time.Hour, off)
	if code := d.suspect[top]; code != "" {
		t.Errorf("two hours after it warmed up it is suspect: %q", code)
	}
}

// TestNoJumpBesideSilentOthers: one wild reading begins to look like a step, a quarter of which is gone in the next two, while the others
// are silent. What they did not say is no sign that the sensor left them.
func TestNoJumpBesideSilentOthers(t *testing.T) {
	d := newDesk(t)
	d.run(3*time.Hour, d.sound)
	by, silent := 0.078, false
	off := func(i int) float64 {
		switch v := d.sound(i); {
		case i == rhB:
			return v + by
		case silent && (i == rhA || i == rhC):
			d.e.Sensors[i].Fresh = false
			return math.NaN()
		default:
			return v
		}
	}
	d.run(time.Minute, off)
	by, silent = 0.06, true
	d.run(2*time.Minute, off)
	by, silent = 0, false
	for range 10 {
		if d.run(time.Minute, off); d.suspect[rhB] == alarm.Jumped {
			t.Fatal("a sensor that reads as ever is suspected of a jump")
		}
	}
}

// TestJumpInAWarmerSpot: a sensor that always reads drier than the others, where it hangs warmer, is trusted again once it
// reads as much drier as before. While all are saturated that cannot be told.
func TestJumpInAWarmerSpot(t *testing.T) {
	d := newDesk(t)
	by := 0.0
	off := func(i int) float64 {
		if i == rhB {
			return d.sound(i) - 0.06 + by
		}
		return d.sound(i)
	}
	d.run(3*time.Hour, off)
	if d.suspect[rhB] != "" {
		t.Fatalf("in its warmer spot it is suspect: %q", d.suspect[rhB])
	}
	by = -0.12
	d.run(20*time.Minute, off)
	if d.suspect[rhB] != alarm.Jumped {
		t.Fatalf("12 points down, it is suspect: %q", d.suspect[rhB])
	}
	d.run(2*time.Hour, off)
	if d.suspect[rhB] == "" {
		t.Error("12 points down, it is trusted")
	}
	by = 0
	d.run(15*time.Minute, off)
	if d.suspect[rhB] != "" {
		t.Errorf("back where it was, it is suspect: %q", d.suspect[rhB])
	}
}

// TestAirThatFallsIsNoJump: quick sensors see a strong fan take off 20 points between two readings, one of them a little
// before the other. Two that were suspected of a jump and agree are trusted again.
func TestAirThatFallsIsNoJump(t *testing.T) {
	d := newDesk(t)
	fallen := func(i int) float64 {
		if i == rhA || i == rhB || i == rhC {
			return d.sound(i) - 0.2
		}
		return d.sound(i)
	}
	trusted := func(when string) {
		t.Helper()
		for _, i := range []int{rhA, rhB, rhC} {
			if d.suspect[i] != "" {
				t.Errorf("%s, sensor %d is suspect: %q", when, i, d.suspect[i])
			}
		}
	}
	d.run(3*time.Hour, d.sound)
	d.run(8*time.Minute, fallen)
	trusted("eight minutes after the air fell")
	d.run(time.Hour, fallen)
	for _, i := range []int{rhA, rhB, rhC} {
		w := &d.d.Sensors[i]
		w.Suspect, w.Jump = alarm.Jumped, alarm.Jump{From: 0.9, To: 0.7, By: -0.2}
	}
	d.run(10*time.Minute, fallen)
	trusted("where all agree")
}

// TestLostMessagesMakeNoJump: of two quick sensors the one is heard before a pulse of mist and long after it, the other in
// between; when it comes to judging, the other's last word is from the next trough.
func TestLostMessagesMakeNoJump(t *testing.T) {
	d := newDesk(t)
	air := 0.0
	say := func(heard ...int) func(i int) float64 {
		return func(i int) float64 {
			switch {
			case i == rhC, i < rhC && !slices.Contains(heard, i):
				return math.NaN()
			case i < rhC:
				return d.sound(i) + air
			}
			return d.sound(i)
		}
	}
	d.run(3*time.Hour, say(rhA, rhB))
	for range 20 { // by the minute
		air = -0.14
		d.run(time.Minute, say(rhB))
		air = 0
		for range 4 {
			d.run(time.Minute, say(rhA, rhB))
		}
		air = -0.1
		d.run(time.Minute, say(rhB))
		air = 0
		d.run(time.Minute, say(rhA))
		if a := d.c.Of(alarm.SensorDisagrees); a.Active {
			t.Fatalf("sound sensors, and yet %+v", *a)
		}
	}
}

// TestWhatCameWhileNobodyLookedIsNoJump: the program was stopped for a while, and CO2 is another afterwards.
func TestWhatCameWhileNobodyLookedIsNoJump(t *testing.T) {
	for _, away := range []time.Duration{0, 10 * time.Minute} {
		d := newDesk(t)
		d.run(3*time.Hour, d.sound)
		d.e.Now = d.e.Now.Add(away)
		d.run(10*time.Minute, d.soundBut(co2A, 1400))
		if got, want := d.suspect[co2A], map[time.Duration]alarm.Code{0: alarm.Jumped}[away]; got != want {
			t.Errorf("600 ppm more after %v: the sensor is %q, want %q", away, got, want)
		}
	}
}

// TestRoomThatHoldsMoreMakesNoJump: what the fan draws in from a room at 12,000 ppm is no step of a sensor.
func TestRoomThatHoldsMoreMakesNoJump(t *testing.T) {
	for _, room := range []float64{500, 12_000} {
		d := newDesk(t)
		d.run(3*time.Hour, d.sound)
		d.e.Air.Room.CO2 = chamber.Estimate{Value: room, OK: true}
		d.run(10*time.Minute, d.soundBut(co2A, 1400))
		if got, want := d.suspect[co2A], map[float64]alarm.Code{500: alarm.Jumped}[room]; got != want {
			t.Errorf("600 ppm more in a minute, with %g ppm in the room: the sensor is %q, want %q", room, got, want)
		}
	}
	// The room's own sensor may be the slower one.
	d := newDesk(t)
	d.run(3*time.Hour, d.sound)
	d.e.Air.Room.CO2 = chamber.Estimate{Value: 500, OK: true}
	high := d.soundBut(co2A, 1400)
	d.run(2*time.Minute, high)
	d.e.Air.Room.CO2.Value = 3000
	d.run(10*time.Minute, high)
	if got := d.suspect[co2A]; got != "" {
		t.Errorf("the room's sensor says it two minutes later, and the sensor is %q", got)
	}
}

// TestOnlyThermometerStepsAsForeseen: where mist cools the air by kelvins between two readings, as was foreseen, the only
// thermometer has not jumped; where nothing of the kind was foreseen, it has. Nobody foresees what a plug does that does not obey.
func TestOnlyThermometerStepsAsForeseen(t *testing.T) {
	for _, c := range []struct{ foreseen, disobeys bool }{{true, false}, {false, false}, {false, true}} {
		d := newDesk(t)
		air := 18.0
		say := func(i int) float64 {
			if i == tempA {
				return air + 0.05*d.noise.NormFloat64()
			}
			return d.sound(i)
		}
		d.e.Foreseen.K = 273.15 + 18
		d.run(3*time.Hour, say)
		air = 15
		if c.foreseen {
			d.e.Foreseen.K = 273.15 + 15
		}
		if c.disobeys {
			d.e.Plugs[0].DisagreesSince = d.e.Now
		}
		d.run(10*time.Minute, say)
		if got := d.suspect[tempA] == alarm.Jumped; got == (c.foreseen || c.disobeys) {
			t.Errorf("3 K down, %+v: suspect %q", c, d.suspect[tempA])
		}
	}
}

// TestTheOnlyHumiditySensorJumps: with none beside it, a sensor of humidity that steps down is laid beside what the learned chamber
// foresees. It has jumped where it stays away from that and CO2 stays where it was. Air that a fan or a door has dried, air that plugs
// may have dried that do what they were not told, and what nobody foresees, is no jump; nor is a word that is taken back.
func TestTheOnlyHumiditySensorJumps(t *testing.T) {
	for name, c := range map[string]struct {
		before, after func(d *desk, foresee func(float64))
		late          func(d *desk) // three minutes later
		then          float64       // what it reads then, more than before the step
		wet           bool          // it stood at the end of its range for ten minutes, but for a moment
		want          alarm.Code
	}{
		"jumped":          {want: alarm.Jumped},
		"as was foreseen": {after: func(_ *desk, foresee func(float64)) { foresee(0.79) }},
		"foreseen later":  {after: func(*desk, func(float64)) {}, late: func(d *desk) { d.e.Foreseen.Near = 0.79 }},
		"a door":          {after: func(d *desk, _ func(float64)) { d.set(chamber.CO2, 470) }},
		"CO2 as low as the room's": {before: func(d *desk, _ func(float64)) {
			d.e.Air.Room.CO2 = chamber.Estimate{Value: 780, OK: true}
		}},
		"not foreseen":       {before: func(d *desk, foresee func(float64)) { foresee(0) }},
		"plug in a hand":     {before: func(d *desk, _ func(float64)) { d.e.Plugs[0].Hand.Active = true }},
		"plug disobeys":      {after: func(d *desk, _ func(float64)) { d.e.Plugs[0].DisagreesSince = d.e.Now }},
		"water dried off it": {wet: true},
		"soon taken back":    {then: 0.001},
		"goes on falling":    {then: -0.40},
	} {
		t.Run(name, func(t *testing.T) {
			d := newDesk(t)
			foresee := func(rh float64) { d.e.Foreseen.RH, d.e.Foreseen.Near = rh, rh }
			foresee(0.90)
			by, wet := 0.0, false
			only := func(i int) float64 {
				switch {
				case i == rhB || i == rhC:
					d.e.Sensors[i].Fresh = false
					return math.NaN()
				case i == rhA && wet:
					return 0.999
				case i == rhA:
					return d.sound(i) + by
				}
				return d.sound(i)
			}
			if c.before != nil {
				c.before(d, foresee)
			}
			d.run(3*time.Hour, only)
			if wet = c.wet; wet {
				d.run(10*time.Minute, only)
				wet, by = false, 0.07
				d.run(time.Minute, only)
			}
			by = -0.12
			if c.after != nil {
				c.after(d, foresee)
			}
			d.run(3*time.Minute, only)
			if weighs := d.d.Weighs(rhA); c.want != "" && !weighs {
				t.Error("what it says is learned from while it is weighed")
			}
			if c.late != nil {
				c.late(d)
			}
			if c.then != 0 {
				by = c.then
			}
			d.run(20*time.Minute, only)
			if d.suspect[rhA] != c.want || d.d.Weighs(rhA) {
				t.Fatalf("suspect %q, want %q; weighed %v", d.suspect[rhA], c.want, d.d.Weighs(rhA))
			}
			if c.want == "" {
				return
			}
			// Mist has wetted it.
			d.run(15*time.Minute, func(i int) float64 {
				if v := only(i); i != rhA {
					return v
				}
				return 0.999
			})
			if d.suspect[rhA] != alarm.Jumped {
				t.Error("at the end of its range it is trusted again, where all read the same")
			}
			by = -0.12
			d.run(3*time.Minute, only)
			by = 0
			d.run(8*time.Minute, only)
			if d.suspect[rhA] != "" {
				t.Errorf("back where it was it is suspect: %q", d.suspect[rhA])
			}
		})
	}
}

// TestADoorsDipIsNoJump: a door that is open for a minute lets all vapor out of a small chamber. A sensor in a housing shows a step, falls on
// for half a minute and comes back within minutes, while nothing of it is foreseen and a slow sensor of CO2 has hardly moved. In the mean
// it has stayed away by about the step, but it has not stayed.
func TestADoorsDipIsNoJump(t *testing.T) {
	d := newDesk(t)
	d.e.Foreseen.RH, d.e.Foreseen.Near = 0.97, 0.97
	dip := 0.0
	only := func(i int) float64 {
		switch i {
		case rhB, rhC:
			d.e.Sensors[i].Fresh = false
			return math.NaN()
		case rhA:
			return d.sound(i) + 0.07 + dip
		}
		return d.sound(i)
	}
	d.run(3*time.Hour, only)
	for _, dip = range []float64{-0.16, -0.39, -0.30, -0.18, -0.12, -0.08, -0.08, -0.08, -0.08, -0.08} { // a minute each
		d.run(time.Minute, only)
		if d.suspect[rhA] != "" {
			t.Fatalf("%+.2f: suspect %q", dip, d.suspect[rhA])
		}
	}
}

// TestSaturatedTogetherIsNoAgreement: a sensor that jumped reads the end of its range now and then, as the others do, when mist has
// wetted them. It is not trusted again for that.
func TestSaturatedTogetherIsNoAgreement(t *testing.T) {
	d := newDesk(t)
	by, wet := 0.0, false
	off := func(i int) float64 {
		switch {
		case i <= rhC && wet:
			return 0.999
		case i == rhB:
			return d.sound(i) + by
		}
		return d.sound(i)
	}
	d.run(3*time.Hour, off)
	by = -0.12
	d.run(10*time.Minute, off)
	if d.suspect[rhB] != alarm.Jumped {
		t.Fatalf("12 points down it is suspect: %q", d.suspect[rhB])
	}
	for range 3 {
		wet = true
		d.run(8*time.Minute, off)
		wet = false
		d.run(4*time.Minute, off)
		if d.suspect[rhB] != alarm.Jumped {
			t.Fatalf("12 points down, and at the end of the range with the others in between, it is suspect: %q", d.suspect[rhB])
		}
	}
	by = 0
	d.run(15*time.Minute, off)
	if d.suspect[rhB] != "" {
		t.Errorf("back where it was it is suspect: %q", d.suspect[rhB])
	}
}

// TestCalibratedIsNoJump: a sensor that was corrected reads otherwise from one reading to the next, and so do the others beside it.
func TestCalibratedIsNoJump(t *testing.T) {
	for _, c := range []struct {
		i  int
		by float64
	}{{co2A, 400}, {tempA, 3}, {rhA, -0.07}} {
		for _, calibrated := range []bool{true, false} {
			d := newDesk(t)
			by := 0.0
			say := func(i int) float64 {
				switch {
				case i == c.i:
					return d.sound(i) + by
				case i == rhC:
					d.e.Sensors[i].Fresh = false
					return math.NaN()
				}
				return d.sound(i)
			}
			d.run(8*time.Hour, say)
			by = c.by
			if calibrated {
				d.d = d.d.Recalibrated(d.e.Spec, c.i)
			}
			d.run(2*time.Hour, say)
			if got := d.active(alarm.SensorDisagrees); got == calibrated {
				t.Errorf("sensor %d reads %+g, calibrated %v: %+v", c.i, c.by, calibrated, *d.c.Of(alarm.SensorDisagrees))
			}
		}
	}
}

// TestASensorThatIsPutRightHasNotJumped: a CO2 sensor that crept down to 320 ppm reads less than outdoor air holds, some 420 ppm. Once
// somebody has set it right it reads 700, and is believed. From 420 ppm up to 800 it may as well have jumped.
func TestASensorThatIsPutRightHasNotJumped(t *testing.T) {
	for _, c := range []struct {
		low, right float64
		want       alarm.Code
	}{{320, 700, ""}, {420, 800, alarm.Jumped}} {
		d := newDesk(t)
		d.run(3*time.Hour, d.sound)
		reads := 800.0
		say := func(i int) float64 {
			if i != co2A {
				return d.sound(i)
			}
			return reads + 12*d.noise.NormFloat64()
		}
		for ; reads > c.low; reads -= 2 {
			d.run(time.Minute, say)
		}
		d.run(time.Hour, say)
		reads = c.right
		d.run(20*time.Minute, say)
		if got := d.suspect[co2A]; got != c.want {
			t.Errorf("from %.0f up to %.0f ppm: the sensor is %q, want %q", c.low, c.right, got, c.want)
		}
	}
}

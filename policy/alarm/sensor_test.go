package alarm_test

import (
	"math"
	"testing"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
)

func TestSoundSensorsAreTrusted(t *testing.T) {
	d := newDesk(t)
	d.every = 30 * time.Second
	for range 24 * 3 {
		d.run(time.Hour, d.sound)
		d.quiet("sound sensors")
	}
}

// TestSensorStuckBesidePlugsThatSayNothing: a plug without a state topic is switched by its command, after the sensors were judged and
// before the rest is. What it did to the air counts all the same.
func TestSensorStuckBesidePlugsThatSayNothing(t *testing.T) {
	d := newDesk(t)
	for i := range d.e.Plugs {
		d.e.Spec.Plugs[i].Reports = false
	}
	d.mid = func() { d.pulse(1, d.e.Now.Minute()%10 < 2) }
	d.run(6*time.Hour, d.sound)
	d.quiet("sound")
	d.run(2*time.Hour, d.soundBut(rhB, 0.901))
	if c := d.c.Of(alarm.SensorStuck); !c.Active || c.About != "rh-b" || c.Code != alarm.Constant {
		t.Errorf("the same value for two hours, while the fan ran every ten minutes: %+v", *c)
	}
}

// TestCO2StuckInStillAir: a CO2 sensor that stands still below the maximum has the fan rest, and so nothing acts on the air that could
// show it. Its own noise does, in an hour. A humidity sensor in air that nothing moves may well stand still.
func TestCO2StuckInStillAir(t *testing.T) {
	for _, sensor := range []int{co2A, rhB} {
		d := newDesk(t)
		d.run(12*time.Hour, d.sound)
		d.mid = func() {} // the plugs rest
		value := map[int]float64{co2A: 803, rhB: 0.903}[sensor]
		d.run(45*time.Minute, d.soundBut(sensor, value))
		d.expect(alarm.SensorStuck, false, "after 45 minutes of still air")
		d.run(time.Hour, d.soundBut(sensor, value))
		if got := d.active(alarm.SensorStuck); got != (sensor == co2A) {
			t.Errorf("%s, the same for an hour and three quarters: %+v", d.e.Spec.Sensors[sensor].Name, *d.c.Of(alarm.SensorStuck))
		}
	}
}

// TestWholePointsRepeat: a sensor that reports whole points of air held within one says the same for half an hour, as a sound one does,
// and more often than not what it said before. One that stands still for hours while the others move is stuck.
func TestWholePointsRepeat(t *testing.T) {
	d := newDesk(t)
	const every = 20 * time.Second
	run := func(length time.Duration, stuck bool) {
		for range int(length / every) {
			d.e.Now, d.e.Readings = d.e.Now.Add(every), nil
			for i := range d.e.Sensors {
				v := d.sound(i)
				switch {
				case i == rhB && stuck:
					v = 0.9
				case i == rhB:
					v = math.Round((0.9+0.005*d.noise.NormFloat64())*100) / 100
				}
				d.e.Readings = append(d.e.Readings, chamber.Reading{Sensor: i, Value: v, At: d.e.Now})
				d.e.Sensors[i] = alarm.SensorView{Fresh: true, Value: v, At: d.e.Now}
			}
			d.step()
		}
	}
	run(12*time.Hour, false)
	d.quiet("whole points")
	run(50*time.Minute, true)
	if d.suspect[rhB] != "" {
		t.Errorf("suspect %q after 50 minutes", d.suspect[rhB])
	}
	run(time.Hour, true)
	if d.suspect[rhB] != alarm.Constant {
		t.Errorf("suspect %q after nearly two hours", d.suspect[rhB])
	}
}

func TestSensorStuck(t *testing.T) {
	d := newDesk(t)
	d.run(12*time.Hour, d.sound)
	stuck := d.soundBut(rhB, 0.903)
	d.run(10*time.Minute, stuck)
	d.expect(alarm.SensorStuck, false, "after ten minutes")
	d.run(80*time.Minute, stuck)
	d.expect(alarm.SensorStuck, true, "after an hour and a half without the noise that it had")
	if c := d.c.Of(alarm.SensorStuck); c.About != "rh-b" || c.Code != alarm.Constant {
		t.Errorf("says %+v", *c)
	}
	if d.suspect[rhB] != alarm.Constant || d.suspect[rhA] != "" {
		t.Errorf("suspects are %q", d.suspect)
	}
	d.run(3*time.Minute, d.sound)
	if d.suspect[rhB] == "" {
		t.Error("trusted again at once")
	}
	d.run(30*time.Minute, d.sound)
	d.quiet("after it has come free")
	if d.suspect[rhB] != "" {
		t.Error("trust was not earned back")
	}
}

func TestSensorSaturated(t *testing.T) {
	d := newDesk(t)
	d.run(3*time.Hour, d.sound)
	d.run(time.Hour, d.soundBut(rhA, 0.999))
	if d.suspect[rhA] != alarm.Saturated {
		t.Errorf("an hour at 99.9 %% beside two at 90 %%: suspects are %q", d.suspect)
	}
	d.expect(alarm.SensorStuck, true, "one of three saturated")
	// All of them: only the fan's dry air can tell.
	d = newDesk(t)
	d.run(3*time.Hour, d.sound)
	all := func(i int) float64 {
		if v := d.sound(i); i > rhC {
			return v
		}
		return 0.999
	}
	d.run(time.Hour, all)
	d.expect(alarm.SensorStuck, false, "an hour at saturation, as fog makes it")
	d.run(2*time.Hour, all)
	d.expect(alarm.SensorStuck, true, "three hours, and no dip after any of the fan's pulses")
	d.run(30*time.Minute, d.sound)
	d.expect(alarm.SensorStuck, false, "dry again")
	// One that reads two points high stays there in air that goes from saturation to 98 % and back, as the others show.
	d = newDesk(t)
	d.run(3*time.Hour, d.sound)
	n := 0
	d.run(4*time.Hour, func(i int) float64 {
		n++
		switch {
		case i > rhC:
			return d.sound(i)
		case i != rhA && n/200%3 == 0:
			return 0.98
		}
		return 0.999
	})
	d.expect(alarm.SensorStuck, false, "damp air, and a sensor that reads two points high")
}

func TestSensorDisagrees(t *testing.T) {
	d := newDesk(t)
	d.run(time.Hour, d.sound)
	off, creeps := 0.0, 0.0006 // a minute
	high := func(i int) float64 {
		v := d.sound(i)
		if i == rhC {
			off = min(off+creeps, 0.095)
			v += off
		}
		return v
	}
	d.run(2*time.Hour, high)
	d.expect(alarm.SensorDisagrees, false, "seven points apart")
	d.run(2*time.Hour, high)
	d.expect(alarm.SensorDisagrees, true, "one of three 9.5 points apart")
	if d.suspect[rhC] != alarm.Outlier || d.suspect[rhA] != "" || d.suspect[rhB] != "" {
		t.Errorf("suspects are %q", d.suspect)
	}
	d.run(3*time.Hour, d.sound)
	d.quiet("agreeing again")
	// Of two, neither is excluded.
	d.run(10*time.Minute, nil)
	two := func(i int) float64 {
		if i == rhB {
			return math.NaN()
		}
		return high(i)
	}
	d.e.Sensors[rhB] = alarm.SensorView{}
	d.run(3*time.Hour, two)
	d.expect(alarm.SensorDisagrees, true, "one of two 9.5 points apart")
	if d.suspect[rhA] != "" || d.suspect[rhC] != "" {
		t.Errorf("of two, suspects are %q", d.suspect)
	}
}

// TestSensorMovesAway: of two sensors that have always been 3 points apart, one goes 8 points down, to 5 below the other: the
// two agree as well as sound ones do, and yet one has drifted. Two that stay 7 points apart have not.
func TestSensorMovesAway(t *testing.T) {
	d := newDesk(t)
	d.e.Sensors[rhB] = alarm.SensorView{}
	by := 0.03
	two := func(i int) float64 {
		switch v := d.sound(i); i {
		case rhB:
			return math.NaN()
		case rhC:
			return v + by
		default:
			return v
		}
	}
	d.run(8*time.Hour, two)
	d.quiet("three points apart all the time")
	by = -0.05
	d.run(90*time.Minute, two)
	d.expect(alarm.SensorDisagrees, true, "five points below, after three above")
	if c := d.c.Of(alarm.SensorDisagrees); c.Code != alarm.Moved {
		t.Errorf("says %+v", *c)
	}
	by = 0.03
	d.run(90*time.Minute, two)
	d.expect(alarm.SensorDisagrees, false, "back where it was")
	d = newDesk(t)
	d.e.Sensors[rhB] = alarm.SensorView{}
	by = 0.07
	d.run(30*time.Hour, two)
	d.expect(alarm.SensorDisagrees, false, "seven points apart for thirty hours")
}

// TestSaturatedAgainstWhatIsForeseen: a sensor at the end of its range is believed where the learned chamber foresees wet air,
// or another sensor says the same, and not where 93 % are foreseen.
func TestSaturatedAgainstWhatIsForeseen(t *testing.T) {
	for _, c := range []struct {
		foreseen float64
		want     alarm.Code
		b        float64 // what a second sensor reads; NaN: there is none
	}{{0.93, alarm.Saturated, math.NaN()}, {0.98, "", math.NaN()}, {0, "", math.NaN()}, {0.93, alarm.Saturated, 0.93}, {0.93, "", 0.999}} {
		d := newDesk(t)
		d.run(3*time.Hour, d.sound)
		d.e.Foreseen.RH = c.foreseen
		d.e.Sensors[rhB], d.e.Sensors[rhC] = alarm.SensorView{}, alarm.SensorView{}
		d.run(40*time.Minute, func(i int) float64 {
			switch v := d.sound(i); i {
			case rhA:
				return 0.999
			case rhB:
				return c.b
			case rhC:
				return math.NaN()
			default:
				return v
			}
		})
		if d.suspect[rhA] != c.want {
			t.Errorf("40 min at 99.9 %% where %g is foreseen: %q, want %q", c.foreseen, d.suspect[rhA], c.want)
		}
	}
}

// Of three sensors, c has always read 4 points above the others. Then a drifts 12 points down: it is the one that moved. Neither
// with its voice, while it has not come far, nor once it is left out, is c voted out.
func TestADriftedSensorOutvotesNoOther(t *testing.T) {
	d := newDesk(t)
	by := 0.0
	say := func(i int) float64 {
		switch v := d.sound(i); i {
		case rhA:
			return v - by
		case rhB:
			return v - 0.03
		case rhC:
			return v + 0.04
		default:
			return v
		}
	}
	d.run(8*time.Hour, say)
	for range 6 * 60 { // 2 points an hour, and then it stays
		by = min(by+0.02/60, 0.12)
		d.run(time.Minute, say)
		if d.suspect[rhC] != "" || d.suspect[rhB] != "" {
			t.Fatalf("%.1f points of drift of a: suspects are %q", 100*by, d.suspect)
		}
	}
	by = 0.12
	d.run(3*time.Hour, say)
	d.expect(alarm.SensorDisagrees, true, "one of three has drifted 12 points")
	if d.suspect[rhB] != "" || d.suspect[rhC] != "" {
		t.Errorf("suspects are %q", d.suspect)
	}
}

// Of two sensors, one has drifted 12 points down. By their mean the air is held 6 points wetter, and the sound one reaches the
// end of its range: that is no reason to leave it out for the drifted one. One that goes there from where the other is, is wet.
func TestSaturatedBesideADriftedSensor(t *testing.T) {
	for _, c := range []struct {
		before float64 // what it reads before
		want   alarm.Code
	}{{0.98, ""}, {0.88, alarm.Saturated}} {
		d := newDesk(t)
		d.e.Sensors[rhC] = alarm.SensorView{}
		a, b := c.before, 0.86
		say := func(i int) float64 {
			switch v := d.sound(i); i {
			case rhA:
				return a
			case rhB:
				return b + v - 0.90
			case rhC:
				return math.NaN()
			default:
				return v
			}
		}
		d.run(3*time.Hour, func(i int) float64 {
			if v := say(i); i != rhA {
				return v
			}
			return a + d.sound(rhA) - 0.90
		})
		a, b = 0.999, 0.875
		d.run(50*time.Minute, say)
		if d.suspect[rhA] != c.want {
			t.Errorf("at 99.9 %% beside 88 %%, where it was at %.0f %% beside 86 %%: %q, want %q", 100*c.before, d.suspect[rhA], c.want)
		}
	}
}

// A sensor that was wet has come free in the fan's dry air; then the air is saturated, and the others stand there too. It
// agrees with them: it has earned trust back, though it is not seen below saturation for long.
func TestTrustIsEarnedBackAtSaturation(t *testing.T) {
	for _, moves := range []bool{true, false} {
		d := newDesk(t)
		d.run(3*time.Hour, d.sound)
		d.run(time.Hour, d.soundBut(rhA, 0.999))
		if d.suspect[rhA] != alarm.Saturated {
			t.Fatalf("suspects are %q", d.suspect)
		}
		minute := 0
		d.run(40*time.Minute, func(i int) float64 {
			v := d.sound(i)
			if i > rhC {
				return v
			}
			if i == rhA {
				minute++
			}
			if i == rhA && !moves || minute%10 > 1 {
				return 0.999
			}
			return v
		})
		if got := d.suspect[rhA] == ""; got != moves {
			t.Errorf("40 min at saturation with the others, dipping with them %v: suspects are %q", moves, d.suspect)
		}
	}
}

// Air that mixes has one vapor pressure. At 18 °C and 90 % it is 1.857 kPa (0.9 of 2.0636, saturation by the ASHRAE
// Handbook, Fundamentals, chapter 1, table 3, 18 °C); saturation at 20 °C is 2.3389 kPa, so 2 K warmer the same air
// is at 79.4 %.
func TestWarmerSpotIsNoOutlier(t *testing.T) {
	for _, device := range []string{"", "top"} {
		d := newDesk(t)
		spec := d.e.Spec
		spec.Sensors = append(spec.Sensors, chamber.Sensor{Name: "temp-top", Quantity: chamber.Temperature, Place: chamber.Inside, MaxAge: 5 * time.Minute, Device: device})
		d.e.Sensors = append(d.e.Sensors, alarm.SensorView{})
		spec.Sensors[rhC].Device = device
		spec.Sensors[tempA].Device, spec.Sensors[rhA].Device = "shelf", "shelf"
		spec.Sensors[rhB].Device = "wall"
		spec.Sensors = append(spec.Sensors, chamber.Sensor{Name: "temp-wall", Quantity: chamber.Temperature, Place: chamber.Inside, MaxAge: 5 * time.Minute, Device: "wall"})
		d.e.Sensors = append(d.e.Sensors, alarm.SensorView{})
		d.run(3*time.Hour, func(i int) float64 {
			switch v := d.sound(min(i, lux)); i {
			case rhC:
				return v - 0.106
			case tempA, lux + 2:
				return math.Round((18+0.05*d.noise.NormFloat64())*10) / 10
			case lux + 1:
				return math.Round((20+0.05*d.noise.NormFloat64())*10) / 10
			default:
				return v
			}
		})
		if want := map[string]alarm.Code{"": alarm.Outlier}[device]; d.suspect[rhC] != want {
			t.Errorf("with its thermometer known as %q, a drier reading in a warmer spot is %q, want %q", device, d.suspect[rhC], want)
		}
	}
}

// TestOneThatComesBackHasNoVoteYet: two sensors are 8.5 points apart, which is too far, but neither is as far from the middle of the other
// and a third. That one jumps, is found, and is trusted again: then two agree at once about what was a mean beside one.
func TestOneThatComesBackHasNoVoteYet(t *testing.T) {
	d := newDesk(t)
	by := 0.0
	off := func(i int) float64 {
		v := d.sound(i)
		switch i {
		case rhA:
			return v - 0.02 + by
		case rhB:
			return v - 0.045
		case rhC:
			return v + 0.04
		}
		return v
	}
	d.run(6*time.Hour, off)
	by = -0.12
	d.run(time.Hour, off)
	if d.suspect[rhA] != alarm.Jumped {
		t.Fatalf("12 points down, it is suspect: %q", d.suspect[rhA])
	}
	by = 0
	for range 180 {
		d.run(time.Minute, off)
		for i, code := range d.suspect {
			if code != "" && code != alarm.Jumped {
				t.Fatalf("all are where they always were, and %s is suspect: %q", d.e.Spec.Sensors[i].Name, code)
			}
		}
	}
	if d.suspect[rhA] != "" {
		t.Errorf("back where it was, it is suspect: %q", d.suspect[rhA])
	}
}

func TestCO2BelowTheRoom(t *testing.T) {
	d := newDesk(t)
	*d.e.Air.Of(chamber.Room, chamber.CO2) = chamber.Estimate{Value: 700, OK: true}
	d.set(chamber.CO2, 500)
	d.run(5*time.Hour, d.sound)
	d.expect(alarm.SensorDisagrees, false, "five hours below the room")
	d.run(2*time.Hour, d.sound)
	d.expect(alarm.SensorDisagrees, true, "seven hours below the room")
	if c := d.c.Of(alarm.SensorDisagrees); c.Code != alarm.BelowRoom || c.About != "co2" {
		t.Errorf("says %+v", *c)
	}
}

// TestADisagreementHoldsNoOther has two sensors of humidity always 7 points apart, which is not far enough. The deadband of another
// that disagreed a while must not hold them, or what it said would never go.
func TestADisagreementHoldsNoOther(t *testing.T) {
	d := newDesk(t)
	d.e.Sensors[rhB] = alarm.SensorView{}
	two := func(i int) float64 {
		switch i {
		case rhB:
			return math.NaN()
		case rhC:
			return d.sound(i) + 0.07
		}
		return d.sound(i)
	}
	*d.e.Air.Of(chamber.Room, chamber.CO2) = chamber.Estimate{Value: 700, OK: true}
	d.set(chamber.CO2, 500)
	d.run(7*time.Hour, two)
	if c := d.c.Of(alarm.SensorDisagrees); !c.Active || c.Instances&(1<<rhC|1<<rhA) != 0 {
		t.Errorf("seven hours below the room: says %+v", *c)
	}
	d.set(chamber.CO2, 800)
	d.run(2*time.Hour, two)
	d.expect(alarm.SensorDisagrees, false, "above the room again")
}

// A sensor that takes each window's lowest air for 400 ppm, in a room of 600: its lowest stands at 400, day after day.
func TestCO2BaselineOfItsOwn(t *testing.T) {
	for _, c := range []struct {
		room, lowest float64
		want         bool
	}{{600, 400, true}, {600, 640, false}, {420, 400, false}, {600, 520, false}} {
		d := newDesk(t)
		d.every = time.Minute
		*d.e.Air.Of(chamber.Room, chamber.CO2) = chamber.Estimate{Value: c.room, OK: true}
		for h := range 48 {
			d.set(chamber.CO2, c.lowest+20+15*float64(h%6))
			if h%6 == 0 {
				d.set(chamber.CO2, c.lowest)
			}
			d.run(time.Hour, d.sound)
		}
		rezeroed := d.active(alarm.SensorDisagrees) && d.c.Of(alarm.SensorDisagrees).Code == alarm.Rezeroed
		if rezeroed != c.want {
			t.Errorf("room at %g, chamber's lowest at %g: %+v, want %v", c.room, c.lowest, *d.c.Of(alarm.SensorDisagrees), c.want)
		}
	}
}

func TestSensorSilentAndItsCause(t *testing.T) {
	d := newDesk(t)
	d.e.Sensors[tempA] = alarm.SensorView{Silent: true, SilentSince: d.e.Now}
	d.e.Fallback = []chamber.Quantity{chamber.Temperature}
	d.step()
	d.expect(alarm.SensorSilent, true, "silent")
	if c := d.c.Of(alarm.SensorSilent); c.About != "temp" || c.Suppress {
		t.Errorf("says %+v", *c)
	}
	d.expect(alarm.FallbackActive, true, "silent")
	if c := d.c.Of(alarm.FallbackActive); c.Cause != alarm.SensorSilent || c.Suppress {
		t.Errorf("fallback says %+v", *c)
	}
	d.e.Link, d.e.LinkLost = false, d.e.Now
	d.step()
	d.expect(alarm.BrokerLost, true, "no link")
	if c := d.c.Of(alarm.SensorSilent); c.Cause != alarm.BrokerLost || !c.Suppress {
		t.Errorf("without a broker, silence says %+v", *c)
	}
	d.e.Link = true
	d.run(4*time.Minute, nil)
	if c := d.c.Of(alarm.SensorSilent); !c.Suppress {
		t.Error("sensors were not given time to be heard again")
	}
	d.run(2*time.Minute, nil)
	if c := d.c.Of(alarm.SensorSilent); c.Suppress || !c.Active {
		t.Errorf("long after the link came back, silence says %+v", *c)
	}
}

// damp has two sensors read nearly saturated air: at the end of their range for eight minutes of ten, and then a and b.
func damp(d *desk, a, b func() float64) func(i int) float64 {
	return func(i int) float64 {
		wet := d.e.Now.Minute()%10 >= 2
		switch {
		case i == rhC:
			return math.NaN()
		case i > rhC:
			return d.sound(i)
		case i == rhA:
			if v := a(); !wet || v >= 0.999 {
				return v
			}
		case !wet:
			return b() + 0.1*(d.sound(i)-0.90)
		}
		return 0.999
	}
}

// TestDriftHidesAtSaturation: in air that is saturated most of the time both read the same, and a mean over all of it hides that one
// drifts down by two points an hour. What they read in between shows it.
func TestDriftHidesAtSaturation(t *testing.T) {
	for _, drifts := range []float64{0, 0.02} {
		d := newDesk(t)
		d.e.Sensors[rhC] = alarm.SensorView{}
		since := d.e.Now.Add(12 * time.Hour)
		a := func() float64 {
			return 0.97 + 0.1*(d.sound(rhA)-0.90) - drifts*max(0, d.e.Now.Sub(since).Hours())
		}
		say := damp(d, a, func() float64 { return 0.96 })
		d.run(12*time.Hour, say)
		d.expect(alarm.SensorDisagrees, false, "a point apart for twelve hours")
		d.run(7*time.Hour, say)
		d.expect(alarm.SensorDisagrees, drifts > 0, "seven hours later")
	}
}

// TestSaturatedInDampAir: where the air itself is nearly saturated, a sensor that stands at the end of its range is four points above the
// other, which comes free now and then. That it never does any more shows that it does not measure; not where it stood there before for
// long, nor where it was the other that had been moving away.
func TestSaturatedInDampAir(t *testing.T) {
	for name, c := range map[string]struct {
		before func(hour float64) float64 // what it reads while the other comes free
		drifts float64                    // of the other, an hour
		want   alarm.Code
	}{
		"stuck":           {before: func(float64) float64 { return 0.965 }, want: alarm.Saturated},
		"often there":     {before: func(hour float64) float64 { return []float64{0.999, 0.965}[int(hour)/3%2] }},
		"the other moves": {before: func(float64) float64 { return 0.965 }, drifts: 0.02},
	} {
		d := newDesk(t)
		d.e.Sensors[rhC] = alarm.SensorView{}
		start := d.e.Now
		hours := func() float64 { return d.e.Now.Sub(start).Hours() }
		stuck := false
		say := damp(d, func() float64 {
			if stuck {
				return 0.999
			}
			return c.before(hours()) + 0.1*(d.sound(rhA)-0.90)*min(1, 1e3*(0.999-c.before(hours())))
		}, func() float64 { return 0.955 - c.drifts*max(0, hours()-24) })
		d.run(26*time.Hour, say)
		stuck = true
		d.run(7*time.Hour, say)
		if d.suspect[rhA] != c.want {
			t.Errorf("%s: suspect %q, want %q", name, d.suspect[rhA], c.want)
		}
	}
}

// TestSaturatedAtAWarmerSpot: seen from a spot that is a kelvin warmer, air that others read as saturated is drier by four points. They
// stand at the end of their range all the same, and so a sensor that stands there, too, has not been left alone by them.
func TestSaturatedAtAWarmerSpot(t *testing.T) {
	for _, others := range []float64{0.999, 0.955} {
		d := newDesk(t)
		d.e.Sensors[rhB] = alarm.SensorView{}
		top := len(d.e.Sensors)
		d.e.Spec.Sensors = append(d.e.Spec.Sensors, chamber.Sensor{Name: "top", Quantity: chamber.Temperature, Place: chamber.Inside, Device: "top", MaxAge: 5 * time.Minute})
		d.e.Sensors = append(d.e.Sensors, alarm.SensorView{})
		d.e.Spec.Sensors[rhC].Device = "top"
		d.e.Spec.Sensors[rhA].Device, d.e.Spec.Sensors[tempA].Device = "low", "low"
		wet := false
		say := func(i int) float64 {
			switch {
			case i == rhB:
				return math.NaN()
			case i == top:
				return 18.2 + 0.05*d.noise.NormFloat64()
			case i == rhC && wet:
				return 0.999
			case i == rhC:
				return d.sound(i) - 0.06
			case i == rhA && wet && others > 0.99:
				return others
			case i == rhA && wet:
				return others + 0.1*(d.sound(i)-0.90)
			}
			return d.sound(i)
		}
		d.run(8*time.Hour, say)
		wet = true
		d.run(100*time.Minute, say)
		if got, want := d.suspect[rhC], map[float64]alarm.Code{0.955: alarm.Saturated}[others]; got != want {
			t.Errorf("for 100 minutes at the end of its range at a warmer spot, beside %g: suspect %q, want %q", others, got, want)
		}
	}
}

// TestAPairThatIsApartByTurnsIsOneAlarm: two sensors hang in air that differs by more than two sound ones can, and by turns by less; and the
// damper one stands at the end of its range by turns, and is left out. After a day of that the alarm stands through it all, and ends when
// they have agreed for half a day. A pair that was apart for an hour has agreed an hour later.
func TestAPairThatIsApartByTurnsIsOneAlarm(t *testing.T) {
	d := newDesk(t)
	d.every = time.Minute
	apart := 0.0
	say := func(i int) float64 {
		switch i {
		case rhC:
			d.e.Sensors[i].Fresh = false
			return math.NaN()
		case rhB:
			return d.sound(i) - apart
		}
		return d.sound(i)
	}
	d.run(3*time.Hour, say)
	for h := range 24 {
		apart = []float64{0.09, 0.09, 0.04, 0.04}[h%4]
		d.run(time.Hour, say)
		if h >= 20 {
			d.expect(alarm.SensorDisagrees, true, "apart by turns")
		}
	}
	apart = 0
	d.run(2*time.Hour, say)
	d.expect(alarm.SensorDisagrees, true, "two hours later")
	d.run(12*time.Hour, say)
	d.expect(alarm.SensorDisagrees, false, "half a day later")
	apart = 0.09
	d.run(2*time.Hour, say)
	d.expect(alarm.SensorDisagrees, true, "apart again")
	apart = 0
	d.run(3*time.Hour, say)
	d.expect(alarm.SensorDisagrees, false, "apart for an hour or two")
}

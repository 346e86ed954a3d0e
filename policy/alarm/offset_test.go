package alarm_test

import (
	"math"
	"testing"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
	"gillkeeper/policy/species"
)

// TestTheOnlySensorReadsHigherThanWaterAllows: 10 g/m³ of vapor are taken for saturation and the air is changed ten times an hour, so a
// sensor that reads twelve points high asks for 10·10·0.12 = 12 g/m³h that come from nowhere; one that reads three high for 3.
func TestTheOnlySensorReadsHigherThanWaterAllows(t *testing.T) {
	for _, c := range []struct {
		points float64
		alone  bool
		soaked bool
		want   alarm.Code
	}{{12, true, false, alarm.Drifted}, {3, true, false, ""}, {-12, true, false, ""}, {12, false, false, ""}, {12, true, true, ""}} {
		d := newDesk(t)
		d.every = time.Minute
		if c.alone {
			d.e.Spec.Sensors[rhB].Place, d.e.Spec.Sensors[rhC].Place = chamber.Room, chamber.Room
		}
		sound := learn.Vapor{OK: true, Mist: 0.002, Full: 0.1, Evap: 0.001, Crop: 0.004, Moved: 10.0 * 10 / 3600, Flow: 10.0 / 3600, Fan: 1, Saturated: 10}
		d.e.Vapor = sound
		d.run(24*time.Hour, d.sound)
		if d.suspect[rhA] != "" || d.d.Drifts() {
			t.Fatalf("a sound sensor is suspect %q", d.suspect[rhA])
		}
		if c.soaked {
			d.set(chamber.RelativeHumidity, 1)
			d.run(time.Hour, d.sound)
			d.set(chamber.RelativeHumidity, 0.9)
		}
		d.e.Vapor.Give = 10 * 10.0 / 3600 * c.points / 100
		d.run(4*time.Hour, d.sound)
		if d.suspect[rhA] != c.want {
			t.Errorf("%+v: suspect %q", c, d.suspect[rhA])
		}
		if c.want == "" {
			continue
		}
		d.expect(alarm.SensorDisagrees, true, "it drifted")
		d.e.Vapor = learn.Vapor{} // nothing is learned from it now
		off := 0.07
		read := func(i int) float64 {
			v := d.sound(i)
			if i == rhA {
				v += off
			}
			return v
		}
		d.run(3*time.Hour, read)
		if d.suspect[rhA] != alarm.Drifted {
			t.Error("trusted again though it reads above what is wanted, with plugs run by habit")
		}
		off = -0.02
		d.run(3*time.Hour, read)
		if d.suspect[rhA] != "" {
			t.Error("not trusted again")
		}
		if by := d.d.Offset.By; by != 0 || math.IsNaN(by) {
			t.Errorf("still %v off", by)
		}
	}
}

// TestVaporThatComesAndGoesTellsNothing: wind moves the air of a chamber by more and by less than is learned of it, for hours. That is as if
// its sensor were off by twelve points to either side, and one that always was is sound when it is so a little longer.
func TestVaporThatComesAndGoesTellsNothing(t *testing.T) {
	d := lone(t)
	off := func(points float64) { d.e.Vapor.Give = 10 * 10.0 / 3600 * points / 100 }
	for h := range 48 {
		off(12 * math.Sin(2*math.Pi*float64(h)/8))
		d.run(time.Hour, d.sound)
		if d.suspect[rhA] != "" && h >= 12 {
			t.Fatalf("suspect %q after %d h", d.suspect[rhA], h)
		}
	}
	off(12)
	d.run(4*time.Hour, d.sound)
	if d.suspect[rhA] != "" {
		t.Errorf("off by as much as ever, it is suspect %q", d.suspect[rhA])
	}
	off(60)
	d.run(8*time.Hour, d.sound)
	if d.suspect[rhA] != alarm.Drifted {
		t.Errorf("off by five times as much, it is suspect %q", d.suspect[rhA])
	}
}

// lone is a desk with one sensor of humidity whose chamber has been watched for a day in which vapor went its usual way.
func lone(t *testing.T) *desk {
	d := newDesk(t)
	d.every = time.Minute
	d.e.Spec.Sensors[rhB].Place, d.e.Spec.Sensors[rhC].Place = chamber.Room, chamber.Room
	d.e.Vapor = learn.Vapor{OK: true, Mist: 0.002, Full: 0.1, Evap: 0.001, Crop: 0.004, Moved: 10.0 * 10 / 3600, Flow: 10.0 / 3600, Fan: 1, Saturated: 10}
	d.run(24*time.Hour, d.sound)
	return d
}

// TestAnotherChamberIsLearnedAnew has as much more vapor as made the sensor above suspect: where something was done that may account
// for it, it is not.
func TestAnotherChamberIsLearnedAnew(t *testing.T) {
	for what, c := range map[string]struct {
		do   func(d *desk)
		want alarm.Code
	}{
		"nothing":                   {func(*desk) {}, alarm.Drifted},
		"another crop":              {func(d *desk) { d.d = d.d.VaporMoved() }, ""},
		"another stage":             {func(d *desk) { d.e.Target.Stage = species.Pinning }, ""},
		"another aim":               {func(d *desk) { d.e.Target.RelativeHumidity.Aim = 0.85 }, ""},
		"a jump that was found":     {func(d *desk) { d.e.Jumps++ }, ""},
		"a room no longer measured": {func(d *desk) { d.e.Vapor.Room = 0.5 }, ""},
		"air moved otherwise":       {func(d *desk) { d.e.Vapor.Leak, d.e.Vapor.Moved = 3.0/3600, 13.0*10/3600 }, ""},
		"water gone astray":         {func(d *desk) { d.astray(30 * time.Minute) }, ""},
		"CO2 below the room's": {func(d *desk) {
			d.e.Air.Room.CO2 = chamber.Estimate{Value: 1200, OK: true}
			d.run(7*time.Hour, d.sound)
			d.e.Air.Room.CO2 = chamber.Estimate{}
		}, ""},
		"a humidifier weak before": {func(d *desk) {
			d.e.Learned.Mist, d.e.Learned.MistSD = 200, 0.02
			d.run(3*24*time.Hour, d.sound)
			d.e.Learned.Mist = 60
			d.run(3*24*time.Hour, d.sound)
			d.expect(alarm.HumidifierWeak, true, "60 of 200 g/h")
			d.e.Learned.Mist = 200
		}, ""},
		"astray for a minute":       {func(d *desk) { d.astray(time.Minute) }, alarm.Drifted},
		"calibrated":                {func(d *desk) { d.d = d.d.Recalibrated(d.e.Spec, rhA) }, ""},
		"another sensor calibrated": {func(d *desk) { d.d = d.d.Recalibrated(d.e.Spec, rhB) }, alarm.Drifted},
	} {
		d := lone(t)
		c.do(d)
		d.e.Vapor.Give = 10 * 10.0 / 3600 * 0.12
		d.run(4*time.Hour, d.sound)
		if d.suspect[rhA] != c.want {
			t.Errorf("%s: suspect %q, want %q", what, d.suspect[rhA], c.want)
		}
	}
}

// astray has the chamber's water go otherwise than foreseen for so long.
func (d *desk) astray(length time.Duration) {
	sound := d.e.Vapor
	d.e.Vapor = learn.Vapor{Astray: true}
	d.run(length, d.sound)
	d.e.Vapor = sound
}

// TestAnOpenDoorTellsNothingOfTheSensor: what vapor comes and goes with it is not that of the chamber, and of what was seen just
// before it cannot be known how long it had stood open.
func TestAnOpenDoorTellsNothingOfTheSensor(t *testing.T) {
	d := lone(t)
	d.e.Vapor.Give = 10 * 10.0 / 3600 * 0.12
	d.run(time.Hour, d.sound)
	if d.d.Offset.By < 0.05 {
		t.Fatalf("%.3f off, want it to rise toward 0.12", d.d.Offset.By)
	}
	d.every = 10 * time.Second
	d.pulse(1, false)
	d.run(4*time.Minute, nil)
	for i := range 9 { // 800 → 530 ppm and 90 → 70 % in a minute and a half: a door
		d.set(chamber.CO2, 800-30*float64(i+1))
		d.set(chamber.RelativeHumidity, 0.90-0.022*float64(i+1))
		d.run(10*time.Second, nil)
	}
	d.expect(alarm.ChamberOpen, true, "both fell together")
	usual := d.d.Offset.Usual
	d.run(10*time.Minute, nil)
	if o := &d.d.Offset; o.By != 0 || o.Usual != usual {
		t.Errorf("%.3f off from what is usual, %.4f, want 0 from %.4f", o.By, o.Usual, usual)
	}
}

// TestADropletIsNoDrift: a sensor that was wet for ten minutes reads the end of its range, and for an hour after that the vapor that it
// seemed to show comes from nowhere. A droplet that is gone is no sensor to calibrate.
func TestADropletIsNoDrift(t *testing.T) {
	d := lone(t)
	d.set(chamber.RelativeHumidity, 0.999)
	d.run(10*time.Minute, d.sound)
	d.set(chamber.RelativeHumidity, 0.9)
	d.e.Vapor.Give = 10 * 10.0 / 3600 * 0.2
	d.run(time.Hour, d.sound)
	d.e.Vapor.Give = 0
	d.run(3*time.Hour, d.sound)
	if d.suspect[rhA] != "" {
		t.Errorf("suspect %q", d.suspect[rhA])
	}
}

// TestWeatherIsNoDrift: the humidity that is learned of a room that nobody measures rises by 22 points in a wet night, as that of the air
// outdoors often does, and what came of it before that was taken for vapor from nowhere. Beside a room that stays as it is that is a
// sensor that reads high.
func TestWeatherIsNoDrift(t *testing.T) {
	for _, c := range []struct {
		damper float64
		want   alarm.Code
	}{{0.22, ""}, {0.05, alarm.Drifted}} {
		d := newDesk(t)
		d.every = time.Minute
		d.e.Spec.Sensors[rhB].Place, d.e.Spec.Sensors[rhC].Place = chamber.Room, chamber.Room
		d.e.Vapor = learn.Vapor{OK: true, Mist: 0.002, Full: 0.1, Evap: 0.001, Crop: 0.004, Moved: 10.0 * 10 / 3600, Flow: 10.0 / 3600, Fan: 1, Saturated: 10, Room: 0.5}
		d.run(30*time.Hour, d.sound)
		d.e.Vapor.Room += c.damper
		d.e.Vapor.Give = 10 * 10.0 / 3600 * 0.15
		d.run(4*time.Hour, d.sound)
		if d.suspect[rhA] != c.want {
			t.Errorf("%.0f points damper: suspect %q", 100*c.damper, d.suspect[rhA])
		}
	}
}

// TestOneThatDriftedIsJudgedAnew once it is calibrated, or no longer the only one.
func TestOneThatDriftedIsJudgedAnew(t *testing.T) {
	for what, do := range map[string]func(d *desk){
		"calibrated":        func(d *desk) { d.d = d.d.Recalibrated(d.e.Spec, rhA) },
		"another beside it": func(d *desk) { d.e.Spec.Sensors[rhB].Place = chamber.Inside },
	} {
		d := lone(t)
		d.e.Vapor.Give = 10 * 10.0 / 3600 * 0.12
		d.run(4*time.Hour, d.sound)
		if d.suspect[rhA] != alarm.Drifted {
			t.Fatalf("suspect %q", d.suspect[rhA])
		}
		do(d)
		d.run(time.Minute, d.sound)
		if d.suspect[rhA] != "" {
			t.Errorf("%s: still suspect %q", what, d.suspect[rhA])
		}
	}
}

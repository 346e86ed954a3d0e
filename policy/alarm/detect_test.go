package alarm_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/guard"
)

// desk lays evidence before the detectors by hand, a step every ten seconds.
type desk struct {
	t       *testing.T
	e       alarm.Evidence
	d       alarm.Detectors
	c       alarm.Conditions
	suspect []alarm.Code
	noise   *rand.Rand
	every   time.Duration // from step to step; longer where days pass in which nothing but readings once a minute matters
}

const (
	rhA = iota
	rhB
	rhC
	tempA
	co2A
	roomCO2
	lux
)

func newDesk(t *testing.T) *desk {
	spec := &chamber.Spec{Name: "loft", VolumeM3: 0.5}
	add := func(name string, q chamber.Quantity, p chamber.Place) {
		spec.Sensors = append(spec.Sensors, chamber.Sensor{Name: name, Quantity: q, Place: p, MaxAge: 5 * time.Minute})
	}
	add("rh-a", chamber.RelativeHumidity, chamber.Inside)
	add("rh-b", chamber.RelativeHumidity, chamber.Inside)
	add("rh-c", chamber.RelativeHumidity, chamber.Inside)
	add("temp", chamber.Temperature, chamber.Inside)
	add("co2", chamber.CO2, chamber.Inside)
	add("room-co2", chamber.CO2, chamber.Room)
	add("lux", chamber.Illuminance, chamber.Inside)
	for _, r := range []chamber.Role{chamber.Humidifier, chamber.ExhaustFan, chamber.Heater} {
		spec.Plugs = append(spec.Plugs, chamber.Plug{Name: r.String(), Role: r, Reports: true, Meters: true})
	}
	d := &desk{t: t, noise: rand.New(rand.NewPCG(1, 2)), every: 10 * time.Second}
	d.e = alarm.Evidence{Now: benchStart, Spec: spec, Link: true, Sensors: make([]alarm.SensorView, len(spec.Sensors))}
	d.e.Target = crop.Target{OK: true, RelativeHumidity: chamber.Band{Low: 0.86, Aim: 0.9, High: 0.94},
		TemperatureC: chamber.Band{Low: 14, Aim: 17, High: 20}, CO2MaxPPM: 1000}
	for _, p := range spec.Plugs {
		d.e.Plugs = append(d.e.Plugs, guard.Plug{Name: p.Name, Role: p.Role, Known: true})
	}
	d.set(chamber.RelativeHumidity, 0.90)
	d.set(chamber.Temperature, 17)
	d.set(chamber.CO2, 800)
	return d
}

func (d *desk) set(q chamber.Quantity, v float64) {
	*d.e.Air.Of(chamber.Inside, q) = chamber.Estimate{Value: v, OK: true}
}

// run lays so much time before the detectors; say gives each sensor's reading, NaN for none, once a minute.
func (d *desk) run(length time.Duration, say func(sensor int) float64) {
	for range int(length / d.every) {
		d.e.Now = d.e.Now.Add(d.every)
		d.e.Readings = nil
		if say != nil && d.e.Now.Second() == 0 {
			for i := range d.e.Sensors {
				if v := say(i); !math.IsNaN(v) {
					d.e.Readings = append(d.e.Readings, chamber.Reading{Sensor: i, Value: v, At: d.e.Now})
					d.e.Sensors[i] = alarm.SensorView{Fresh: true, Value: v, At: d.e.Now}
				}
			}
		}
		d.step()
	}
}

func (d *desk) step() {
	d.d, d.suspect = d.d.WatchSensors(&d.e)
	d.d, d.c = d.d.Detect(&d.e)
	d.e.Reports = nil
}

// pulse switches a plug on and off so that the air has reason to change.
func (d *desk) pulse(plug int, on bool) {
	p := &d.e.Plugs[plug]
	if p.On != on {
		p.On, p.Told, p.Reported, p.ChangedAt, p.ToldAt = on, on, on, d.e.Now, d.e.Now
		p.Switches++
	}
}

// sound is what sound sensors say: noise around the truth, and the pulses of the plugs every ten minutes.
func (d *desk) sound(i int) float64 {
	d.pulse(1, d.e.Now.Minute()%10 < 2)
	n := d.noise.NormFloat64()
	switch i {
	case rhA, rhB, rhC:
		return math.Round((0.90+0.004*n)*1000) / 1000
	case tempA:
		return math.Round((17+0.1*n)*10) / 10
	case co2A:
		return math.Round(800 + 12*n)
	case roomCO2:
		return math.Round(500 + 12*n)
	}
	return 0 // the lamp is off
}

// soundBut is what sound sensors say, but for one.
func (d *desk) soundBut(sensor int, value float64) func(i int) float64 {
	return func(i int) float64 {
		if v := d.sound(i); i != sensor {
			return v
		}
		return value
	}
}

func (d *desk) active(n alarm.Name) bool { return d.c.Of(n).Active }

func (d *desk) expect(n alarm.Name, want bool, when string) {
	d.t.Helper()
	if d.active(n) != want {
		d.t.Errorf("%s: %s is %v, want %v (%+v)", when, n, !want, want, *d.c.Of(n))
	}
}

func (d *desk) quiet(when string) {
	d.t.Helper()
	for _, n := range alarm.Names() {
		d.expect(n, false, when)
	}
}

func TestAirOutOfBandHasDeadband(t *testing.T) {
	for _, c := range []struct {
		n                 alarm.Name
		q                 chamber.Quantity
		inside, not, over float64 // in the band; beyond it but within the deadband; beyond both
	}{
		{alarm.HumidityLow, chamber.RelativeHumidity, 0.87, 0.846, 0.844},
		{alarm.HumidityHigh, chamber.RelativeHumidity, 0.93, 0.954, 0.956},
		{alarm.TemperatureLow, chamber.Temperature, 14.1, 13.6, 13.4},
		{alarm.TemperatureHigh, chamber.Temperature, 19.9, 20.4, 20.6},
		{alarm.CO2High, chamber.CO2, 990, 1120, 1130}, // 1000 + 75 + 5 %
	} {
		d := newDesk(t)
		d.set(c.q, c.not)
		d.step()
		d.expect(c.n, false, "within the deadband")
		d.set(c.q, c.over)
		d.step()
		d.expect(c.n, true, "beyond the deadband")
		d.set(c.q, c.not)
		d.step()
		d.expect(c.n, true, "back within the deadband")
		d.e.Air.Of(chamber.Inside, c.q).OK = false
		d.step()
		if !d.c.Of(c.n).Unknown {
			t.Errorf("%s is told without a reading", c.n)
		}
		d.set(c.q, c.inside)
		d.step()
		d.expect(c.n, false, "back in the band")
		d.set(c.q, c.over)
		d.e.Target.OK = false
		d.step()
		d.expect(c.n, false, "with nothing growing")
	}
}

func TestSoundSensorsAreTrusted(t *testing.T) {
	d := newDesk(t)
	d.every = 30 * time.Second
	for range 24 * 3 {
		d.run(time.Hour, d.sound)
		d.quiet("sound sensors")
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

func TestInputsAreTakenOver(t *testing.T) {
	d := newDesk(t)
	d.e.JournalFailing = true
	d.e.HarvestDue = alarm.Due{Active: true, Batch: "north", Since: d.e.Now}
	d.e.StageOverdue = alarm.Due{Active: true, Batch: "south", Since: d.e.Now}
	d.step()
	for _, n := range []alarm.Name{alarm.JournalFailing, alarm.HarvestDue, alarm.StageOverdue} {
		d.expect(n, true, "said so")
	}
}

// TestFanInVain: a fan that runs most of the time teaches nothing of its effect, in a chamber that is near the room's air. When
// CO2 then climbs to thrice of what it usually stands above the room although the fan runs on, it moves no air; once CO2 has
// fallen in a run, it does.
func TestFanInVain(t *testing.T) {
	d := newDesk(t)
	d.set(chamber.CO2, 560)
	d.e.Air.Room.CO2 = chamber.Estimate{Value: 480, OK: true}
	d.pulse(1, true)
	d.run(4*time.Hour, nil)
	d.quiet("usual")
	co2 := 560.0
	for range 50 { // the crop makes 24 ppm a minute
		co2 += 24
		d.set(chamber.CO2, co2)
		d.run(time.Minute, nil)
		if co2 < 1040 {
			d.expect(alarm.FanFailed, false, "more than usual, and below what it may be")
		}
	}
	d.expect(alarm.FanFailed, true, "half an hour of fan, and ever more CO2")
	if a := d.c.Of(alarm.FanFailed); a.Code != alarm.NoEffect {
		t.Errorf("says %+v", *a)
	}
	d.set(chamber.CO2, co2-450)
	d.run(20*time.Second, nil)
	d.expect(alarm.FanFailed, false, "it moves air again")
}

// TestSlowDecay lets fan and humidifier be learned as clean for two days, then as much less.
func TestSlowDecay(t *testing.T) {
	d := newDesk(t)
	d.every = time.Minute
	d.e.Learned = alarm.Learned{Flow: 90, FlowSD: 0.05, Mist: 200, MistSD: 0.05}
	d.run(48*time.Hour, nil)
	d.expect(alarm.FilterClogged, false, "clean")
	for _, c := range []struct {
		share   float64
		clogged bool
	}{{0.74, false}, {0.66, true}, {0.76, true}, {0.85, false}} {
		d.e.Learned.Flow = 90 * c.share
		d.run(96*time.Hour, nil)
		d.expect(alarm.FilterClogged, c.clogged, fmt.Sprintf("%.0f %% of the clean flow", 100*c.share))
	}
	d.e.Learned.Mist = 60
	d.run(16*time.Hour, nil)
	if c := d.c.Of(alarm.HumidifierWeak); !c.Active || c.Worse || !c.By.After(d.e.Now) {
		t.Errorf("half a day after mist fell to three tenths, which the mean has not reached: %+v", *c)
	}
	d.run(48*time.Hour, nil)
	if c := d.c.Of(alarm.HumidifierWeak); !c.Worse || c.Code != alarm.Severe {
		t.Errorf("three tenths left: %+v", *c)
	}
}

// TestCausesAreDeclared holds the detectors to the table: nothing is attached or suppressed that the table does not say.
func TestCausesAreDeclared(t *testing.T) {
	d := newDesk(t)
	d.e.Link = false
	d.e.Reservoir = &alarm.Reservoir{Dry: true}
	d.e.Fallback = []chamber.Quantity{chamber.CO2}
	d.e.Sensors[rhA].Silent = true
	d.set(chamber.RelativeHumidity, 0.5)
	d.set(chamber.Temperature, 30)
	d.set(chamber.CO2, 3000)
	d.step()
	for i, n := range alarm.Names() {
		c := d.c[i]
		if c.Cause == "" {
			continue
		}
		list := alarm.Of(n).FollowsFrom
		if c.Suppress {
			list = alarm.Of(n).SuppressedBy
		}
		found := false
		for _, x := range list {
			found = found || x == c.Cause
		}
		if !found {
			t.Errorf("%s is laid to %s, which is not declared", n, c.Cause)
		}
	}
	if d.c.Of(alarm.HumidityLow).Cause != alarm.ReservoirDry {
		t.Errorf("dry air of a dry reservoir: %+v", *d.c.Of(alarm.HumidityLow))
	}
}

// TestStateIsAValue: the state given in stays as it was, comes back from JSON whole, and a clock set back does no harm.
func TestStateIsAValue(t *testing.T) {
	d := newDesk(t)
	d.run(2*time.Hour, d.sound)
	before := d.d
	b, err := json.Marshal(before)
	if err != nil {
		t.Fatal(err)
	}
	var back alarm.Detectors
	if err := json.Unmarshal(b, &back); err != nil || !reflect.DeepEqual(back, before) {
		t.Fatalf("came back as %+v, was %+v: %v", back, before, err)
	}
	d.run(time.Hour, d.sound)
	if again, _ := json.Marshal(before); string(again) != string(b) {
		t.Error("the state given in was written to")
	}
	d.e.Now = d.e.Now.Add(-48 * time.Hour)
	d.run(time.Hour, d.sound)
	d.quiet("after the clock was set back")
}

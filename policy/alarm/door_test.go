package alarm_test

import (
	"testing"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
)

func TestChamberOpen(t *testing.T) {
	d := newDesk(t)
	d.run(10*time.Minute, nil)
	d.quiet("shut")
	for i := range 9 { // 800 → 530 ppm and 90 → 70 % in a minute and a half
		d.set(chamber.CO2, 800-30*float64(i+1))
		d.set(chamber.RelativeHumidity, 0.90-0.022*float64(i+1))
		d.run(10*time.Second, nil)
	}
	d.expect(alarm.ChamberOpen, true, "both fell together")
	d.expect(alarm.HumidityLow, true, "70 %")
	if c := d.c.Of(alarm.HumidityLow); c.Cause != alarm.ChamberOpen || !c.Suppress {
		t.Errorf("the dry air of an open chamber: %+v", *c)
	}
	d.run(30*time.Minute, nil)
	d.expect(alarm.ChamberOpen, true, "still open")
	d.set(chamber.CO2, 700)
	d.set(chamber.RelativeHumidity, 0.80)
	d.run(5*time.Minute, nil)
	d.expect(alarm.ChamberOpen, false, "both on their way back for minutes")
	if c := d.c.Of(alarm.HumidityLow); !c.Suppress {
		t.Error("no time was given to recover")
	}
	d.run(16*time.Minute, nil)
	if c := d.c.Of(alarm.HumidityLow); c.Suppress || !c.Active {
		t.Errorf("a quarter of an hour after: %+v", *c)
	}
}

// TestDoorThatNobodyWasToldOf: what looks like a door for five minutes, again and again, is never told of. It may explain dry air for
// as long as somebody at work in the chamber would, and not for hours.
func TestDoorThatNobodyWasToldOf(t *testing.T) {
	d := newDesk(t)
	d.run(10*time.Minute, nil)
	began, hushed := d.e.Now, time.Duration(0)
	for range 6 {
		for i := range 9 {
			d.set(chamber.CO2, 800-30*float64(i+1))
			d.set(chamber.RelativeHumidity, 0.84-0.022*float64(i+1))
			d.run(10*time.Second, nil)
		}
		d.expect(alarm.ChamberOpen, true, "both fell together")
		d.run(3*time.Minute, nil)
		d.set(chamber.CO2, 800)
		d.set(chamber.RelativeHumidity, 0.84)
		for range 90 {
			d.run(10*time.Second, nil)
			if c := d.c.Of(alarm.HumidityLow); c.Active && c.Suppress {
				hushed = d.e.Now.Sub(began)
			}
		}
	}
	if hushed < 30*time.Minute || hushed > 45*time.Minute {
		t.Errorf("dry air was explained by a door that nobody was told of for %v", hushed)
	}
}

func TestFanIsNoDoor(t *testing.T) {
	d := newDesk(t)
	d.run(10*time.Minute, nil)
	d.pulse(1, true)
	for i := range 12 {
		d.set(chamber.CO2, 800-25*float64(i+1))
		d.set(chamber.RelativeHumidity, 0.90-0.02*float64(i+1))
		d.run(10*time.Second, nil)
		d.pulse(1, i < 3)
	}
	d.expect(alarm.ChamberOpen, false, "the fan did it")
}

// TestFanThatCannotBeStoppedIsNoDoor: it says nothing of itself, and its meter shows that it runs although it was told off.
func TestFanThatCannotBeStoppedIsNoDoor(t *testing.T) {
	d := newDesk(t)
	watts := func(n int) {
		for range n {
			d.run(20*time.Second, nil)
			d.e.Reports = []chamber.PlugReport{{Plug: 1, At: d.e.Now, HasWatts: true, Watts: 14}}
			d.step()
		}
	}
	d.pulse(1, true)
	watts(8)
	d.pulse(1, false)
	watts(4)
	d.expect(alarm.PlugDisobeys, true, "told off, and draws its running power")
	d.run(3*time.Minute, nil)
	for i := range 12 {
		d.set(chamber.CO2, 800-25*float64(i+1))
		d.set(chamber.RelativeHumidity, 0.90-0.02*float64(i+1))
		d.run(10*time.Second, nil)
	}
	d.expect(alarm.ChamberOpen, false, "the fan did it")
}

func TestRoomUnsafe(t *testing.T) {
	room := func(d *desk, ppm float64) {
		*d.e.Air.Of(chamber.Room, chamber.CO2) = chamber.Estimate{Value: ppm, OK: true}
	}
	for _, c := range []struct {
		ppm   float64
		after time.Duration
		code  alarm.Code // "": none yet
	}{
		{4900, 12 * time.Hour, ""},
		{5100, 7 * time.Hour, ""},
		{5100, 8 * time.Hour, alarm.EightHours},
		{10_000, 3*time.Hour + 50*time.Minute, ""}, // half of eight hours at twice the limit
		{10_000, 4*time.Hour + 10*time.Minute, alarm.EightHours},
		{31_000, 13 * time.Minute, ""},
		{31_000, 16 * time.Minute, alarm.QuarterHour},
		{41_000, 10 * time.Second, alarm.AtOnce},
	} {
		d := newDesk(t)
		room(d, c.ppm)
		d.run(c.after+10*time.Second, nil)
		if got := d.c.Of(alarm.RoomCO2Unsafe).Code; got != c.code {
			t.Errorf("%v ppm for %s gives %q, want %q", c.ppm, c.after, got, c.code)
		}
	}
	d := newDesk(t)
	d.set(chamber.CO2, 20_000) // in the chamber: no air that anybody breathes
	d.run(9*time.Hour, nil)
	d.expect(alarm.RoomCO2Unsafe, false, "CO2 in the chamber only")
}

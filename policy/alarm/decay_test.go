package alarm

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// A flow that falls by 4 % of the clean flow a day is at 0.6 after ten days, at 0.4 after fifteen. Learned values have
// 3 % of noise from hour to hour.
func TestDecayAgainstItsCleanValue(t *testing.T) {
	noise := rand.New(rand.NewPCG(3, 3))
	start := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	run := func(d *Decay, from, days float64, share func(day float64) float64) {
		for m := range int(days * 96) {
			day := from + float64(m)/96
			d.advance(40*share(day)*(1+0.03*noise.NormFloat64()), 0.05, flowSure, 0, 900)
		}
	}
	falls := func(day float64) float64 { return 1 - 0.04*max(0, day-3) }
	var d Decay
	run(&d, 0, 3, falls)
	if s := d.share(); math.Abs(s-1) > 0.03 {
		t.Errorf("clean: share %v", s)
	}
	if !d.by(start).IsZero() {
		t.Errorf("clean, and yet it matters by %v", d.by(start))
	}
	run(&d, 3, 8, falls) // to day 11: 0.68
	if s := d.share(); math.Abs(s-0.68) > 0.04 {
		t.Errorf("after eight days of falling: share %v, want 0.68", s)
	}
	// To 0.4 it takes seven days more; the line that is followed has seen the clean days too.
	if left := d.by(start).Sub(start).Hours() / 24; left < 6 || left > 10 {
		t.Errorf("matters in %.1f days", left)
	}
	run(&d, 0, 2, func(float64) float64 { return 1 }) // cleaned
	if s := d.share(); s < 0.97 {
		t.Errorf("cleaned: share %v", s)
	}
	if !d.by(start).IsZero() {
		t.Errorf("cleaned, and yet it matters by %v", d.by(start))
	}
	was := d
	d.advance(10, 0.3, flowSure, 0, 900) // not known well enough
	d.advance(0, 0.01, flowSure, 0, 900)
	if d != was {
		t.Error("what is not known moved something")
	}
}

// TestWhatFellBeforeADoorIsNoOtherChamber: a duct comes off, and half a day later, when a mean of that shows a part of it, somebody looks
// in. What is learned is the same before and after the door, so that is no other chamber. Where the door itself has what is learned step,
// it is.
func TestWhatFellBeforeADoorIsNoOtherChamber(t *testing.T) {
	for _, c := range []struct {
		before, after, want float64
	}{{20, 20, 0.5}, {40, 20, 1}} {
		var d Decay
		learn := func(days, value float64) {
			for range int(days * 96) {
				d.advance(value, 0.05, flowSure, 0, 900)
			}
		}
		learn(3, 40)
		learn(0.5, c.before)
		d.unsettle(flowSettles, true)
		learn(3, c.after)
		if s := d.share(); math.Abs(s-c.want) > 0.03 {
			t.Errorf("%+v: share %.2f", c, s)
		}
	}
}

// TestLookedIntoTwiceADay: a disc that gives four tenths from one hour to the next shows within two days, though somebody looks in every
// twelve hours; what the crop gives off stays as it was, or grows. Where blocks were taken out at one of these looks, and with them goes
// a part of the crop's breath, the mist that seems to be missing is another scale.
func TestLookedIntoTwiceADay(t *testing.T) {
	for _, c := range []struct {
		name             string
		mist, crop, want float64
	}{{"a worn disc", 0.4, 1, 0.4}, {"a worn disc beside a growing crop", 0.4, 1.4, 0.4}, {"blocks taken out", 0.7, 0.6, 1}, {"nothing", 1, 1, 1}} {
		var d Decay
		for quarter := range 7 * 96 {
			mist, crop := 200.0, 3.0
			if quarter > 4*96+20 { // between two looks, or at one where it is blocks
				mist, crop = c.mist*mist, c.crop*crop
			}
			if quarter%48 < 2 {
				d.unsettle(mistSettles, true)
			}
			d.advance(mist, 0.05, mistSure, crop, 900)
		}
		if s := d.share(); math.Abs(s-c.want) > 0.06 {
			t.Errorf("%s: share %.2f, want %.2f", c.name, s, c.want)
		}
	}
}

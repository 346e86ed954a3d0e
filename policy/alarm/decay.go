package alarm

import (
	"math"
	"time"
)

// Decay follows something that grows less over days, such as the air that a fan moves through its filter, against what
// it was when it was clean, and says by when it will matter.
type Decay struct {
	Clean float64 `json:"clean"` // what it was at its best; 0: not known
	Now   float64 `json:"now"`   // smoothed over half a day
	Late  float64 `json:"late"`  // smoothed over hours
	For   float64 `json:"for"`   // days that it was known for
	// Sums of a line through Now over days, each faded by [decayMemory].
	Weight float64 `json:"weight"`
	T      float64 `json:"t"`
	Y      float64 `json:"y"`
	TT     float64 `json:"tt"`
	TY     float64 `json:"ty"`
	Better float64 `json:"better"` // days for which it has been clearly better than Clean
	// Unsettled is for how many days more nothing is taken in, because of something else that was done to the chamber, Waited for how many
	// days nothing was, and After what is learned of late meanwhile.
	Unsettled float64 `json:"unsettled,omitempty"`
	Waited    float64 `json:"waited,omitempty"`
	After     float64 `json:"after,omitempty"`
	// Crop is what the crop gives off by the day, smoothed as Late is, and CropAfter as After; 0: not known.
	Crop      float64 `json:"crop,omitempty"`
	CropAfter float64 `json:"crop_after,omitempty"`
}

const (
	decaySmooth = 0.5 // days
	decayKnown  = 1.5 // days until there is something to compare with
	decayLearn  = 1.0 // days in which the clean value is settled
	decayMemory = 2.5 // days
	// decayBetter: a cleaned filter or disc shows as more than before, for so many days.
	decayBetter     = 1.06
	decayBetterDays = 0.5
	// Relative standard deviations up to which what was learned says anything. Where the room's CO2 is measured, an error of the flow
	// is the same today as it was when the filter was clean; where it is not, a room that is guessed wrong changes it from day to day.
	flowSure, flowSureBlind = 0.20, 0.13
	mistSure                = 0.15
	// mistCreeps is by how much a day, as a share, what was learned of the mist may fall of itself where nobody measures the room's
	// humidity: soaked walls come to pass for a damp room. In simulated chambers it was 12 % at the most.
	mistCreeps = 0.12
	// decayAnother is a step of what was learned, as a natural logarithm, that comes of another crop, an open door or a fan that stood
	// still: so much more or less all of it is learned there by what is not known apart, and it is what a clean one counts as since. It is
	// counted from what was learned in the hours before: what had fallen by then, and shows only in part in a mean of half a day, comes
	// of something else. They are some, for what was done may be found an hour late.
	decayAnother = 0.1
	// Such a step shows in what the crop gives off, too, where that is learned, the same way and by at least so much of a logarithm: who only
	// looks in changes neither crop nor disc, and people look in twice a day.
	decayCrop   = 0.15
	decayBefore = 4.0 / 24 // days, over which what was learned before is averaged
	decayAfter  = 1.0 / 24 // the same after
	// decayMatters is the share that is left when control can no longer make up for it by running longer: common practice.
	decayMatters = 0.40
	// decaySlowest: a fall of less a day is none that a date can be given for.
	decaySlowest = 0.005
)

// advance takes in what was learned, with its relative standard deviation, up to which it is to be sure; 0: not known now. crop is what the
// crop gives off, in any unit; 0: not known.
func (d *Decay) advance(value, sd, sure, crop, dt float64) {
	if value <= 0 || sd <= 0 || sd > sure || dt <= 0 {
		return
	}
	days := dt / 86400
	if d.Unsettled > 0 && d.For > 0 {
		d.settle(value, crop, days)
		return
	}
	d.Crop = follow(d.Crop, crop, days, decayBefore)
	d.take(value, days)
}

// follow smooths x over some days; a value of 0 is not known, and has it forgotten.
func follow(x, value, days, over float64) float64 {
	if x == 0 || value == 0 {
		return value
	}
	return x + (1-math.Exp(-days/over))*(value-x)
}

// take has it be so much for so many days.
func (d *Decay) take(value, days float64) {
	d.For += days
	d.Now += (1 - math.Exp(-days/min(decaySmooth, d.For))) * (value - d.Now)
	if d.Late == 0 {
		d.Late = d.Now
	}
	d.Late += (1 - math.Exp(-days/min(decayBefore, d.For))) * (value - d.Late)
	switch {
	case d.For < decayLearn:
		d.Clean = d.Now
	case d.Now > decayBetter*d.Clean:
		if d.Better += days; d.Better > decayBetterDays {
			*d = Decay{Clean: d.Now, Now: d.Now, Late: d.Late, Crop: d.Crop, For: decayLearn}
		}
	default:
		d.Better = 0
	}
	fade := math.Exp(-days / decayMemory)
	y := d.Now
	// Time is counted from now, so the sums move with it.
	d.TY = fade * (d.TY - days*d.Y)
	d.TT = fade * (d.TT - 2*days*d.T + days*days*d.Weight)
	d.T = fade * (d.T - days*d.Weight)
	d.Weight = fade*d.Weight + days
	d.Y = fade*d.Y + days*y
}

// unsettle has it wait for so many days until what was learned has found its place again; no longer for every small thing that comes on
// top, or it would wait forever.
func (d *Decay) unsettle(days float64, small bool) {
	if small && d.Waited >= days {
		return
	}
	d.Unsettled = max(d.Unsettled, days)
}

// settle follows what is learned while it is unsettled. At the end that counts for all the time, or is another scale.
func (d *Decay) settle(value, crop, days float64) {
	d.After, d.CropAfter = follow(d.After, value, days, decayAfter), follow(d.CropAfter, crop, days, decayAfter)
	d.Waited += days
	if d.Unsettled -= days; d.Unsettled > 0 {
		return
	}
	after, waited, by := d.After, d.Waited, d.After/d.Late
	step := math.Log(by)
	another := math.Abs(step) > decayAnother && (d.Crop == 0 || d.CropAfter == 0 || math.Copysign(1, step)*math.Log(d.CropAfter/d.Crop) > decayCrop)
	d.Crop = d.CropAfter
	d.Unsettled, d.Waited, d.After, d.CropAfter = 0, 0, 0, 0
	if !another {
		d.take(after, waited)
		return
	}
	d.Clean *= by
	d.Now *= by
	d.Y *= by
	d.TY *= by
	d.Late = after
}

// creep lets what it was when it was clean fade by that share a day toward what it is now: only what falls faster counts.
func (d *Decay) creep(share, dt float64) {
	d.Clean = max(d.Clean*math.Exp(-share*dt/86400), min(d.Clean, d.Now))
}

// share is what is left of the clean value, 0: not known yet.
func (d *Decay) share() float64 {
	if d.For < decayKnown || d.Clean <= 0 {
		return 0
	}
	return max(0.01, min(d.Now/d.Clean, 1))
}

// slope is the change a day, as a share of the clean value.
func (d *Decay) slope() float64 {
	spread := d.Weight*d.TT - d.T*d.T
	if d.For < decayKnown || spread < 1e-3 {
		return 0
	}
	return (d.Weight*d.TY - d.T*d.Y) / spread / d.Clean
}

// by is when it will matter at the present fall; zero: not in sight.
func (d *Decay) by(now time.Time) time.Time {
	share, fall := d.share(), -d.slope()
	if share == 0 || fall < decaySlowest {
		return time.Time{}
	}
	days := max(0, (share-decayMatters)/fall)
	if days > 60 {
		return time.Time{}
	}
	return now.Add(time.Duration(days * 24 * float64(time.Hour))).Truncate(time.Hour)
}

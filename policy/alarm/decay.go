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
	// Unsettled is for how many days more nothing is taken in, because of something else that was done to the chamber, and After what
	// is learned of late meanwhile.
	Unsettled float64 `json:"unsettled,omitempty"`
	After     float64 `json:"after,omitempty"`
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
	decayBefore  = 4.0 / 24 // days, over which what was learned before is averaged
	decayAfter   = 1.0 / 24 // the same after
	// decayMatters is the share that is left when control can no longer make up for it by running longer: common practice.
	decayMatters = 0.40
	// decaySlowest: a fall of less a day is none that a date can be given for.
	decaySlowest = 0.005
)

// advance takes in what was learned, with its relative standard deviation, up to which it is to be sure; 0: not known now.
func (d *Decay) advance(value, sd, sure, dt float64) {
	if value <= 0 || sd <= 0 || sd > sure || dt <= 0 {
		return
	}
	days := dt / 86400
	if d.Unsettled > 0 && d.For > 0 {
		d.settle(value, days)
		return
	}
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
			*d = Decay{Clean: d.Now, Now: d.Now, Late: d.Late, For: decayLearn}
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

// unsettle has it wait for so many days until what was learned has found its place again.
func (d *Decay) unsettle(days float64) {
	d.Unsettled = max(d.Unsettled, days)
}

// settle takes in what is learned while it is unsettled, and at the end another scale.
func (d *Decay) settle(value, days float64) {
	if d.After == 0 {
		d.After = value
	}
	d.After += (1 - math.Exp(-days/decayAfter)) * (value - d.After)
	if d.Unsettled -= days; d.Unsettled > 0 {
		return
	}
	if d.Late == 0 {
		d.Late = d.Now
	}
	if by := d.After / d.Late; math.Abs(math.Log(by)) > decayAnother {
		d.Clean *= by
		d.Now *= by
		d.Y *= by
		d.TY *= by
	}
	d.Late, d.Unsettled, d.After = d.After, 0, 0
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

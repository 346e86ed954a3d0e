package alarm

import (
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/learn"
)

// Reservoir is what is known of the humidifier's water, from three sides that need nothing of each other: the plug's
// power, the answer of the air to mist, and the balance of on-time against what was filled in.
type Reservoir struct {
	Now time.Time `json:"now,omitzero"` // of the last step

	Dry      bool      `json:"dry,omitempty"`
	DrySince time.Time `json:"dry_since,omitzero"`
	How      Code      `json:"how,omitempty"`       // by which side, when dry
	Shut     bool      `json:"shut,omitempty"`      // CO2 showed then that the chamber was shut
	ProbeAt  time.Time `json:"probe_at,omitzero"`   // when a dry humidifier may be tried again
	RefillAt time.Time `json:"refill_at,omitzero"`  // of the last refill, said or noticed
	Noticed  bool      `json:"noticed,omitempty"`   // that one was noticed, not said
	ProbeGap float64   `json:"probe_gap,omitempty"` // seconds between the last probe and the next
	ProbeOn  float64   `json:"probe_on,omitempty"`  // seconds that the present probe has run
	ProbeOff float64   `json:"probe_off,omitempty"` // seconds since

	Known   bool          `json:"known,omitempty"` // Liters means something
	Liters  float64       `json:"liters"`          // left
	Low     float64       `json:"low"`             // nine times in ten the truth lies between Low and High
	High    float64       `json:"high"`
	EmptyIn time.Duration `json:"empty_in,omitempty"` // at the present use
	EmptyOK bool          `json:"empty_ok,omitempty"` // EmptyIn means something
	// Nine times in ten the truth lies between these.
	EmptyLow  time.Duration `json:"empty_low,omitempty"`
	EmptyHigh time.Duration `json:"empty_high,omitempty"`
	Told      float64       `json:"told"` // seconds since these were worked out

	Uncleaned float64 `json:"uncleaned"` // days since it was last said to be clean, or since it is watched
	Through   float64 `json:"through"`   // liters that went through it since

	OnFor  float64 `json:"on_for"`  // seconds of the present run
	OffFor float64 `json:"off_for"` // seconds since the last one
	Rested float64 `json:"rested"`  // seconds between the last run and the present one

	Before      outputKnown `json:"before,omitzero"`        // what was known of the output when it ran dry
	SurelyWater bool        `json:"surely_water,omitempty"` // it counts as dry although by the balance there was water

	Power    Power    `json:"power,omitzero"`
	Response Response `json:"response,omitzero"`
	Balance  Balance  `json:"balance,omitzero"`
}

// Water is the evidence of one step about the humidifier's water.
type Water struct {
	Now   time.Time
	Spec  *chamber.Plug // the humidifier
	Index int           // of the humidifier, in Spec.Plugs
	Plug  guard.Plug    // after this step's reports
	// Learn is the learner after this step, and Facts what it was told in it; nil: there is none. Where it turns out that it
	// took the humidifier for the wrong thing, [Reservoir.Advance] writes the right one there.
	Learn     *learn.State
	Facts     *learn.Facts
	MistGPerH float64 // learned output, 0: not known
	Open      bool    // the chamber is open, or was upset by something else a while ago: answers mean nothing
	DoorOpen  bool    // it is open now, and known to be
	MayBeOpen bool    // it looks open, and is soon known to be or not: until then nothing is said of the water
	Low       bool    // CO2 stands lower than usual by far, above a room that is measured: hardly anything but a door does that
	Shut      bool    // CO2 shows that it is not open, nor was some minutes ago
	Hidden    bool    // the air was saturated for hours: what is learned of the mist is worth little
	Weighed   bool    // what humidity reads is not believed until a step of it was weighed: what mist does meanwhile nobody sees
	FanOdd    bool    // the exhaust fan may move other air than is known: the same while that lasts, and some time after
	Reports   []chamber.PlugReport
	Demand    Demand
	Asked     Asked
	Late      float64 // seconds for which they may have been under way, where that is more than usual
}

// Probing: a dry humidifier is not run on and on, for a dry disc overheats; it is tried now and then.
const (
	// ProbeFor is how long a dry humidifier is tried, once its [Reservoir.ProbeAt] has come.
	ProbeFor = time.Minute
	// The pause before the first probe, and the longest.
	probeFirst   = 15 * time.Minute
	probeLongest = time.Hour
	// probeDoubted is the one before the first probe where the air alone showed it: that is wrong at times, and a small chamber dries out
	// within a quarter of an hour. A disc that is dry bears one minute more.
	probeDoubted = 6 * time.Minute
	// probeSettle, seconds after a probe until its answer is in.
	probeSettle = 180.0
	// One that left evidence of mist, a quarter of what it takes, is followed by another after probeAgain: where mist comes through a hose, or
	// the learner is not sure of its own, no single one is enough, and an hour of dry air would lie between it and the next.
	probePromising = responseWet / 4
	probeAgain     = time.Minute
)

// Advance takes the reservoir one step further. It reports whether a refill was noticed in this step.
func (r Reservoir) Advance(w *Water) (next Reservoir, refilled bool) {
	dt := steadySeconds(r.Now, w.Now)
	r.Now = w.Now
	on := w.Plug.On && w.Plug.Known
	switch {
	case on && r.OffFor > 0:
		r.OnFor, r.OffFor, r.Rested = 0, 0, r.OffFor
	case on:
		r.OnFor += dt
	default:
		r.OffFor += dt
	}
	power := r.Power.advance(w, dt, on, r.OnFor, r.Rested)
	response := r.Response.advance(w, dt, on, &r)
	drawn := r.Balance.advance(w, dt, on, r.OnFor, r.Dry)
	r.Uncleaned += dt / 86400
	r.Through += drawn
	switch {
	case r.Dry && r.How == ByResponse && w.DoorOpen && w.Now.Sub(r.DrySince) < doorLate:
		r.takeBack()
	case !r.Dry && power == dry:
		r.runDry(w, ByPower)
	case !r.Dry && response == dry:
		r.runDry(w, ByResponse)
	case r.Dry && power == dry && r.How == ByResponse: // it shows there as well, and so will water
		r.How, r.Power.PowerTells = ByPower, true
	case r.Dry && (power == wet && r.How == ByPower || response == wet && r.How != ByPower): // a dead disc may draw what it always did
		refilled = r.wetAgain(w)
	case r.Dry:
		r.probe(w.Now, dt, on)
	}
	if r.Told += dt; r.Told >= sumEvery || refilled || r.Dry || !r.EmptyOK {
		r.sum(w)
	}
	return r, refilled
}

// opinion is what one side makes of the evidence.
type opinion uint8

const (
	unsure opinion = iota
	dry
	wet
)

func (r *Reservoir) runDry(w *Water, how Code) {
	r.Dry, r.DrySince, r.How, r.Shut = true, w.Now, how, w.Shut
	r.ProbeGap = probeFirst.Seconds()
	r.ProbeAt, r.ProbeOn, r.ProbeOff = w.Now.Add(probeFirst), 0, 0
	if how == ByResponse {
		r.ProbeAt = w.Now.Add(probeDoubted)
	}
	r.Power.PowerTells = r.Power.PowerTells || how == ByPower
	late := 0.0
	if how == ByResponse {
		late = r.Response.MistOn / 3600
	}
	r.Response.Tried = 0
	r.Before, r.SurelyWater = r.Balance.known(), r.Balance.surelyWater(w.Spec)
	r.Balance.ranDry(late)
	r.overrule(w)
}

// holdsWater ends that it counts as dry.
func (r *Reservoir) holdsWater() {
	r.Dry, r.DrySince, r.How, r.Shut, r.ProbeAt, r.ProbeGap = false, time.Time{}, "", false, time.Time{}, 0
	r.Response.Took = 0
}

// wetAgain takes note that mist works again. Mist that comes back although the balance says that there was water all
// the time was a clogged or sticking humidifier, or an error of ours: nothing was filled in. Where it was called dry for giving so
// little, and soon gave something, that little is what it gives.
func (r *Reservoir) wetAgain(w *Water) (refilled bool) {
	soon, took := r.How == ByResponse && w.Now.Sub(r.DrySince).Seconds() < hasty, r.Response.Took
	if soon {
		r.Response.Wrong = min(r.Response.Wrong+1, wrongMost)
	}
	refilled = r.How == ByPower || !r.SurelyWater
	r.holdsWater()
	r.overrule(w)
	if refilled {
		r.RefillAt, r.Noticed = w.Now, true
		r.Balance.fill(w.Spec.ReservoirLiters, assumedFull)
		return true
	}
	r.Balance.believe(&r.Before)
	if soon && took != 0 { // or it would be called dry for the same again and again
		r.Response.weak(w, took)
	}
	return false
}

// doorLate: a door is found so long after it was opened at the most. Until then, that mist went out of it may have passed for
// a dry reservoir.
const doorLate = 45 * time.Minute

// takeBack makes nothing of a reservoir that counted as dry by the answer of air that goes out of the door.
func (r *Reservoir) takeBack() {
	r.holdsWater()
	r.Balance.believe(&r.Before)
	r.Response.restart()
}

// overrule puts the rival in the learner's place, once it was right: what the learner took for the humidifier's doing
// since was not.
func (r *Reservoir) overrule(w *Water) {
	if r.Response.Rival != nil {
		*w.Learn = *r.Response.Rival
	}
	r.Response.restart()
}

// probe sets the time of the next trial after one has run and was not answered. Once a trial has run its time, the
// humidifier rests again at once, while the answer is awaited.
func (r *Reservoir) probe(now time.Time, dt float64, on bool) {
	switch {
	case on:
		r.ProbeOn += dt
		r.ProbeOff = 0
	case r.ProbeOn > 0:
		r.ProbeOff += dt
	}
	if r.ProbeOn < ProbeFor.Seconds() && r.ProbeOff < probeSettle {
		return
	}
	if !r.ProbeAt.After(now) && r.ProbeOn >= wattsSettle {
		r.ProbeAt = now.Add(time.Duration(r.ProbeGap * float64(time.Second)))
		r.ProbeGap = min(2*r.ProbeGap, probeLongest.Seconds())
	}
	if r.ProbeOff >= probeSettle {
		r.ProbeOn, r.ProbeOff = 0, 0
		before := r.Response.Tried
		r.Response.tried()
		if again := now.Add(probeAgain); r.How == ByResponse && r.Response.Tried-before >= probePromising && again.Before(r.ProbeAt) {
			r.ProbeAt = again
		}
	}
}

// proved reports whether it was tried since it counts as dry, and did not answer.
func (r *Reservoir) proved() bool { return r.ProbeGap > probeFirst.Seconds() && r.ProbeOn == 0 }

// sumEvery is how often what is left is worked out, in seconds.
const sumEvery = 60.0

// sum works out what is left, and for how long.
func (r *Reservoir) sum(w *Water) {
	r.Told = 0
	r.Known, r.Liters, r.Low, r.High = r.Balance.left(w.Spec, r.Dry)
	hours, low, high, ok := r.Balance.emptyIn()
	r.EmptyOK = r.Known && (ok || r.Dry)
	r.EmptyIn, r.EmptyLow, r.EmptyHigh = 0, 0, 0
	if r.EmptyOK && !r.Dry {
		r.EmptyIn, r.EmptyLow, r.EmptyHigh = inHours(hours), inHours(low), inHours(high)
	}
}

func inHours(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }

// saidLate: who says that it is full so soon after that was noticed, and nobody said so then, speaks of that refill. What was drawn
// since is gone.
const saidLate = 12 * time.Hour

// Refill takes a person's word: the reservoir holds so many liters; 0 and anything above the capacity mean full.
func (r Reservoir) Refill(spec *chamber.Plug, liters float64, now time.Time) Reservoir {
	full := liters <= 0 || spec.ReservoirLiters > 0 && liters >= spec.ReservoirLiters
	if full {
		liters = spec.ReservoirLiters
	}
	if full && r.Noticed && !r.Dry && now.Sub(r.RefillAt) < saidLate {
		r.Noticed, r.Balance.Sureness = false, saidFull
		return r
	}
	r.holdsWater()
	r.Balance.rated(spec) // a refill may come before the first step: after a journal was lost, what people did is done anew
	r.RefillAt, r.Noticed = now, false
	r.Balance.fill(liters, saidFull)
	r.Response.restart()
	r.Power.Low, r.Power.LowOn = 0, 0
	r.sum(&Water{Now: now, Spec: spec})
	return r
}

// Clean takes a person's word: the reservoir was cleaned.
func (r Reservoir) Clean() Reservoir {
	r.Uncleaned, r.Through = 0, 0
	return r
}

// Resting reports whether the humidifier is to be left off because it is dry, and until when. While it is dry it may
// run for [ProbeFor] from ProbeAt on.
func (r *Reservoir) Resting(now time.Time) (until time.Time, resting bool) {
	if !r.Dry || !now.Before(r.ProbeAt) {
		return time.Time{}, false
	}
	return r.ProbeAt, true
}

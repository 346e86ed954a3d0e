package alarm

import (
	"math"
)

// Response tests whether the air answers to mist. It predicts the change of the chamber's vapor over a minute from what
// the plugs did, with coefficients learned from this chamber's own minutes, and weighs "mist as ever" against "no mist
// at all" by the ratio of their likelihoods, summed up sequentially (Page's cumulative sum of the log-likelihood ratio).
// With a threshold h the mean number of minutes with mist between false alarms is at least e^h, where the residuals are
// normal (Lorden 1971); clipping and the demand that mist be needed guard against those that are not.
type Response struct {
	Fit Fit `json:"fit,omitzero"`

	// The window being filled.
	Started bool    `json:"started,omitempty"`
	For     float64 `json:"for"`    // seconds
	From    float64 `json:"from"`   // vapor at its start, g
	Input   inputs  `json:"input"`  // of this window
	Lagged  inputs  `json:"lagged"` // what the sensors have not shown yet

	Against float64 `json:"against"` // evidence that it is dry, natural logarithm
	For0    float64 `json:"for_wet"` // evidence that it gives mist
	MistOn  float64 `json:"mist_on"` // seconds of mist in Against
	Frozen  float64 `json:"frozen"`  // seconds for which learning has been held

	Fast   float64 `json:"fast"` // mist effect lately, over that learned, smoothed
	Best   float64 `json:"best"` // gain of mist when clean, g per second
	Pulses int     `json:"pulses"`
}

// inputs drive the vapor in a window: mist (seconds of full output), fan (gram-seconds of difference to the room), rest
// (the same without fan) and time (seconds).
type inputs [4]float64

const (
	mist = iota
	fanned
	rested
	passed
)

const (
	windowSeconds = 60.0
	// responseLag, seconds: a capacitive humidity sensor in still, wet air (30..60 s) and drops that evaporate.
	responseLag = 60.0
	// enoughMist, seconds of full output in a window for it to count as evidence.
	enoughMist = 3.0
	// leastMist, seconds of full output in a window below which nothing is learned about mist.
	leastMist = 0.5
	// Thresholds, natural logarithms. With some 300 windows with mist a day, e^11 are two hundred days.
	responseDry  = 11.0
	responseWet  = 5.0
	responseClip = 2.5 // of one window
	// When the meter shows that it runs as ever, the answer of the air alone must be twice as clear.
	meterFactor = 2.0
	// The same where the effect of mist is only guessed.
	guessFactor = 2.0
	// usualRH: near the aim, walls and blocks are as they usually are, and pulses can be compared.
	usualRH = 0.03
	// qualityMemory, windows with mist: one to two days.
	qualityMemory = 500
	// leastMistOn: seconds of mist without an answer, before anything is said.
	leastMistOn = 60.0
	// needed: the air must be that far below the aim: a humidifier that does not work shows when mist is needed.
	needed = 0.012
	// wetAir: above that, mist hardly evaporates and proves nothing.
	wetAir = 0.965
	// learnedWindows with mist until the test may speak.
	learnedWindows = 40
	// freezeAt: evidence above which nothing is learned, so that a dry humidifier is not taken for the new normal; given
	// up after so long, when it evidently is.
	freezeAt  = 2.0
	freezeFor = 12 * 3600.0
	roomGuess = 8.6 // g/m³ of room air that is not measured: half of saturation at 20 °C
)

func (r *Response) restart() { r.Against, r.For0, r.MistOn = 0, 0, 0 }

// advance takes in one step and gives an opinion when a window has closed.
func (r *Response) advance(w *Water, dt float64, on bool, onFor float64, res *Reservoir) opinion {
	in := &w.Air.Inside
	if !in.RelativeHumidity.OK || !in.Temperature.OK || w.VolumeM3 <= 0 || w.Open || dt > windowSeconds {
		r.Started = false
		return unsure
	}
	density, ok := vaporDensity(in.Temperature.Value, in.RelativeHumidity.Value)
	if !ok {
		r.Started = false
		return unsure
	}
	grams := density * w.VolumeM3
	excess := grams - r.roomGrams(w)
	if !r.Started {
		r.Started, r.For, r.From, r.Input, r.Lagged = true, 0, grams, inputs{}, inputs{}
		return unsure
	}
	var drive inputs
	if on {
		drive[mist] = dt * output(onFor)
	}
	drive[rested] = -dt * excess
	if w.FanOn {
		drive[fanned] = -dt * excess
	}
	drive[passed] = dt
	shown := 1 - math.Exp(-dt/responseLag)
	for i := range drive {
		r.Lagged[i] += drive[i]
		r.Input[i] += shown * r.Lagged[i]
		r.Lagged[i] -= shown * r.Lagged[i]
	}
	r.For += dt
	if r.For < windowSeconds {
		return unsure
	}
	change := grams - r.From
	verdict := r.close(w, change, res)
	r.For, r.From, r.Input = 0, grams, inputs{}
	return verdict
}

func (r *Response) roomGrams(w *Water) float64 {
	room := &w.Air.Room
	if room.RelativeHumidity.OK && room.Temperature.OK {
		if d, ok := vaporDensity(room.Temperature.Value, room.RelativeHumidity.Value); ok {
			return d * w.VolumeM3
		}
	}
	return roomGuess * w.VolumeM3
}

// close weighs a window and learns from it.
func (r *Response) close(w *Water, change float64, res *Reservoir) opinion {
	rh := w.Air.Inside.RelativeHumidity.Value
	mistly := r.Input[mist] >= enoughMist
	predicted := r.Fit.predict(&r.Input)
	verdict := unsure
	if mistly && r.Fit.Seen >= learnedWindows {
		t := trial{residual: change - predicted, effect: r.Fit.Coef[mist] * r.Input[mist], rh: rh, variance: r.Fit.Variance, known: true}
		if r.Fit.MistSeen < learnedWindows || t.effect <= 0 {
			t.guess(w, r.Input[mist], change-predicted+t.effect, r.Fit.All)
		}
		verdict = r.weigh(w, &t, res)
	}
	r.Frozen += windowSeconds
	if r.Against < freezeAt && !res.Dry {
		r.Frozen = 0
	}
	held := res.Dry || r.Frozen > 0 && r.Frozen < freezeFor
	if rh < saturated && (!held || r.Input[mist] < leastMist) {
		r.Fit.learn(&r.Input, change, mistly)
	}
	return verdict
}

// trial is one window's evidence.
type trial struct {
	residual float64 // change less what "mist as ever" predicts, g
	effect   float64 // of the mist, g
	variance float64
	rh       float64
	known    bool // the effect was learned
}

// guess takes the label for what was not learned, because the chamber was too wet to learn anything: an answer of a
// third of the rated output, give or take half of that.
func (t *trial) guess(w *Water, mistSeconds, without, variance float64) {
	rate := w.Spec.OutputGPerH
	if rate <= 0 {
		rate = blindRate
	}
	t.effect = rate / 3600 / 3 * mistSeconds
	t.residual = without - t.effect
	t.variance = max(variance, 0.25*t.effect*t.effect)
	t.known = false
}

// weigh adds one window's evidence.
func (r *Response) weigh(w *Water, t *trial, res *Reservoir) opinion {
	without := t.residual + t.effect // residual under "no mist at all"
	ratio := (t.residual*t.residual - without*without) / (2 * (t.variance + 1e-6))
	ratio = max(-responseClip, min(ratio, responseClip))
	if res.Dry {
		r.For0 = max(0, r.For0-ratio)
		if r.For0 >= responseWet {
			return wet
		}
		return unsure
	}
	if ratio > 0 && (t.rh > wetAir || w.AimRH > 0 && t.rh > w.AimRH+0.005) {
		return unsure
	}
	if r.Against == 0 {
		r.MistOn = 0
	}
	r.MistOn += r.Input[mist]
	r.Against = max(0, r.Against+ratio)
	limit, below := responseDry, needed
	if !t.known {
		limit, below = limit*guessFactor, below*guessFactor
	} else if r.Against < freezeAt && w.AimRH > 0 && math.Abs(t.rh-w.AimRH) < usualRH {
		r.quality(t.residual, t.effect)
	}
	if res.Power.sound() {
		limit *= meterFactor
	}
	if r.Against < limit || r.MistOn < leastMistOn || res.Power.PowerTells && res.Power.sound() {
		return unsure
	}
	if w.AimRH > 0 && t.rh > w.AimRH-below {
		return unsure
	}
	return dry
}

// quality follows the mist's effect against the best that was learned.
func (r *Response) quality(residual, effect float64) {
	share := max(-0.5, min(1+residual/effect, 2)) * r.Fit.Coef[mist]
	r.Pulses = min(r.Pulses+1, 100_000)
	r.Fast += max(1/qualityMemory, 1/float64(r.Pulses)) * (share - r.Fast)
	if r.Pulses > 2*qualityMemory && r.Fast > r.Best {
		r.Best = r.Fast
	}
}

// share of the mist's effect that is left.
func (r *Response) share() float64 {
	if r.Pulses < 3*qualityMemory || r.Best <= 0 {
		return 0
	}
	return max(0.01, min(r.Fast/r.Best, 1))
}

package alarm

import "math"

// Response tests whether the air answers to mist. It predicts the change of the chamber's vapor over a minute from what
// the plugs did, with coefficients learned from this chamber's own minutes, and weighs "mist" against "no mist at all"
// by the ratio of their likelihoods, summed up sequentially (Page's cumulative sum of the log-likelihood ratio). With a
// threshold h the mean number of minutes with mist between false alarms is at least e^h, where the residuals are normal
// (Lorden 1971); clipping and the demand that mist be needed guard against those that are not.
type Response struct {
	Answer
	Against float64 `json:"against"`  // evidence that it is dry, natural logarithm
	ForMist float64 `json:"for_mist"` // evidence that it gives mist, once dry
	MistOn  float64 `json:"mist_on"`  // seconds of mist in Against
	Frozen  float64 `json:"frozen"`   // seconds for which learning has been held
	FromRH  float64 `json:"from_rh"`  // where the air stood when the evidence began
	LastRH  float64 `json:"last_rh"`  // at the end of the window before
	Strange float64 `json:"strange"`  // seconds for which nothing is said, because more is missing than any mist
	Wrong   float64 `json:"wrong"`    // times that it was dry for minutes only, faded over days
	Fast    float64 `json:"fast"`     // effect of mist lately, g per second
	Pulses  int     `json:"pulses"`
}

const (
	// responseLag, seconds: a capacitive humidity sensor in still, wet air (30..60 s) and drops that evaporate.
	responseLag = 60.0
	// Thresholds, natural logarithms. With some 300 windows with mist a day, e^11 are two hundred days.
	responseDry = 11.0
	responseWet = 4.5
	// When the meter shows that it runs as ever, the answer of the air alone must be twice as clear.
	meterFactor = 2.0
	// The same where the effect of mist is only guessed.
	guessFactor = 2.0
	// A humidifier that gives nothing leaves what the air would do without it. Where that much more is missing, in standard
	// deviations and as a share of the mist's effect, something else takes it: a door. Nothing is said for so long, seconds.
	strangeSD    = 2.2
	strangeShare = 0.05
	strangeFor   = 18 * 60.0
	// hasty: mist that is back so soon, seconds, without a word of a refill, was never away. Each time makes the test that
	// much more careful, for about wrongMemory windows.
	hasty       = 45 * 60.0
	wrongMost   = 4.0
	wrongMemory = 1500
	// leastMistOn: seconds of mist without an answer, before anything is said.
	leastMistOn = 60.0
	// needed: the air must be that far below the aim: a humidifier that does not work shows when mist is needed.
	needed = 0.012
	// satisfied is what is left of the evidence after each window that ends above the aim, or near it and within regained of
	// where the air stood when the evidence began: whatever the prediction missed, a humidifier that gives nothing does not bring the
	// air back, again and again.
	satisfied    = 0.5
	regained     = 0.01
	regainedNear = 0.03
	// wetAir: above that, mist hardly evaporates and proves nothing.
	wetAir = 0.965
	// freezeAt: evidence above which nothing is learned, so that a dry humidifier is not taken for the new normal; given
	// up after so long, when it evidently is.
	freezeAt  = 2.0
	freezeFor = 12 * 3600.0
	// leastOfUsual: the effect expected is at least that share of what it was over the last days, so that a humidifier
	// that runs dry in wet air, where it is not missed, is not taken for the new normal.
	leastOfUsual = 0.6
	// wetClip: a probe may hold no more than one window that tells: a short pulse can wet the air all through. So one
	// window at three standard deviations is enough.
	wetClip = 5.0
	// usualRH: near the aim, walls and blocks are as they usually are, and pulses can be compared.
	usualRH = 0.03
	// qualityMemory, windows with mist: one to two days.
	qualityMemory = 500
)

func (r *Response) restart() { r.Against, r.ForMist, r.MistOn = 0, 0, 0 }

// advance takes in one step and gives an opinion when a window has closed.
func (r *Response) advance(w *Water, dt float64, on bool, onFor float64, res *Reservoir) opinion {
	r.Strange = max(0, r.Strange-dt)
	in := &w.Air.Inside
	density, ok := vaporDensity(in.Temperature.Value, in.RelativeHumidity.Value)
	if !ok || !in.RelativeHumidity.OK || !in.Temperature.OK || w.VolumeM3 <= 0 || w.Open || w.FanOdd {
		r.Started = false
		return unsure
	}
	grams := density * w.VolumeM3
	excess := grams - roomGrams(w)
	var drive inputs
	if on {
		drive[acted] = dt * spun(onFor) * w.Plug.Output()
	}
	if w.FanOn {
		drive[fanned] = -dt * excess
	}
	drive[rested], drive[passed] = -dt*excess, dt
	change, closed := r.push(grams, &drive, dt, responseLag)
	if !closed {
		return unsure
	}
	verdict := r.close(w, change, res)
	r.next(grams)
	return verdict
}

// roomGrams is the vapor that the chamber would hold if it were filled with the room's air.
func roomGrams(w *Water) float64 {
	room := &w.Air.Room
	if room.RelativeHumidity.OK && room.Temperature.OK {
		if d, ok := vaporDensity(room.Temperature.Value, room.RelativeHumidity.Value); ok {
			return d * w.VolumeM3
		}
	}
	return doorRoomVapor * w.VolumeM3
}

// close weighs a window and learns from it.
func (r *Response) close(w *Water, change float64, res *Reservoir) opinion {
	rh := w.Air.Inside.RelativeHumidity.Value
	mistly := r.Input[acted] >= enoughAct
	predicted := r.Fit.predict(&r.Input)
	verdict := unsure
	if mistly && r.Fit.Seen >= learnedWindows {
		without := change - predicted + r.Fit.Coef[acted]*r.Input[acted]
		t := trial{effect: max(r.Fit.Coef[acted], leastOfUsual*r.Fast) * r.Input[acted], rh: rh, variance: r.Fit.Variance * (1 + r.Fit.doubt(&r.Input)), known: true}
		t.residual = without - t.effect
		if r.Fit.ActSeen < learnedWindows || t.effect <= 0 {
			t.guess(w, r.Input[acted], without, r.Fit.All)
		}
		if t.residual+t.effect < -strangeSD*math.Sqrt(t.variance)-strangeShare*t.effect {
			r.restart()
			r.Strange = strangeFor
		}
		if r.Strange > 0 {
			return unsure
		}
		verdict = r.weigh(w, &t, res)
	}
	r.LastRH = rh
	r.Frozen += windowSeconds
	if r.Against < freezeAt && !res.Dry {
		r.Frozen = 0
	}
	held := res.Dry || r.Frozen > 0 && r.Frozen < freezeFor
	if r.Input[acted] < leastAct || !held && rh <= wetAir {
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
	if res.Dry {
		r.ForMist = max(0, r.ForMist+t.mistAfterAll())
		if r.ForMist >= responseWet {
			return wet
		}
		return unsure
	}
	r.Wrong *= 1 - 1.0/wrongMemory
	ratio := evidence(t.residual, t.effect, deadShare, t.variance, evidenceClip)
	if ratio > 0 && (t.rh > wetAir || w.AimRH > 0 && t.rh > w.AimRH+0.005) {
		return unsure
	}
	if w.AimRH > 0 && (t.rh > w.AimRH || t.rh > w.AimRH-regainedNear && t.rh > r.FromRH-regained) {
		r.Against *= satisfied
	}
	if r.Against < 0.1 {
		r.MistOn, r.FromRH = 0, max(r.LastRH, t.rh)
	}
	r.MistOn += r.Input[acted]
	r.Against = max(0, r.Against+ratio)
	limit, below := responseDry, needed
	if !t.known {
		limit, below = limit*guessFactor, below*guessFactor
	} else if r.Against < freezeAt && w.AimRH > 0 && math.Abs(t.rh-w.AimRH) < usualRH {
		r.quality(t.residual, t.effect)
	}
	limit *= 1 + r.Wrong
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

// mistAfterAll is the evidence of one window that a humidifier that was dry gives mist again, be it less than before:
// dry walls take a good part of the first.
func (t *trial) mistAfterAll() float64 {
	answer := t.residual + t.effect
	if answer > aliveShare*t.effect {
		return min(answer*answer/(2*(t.variance+1e-6)), wetClip)
	}
	return -evidence(t.residual, t.effect, aliveShare, t.variance, evidenceClip)
}

// quality follows the mist's effect.
func (r *Response) quality(residual, effect float64) {
	share := max(-0.5, min(1+residual/effect, 2)) * r.Fit.Coef[acted]
	r.Pulses = min(r.Pulses+1, 100_000)
	r.Fast += max(1.0/qualityMemory, 1/float64(r.Pulses)) * (share - r.Fast)
}

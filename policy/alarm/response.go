package alarm

import (
	"math"
	"time"

	"gillkeeper/policy/learn"
)

// Response tests whether the air answers to mist. Two filters follow the chamber: the learner's, which takes the humidifier
// for what it is taken for, and its rival, which takes it for the opposite and goes its own way from when the humidifier
// was switched on. Both say beforehand what humidity and temperature will read, fan, walls, crop and room weather reckoned
// in; the ratio of the likelihoods that they gave to the readings is summed up (Page's cumulative sum). A filter's
// surprises follow each other independently where it fits, so with a threshold h the mean number of readings between two
// false alarms is at least e^h (Lorden 1971); clipping, and the demand that humidity and temperature agree, guard
// against chambers that it does not fit quite.
type Response struct {
	Rival    *learn.State `json:"rival,omitempty"` // nil: none is under way. Nobody writes to what it points at.
	Humidity float64      `json:"humidity"`        // evidence for the rival from humidity, natural logarithm
	Warmth   float64      `json:"warmth"`          // the same from temperature: mist cools as it evaporates
	NotElse  float64      `json:"not_else"`        // the same for a dry humidifier against something else that takes the vapor
	Warmer   float64      `json:"warmer"`          // standard deviations by which it is of late warmer than even without mist
	MistOn   float64      `json:"mist_on"`         // seconds of mist since it began
	Mist     float64      `json:"mist"`            // the same as if at full output
	Stood    float64      `json:"stood"`           // seconds for which it has been enough to call it dry
	For      float64      `json:"for"`             // seconds of all since then
	Tried    float64      `json:"tried"`           // evidence that the trials of a dry humidifier left behind, each by itself not enough
	Wrong    float64      `json:"wrong"`           // times that it was dry for minutes only, faded over days
	Gave     float64      `json:"gave"`            // what the humidifier gave when all was well, as [learn.State.Given] has it
	GaveFor  float64      `json:"gave_for"`        // seconds that it rests on
	Little   float64      `json:"little"`          // seconds of mist for which it has given next to nothing of that
	Less     float64      `json:"less"`            // the same for a third of that
	Took     float64      `json:"took,omitempty"`  // what it was taken to give when it was called dry for that; 0: it was not
	Odd      float64      `json:"odd"`             // the learner's mean surprise in this chamber when all was well, standard deviations
	OddFor   float64      `json:"odd_for"`         // seconds that it rests on
	Read     float64      `json:"read"`            // humidity as it was read, mean of minutes; 0: none was
	Unread   float64      `json:"unread"`          // seconds since then
	Uneasy   float64      `json:"uneasy"`          // seconds for which the learner is still waited for after the chamber was upset
}

const (
	// Thresholds, natural logarithms. A day has some ten thousand readings, so e^15 of them are three hundred days of a
	// chamber that is misted all the time.
	responseDry = 15.0
	responseWet = 8.0
	// responsePlain is what humidity must say, and what must speak for a chamber that is shut, where a door may be open; for so many
	// seconds, by which most doors have been found.
	responsePlain = 60.0
	plainFor      = 3600.0
	// responseBack is the evidence against the rival at which it is given up.
	responseBack = 2.0
	// stands is for how many seconds evidence must have been enough. Mist that comes through a hose, or late by the air's own ways, has
	// answered by then, and what a heater did has passed.
	stands = 30.0
	// mistTells is the most that humidity says for the rival by each second of mist at full output, and temperature as much again. A learner
	// that has lost its way, in saturated air above all, may for minutes err the same way in every reading: these are one
	// witness, not many. Only the answers to several pulses are several.
	mistTells = 0.12
	// When the meter shows that it runs as ever, the answer of the air alone must be twice as clear.
	meterFactor = 2.0
	// responseClip is the most that the readings of one kind say in a step.
	responseClip = 3.0
	// A humidifier that gives nothing leaves what the air would do without it. Readings that much lower still, in standard
	// deviations, would be made by something else: a door, or a fan that moves more than is known. It must be less likely by
	// that much, natural logarithm.
	elseLower  = 2.0
	elseUnlike = 3.0
	// Nor does it warm the air by more than mist cooled it. What is warmer still, by so many standard deviations as a mean over so many
	// readings, has a heater or a lamp, which makes it drier than anybody foresees; how much vapor it holds shows once that is known.
	elseWarmer   = 1.0
	elseReadings = 4.0
	// A door that takes the vapor takes CO2 along, which shows after so many seconds. The rival foresees air that the learner has
	// never seen, and is off by a point or two to either side: CO2 is the better witness, where it bears any.
	shutFor = 480.0
	// leastFor: so many seconds a rival is followed at the least, in which CO2 that goes out of a door begins to show.
	leastFor = 300.0
	// responseFits: the mean surprise, in standard deviations, up to which the rival foresees readings well enough to be
	// believed that the humidifier gives nothing. 0.8 is that of a perfect fit; where the door stands open, or a fan does what
	// it never did, neither of the two fits. A chamber whose sensors and surfaces are not as typical surprises by more at any
	// time: there it is so many times what is usual, as it was over oddMemory seconds, known after oddKnown.
	responseFits  = 1.0
	responseUsual = 1.05
	oddMemory     = 6 * 3600.0
	oddMost       = 1.8 // beyond, a filter is lost, which is not to become usual
	oddFar        = 4.0 // times by which one that is not surprises less than one that is
	oddKnown      = 3600.0
	// Where CO2 shows that the chamber is shut, there is hardly anything else that would lead both astray: neither a door nor a fan.
	oddMostShut = 2.5
	oddFarShut  = 2.0
	// A learner that surprises by more than rivalOdd, standard deviations, and by so many times what is believed, is lost.
	rivalOdd, rivalLost = 1.5, 1.2
	// uneasyMost: after the chamber was upset, walls and crop are a while as the learner does not take them to be. Until it foresees
	// readings as well as usual again, but no longer than so many seconds, what the air answers says nothing of the water.
	uneasyMost = 2 * 3600.0
	// coldest is the most that temperature may speak against the rival, without mist the air is warmer; or coolShare of what humidity
	// says. A thermometer that reports each tenth of a kelvin has said it in one reading and then says nothing for minutes, in which
	// humidity may have said it ten times over.
	coldest   = -2.0
	coolShare = 0.1
	// hasty: mist that is back so soon, seconds, without a word of a refill, was never away. Each time makes the test that
	// much more careful, for about wrongMemory seconds.
	hasty       = 45 * 60.0
	wrongMost   = 4.0
	wrongMemory = 5 * 86400.0
	// leastMistOn: seconds of mist without an answer, before anything is said.
	leastMistOn = 60.0
	// newcomer is for how long a chamber is watched before what it does is thought to be known: how much its air takes up, and
	// how fast its sensors follow.
	newcomer = time.Hour
	// Evidence that has gathered so slowly that the humidifier has run for heldOn seconds is not heard where humidity, as a mean over
	// heldMean seconds, stands no more than heldNear below what is wanted: without mist for so long it would not. A filter that has
	// lost its way gathers some without end.
	heldOn, heldMean, heldNear = 600.0, 600.0, 0.02
	// unclearAfter: a plug that says something else than it was told for longer may do either.
	unclearAfter = 5 * time.Second
	// The slower way, for chambers that neither filter foresees when the mist fails: by what is learned of it then, once that
	// fits again. What it gave is a mean of gaveMemory seconds, known after gaveKnown; next to nothing is a seventh of it (a
	// natural logarithm), for littleOn seconds of mist.
	gaveMemory = 6 * 3600.0
	gaveKnown  = 3 * 3600.0
	gaveLittle = 2.0
	littleOn   = 240.0
	// A third of it will do where that lasts: what holds the air then may pass for some mist.
	gaveLess = 1.2
	lessOn   = 1200.0
	// gaveSlower is by how many times more slowly it falls than it rises: of a humidifier that runs dry where the learner does not
	// fit well, less and less is believed from hour to hour, and what it gave when all was well must not go along.
	gaveSlower = 4.0
	// labelBoasts is by how much less than its label a sound humidifier gives at the most: by half (common practice).
	labelBoasts = 0.7
	// doubted is the evidence from which on what is learned of the mist is not to be relied on.
	doubted = 4.0
)

func (r *Response) restart() {
	r.Rival, r.Humidity, r.Warmth, r.NotElse, r.Warmer, r.MistOn, r.Mist, r.For, r.Stood = nil, 0, 0, 0, 0, 0, 0, 0, 0
}

// tried ends a trial of mist. The answers to several are several witnesses, and are summed up as the readings of one are.
func (r *Response) tried() {
	r.Tried = max(0, r.Tried+r.trial())
	r.restart()
}

// evidence is that for the rival: temperature counts for no more than humidity does.
func (r *Response) evidence() float64 { return r.Humidity + min(r.Warmth, r.Humidity) }

// trial is the same of a trial of a dry humidifier. Where much is as warm as the air, or the thermometer hangs by a wall, mist cools
// nothing that shows: had temperature a veto against humidity, a humidifier once called dry would never be believed again.
func (r *Response) trial() float64 {
	if r.Humidity <= 0 {
		return r.evidence()
	}
	return r.Humidity + max(min(r.Warmth, r.Humidity), r.coldest())
}

// advance takes in one step and gives an opinion.
func (r *Response) advance(w *Water, dt float64, on bool, res *Reservoir) opinion {
	r.Wrong *= math.Exp(-dt / wrongMemory)
	if r.Unread += dt; w.Facts != nil && len(w.Facts.RH) > 0 {
		r.read(w.Facts.RH)
	}
	if r.givesLittle(w, dt, on, res) {
		gave, _ := r.gave(w)
		r.Took, _, _ = w.Learn.Given(r.fits())
		*w.Learn = w.Learn.WithMist(gave)
		r.restart()
		r.Little, r.Less = 0, 0
		return dry
	}
	unclear := !w.Plug.DisagreesSince.IsZero() && w.Now.Sub(w.Plug.DisagreesSince) >= unclearAfter
	if w.Learn == nil || w.Open || w.FanOdd || w.Weighed || unclear {
		if w.Open || w.FanOdd {
			r.Uneasy = uneasyMost
		}
		r.restart()
		return unsure
	}
	if r.Uneasy = max(0, r.Uneasy-dt); r.Uneasy > 0 && !res.Dry {
		if w.Learn.Water.Odd > r.fits() {
			r.restart()
			return unsure
		}
		r.Uneasy = 0
	}
	if !res.Dry {
		r.met(w.Learn.Watched(), dt)
	}
	r.accustom(w, dt, res)
	verdict := unsure
	if r.Rival != nil {
		verdict = r.weigh(w, dt, on, res)
	}
	if (w.MayBeOpen && !r.plain(w.Low) || r.For < leastFor) && verdict == dry {
		verdict = unsure
	}
	if r.Rival == nil && on {
		r.restart()
		mist := 0.0
		if res.Dry {
			mist = w.Facts.Mist
		}
		rival := w.Learn.Rival(mist, w.Facts, max(rivalOdd, rivalLost*r.fits()))
		r.Rival = &rival
	}
	return verdict
}

// met forgets what was foreseen of a chamber that was not known, in the step in which it comes to be.
func (r *Response) met(watched time.Duration, dt float64) {
	if watched >= newcomer && watched.Seconds()-dt < newcomer.Seconds() {
		r.restart()
	}
}

// weak takes the humidifier for one that gives so little, as [learn.State.Given] has it, and gave no more when all was well.
func (r *Response) weak(w *Water, mist float64) {
	*w.Learn = w.Learn.WithMist(mist)
	r.Gave, r.GaveFor = mist, gaveKnown
}

// plain reports whether there is so much evidence that mere suspicion of a door is not heard: air that goes out of one follows the room's,
// not what is foreseen of a chamber that is shut. Where CO2 stands low temperature must say so, too: for an hour the air has been as much
// warmer as mist no longer cools it. A fan that runs against the drought keeps CO2 low for good.
func (r *Response) plain(low bool) bool {
	return r.For >= plainFor && min(r.Humidity, r.NotElse) >= responsePlain && (!low || r.Warmth >= responsePlain)
}

// accrue takes dt seconds of a value into its mean, which rests on so many seconds, of memory at the most.
func accrue(mean, restsOn *float64, value, dt, memory float64) {
	*restsOn = min(*restsOn+dt, memory)
	*mean += (1 - math.Exp(-dt/max(*restsOn, 60))) * (value - *mean)
}

// accustom follows how much the chamber surprises the learner when all is well.
func (r *Response) accustom(w *Water, dt float64, res *Reservoir) {
	if res.Dry || w.DoorOpen || w.MayBeOpen || r.evidence() >= doubted || w.Learn.Watched() < newcomer {
		return
	}
	accrue(&r.Odd, &r.OddFor, min(w.Learn.Water.Odd, oddMost), dt, oddMemory)
}

// fits is the mean surprise up to which a rival is believed.
func (r *Response) fits() float64 {
	if r.OddFor < oddKnown {
		return responseFits
	}
	return max(responseFits, responseUsual*r.Odd)
}

// believed reports whether a rival foresees readings so well that it is to be believed: as is usual here, or the learner has lost
// its way and the rival has not by far; by less where CO2 shows that the chamber is shut.
func (r *Response) believed(w *Water) bool {
	rival, mine, far, most := r.Rival.Water.Odd, w.Learn.Water.Odd, oddFar, oddMost
	if w.Shut {
		far, most = oddFarShut, oddMostShut
	}
	return rival <= r.fits() || rival <= most && rival <= mine/far
}

// gave is what the humidifier gave when all was well, and whether that is known. Saturated air may long have told nothing of it: then
// it is what the learner took it for before it went astray, or what the label lets one expect at the least.
func (r *Response) gave(w *Water) (mist float64, known bool) {
	if r.GaveFor >= gaveKnown {
		return r.Gave, true
	}
	if was, doubt := w.Learn.MistInDoubt(); doubt {
		return was, true
	}
	if f := w.Facts; f.RatedMist > 0 && f.VolumeM3 > 0 {
		return math.Log(f.RatedMist/f.VolumeM3/3600) - labelBoasts, true
	}
	return r.Gave, false
}

// givesLittle reports whether the humidifier is known to give next to nothing of what it gave.
func (r *Response) givesLittle(w *Water, dt float64, on bool, res *Reservoir) bool {
	if w.Learn == nil || res.Dry {
		return false
	}
	mist, most, known := w.Learn.Given(r.fits())
	gave, sure := r.gave(w)
	_, doubt := w.Learn.MistInDoubt()
	counts := on && !r.holds(w) // what is learned of the mist may be wrong, but not that it is damp enough
	switch {
	case w.DoorOpen || w.FanOdd:
		r.Little, r.Less = 0, 0
	case !known || w.MayBeOpen || w.Hidden:
	case sure && most < gave-gaveLess:
		if counts {
			r.Less += dt
		}
		if most >= gave-gaveLittle {
			r.Little = 0
		} else if counts {
			r.Little += dt
		}
	case doubt && w.Learn.Fits() && mist < gave-gaveLess: // it is held open what it gives, and what was read raised it no further
		if counts {
			r.Less += dt
		}
	case most > mist: // not well known
	default:
		r.Little, r.Less = 0, 0
		if !w.Open && r.evidence() < doubted {
			if mist < r.Gave && r.GaveFor >= gaveKnown {
				dt /= gaveSlower
			}
			accrue(&r.Gave, &r.GaveFor, mist, dt, gaveMemory)
		}
	}
	times := 1.0
	if res.Power.PowerTells && res.Power.sound() { // there is water, and a disc may be dead all the same
		times = meterFactor
	}
	return r.Little >= times*littleOn || r.Less >= times*lessOn
}

// weigh lets the rival follow this step and compares.
func (r *Response) weigh(w *Water, dt float64, on bool, res *Reservoir) opinion {
	facts := *w.Facts
	facts.Dry = !res.Dry
	rival := r.Rival.Learn(&facts)
	r.Rival = &rival
	if rival.Watched() < w.Learn.Watched() { // it could not be worked with and began anew: it knows nothing of the chamber
		r.restart()
		return unsure
	}
	if r.For += dt; on {
		r.MistOn += dt
		r.Mist += dt * facts.Mist
	}
	mine, its := &w.Learn.Likely, &rival.Likely
	humidity := clip(its.Humidity - mine.Humidity)
	if !res.Dry && len(facts.RH) > 0 {
		// The logarithm of N(z; 0, 1) over N(z; -lower, 1).
		r.NotElse += clip(elseLower*its.Higher + elseLower*elseLower/2)
		if its.Higher < -elseLower/2 && !w.Shut { // drier than even without mist: something takes vapor, and CO2 with it
			humidity = min(humidity, 0)
		}
	}
	warmth := clip(its.Warmth - mine.Warmth)
	if r.heated(its.Warmer, len(facts.AirCs) > 0) && !res.Dry {
		humidity, warmth = min(humidity, 0), min(warmth, 0)
	}
	if mine.Fog || mine.Higher > 0 && !res.Dry { // damper than even with the mist
		humidity, warmth = min(humidity, 0), min(warmth, 0)
	}
	r.add(humidity, warmth, w, res)
	if !res.Dry && w.Learn.Strayed(r.Rival) {
		if r.evidence() > responseBack { // what it knew before, without these minutes of mist, is the better start
			*w.Learn = *r.Rival
		}
		r.restart()
		return unsure
	}
	said := r.evidence()
	if res.Dry {
		said = r.trial()
	}
	if said < -responseBack {
		r.tried()
		return unsure
	}
	if !res.Dry && w.Learn.Watched() < newcomer { // also of a learner that began anew; that mist works again shows all the same
		return unsure
	}
	return r.stood(r.verdict(w, res), dt)
}

// stood has a verdict that it is dry wait until it has stood.
func (r *Response) stood(verdict opinion, dt float64) opinion {
	if verdict != dry {
		r.Stood = 0
	} else if r.Stood += dt; r.Stood < stands {
		return unsure
	}
	return verdict
}

// add takes in what humidity and temperature say in a step.
func (r *Response) add(humidity, warmth float64, w *Water, res *Reservoir) {
	if !res.Dry {
		if !r.believed(w) { // it merely errs less than the learner does
			humidity, warmth = min(humidity, 0), min(warmth, 0)
		}
		humidity = min(humidity, max(0, r.Mist*mistTells-r.Humidity))
	}
	r.Humidity += humidity
	r.Warmth = min(r.Warmth+warmth, max(0, r.Humidity))
}

// heated reports whether something else than missing mist warms the air, which has been read, or not, as so many standard deviations
// warmer than even without mist.
func (r *Response) heated(warmer float64, read bool) bool {
	if read {
		r.Warmer += (warmer - r.Warmer) / elseReadings
	}
	return r.Warmer > elseWarmer
}

// read follows what the sensors of humidity say.
func (r *Response) read(all []float64) {
	sum := 0.0
	for _, x := range all {
		sum += x
	}
	if r.Read == 0 {
		r.Read = sum / float64(len(all))
	}
	r.Read += (1 - math.Exp(-r.Unread/heldMean)) * (sum/float64(len(all)) - r.Read)
	r.Unread = 0
}

// coldest is the most that temperature may say against the rival.
func (r *Response) coldest() float64 { return min(coldest, -coolShare*r.Humidity) }

// held reports whether humidity is held although the humidifier has run for so long.
func (r *Response) held(w *Water) bool { return r.MistOn >= heldOn && r.holds(w) }

// holds reports whether humidity, as a mean of minutes, is about what is wanted.
func (r *Response) holds(w *Water) bool {
	return w.Asked.Humidity > 0 && r.Read >= w.Asked.Humidity-heldNear
}

func clip(x float64) float64 { return max(-responseClip, min(x, responseClip)) }

// verdict is what comes of the evidence so far.
func (r *Response) verdict(w *Water, res *Reservoir) opinion {
	if !r.Rival.Fits() {
		return unsure
	}
	if res.Dry {
		if r.Tried+r.trial() >= responseWet {
			return wet
		}
		return unsure
	}
	if !r.believed(w) || r.Warmth < r.coldest() {
		return unsure
	}
	if r.held(w) {
		return unsure
	}
	limit := responseDry * (1 + r.Wrong)
	if res.Power.sound() {
		limit *= meterFactor
	}
	if r.evidence() < limit || r.NotElse < elseUnlike && !(w.Shut && r.For >= shutFor) || r.MistOn < leastMistOn || res.Power.PowerTells && res.Power.sound() {
		return unsure
	}
	return dry
}

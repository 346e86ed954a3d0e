package learn

import (
	"math"
	"slices"
)

// Likely is how well a state foresaw the readings of its last step, before it took them in: the logarithms of their
// likelihoods by kind, and by how many standard deviations the readings of each were higher on the mean. Two states
// that followed the same readings under different beliefs are compared by the difference of the first two.
type Likely struct {
	Humidity float64 `json:"humidity"`
	Warmth   float64 `json:"warmth"`
	Higher   float64 `json:"higher"`
	Warmer   float64 `json:"warmer"` // the same of temperature
	Richer   float64 `json:"richer"` // the same of CO2, which has no likelihood here; 0 where it bears no witness
	// Fog says that fog was foreseen, and readings were not far below: how long fog lasts nobody foresees well.
	Fog bool `json:"fog,omitempty"`
}

// fogStays is down to where readings may come of fog that was there a moment ago.
const fogStays = 0.9

// foresaw works that out. The air must have been carried to the time of the readings.
func (s *State) foresaw(f *Facts) (l Likely) {
	log := func(miss, variance float64) float64 { return -0.5 * (miss*miss/variance + math.Log(variance)) }
	w := &s.Water
	noise := max(w.Noise, rhSD*rhSD)
	l.Fog = w.X[wSeen] >= wetFrom && len(f.RH) > 0 && slices.Min(f.RH) >= fogStays
	for _, z := range f.RH {
		known := max(0, w.P[wSeen*wStates+wSeen]) // a stored state may hold anything
		if z >= wetFrom {                         // at least so damp: of how damp it may be beyond, none is the likelier
			miss := max(0, z-w.X[wSeen])
			l.Humidity -= 0.5 * miss * miss / (wetSD*wetSD + known)
			l.Higher += miss / math.Sqrt(wetSD*wetSD+known) / float64(len(f.RH))
			continue
		}
		z -= s.Creep
		l.Humidity += log(z-w.X[wSeen], noise+known)
		l.Higher += (z - w.X[wSeen]) / math.Sqrt(noise+known) / float64(len(f.RH))
	}
	if !s.mute() && s.CO2.Taken >= enoughTaken {
		for _, z := range f.CO2 {
			var by [4]weight
			l.Richer += s.expect(z, &by) / math.Sqrt(s.CO2.Noise+max(0, s.CO2.P[cSeen*cStates+cSeen])) / float64(len(f.CO2))
		}
	}
	for _, z := range f.AirCs {
		miss, variance := z-w.X[wWarm], warmLikelySD*warmLikelySD+max(0, w.P[wWarm*wStates+wWarm])
		l.Warmth += log(miss, variance)
		l.Warmer += miss / math.Sqrt(variance) / float64(len(f.AirCs))
	}
	return l
}

// Rival is a state that goes on from here in the belief that the humidifier gives that share of its full output now: 0, and
// nothing, or what it is driven to. It must be told so from now on, by [Facts.Dry]. From a state that is lost, by a mean surprise of
// more than so many standard deviations, it takes over what is known of the chamber, and the air from this step's readings; it
// begins with that surprise.
func (s State) Rival(mist float64, f *Facts, lost float64) State {
	if s.MistTo = mist; mist == 0 {
		s.Mist = 0
	}
	if s.Water.Odd <= lost {
		return s
	}
	s.Water.Odd = lost
	if z := mean(f.RH) - s.Creep; mist == 0 && z > 0 && z < wetFrom {
		s.findAgain(z, f.clean(math.NaN()))
		w := s.water()
		w.restart(wFilm, w.x[wFilm], w.x[wFilm])
		w.restart(wGive, 0, foundGiveSD)
	}
	return s
}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// Strayed reports whether the state takes the humidifier for a much stronger one than its rival does. What it is told of a
// humidifier that gives nothing makes a state believe in a weaker one: it has lost its way.
func (s *State) Strayed(rival *State) bool { return s.Water.X[wMist] > rival.Water.X[wMist]+strayed }

// strayed is by how much, natural logarithm: a third.
const strayed = 0.3

// Foreseen is what sound sensors in the chamber are to read now.
type Foreseen struct {
	RH float64 // 0: not known well enough
	K  float64 // the same of temperature
	// Near is RH where that is known less well, some minutes after the last reading.
	Near float64
	// Wet says that those of humidity are to stand near the end of their range, however sure that is: in fog and between wet walls
	// nobody can be sure of more.
	Wet bool
}

// Foresees gives what is foreseen.
func (s *State) Foresees() (f Foreseen) {
	if !s.sane() || !s.Fits() {
		return f
	}
	w, rh := &s.Water, s.Water.X[wSeen]+s.Creep
	f.Wet = rh >= foreseenWet
	switch known := w.P[wSeen*wStates+wSeen]; {
	case known <= foreseenSD*foreseenSD:
		f.RH, f.Near = min(1, rh), min(1, rh)
	case known <= nearSD*nearSD:
		f.Near = min(1, rh)
	}
	if w.P[wWarm*wStates+wWarm] <= foreseenWarmSD*foreseenWarmSD {
		f.K = w.X[wWarm] + zeroC
	}
	return f
}

// foreseenSD, nearSD and foreseenWarmSD are how sure that must be, the last in K.
const foreseenSD, nearSD, foreseenWarmSD = 0.01, 0.03, 0.3

// foreseenWet is the humidity from which a sensor may read at the end of its range.
const foreseenWet = 0.985

// Given is what the humidifier is taken to give at full output, as the natural logarithm of an amount, the most that it may be,
// and whether that is known by a filter whose mean surprise is below calm, standard deviations. Near saturation mist does nothing
// to the air, and tells nothing. How little next to nothing is cannot be known; where mist is well known the most is no more.
func (s *State) Given(calm float64) (mist, most float64, known bool) {
	w := &s.Water
	mist = w.X[wMist]
	sd := math.Sqrt(max(0, w.P[wMist*wStates+wMist]))
	most = mist
	if sd >= givenSD {
		most += givenMost * sd
	}
	return mist, most, w.Taken >= enoughTaken && w.Odd < calm && w.X[wSeen] < givenBelow
}

// MistInDoubt reports whether the water filter began anew after the chamber had long not gone as foreseen, and mist has not shown
// to be what it was since, and what it was, as [State.Given] has it.
func (s *State) MistInDoubt() (was float64, doubt bool) { return s.MistWas, s.MistWas != 0 }

// WithMist is the state with the humidifier taken for one that gives so much, as [State.Given] has it.
func (s State) WithMist(mist float64) State {
	s.Water.X[wMist] = mist
	s.water().forget(wMist, mistSD)
	return s
}

const (
	givenSD    = 0.15
	givenMost  = 2.0  // standard deviations
	givenBelow = 0.95 // relative humidity
)

// Fits reports whether the water of the chamber goes as the filter foresees it, so that readings mean something.
func (s *State) Fits() bool { return s.Water.Taken >= enoughTaken && s.Water.Odd < leastCalm }

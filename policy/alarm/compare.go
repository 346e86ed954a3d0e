package alarm

import (
	"iter"
	"math"
	"slices"

	"gillkeeper/policy/air"
	"gillkeeper/policy/chamber"
)

// compare smooths each sensor's difference to the middle of the others of the same air. Among three or more, one that
// is far from the others that agree is suspect; of two, nobody can say which is wrong, so both are used.
func (d *Detectors) compare(e *Evidence, dt float64) {
	for i := range d.Sensors {
		w, s := &d.Sensors[i], &e.Spec.Sensors[i]
		others := d.others(i, e)
		w.unlike(s.Quantity, dt)
		if len(others) == 0 || !d.usable(i, e) && w.Suspect != Jumped {
			w.Away, w.AwayFor = 0, 0
			if w.Suspect == Outlier {
				w.Suspect = "" // nobody is left to vote against it
			}
			continue
		}
		middle := middleOf(others)
		w.AwayFor += dt
		w.Away += (1 - math.Exp(-dt/min(apartMemory, max(w.AwayFor, 1)))) * (w.Last - middle - w.Away)
		w.LeftLong *= math.Exp(-dt / leftForgotten)
		switch {
		case d.Upset.Was || d.Fan.Odd():
			w.Left, w.LeftBy = 0, 0
		case s.Quantity == chamber.RelativeHumidity && w.Last >= saturated && d.othersFree(i, e):
			w.Left += dt
			w.LeftBy += dt / max(w.Left, 1) * (w.Last - middle - w.LeftBy)
		}
		if w.Last < saturated && middle < saturated {
			w.FreeFor += dt
			w.Free += (1 - math.Exp(-dt/min(freeMemory, max(w.FreeFor, 1)))) * (w.Last - middle - w.Free)
		}
		w.settle(d.movedLimit(i, e.Spec), dt, d.Upset.Was || d.Dry.Was)
		if s.Quantity == chamber.RelativeHumidity {
			w.Dry.advance(w.Last-middle, w.Last < unsaturated && d.othersFree(i, e), d.movedLimit(i, e.Spec), dt, d.Upset.Was || d.Dry.Was)
		}
		limit := apart(s.Quantity, middle)
		switch {
		case w.AwayFor >= apartAfter && math.Abs(w.Away) > limit && d.agree(i, e, limit) && !d.movedMore(i, e, limit):
			if w.Suspect == "" {
				w.Suspect = Outlier
			}
		case w.Suspect == Outlier && math.Abs(w.Away) < apartBack*limit:
			w.Suspect = ""
		}
	}
}

// unlike follows for how long more the sensor counts as apart from the others.
func (w *SensorWatch) unlike(q chamber.Quantity, dt float64) {
	limit := apart(q, w.Last)
	if w.Unlike > 0 {
		limit *= apartBack
	}
	if w.Suspect == "" && w.AwayFor >= apartAfter && math.Abs(w.Away) > limit {
		w.Unlike = min(unlikeMost, w.Unlike+dt)
	} else {
		w.Unlike = max(0, w.Unlike-dt)
	}
}

// othersFree reports whether all that may speak about sensor i, of humidity, read less than the end of their range: as seen from a warmer
// spot, one that stands there seems to read less, but may as well.
func (d *Detectors) othersFree(i int, e *Evidence) bool {
	for j := range d.peers(i, e, func(j int) bool { return d.speaks(j, e) }) {
		if d.Sensors[j].Last >= unsaturated {
			return false
		}
	}
	return true
}

// agree reports whether there are two others or more that agree about sensor i. One that has just been trusted again has no vote yet:
// how far the sensor is from the others is a mean of a time before, beside fewer of them or with that one's error in it.
func (d *Detectors) agree(i int, e *Evidence, limit float64) bool {
	votes := d.beside(i, e, func(j int) bool { return d.speaks(j, e) && d.Sensors[j].AwayFor >= apartAfter })
	return len(votes) >= 2 && votes[len(votes)-1]-votes[0] < limit
}

// settle learns how far the sensor usually is from the others, unless it is moving away. While the chamber is upset, spots
// differ by more or less than usual.
func (w *SensorWatch) settle(limit, dt float64, upset bool) {
	if limit == 0 || w.AwayFor < apartAfter {
		return
	}
	if w.UsualFor < movedKnown || math.Abs(w.Away-w.Usual) <= limit {
		w.MovedFor = 0
	} else if !upset {
		w.MovedFor += dt
	}
	grow(&w.Usual, &w.UsualFor, w.Away, movedKnown, limit, dt)
}

// grow takes dt seconds of a difference into what is usual of it, which rests on so many seconds; the more slowly, once that is known, the
// likelier it is that the sensor is moving away.
func grow(usual, restsOn *float64, away, known, limit, dt float64) {
	if *restsOn >= known && math.Abs(away-*usual) > limit/2 {
		dt /= 4
	}
	*restsOn = min(*restsOn+dt, movedMemory)
	*usual += (1 - math.Exp(-dt/max(*restsOn, 1))) * (away - *usual)
}

// Apart is how far a sensor of humidity is from the others while neither is at saturation, where all read the same: in nearly saturated
// air they are there for most of the time, and a mean over all of it hides how far they are apart.
type Apart struct {
	Mean     float64 `json:"mean"`      // smoothed difference, relative humidity
	For      float64 `json:"for"`       // seconds that it rests on
	Usual    float64 `json:"usual"`     // the same over a day or two
	UsualFor float64 `json:"usual_for"` // seconds that it rests on
	Moved    float64 `json:"moved"`     // seconds for which it has been elsewhere than usual, at saturation or not
	Seen     float64 `json:"seen"`      // seconds of that in which neither was
}

// apartKnown is how many seconds make known what is usual of that: a part of the time in nearly saturated air.
const apartKnown = movedKnown / 4

// advance takes in dt seconds of that difference, where neither is at saturation.
func (a *Apart) advance(by float64, free bool, limit, dt float64, upset bool) {
	if free {
		a.For += dt
		a.Mean += (1 - math.Exp(-dt/min(apartMemory, max(a.For, 1)))) * (by - a.Mean)
	}
	if a.For < apartAfter {
		return
	}
	known, away := a.UsualFor >= apartKnown, math.Abs(a.Mean-a.Usual)
	switch {
	case !known || away <= limit:
		a.Moved, a.Seen = 0, 0
	case !upset:
		if a.Moved += dt; free {
			a.Seen += dt
		}
	}
	if free {
		grow(&a.Usual, &a.UsualFor, a.Mean, apartKnown, limit, dt)
	}
}

// moved reports whether it has been elsewhere than usual by more than a limit for long enough.
func (a *Apart) moved(limit float64, was bool) bool {
	away := math.Abs(a.Mean - a.Usual)
	return limit > 0 && a.UsualFor >= apartKnown && (was && away > apartBack*limit || away > limit && a.Moved >= movedAfter && a.Seen >= apartMemory)
}

// usual reports whether such a difference is about what it usually is.
func (a *Apart) usual(by float64) bool {
	return a.UsualFor >= apartKnown && math.Abs(by-a.Usual) < movedHumidity/2
}

// movedMore reports whether another sensor that may speak about this one has moved further from where it usually is beside the
// others than this one has: then what is out of place is that one's doing. A share of the limit is left to chance.
func (d *Detectors) movedMore(i int, e *Evidence, limit float64) bool {
	w := &d.Sensors[i]
	if w.UsualFor < movedKnown {
		return false
	}
	for j := range d.peers(i, e, func(j int) bool { return d.speaks(j, e) }) {
		x := &d.Sensors[j]
		if x.UsualFor >= movedKnown && math.Abs(x.Away-x.Usual) > math.Abs(w.Away-w.Usual)+movedShare*limit {
			return true
		}
	}
	return false
}

// moved reports whether the sensor is elsewhere than it usually is by more than a limit, seen from the others.
func (w *SensorWatch) moved(limit float64, was bool) bool {
	if limit == 0 || w.AwayFor < apartAfter || w.UsualFor < movedKnown {
		return false
	}
	away := math.Abs(w.Away - w.Usual)
	return was && away > apartBack*limit || away > limit && w.MovedFor >= movedAfter
}

// movedLimit is by how much a sensor may move against the others; 0: it is not looked at.
func (d *Detectors) movedLimit(i int, spec *chamber.Spec) float64 {
	switch spec.Sensors[i].Quantity {
	case chamber.RelativeHumidity:
		if t := spec.Thermometer(i); t >= 0 && t < len(d.Sensors) {
			return movedHumidity + movedPerK*math.Abs(d.Sensors[t].Usual)
		}
		return movedHumidity
	case chamber.Temperature:
		return movedTemperature
	}
	return 0
}

// others gives what the sensors that may speak about sensor i read, sorted, as it would read at its spot. One that was outvoted
// may not: with its voice a sound sensor that always read a little to the other side would be outvoted next.
func (d *Detectors) others(i int, e *Evidence) []float64 {
	return d.beside(i, e, func(j int) bool { return d.speaks(j, e) })
}

// speaks reports whether a sensor may speak about others.
func (d *Detectors) speaks(j int, e *Evidence) bool {
	return d.usable(j, e) && d.Sensors[j].Suspect == ""
}

// beside gives what the sensors of the same air that may speak read, sorted, as it would read at the spot of sensor i.
func (d *Detectors) beside(i int, e *Evidence, may func(j int) bool) []float64 {
	var all []float64
	for j := range d.peers(i, e, may) {
		all = append(all, d.seenFrom(i, j, e))
	}
	slices.Sort(all)
	return all
}

// peers gives the sensors of the same air and quantity as sensor i that may be asked; of light there are none, since each place
// has its own.
func (d *Detectors) peers(i int, e *Evidence, may func(j int) bool) iter.Seq[int] {
	return func(yield func(int) bool) {
		s := &e.Spec.Sensors[i]
		for j := range d.Sensors {
			o := &e.Spec.Sensors[j]
			if j != i && s.Quantity != chamber.Illuminance && o.Quantity == s.Quantity && o.Place == s.Place && may(j) && !yield(j) {
				return
			}
		}
	}
}

// middle is the middle of the others, if there are any; for one suspected of a jump that is alone, of those suspected of the same.
func (d *Detectors) middle(i int, e *Evidence) (float64, bool) {
	all := d.others(i, e)
	if len(all) == 0 && d.Sensors[i].Suspect == Jumped {
		all = d.beside(i, e, func(j int) bool { return d.Sensors[j].Suspect == Jumped && j < len(e.Sensors) && e.Sensors[j].Fresh })
	}
	if len(all) == 0 {
		return 0, false
	}
	return middleOf(all), true
}

func middleOf(sorted []float64) float64 {
	return (sorted[(len(sorted)-1)/2] + sorted[len(sorted)/2]) / 2
}

// sameSpotK is how far two thermometers may be apart at one spot. Only what is beyond it counts as another temperature.
const sameSpotK = 0.5

// seenFrom is what sensor j reads, as it would read at the spot of sensor i. Air that mixes has one vapor pressure, not one
// relative humidity: a kelvin warmer is five to six points drier.
func (d *Detectors) seenFrom(i, j int, e *Evidence) float64 {
	v := d.Sensors[j].Last
	if e.Spec.Sensors[i].Quantity != chamber.RelativeHumidity {
		return v
	}
	ti, tj := e.Spec.Thermometer(i), e.Spec.Thermometer(j)
	if ti < 0 || tj < 0 || !d.usable(ti, e) || !d.usable(tj, e) {
		return v
	}
	here, there := d.Sensors[ti].Last, d.Sensors[tj].Last
	apart := here - there
	apart = math.Copysign(max(0, math.Abs(apart)-sameSpotK), apart)
	p, ok := air.VaporPressure(air.Celsius(there), air.Ratio(min(max(v, 0), 1)))
	if !ok || apart == 0 {
		return v
	}
	most, ok := air.VaporPressure(air.Celsius(there+apart), 1)
	if !ok || most <= 0 {
		return v
	}
	return min(1, float64(p)/float64(most))
}

// apart is how far two sensors of the same air may be from each other.
func apart(q chamber.Quantity, v float64) float64 {
	switch q {
	case chamber.Temperature:
		return apartTemperature
	case chamber.CO2:
		return apartCO2PPM + apartCO2Share*v
	}
	return apartHumidity
}

package alarm

import (
	"math"
	"slices"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/learn"
)

// Jump watches one sensor for a step that the air cannot have made: from one reading to the next, and then it stays.
type Jump struct {
	From   float64 `json:"from"`          // the reading before the step
	To     float64 `json:"to"`            // the first one after it
	Count  int     `json:"count"`         // readings that stayed there, while it is weighed; 0: nothing is
	Beside float64 `json:"beside"`        // what the others read then
	Before float64 `json:"before"`        // how far it was from the others before
	Apart  float64 `json:"apart"`         // sum of how far it was from them since, while it is weighed
	Asked  int     `json:"asked"`         // readings of which that is the sum; 0: there were no others at the step
	By     float64 `json:"by"`            // size of the step that it is suspected for; 0: none
	Low    float64 `json:"low"`           // smoothed lowest of the readings of the last hours, before any step
	Back   int     `json:"back"`          // readings in a row that show that it is over
	Gap    float64 `json:"gap"`           // seconds since the reading before
	Was    float64 `json:"was,omitempty"` // what was foreseen at the reading before, of a sensor with no others; 0: nothing
	Stride float64 `json:"stride"`        // smoothed size of its steps from one reading to the next

	Alone bool    `json:"alone,omitempty"` // it is weighed against what is foreseen of a sensor of humidity that has none beside it
	For   float64 `json:"for,omitempty"`   // seconds for which it has been weighed
	Free  int     `json:"free,omitempty"`  // readings in a row below the end of its range
	Power float64 `json:"power,omitempty"` // sum of the squares of what Apart sums up
	Above float64 `json:"above,omitempty"` // ppm that CO2 stood above the room when that began
}

// The steps that count, from one reading to the next no more than [jumpGap] seconds later. A sensor of common lag
// follows no faster: CO2 rises by what a crop makes, some tens of ppm a minute; air and its thermometer by a kelvin a
// minute; humidity falls by six points a reading under a strong fan, but then for all sensors of that air.
const (
	jumpGap         = 100.0
	jumpHumidity    = 0.07
	jumpTemperature = 2.5
	jumpCO2         = 250.0
	// jumpStays is how many readings must stay nearer to the step's end than to its beginning.
	jumpStays = 5
	// jumpBack is the share of the step that must be undone, and for how many readings.
	jumpBack      = 0.6
	jumpBackCount = 5
	// jumpApart is the share of the step by which it must have left the others, as a mean of the readings that stayed: quick
	// sensors follow a strong fan by 20 points between two readings, one of them a little before the other, and longer before
	// where messages are lost.
	jumpApart = 0.5
	// jumpMoved is the share of it by which the others may have moved meanwhile.
	jumpMoved = 0.4
	// jumpKnown: seconds after which how far it is from the others, smoothed, is what it was before a step.
	jumpKnown = 900.0
	// jumpStrides is how many of its usual steps a jump must be larger than: where a strong fan takes off 20 points at a time and
	// mist makes them good, a step of 20 is what the air does.
	jumpStrides = 4.0
	// jumpStride: its usual step is forgotten over some hour of a reading each half minute.
	jumpStride = 1.0 / 120
	// jumpDown, seconds, for which a sensor with none beside it is left out after a step down.
	jumpDown = 3600.0
	// jumpLow: the lowest reading is forgotten over some six hours of a reading each half minute.
	jumpForget = 1.0 / 720
)

// A humidity sensor with none beside it is laid beside what the learned chamber foresees, which is told nothing of it meanwhile. It has
// jumped when it stays away from that by as much as it stepped, and CO2 shows that no door let the vapor out.
const (
	// aloneFor and aloneMost are the seconds for which that is weighed, at the least and at the most: by the first, CO2 that went out of
	// a door shows in a mean over minutes; after the second, nothing is foreseen well enough.
	aloneFor  = 240.0
	aloneMost = 900.0
	// aloneAbove, ppm above the room, is the least that CO2 must have stood for a door to show, and aloneKept the share of it that must
	// be left.
	aloneAbove = 50.0
	aloneKept  = 0.75
	// aloneFree is how many readings in a row must have been below the end of its range: water that dries off it lets it fall in steps, and
	// what the air did meanwhile nobody read.
	aloneFree = 2
	// aloneSame is by what share of the step the mean of its readings since may be further from or nearer to what is foreseen.
	aloneSame = 0.5
	// aloneEven is by what share of it these may be so in the standard deviation: a sensor that has jumped stays beside what is foreseen, and
	// one in air that has gone out of a door falls further, and comes back.
	aloneEven = 0.35
)

func jumpLimit(q chamber.Quantity) float64 {
	switch q {
	case chamber.RelativeHumidity:
		return jumpHumidity
	case chamber.Temperature:
		return jumpTemperature
	}
	return jumpCO2
}

// jumped weighs a new reading. The middle of the other sensors of the same air is given where there are any; where it is alone,
// what was foreseen of it may stand for them. It must be called before the reading is taken.
func (w *SensorWatch) jumped(v, middle float64, others, alone bool, room float64, s *chamber.Sensor) {
	j := &w.Jump
	gap, was := j.Gap, middle
	if alone && others && j.Was != 0 { // what is foreseen of it has moved by now as the air did
		was = j.Was
	}
	j.Gap, j.Was = 0, 0
	if alone && others {
		j.Was = middle
	}
	if !w.Have || s.Quantity == chamber.Illuminance || s.Place == chamber.Room || w.Suspect != "" && w.Suspect != Jumped && w.Suspect != Outlier {
		j.Count = 0
		return
	}
	if j.By != 0 {
		w.jumpedBack(v, middle, others, alone, s)
		return
	}
	step := v - w.Last
	usual := j.Stride
	j.Stride += jumpStride * (math.Abs(step) - j.Stride)
	switch {
	case j.Count > 0:
		w.stayed(v, middle, others, room, s)
		return
	case gap <= jumpGap && math.Abs(step) > max(jumpLimit(s.Quantity), jumpStrides*usual) && w.mayJump(v, middle, others, alone, room, s):
		j.From, j.To, j.Count, j.Beside, j.Before, j.Apart, j.Asked, j.Alone = w.Last, v, 1, was, w.Last-was, 0, 0, false
		if others {
			j.Apart, j.Asked = v-middle, 1
		}
		if w.AwayFor >= jumpKnown {
			j.Before = w.Away
		}
		if s.Quantity == chamber.RelativeHumidity && w.FreeFor >= freeMemory { // saturated together, a warmer spot seems to be none
			j.Before = w.Free
		}
		return
	}
	j.Low = min(v, j.Low+jumpForget*(v-j.Low))
	if j.Low == 0 {
		j.Low = v
	}
}

// jumpedAlone weighs a new reading of a humidity sensor in a chamber that has no other. CO2 stands so many ppm above the room, 0: not
// known, or less than that. Where plugs may do what they were not told, the air is unlike what is foreseen. It must be called before the
// reading is taken.
func (w *SensorWatch) jumpedAlone(v float64, foreseen *learn.Foreseen, above float64, unlike bool) {
	j := &w.Jump
	gap, was := j.Gap, j.Was
	j.Gap, j.Was = 0, foreseen.Near
	if !w.Have || w.Suspect != "" && w.Suspect != Jumped && w.Suspect != Outlier {
		j.Count = 0
		return
	}
	if j.By != 0 {
		if v < unsaturated || w.Good >= jumpDown { // at the end of its range it would read the same, wherever it had jumped
			w.jumpedBack(v, 0, false, true, &chamber.Sensor{Quantity: chamber.RelativeHumidity})
		}
		return
	}
	step := v - w.Last
	usual := j.Stride
	j.Stride += jumpStride * (math.Abs(step) - j.Stride)
	if unlike {
		j.Count = 0
		return
	}
	if j.Count > 0 {
		w.stayedAlone(v, foreseen.Near, above)
		return
	}
	free := j.Free
	if j.Free++; v >= unsaturated {
		j.Free = 0
	}
	before := w.Last - was
	left := v - foreseen.Near - before
	if gap > jumpGap || was <= 0 || foreseen.Near <= 0 || max(v, foreseen.Near) >= unsaturated || above < aloneAbove {
		return
	}
	if free >= aloneFree && max(step, left) < -max(jumpHumidity, jumpStrides*usual) {
		j.From, j.To, j.Count, j.Before, j.Apart, j.Asked = v-left, v, 1, before, left, 1
		j.Alone, j.For, j.Above, j.Power = true, 0, above, left*left
	}
}

// stayedAlone weighs a reading after such a step.
func (w *SensorWatch) stayedAlone(v, foreseen, above float64) {
	j := &w.Jump
	step := j.To - j.From
	switch left := v - foreseen - j.Before; {
	case !j.Alone || j.For > aloneMost:
		j.Count = 0
		return
	case foreseen <= 0 && v < unsaturated && (v-j.From)/step < 1-jumpBack: // nothing is foreseen any more, and it is back
		j.Count = 0
		return
	case foreseen <= 0 || max(v, foreseen) >= unsaturated: // saturated, all read the same: what was read before counts
	case left/step < 1-jumpBack:
		j.Count = 0
		return
	default:
		j.Count++
		j.Apart += left
		j.Power += left * left
		j.Asked++
	}
	mean := j.Apart / float64(j.Asked)
	same := math.Abs(mean/step-1) <= aloneSame && j.Power/float64(j.Asked)-mean*mean <= aloneEven*aloneEven*step*step
	if j.Count > jumpStays && j.For >= aloneFor && same && above >= aloneKept*j.Above {
		j.By, j.Back, j.Count = step, 0, 0
		w.suspect(Jumped)
	}
}

// heldAbove is how far CO2 stands above the room as a mean over minutes, ppm; 0 where that is not known, or the chamber may be open.
func (d *Detectors) heldAbove(e *Evidence) float64 {
	a := &d.Door.Airing
	if !e.Air.Inside.CO2.OK || !a.Began || d.Open() {
		return 0
	}
	return a.Mean.CO2 - a.room(e).CO2
}

// unlike reports whether a plug with a hand in the air may do what it was not told, or did so or was cut off until a short while ago.
func (d *Detectors) unlike(e *Evidence) bool {
	return d.Upset.Was || d.Dry.Was || e.astray(0)
}

// astray reports whether a plug may do what it was not told, and has been so for that long.
func (e *Evidence) astray(long time.Duration) bool {
	return slices.ContainsFunc(e.Plugs, func(p guard.Plug) bool {
		return p.Hand.Active || !p.DisagreesSince.IsZero() && e.Now.Sub(p.DisagreesSince) >= long
	})
}

// Weighs reports whether a step of a sensor with none beside it is being weighed: what it says is not to be learned from until then.
func (d *Detectors) Weighs(sensor int) bool {
	return sensor < len(d.Sensors) && d.Sensors[sensor].Jump.Count > 0 && d.Sensors[sensor].Jump.Alone
}

// WeighsHumidity is [Detectors.Weighs] for the only sensor of humidity in the chamber.
func (d *Detectors) WeighsHumidity(spec *chamber.Spec) bool {
	i := spec.Only(chamber.RelativeHumidity, chamber.Inside)
	return i >= 0 && d.Weighs(i)
}

// stayed weighs a reading after a step. It must stay there; where others could be asked at the step, away from them.
func (w *SensorWatch) stayed(v, middle float64, others bool, room float64, s *chamber.Sensor) {
	j := &w.Jump
	others = others && j.Asked > 0
	if s.Quantity == chamber.RelativeHumidity && others && max(v, middle) >= unsaturated {
		return // at the end of their range all read the same, wherever they hang
	}
	if !others && (v-j.From)/(j.To-j.From) < 0.5 {
		j.Count = 0
		return
	}
	j.Count++
	if others {
		j.Apart += v - middle
		j.Asked++
	}
	if j.Count <= jumpStays || !others && j.Asked > 0 { // they may speak again
		return
	}
	step := j.To - j.From
	j.Count = 0
	switch {
	case others && ((j.Apart/float64(j.Asked)-j.Before)/step < jumpApart || math.Abs(middle-j.Beside) > jumpMoved*math.Abs(step)):
	case !others && s.Quantity == chamber.RelativeHumidity:
	case !others && s.Quantity == chamber.CO2 && room >= j.From+jumpCO2: // the room's sensor said so only now
	default:
		j.By, j.Back = step, 0
		w.suspect(Jumped)
	}
}

// mayJump leaves out the steps that sound sensors make: a humidity sensor that gets wet goes to the end of its range,
// and comes back from there when it has dried; and CO2 falls fast when a door opens, and rises as fast where the room holds
// that much more. The room's CO2 is 0 where it is not measured. Nor is it a jump where one that read less than outdoor air was put right.
func (w *SensorWatch) mayJump(v, middle float64, others, alone bool, room float64, s *chamber.Sensor) bool {
	// Two quick sensors differ from one reading to the next by as much as a step, where mist and fan move the air between them: how
	// far it was from the others before must be known as a mean. And one in a warmer spot that was wrongly suspected never agrees again.
	if others && !alone && w.AwayFor < jumpKnown {
		return false
	}
	switch s.Quantity {
	case chamber.RelativeHumidity:
		return others && max(v, w.Last, middle) < unsaturated
	case chamber.CO2:
		return others || v > w.Last && w.Last >= baselineLow && room < w.Last+jumpCO2
	}
	return true
}

// jumpedBack gives trust back: when the others agree again, suspected of the same or not, for two sensors do not jump to the
// same place, or when it is as far from them as before the step, which a sensor in a warmer spot always is; with nobody to
// ask, when the step is undone or the reading goes as low as before, which a sensor that has jumped upward cannot.
func (w *SensorWatch) jumpedBack(v, middle float64, others, alone bool, s *chamber.Sensor) {
	j := &w.Jump
	back := (v-w.Last)/j.By < -jumpBack || j.Back > 0 && (v-j.From)/j.By < 1-jumpBack
	switch {
	case !alone:
	case j.By > 0:
		back = back || v < j.Low+(1-jumpBack)*j.By
	default: // it may as well be back from a jump that nobody saw
		back = back || w.Good >= jumpDown
	}
	if others {
		if s.Quantity == chamber.RelativeHumidity && max(v, middle) >= unsaturated && w.Good < jumpDown {
			return // at the end of their range all read the same, wherever they hang
		}
		agrees := math.Abs(v-middle) < apartBack*apart(s.Quantity, middle) ||
			(s.Quantity != chamber.RelativeHumidity || max(v, middle) < unsaturated) && math.Abs(v-middle-j.Before) < (1-jumpBack)*math.Abs(j.By)
		back = agrees || alone && back
	}
	if !back {
		j.Back = 0
		return
	}
	if j.Back++; j.Back >= jumpBackCount {
		*j = Jump{Low: min(v, j.Low), Stride: j.Stride}
		w.Suspect, w.Away, w.AwayFor = "", 0, 0
	}
}

// suspect begins suspicion.
func (w *SensorWatch) suspect(c Code) { w.Suspect, w.Good, w.Changes = c, 0, 0 }

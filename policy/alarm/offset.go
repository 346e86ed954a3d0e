package alarm

import (
	"math"
	"slices"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
	"gillkeeper/policy/species"
)

// Offset follows by how much the only sensor of humidity of a chamber seems to read high. Nothing stands beside such a sensor, and
// control holds what it reads where it should be: the air dries out, and nothing shows it but water. Air that is drier than it reads
// carries less vapor off than the reading says, less mist holds it, and the rest seems to come from nowhere. What moves the air is
// known from CO2 alone, so by how much vapor seems to come from nowhere for each bit of moved air is by how much the sensor is off.
type Offset struct {
	Of    string        `json:"of,omitempty"`    // the sensor
	Aim   float64       `json:"aim,omitempty"`   // what was wanted while it was learned, relative humidity
	Stage species.Stage `json:"stage,omitempty"` // the same
	Jumps int           `json:"jumps,omitempty"` // of the chamber, found by then

	For     float64 `json:"for"`     // seconds that what is usual rests on
	Full    float64 `json:"full"`    // what the humidifier usually gives at full output, ln of g/m³s
	Crop    float64 `json:"crop"`    // the usual exchange of vapor with the crop, ln of 1/s
	Flow    float64 `json:"flow"`    // air changes usually made by the fan, 1/s
	Leak    float64 `json:"leak"`    // the same without it
	Room    float64 `json:"room"`    // the usual humidity of a room that nobody measures, relative
	Usual   float64 `json:"usual"`   // By before what is usual of it is taken off
	Odd     float64 `json:"odd"`     // vapor of late from what is not usual, g/m³s
	OfCrop  float64 `json:"of_crop"` // the same of the crop's exchange
	Moved   float64 `json:"moved"`   // what the air moved of late would have carried off saturated, g/m³s
	Usually float64 `json:"usually"` // Moved as it would be with the usual air changes
	Astray  float64 `json:"astray"`  // seconds for which neither water nor air has gone its usual way, in a row
	Rest    float64 `json:"rest"`    // seconds until what was learned meanwhile has gone
	By      float64 `json:"by"`      // by how much it reads high, relative humidity
	Spread  float64 `json:"spread"`  // mean square of By
	Over    float64 `json:"over"`    // seconds for which that has been too much

	Left Left `json:"left,omitzero"`
}

// Left is the only sensor of humidity left out, because it seems to read high.
type Left struct {
	By   float64 `json:"by"`   // by how much, when it was suspected
	Read float64 `json:"read"` // its reading since then, smoothed
	For  float64 `json:"for"`  // seconds since then
	Good float64 `json:"good"` // seconds for which that has been as it should be
}

const (
	// offsetMemory, seconds, over which what is usual is learned, and offsetKnown from which it counts. In the first hours the learner
	// knows little: what came later counts for offsetNewer times as much.
	offsetMemory, offsetKnown, offsetNewer = 48 * 3600.0, 20 * 3600.0, 2.0
	// offsetSoaked is the share of the last hours at the end of the sensor's range from which on nothing is said: walls that were soaked
	// give off more than is usual.
	offsetSoaked = 0.1
	// offsetLately, seconds, over which what is not usual is averaged: mist and fan come and go within a quarter of an hour.
	offsetLately = 3600.0
	// offsetRoom: what is learned of the humidity of a room that nobody measures may have moved so much since yesterday. Outdoors it often
	// falls and rises by 30 points within a day, and in an outhouse by little less: beyond this it is the weather, or what was learned
	// was wrong, and vapor that comes of it tells nothing of the sensor.
	offsetRoom = 0.15
	// offsetMost is what a sensor may be off by, and offsetMostBlind where the room is not measured: half as much again as the most
	// that was seen of sound ones in 240 healthy chamber-days. From offsetDoubt on it is not learned from.
	offsetMost, offsetMostBlind = 0.09, 0.11
	offsetDoubt                 = 0.5 // of it
	// offsetTimes: where wind moves the air, or walls and heat are such as the learner knows nothing of, vapor comes from nowhere and
	// goes there by the hour beside a sound sensor. It is then off only by so many times what this comes to in the root mean square; in
	// chambers that are as foreseen that is less than offsetMost.
	offsetTimes = 3.0
	offsetAfter = 1200.0
	// offsetAir is by what share air may be moved otherwise than usual: a stuck sensor of CO2, and one of a room that is not what it
	// seems, have fan and leak learned wrong for hours before they are found. After offsetAstray seconds of that, of water that does not
	// go as foreseen, as with plugs that run unheard, and of walls that are not as wet as usual, crop and mist were learned to fit it, and
	// for offsetRest they are on the way back.
	offsetAir                = 0.2
	offsetAstray, offsetRest = 600.0, 6 * 3600.0
	// offsetWet: after it read the end of its range, it may have been wet, and for so many seconds that is taken for vapor that came from
	// nowhere.
	offsetWet = 2 * 3600.0
	// offsetLeast, changes of air an hour: where less is moved, what a sound sensor reads is explained as well by a gram an hour more or
	// less from walls and crop, for each cubic meter.
	offsetLeast = 3.0
	// It is trusted again when, with plugs run by habit, it has not read above what is wanted for offsetGood seconds, for that keeps the
	// air about there or drier; and tried again after offsetAgain.
	offsetSmooth = 600.0
	offsetGood   = 3600.0
	offsetAgain  = 24 * 3600.0
)

// offset goes on with it. Walls that were soaked or have dried, a dry reservoir and an open door make vapor come and go as it usually
// does not; another crop, another stage and another chamber are to be learned anew.
func (s *detection) offset() {
	o, rh, want := &s.Offset, s.e.Air.Inside.RelativeHumidity, &s.e.Target
	if o.Of == "" { // none, or more than one
		return
	}
	if o.Aim != want.RelativeHumidity.Aim || o.Stage != want.Stage || o.Jumps != s.e.Jumps {
		o.forget()
		o.Aim, o.Stage, o.Jumps = want.RelativeHumidity.Aim, want.Stage, s.e.Jumps
	}
	upset := s.Open() || s.Upset.Was || s.Dry.Was
	o.Rest = max(0, o.Rest-s.dt)
	v := &s.e.Vapor
	weather := v.OK && math.Abs(v.Room-o.Room) > offsetRoom
	if o.Astray += s.dt; !upset && !v.Astray && !weather && math.Abs(o.Moved-o.Usually) <= offsetAir*o.Usually {
		o.Astray = 0
	}
	if o.Astray >= offsetAstray {
		o.Rest = max(o.Rest, offsetRest)
	}
	// CO2 does not tell what the air moves; a weak humidifier is about to be cleaned, and to give more than is usual of it.
	if _, zeroed := s.Baseline.pinned(); zeroed || s.Below >= belowRoomAfter || s.out.Of(HumidifierWeak).Active {
		o.Rest = offsetAgain
	}
	if rh.OK && rh.Value >= unsaturated { // droplets on it
		o.Rest = max(o.Rest, offsetWet)
	}
	switch {
	case s.Open():
		o.anew()
	case rh.OK && rh.Value < unsaturated && s.Soaked < offsetSoaked && !upset:
		o.advance(v, s.dt)
	}
}

// forget has what is usual learned anew.
func (o *Offset) forget() {
	*o = Offset{Of: o.Of, Aim: o.Aim, Stage: o.Stage, Jumps: o.Jumps, Left: o.Left}
}

// anew has nothing of late count.
func (o *Offset) anew() { o.Odd, o.OfCrop, o.Moved, o.Usually, o.By, o.Over = 0, 0, 0, 0, 0, 0 }

// VaporMoved forgets what is usual of the chamber's vapor: another crop gives off another amount, and a clean disc more mist.
func (d Detectors) VaporMoved() Detectors {
	d.Offset.forget()
	return d
}

// Recalibrated forgets what was thought of a sensor before it read otherwise, and how far those of the same air were from it.
func (d Detectors) Recalibrated(spec *chamber.Spec, sensor int) Detectors {
	if sensor >= len(d.Sensors) || sensor >= len(spec.Sensors) {
		return d
	}
	if d.Sensors[sensor].Name == d.Offset.Of {
		d.Offset = Offset{}
	}
	d.Sensors = slices.Clone(d.Sensors)
	me := &spec.Sensors[sensor]
	for i := range min(len(d.Sensors), len(spec.Sensors)) {
		if o := &spec.Sensors[i]; o.Quantity == me.Quantity && o.Place == me.Place {
			w := &d.Sensors[i]
			w.Away, w.AwayFor, w.Free, w.FreeFor, w.Usual, w.UsualFor, w.MovedFor, w.Unlike, w.Dry = 0, 0, 0, 0, 0, 0, 0, 0, Apart{}
		}
	}
	w := &d.Sensors[sensor]
	w.Have, w.Jump = false, Jump{} // the next reading is no step from the last
	if w.Suspect == Drifted || w.Suspect == Jumped {
		w.suspect("")
	}
	return d
}

// advance takes in dt seconds in which the vapor of the chamber was moved like that.
func (o *Offset) advance(v *learn.Vapor, dt float64) {
	if !v.OK || dt <= 0 {
		return
	}
	if o.For > 0 && (o.Room > 0) != (v.Room > 0) { // the room is measured only now, or no longer
		o.forget()
	}
	if o.For == 0 {
		o.Full, o.Crop, o.Room, o.Flow, o.Leak = math.Log(v.Full), math.Log(v.Crop), v.Room, v.Flow, v.Leak
	}
	o.For = min(o.For+dt, offsetMemory)
	seldom := dt // what may be wrong must not become usual
	if o.known() && math.Abs(o.By) > offsetDoubt*o.most() {
		seldom /= 4
	}
	slow, quick := 1-math.Exp(-seldom*offsetNewer/o.For), 1-math.Exp(-dt/min(offsetLately, o.For))
	o.Full += slow * (math.Log(v.Full) - o.Full)
	o.Crop += slow * (math.Log(v.Crop) - o.Crop)
	o.Room += slow * (v.Room - o.Room)
	o.Flow += slow * (v.Flow - o.Flow)
	o.Leak += slow * (v.Leak - o.Leak)
	odd := v.Give + v.Mist*(1-math.Exp(o.Full)/v.Full)
	crop := v.Evap * (1 - math.Exp(o.Crop)/v.Crop) // of which as much comes of wet walls, and of the air that gets colder than it
	o.Odd += quick * (odd - o.Odd)
	o.OfCrop += quick * (crop - o.OfCrop)
	o.Moved += quick * (v.Moved - o.Moved)
	o.Usually += quick * ((o.Flow*v.Fan+o.Leak)*v.Saturated - o.Usually)
	by := (o.Odd + min(o.OfCrop, max(0, o.Odd))) / max(o.Moved, v.Saturated*offsetLeast/3600)
	o.Usual += slow * (by - o.Usual)
	o.By = by - o.Usual
	if o.For < offsetKnown/2 { // by then what is usual has settled
		o.Spread = 0
	} else {
		o.Spread += slow * (o.By*o.By - o.Spread)
	}
	if o.Over += dt; !o.known() || o.By < o.most() || o.Astray > 0 || o.Rest > 0 {
		o.Over = 0
	}
}

func (o *Offset) known() bool { return o.For >= offsetKnown }

// most is what the sensor may be off by.
func (o *Offset) most() float64 {
	most := offsetMost
	if o.Room > 0 {
		most = offsetMostBlind
	}
	return max(most, offsetTimes*math.Sqrt(o.Spread))
}

// Drifts reports whether the only sensor of humidity seems to read high, sure or not: what is done by it is no habit to keep.
func (d *Detectors) Drifts() bool {
	return d.Offset.known() && d.Offset.By > offsetDoubt*d.Offset.most()
}

// drift suspects the only sensor of humidity where it reads higher than water allows, or trusts it again.
func (d *Detectors) drift(e *Evidence, dt float64) {
	i := e.Spec.Only(chamber.RelativeHumidity, chamber.Inside)
	for j := range d.Sensors {
		if d.Sensors[j].Suspect == Drifted && j != i { // it is no longer alone: the other shows what it is worth
			d.Sensors[j].suspect("")
		}
	}
	if i < 0 || i >= len(d.Sensors) {
		d.Offset = Offset{}
		return
	}
	w, o := &d.Sensors[i], &d.Offset
	if o.Of != w.Name {
		*o = Offset{Of: w.Name}
	}
	switch {
	case w.Suspect == "" && o.Over >= offsetAfter:
		w.suspect(Drifted)
		o.Left = Left{By: o.By, Read: w.Last}
	case w.Suspect == Drifted:
		l := &o.Left
		l.For += dt
		l.Read += (1 - math.Exp(-dt/offsetSmooth)) * (w.Last - l.Read)
		if l.Good += dt; l.Read > e.Target.RelativeHumidity.Aim {
			l.Good = 0
		}
		if l.Good >= offsetGood || l.For >= offsetAgain {
			w.suspect("")
			o.Left = Left{}
			o.anew()
		}
	}
}

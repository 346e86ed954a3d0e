package alarm

import (
	"math"
	"slices"
	"time"

	"gillkeeper/policy/chamber"
)

// SensorWatch is what is remembered of one sensor to judge it.
type SensorWatch struct {
	Name    string  `json:"name"`
	Have    bool    `json:"have,omitempty"` // Last holds something
	Last    float64 `json:"last"`
	Suspect Code    `json:"suspect,omitempty"`

	// Same value: for how long, how many readings, and what happened meanwhile.
	Same      float64 `json:"same"` // seconds
	SameCount int     `json:"same_count"`
	SameActs  int64   `json:"same_acts"` // Detectors.Acts when the value last changed
	Longest   float64 `json:"longest"`   // seconds, of earlier runs of one value that ended by themselves
	Repeats   float64 `json:"repeats"`   // learned share of readings that repeat the one before
	Readings  int     `json:"readings"`  // that Repeats rests on, up to [repeatsKnown]

	Pinned    float64 `json:"pinned"`     // seconds at saturation
	PinnedFan float64 `json:"pinned_fan"` // Detectors.FanOn when that began
	Good      float64 `json:"good"`       // seconds of sound behavior since suspicion
	Changes   int     `json:"changes"`    // of value since suspicion

	Away    float64 `json:"away"`     // smoothed difference to the others' middle, in the quantity's unit
	AwayFor float64 `json:"away_for"` // seconds that it rests on
}

// Limits of the sensor checks. Durations in seconds.
const (
	// Without knowledge of a sensor's noise: the same value for so long, while plugs acted on the air. A coarse
	// thermometer in a cellar may well stand still for a night.
	sameHumidity    = 2 * 3600.0
	sameTemperature = 12 * 3600.0
	sameRoom        = 24 * 3600.0
	sameActs        = 6 // switchings meanwhile
	sameReadings    = 20
	// With it: the run of equal readings would come by chance once in e^30 = 10^13, has lasted a quarter of an hour
	// (an hour for temperature), and four times as long as any run before.
	sameChance       = 30.0
	sameLeast        = 15 * 60.0
	sameLeastTemp    = 3600.0
	sameOverLongest  = 4.0
	repeatsKnown     = 200
	repeatsLeast     = 0.05
	repeatsMemory    = 1.0 / 500
	longestForgotten = 0.98 // each run that ends takes that share of the longest off, so that a season can change it

	// saturated is the reading from which a humidity sensor may be wet or at its end.
	saturated = 0.995
	// unsaturated is the reading below which it has come free.
	unsaturated = 0.99
	// A sound sensor dips when the fan draws in drier air: so many seconds of it, within at least so long.
	pinnedFan   = 4 * 60.0
	pinnedLeast = 2 * 3600.0
	// Without a fan it takes longer: a closed chamber is saturated in earnest at times.
	pinnedAlone = 12 * 3600.0
	// With another sensor of the same air that is not saturated, less.
	pinnedBeside = 20 * 60.0
	besideDry    = 0.96

	// Trust is earned back by so many changes of value over so long.
	trustChanges = 5
	trustAfter   = 10 * 60.0

	// Sensors of the same air may be apart by so much. Humidity: two of ±4 % above 90 % and 0.3 K between them at
	// 5.7 points a kelvin: √2·4 + 1.7 = 7.4, rounded up. Temperature: two of ±0.3 K and a gradient over shelves of 1 K.
	// CO2: two of ±(50 ppm + 5 %) = √2·that. Calibrated sensors do better; common practice does not calibrate.
	apartHumidity    = 0.08
	apartTemperature = 1.5
	apartCO2PPM      = 100.0
	apartCO2Share    = 0.07
	apartBack        = 0.7   // share of the limit at which they agree again
	apartMemory      = 900.0 // seconds over which the difference is smoothed
	apartAfter       = 1800.0

	// belowRoomAfter: a crop makes CO2, so its chamber is never for long below the room it breathes from. Hours, since
	// it follows a change of the room only as fast as its air is changed.
	belowRoomAfter = 6 * 3600.0
)

// WatchSensors judges the sensors by this step's readings. It gives, for each of Spec.Sensors, why the sensor is not to
// be used, or "". Evidence.Air may still be that of the last step.
func (d Detectors) WatchSensors(e *Evidence) (Detectors, []Code) {
	dt := steadySeconds(d.Watched, e.Now)
	d.Watched = e.Now
	d.countActs(e, dt)
	d.Sensors = d.matchedSensors(e)
	for i := range d.Sensors {
		if i < len(e.Sensors) && e.Sensors[i].Fresh && d.Sensors[i].Have {
			d.Sensors[i].age(dt, &e.Spec.Sensors[i])
		}
	}
	for _, r := range e.Readings {
		if !r.Retained && r.Sensor >= 0 && r.Sensor < len(d.Sensors) {
			d.Sensors[r.Sensor].take(r.Value, d.Acts, d.FanOn, &e.Spec.Sensors[r.Sensor])
		}
	}
	suspects := make([]Code, len(d.Sensors))
	for i := range d.Sensors {
		d.judge(i, e, dt)
	}
	d.compare(e, dt)
	for i := range d.Sensors {
		suspects[i] = d.Sensors[i].Suspect
	}
	return d, suspects
}

// countActs counts what plugs did to the air.
func (d *Detectors) countActs(e *Evidence, dt float64) {
	for i := range e.Plugs {
		p := &e.Plugs[i]
		if p.Role != chamber.Humidifier && p.Role != chamber.ExhaustFan {
			continue
		}
		for j := range d.Plugs {
			if d.Plugs[j].Name == p.Name && p.Switches > d.Plugs[j].Switches {
				d.Acts += p.Switches - d.Plugs[j].Switches
			}
		}
		if p.Role == chamber.ExhaustFan && p.On {
			d.FanOn += dt
		}
	}
}

func (d *Detectors) matchedSensors(e *Evidence) []SensorWatch {
	out := make([]SensorWatch, len(e.Spec.Sensors))
	for i := range out {
		out[i] = SensorWatch{Name: e.Spec.Sensors[i].Name, SameActs: d.Acts}
		if i < len(d.Sensors) && d.Sensors[i].Name == out[i].Name {
			out[i] = d.Sensors[i]
			continue
		}
		if j := slices.IndexFunc(d.Sensors, func(w SensorWatch) bool { return w.Name == out[i].Name }); j >= 0 {
			out[i] = d.Sensors[j]
		}
	}
	return out
}

// age lets time pass over the value that the sensor shows.
func (w *SensorWatch) age(dt float64, s *chamber.Sensor) {
	w.Same += dt
	if s.Quantity == chamber.RelativeHumidity && w.Last >= saturated {
		w.Pinned += dt
	}
	if w.Suspect != "" && !(s.Quantity == chamber.RelativeHumidity && w.Last >= unsaturated) {
		w.Good += dt
	}
}

// take counts one reading.
func (w *SensorWatch) take(v float64, acts int64, fanOn float64, s *chamber.Sensor) {
	same := w.Have && v == w.Last
	clamped := s.Quantity == chamber.RelativeHumidity && v >= saturated // equal values at the end of the range mean nothing
	if w.Have && !clamped && w.Suspect == "" && w.SameCount < sameReadings*10 {
		x := 0.0
		if same {
			x = 1
		}
		w.Readings = min(w.Readings+1, repeatsKnown)
		w.Repeats += max(repeatsMemory, 1/float64(w.Readings)) * (x - w.Repeats)
	}
	if same {
		w.SameCount++
		return
	}
	if w.Have && w.Suspect == "" && w.Last < saturated {
		w.Longest = max(w.Longest*longestForgotten, w.Same)
	}
	if s.Quantity == chamber.RelativeHumidity && (!w.Have || w.Last < saturated || v < saturated) {
		w.Pinned, w.PinnedFan = 0, fanOn
	}
	if w.Have && w.Suspect != "" {
		w.Changes++
	}
	w.Have, w.Last, w.Same, w.SameCount, w.SameActs = true, v, 0, 0, acts
}

// judge suspects a sensor, or trusts it again.
func (d *Detectors) judge(i int, e *Evidence, dt float64) {
	w, s := &d.Sensors[i], &e.Spec.Sensors[i]
	if !w.Have || s.Quantity == chamber.Illuminance { // the dark is constant
		return
	}
	code := Code("")
	switch {
	case d.pinned(i, e):
		code = Saturated
	case d.constant(w, s):
		code = Constant
	}
	switch {
	case code != "":
		if w.Suspect == "" || w.Suspect == Outlier {
			w.Suspect = code
		}
		w.Good, w.Changes = 0, 0
	case (w.Suspect == Constant || w.Suspect == Saturated) && w.Good >= trustAfter && w.Changes >= trustChanges:
		w.Suspect, w.Good, w.Changes = "", 0, 0
	}
}

// constant reports whether the sensor has shown the same value for longer than its own noise explains.
func (d *Detectors) constant(w *SensorWatch, s *chamber.Sensor) bool {
	if w.SameCount < sameReadings || s.Quantity == chamber.RelativeHumidity && w.Last >= saturated {
		return false
	}
	if s.Place == chamber.Inside && s.Quantity != chamber.Temperature && d.Acts-w.SameActs < sameActs {
		return false
	}
	least, plain := sameLeast, sameHumidity
	switch {
	case s.Place == chamber.Room:
		least, plain = sameLeastTemp, sameRoom
	case s.Quantity == chamber.Temperature:
		least, plain = sameLeastTemp, sameTemperature
	}
	if w.Same < max(least, sameOverLongest*w.Longest) {
		return false
	}
	chance := float64(w.SameCount) * -math.Log(max(repeatsLeast, min(w.Repeats, 1)))
	return w.Readings >= repeatsKnown && chance > sameChance || w.Same >= plain
}

// pinned reports whether a humidity sensor in the chamber stays at saturation although it should not.
func (d *Detectors) pinned(i int, e *Evidence) bool {
	w, s := &d.Sensors[i], &e.Spec.Sensors[i]
	if s.Quantity != chamber.RelativeHumidity || s.Place != chamber.Inside || w.Last < saturated {
		return false
	}
	room := &e.Air.Room.RelativeHumidity
	drier := !room.OK || room.Value < 0.9
	if drier && w.Pinned >= pinnedLeast && d.FanOn-w.PinnedFan >= pinnedFan || w.Pinned >= pinnedAlone {
		return true
	}
	for j := range d.Sensors {
		other := &e.Spec.Sensors[j]
		if j != i && other.Quantity == s.Quantity && other.Place == s.Place && d.usable(j, e) && d.Sensors[j].Last < besideDry {
			return w.Pinned >= pinnedBeside
		}
	}
	return false
}

// usable reports whether a sensor may speak about another one.
func (d *Detectors) usable(j int, e *Evidence) bool {
	w := &d.Sensors[j]
	return w.Have && (w.Suspect == "" || w.Suspect == Outlier) && j < len(e.Sensors) && e.Sensors[j].Fresh
}

// compare smooths each sensor's difference to the middle of the others of the same air. Among three or more, one that
// is far from the others that agree is suspect; of two, nobody can say which is wrong, so both are used.
func (d *Detectors) compare(e *Evidence, dt float64) {
	for i := range d.Sensors {
		w, s := &d.Sensors[i], &e.Spec.Sensors[i]
		var others []float64
		if s.Quantity != chamber.Illuminance && d.usable(i, e) {
			for j := range d.Sensors {
				if o := &e.Spec.Sensors[j]; j != i && o.Quantity == s.Quantity && o.Place == s.Place && d.usable(j, e) {
					others = append(others, d.Sensors[j].Last)
				}
			}
		}
		if len(others) == 0 {
			w.Away, w.AwayFor = 0, 0
			if w.Suspect == Outlier {
				w.Suspect = "" // nobody is left to vote against it
			}
			continue
		}
		slices.Sort(others)
		middle := (others[(len(others)-1)/2] + others[len(others)/2]) / 2
		w.AwayFor += dt
		w.Away += (1 - math.Exp(-dt/min(apartMemory, max(w.AwayFor, 1)))) * (w.Last - middle - w.Away)
		limit := apart(s.Quantity, middle)
		switch {
		case len(others) >= 2 && w.AwayFor >= apartAfter && math.Abs(w.Away) > limit && others[len(others)-1]-others[0] < limit:
			if w.Suspect == "" {
				w.Suspect = Outlier
			}
		case w.Suspect == Outlier && math.Abs(w.Away) < apartBack*limit:
			w.Suspect = ""
		}
	}
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

// sensors turns what is known of the sensors into conditions.
func (s *detection) sensors() {
	silent, stuck, apartC := s.out.Of(SensorSilent), s.out.Of(SensorStuck), s.out.Of(SensorDisagrees)
	for i := range s.e.Spec.Sensors {
		spec := &s.e.Spec.Sensors[i]
		var w SensorWatch
		if i < len(s.Sensors) {
			w = s.Sensors[i]
		}
		if i < len(s.e.Sensors) && s.e.Sensors[i].Silent {
			silent.name(i, spec, "", spec.MaxAge.Seconds(), s.e.Sensors[i].SilentSince)
		}
		switch w.Suspect {
		case Constant, Saturated:
			stuck.name(i, spec, w.Suspect, w.Last, time.Time{})
		case Outlier:
			apartC.name(i, spec, Outlier, w.Away, time.Time{})
		default:
			limit := apart(spec.Quantity, w.Last)
			if s.was(SensorDisagrees) {
				limit *= apartBack
			}
			if w.AwayFor >= apartAfter && math.Abs(w.Away) > limit {
				apartC.name(i, spec, Pair, w.Away, time.Time{})
				apartC.Bound = limit
			}
		}
	}
	s.belowRoom(apartC)
}

// name makes a condition active about one sensor; the first keeps the name.
func (c *Condition) name(i int, s *chamber.Sensor, code Code, value float64, since time.Time) {
	c.Instances |= 1 << uint(i%64)
	if !c.Active {
		c.Active, c.Code, c.Quantity, c.About, c.Value, c.Since = true, code, s.Quantity, s.Name, value, since
	}
}

// belowRoom finds a CO2 sensor that has re-zeroed itself on the chamber's stale air.
func (s *detection) belowRoom(c *Condition) {
	in, room := &s.e.Air.Inside.CO2, &s.e.Air.Room.CO2
	if !in.OK || !room.OK {
		return
	}
	if in.Value > room.Value-apart(chamber.CO2, room.Value) {
		s.Below = 0
		return
	}
	s.Below += s.dt
	if s.Below < belowRoomAfter || c.Active {
		return
	}
	for i := range s.e.Spec.Sensors {
		if spec := &s.e.Spec.Sensors[i]; spec.Quantity == chamber.CO2 && spec.Place == chamber.Inside {
			c.name(i, spec, BelowRoom, in.Value, time.Time{})
			c.Bound = room.Value
			return
		}
	}
}

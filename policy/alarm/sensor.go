package alarm

import (
	"math"
	"slices"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
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
	SameActs  int64   `json:"same_acts"`          // Detectors.Acts when the value last changed
	SameDry   float64 `json:"same_dry,omitempty"` // Drying.Done.Some then
	Longest   float64 `json:"longest"`            // seconds, of earlier runs of one value that ended by themselves
	Repeats   float64 `json:"repeats"`            // learned share of readings that repeat the one before
	Readings  int     `json:"readings"`           // that Repeats rests on, up to [repeatsKnown]

	Pinned    float64 `json:"pinned"`              // seconds at saturation
	Proved    float64 `json:"proved,omitempty"`    // seconds for which it still counts that it was wrongly suspected of standing at its end
	Wetted    bool    `json:"wetted,omitempty"`    // it has been there and has not come free since
	Foreseen  float64 `json:"foreseen"`            // mean of the humidity that the learned chamber foresaw meanwhile
	Expected  float64 `json:"expected"`            // seconds of it in which that was foreseen
	PinnedDry Dryings `json:"pinned_dry"`          // Drying.Done when that began
	Left      float64 `json:"left,omitempty"`      // seconds of it in which the others were not there
	LeftBy    float64 `json:"left_by,omitempty"`   // by how much it read above them meanwhile
	LeftLong  float64 `json:"left_long,omitempty"` // the most of Left of earlier times that ended by themselves, faded over days
	Good      float64 `json:"good"`                // seconds of sound behavior since suspicion
	Changes   int     `json:"changes"`             // of value since suspicion

	Away     float64 `json:"away"`         // smoothed difference to the others' middle, in the quantity's unit
	AwayFor  float64 `json:"away_for"`     // seconds that it rests on
	Free     float64 `json:"free"`         // the difference as it last was when neither was at saturation, where none shows
	FreeFor  float64 `json:"free_for"`     // seconds that it rests on
	Usual    float64 `json:"usual"`        // the same over a day or two
	UsualFor float64 `json:"usual_for"`    // seconds that it rests on
	MovedFor float64 `json:"moved_for"`    // seconds for which it has been elsewhere than usual
	Unlike   float64 `json:"unlike"`       // seconds for which it still counts as apart from the others, though it is not seen to be
	Dry      Apart   `json:"dry,omitzero"` // the same by what was read while neither was at saturation
	Jump     Jump    `json:"jump,omitzero"`
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
	sameChance      = 30.0
	sameLeast       = 15 * 60.0
	sameLeastTemp   = 3600.0
	sameOverLongest = 4.0
	repeatsKnown    = 200
	repeatsLeast    = 0.05
	repeatsMemory   = 1.0 / 500
	// Where plugs hardly act: twice the evidence and an hour.
	sameStillChance = 60.0
	// One that repeats itself more often than not, because it reports in whole points, does so for long in air that is held well.
	sameCoarse = 0.5
	// Saturated air reads so near the end of the range for hours by a sensor that is a point low, until the fan has dried it.
	sameNearEnd      = 6 * 3600.0
	sameStill        = 3600.0
	longestForgotten = 0.98 // each run that ends takes that share of the longest off, so that a season can change it

	// saturated is the reading from which a humidity sensor may be wet or at its end.
	saturated = 0.995
	// unsaturated is the reading below which it has come free.
	unsaturated = 0.99
	// A sound sensor dips when the fan has drawn in enough drier air: so many times, within at least so long. For the only one, more
	// often in less, and all since mist last ran: what is foreseen may have the plan go on with it.
	pinnedDryings = 3
	pinnedLeast   = 2 * 3600.0
	pinnedOften   = 8
	pinnedSoon    = 45 * 60.0
	// Whatever a learner foresees that has long learned from that sensor: after so many, in pinnedLeast at the least, it is to be proved
	// by longer ones.
	pinnedAnyway = 24
	pinnedStale  = 1.25
	// Without a fan it takes longer: a closed chamber is saturated in earnest at times.
	pinnedAlone = 12 * 3600.0
	// Beside another sensor of the same air that is drier by more than two sound ones can be, less. It must have left the other
	// in getting there: where they were as far apart before, over freeMemory seconds, the other is as likely wrong, and held by
	// it alone, the air would be saturated in earnest.
	pinnedBeside = 20 * 60.0
	pinnedLeft   = apartHumidity / 2
	freeMemory   = 300.0
	// Where no other sensor is as wet, and the learned chamber foresees air that is drier by more than a sound sensor's ±3 % and a little, it is less too.
	pinnedForeseen = 30 * 60.0
	foreseenDrier  = 0.96
	foreseenAway   = 0.025 // that it must read above the others meanwhile, beyond what it did before
	// Where the air itself is nearly saturated, no sound sensor is drier by much, and fans hardly run without mist. But one that has stood
	// there for so many seconds while the others had come free, far longer than it ever did, by more than creep moves it, does not measure.
	// Where they had been moving apart before, it may be the others that are wrong; and beside a fan that moves less air than it did, the
	// air is wetter than it ever was.
	leftFor         = 3600.0
	leftOverLongest = 4.0
	leftAway        = 0.03
	leftForgotten   = 48 * 3600.0

	// One that has come free and was trusted again is suspected for that by so many times as many runs, for so many seconds.
	provedTimes = 3
	provedFor   = 12 * 3600.0

	// Trust is earned back by so many changes of value over so long, or where one that was constant stands for as long at the end of
	// its range as was foreseen; the time counts as over where a sensor at the end of its range has come free so many times.
	trustChanges = 5
	trustAfter   = 10 * 60.0
	trustDips    = 3

	// Sensors of the same air may be apart by so much. Humidity: two of ±4 % above 90 % and 0.3 K between them at
	// 5.7 points a kelvin: √2·4 + 1.7 = 7.4, rounded up. Temperature: two of ±0.3 K and a gradient over shelves of 1.5 K.
	// CO2: two of ±(50 ppm + 5 %) = √2·that. Calibrated sensors do better; common practice does not calibrate.
	apartHumidity    = 0.08
	apartTemperature = 2.0
	apartCO2PPM      = 100.0
	apartCO2Share    = 0.07
	apartBack        = 0.7 // share of the limit at which they agree again
	// Two that hang in different air are apart by turns, and one of them may be left out by turns. Such a pair is one piece of news: it counts
	// as apart for as long again as it was seen to be, up to so many seconds, by which a night has passed.
	unlikeMost = 12 * 3600.0
	// Sensors that have always been apart may be so; one that has moved away from the others since yesterday has drifted.
	// Humidity: creep near saturation moves sound ones by up to 2.5 points each, in hours.
	movedHumidity    = 0.06
	movedTemperature = 1.2
	movedPerK        = 0.03 // more for each kelvin that its spot is usually warmer or colder: that difference comes and goes
	movedKnown       = 6 * 3600.0
	movedMemory      = 24 * 3600.0
	movedAfter       = 45 * 60.0 // seconds: what a fan that fails or an open door does to one spot is named before
	movedShare       = 0.2
	apartMemory      = 900.0 // seconds over which the difference is smoothed
	apartAfter       = 1800.0

	// belowRoomAfter: a crop makes CO2, so its chamber is never for long below the room it breathes from. Hours, since
	// it follows a change of the room only as fast as its air is changed.
	belowRoomAfter = 6 * 3600.0
)

// Drying follows the exhaust fan's runs that must show in a chamber's humidity: without mist, long enough to change the
// air, and the sensor given time to follow.
type Drying struct {
	Ran  float64 `json:"ran"`  // seconds of the present run without mist
	Rest float64 `json:"rest"` // seconds until the run that has ended has shown
	Last float64 `json:"last"` // seconds of that
	Done Dryings `json:"done"`
}

// Dryings counts runs that have shown.
type Dryings struct {
	Long int64   `json:"long"` // that changed most of the air
	Some float64 `json:"some"` // and, since mist last ran, all by as much as would show in one
}

const (
	// dryingRun, seconds, changes most of the air of a shelf tent by an exhaust fan of common size (20 to 90 m³/h in up to
	// 1 m³) at least once. A brief run takes dryingDip off by what is known of fan and room, but lasts dryingBrief: a sensor shows
	// a third of that or more.
	dryingRun   = 100.0
	dryingDip   = 0.25 // relative humidity
	dryingLeast = 0.4  // of a brief run, from which one counts for its part
	dryingBrief = 20.0
	// dryingLag, seconds, until a capacitive sensor shows the better part of what the air did.
	dryingLag = 45.0
)

// brief is for how many seconds a fan must run that changes the air so many times a second, where saturated air holds so many
// times as much vapor as the room's; 0: not known.
func brief(changes, times float64) float64 {
	share := dryingDip / (1 - 1/max(times, 1)) // of the air that must be changed
	if changes <= 0 || !(share < 1) {
		return dryingRun
	}
	return max(dryingBrief, min(-math.Log(1-share)/changes, dryingRun))
}

// advance lets dt seconds pass with or without fan and mist. A run of the given time counts as a brief one.
func (d Drying) advance(dt float64, fan, mist bool, brief float64) Drying {
	if d.Rest > 0 {
		if d.Rest -= dt; d.Rest <= 0 {
			d.Rest = 0
			d.Done.add(d.Last, brief)
		}
	}
	switch {
	case mist:
		d.Ran, d.Rest, d.Done.Some = 0, 0, 0
	case fan:
		if d.Ran += dt; d.Ran >= dryingRun+dryingLag {
			d.Done.add(d.Ran, brief)
			d.Ran = 0
		}
	default:
		if d.Ran >= dryingLeast*brief {
			d.Rest, d.Last = dryingLag, d.Ran
		}
		d.Ran = 0
	}
	return d
}

// add counts a run of so many seconds.
func (d *Dryings) add(ran, brief float64) {
	d.Some += min(ran/brief, 1)
	if ran >= dryingRun {
		d.Long++
	}
}

// WatchSensors judges the sensors by this step's readings. It gives, for each of Spec.Sensors, why the sensor is not to
// be used, or "". Evidence.Air may still be that of the last step.
func (d Detectors) WatchSensors(e *Evidence) (Detectors, []Code) {
	dt := steadySeconds(d.Watched, e.Now)
	passed := 0.0 // all of it: a step from before the program was stopped is no step from one reading to the next
	if !d.Watched.IsZero() {
		passed = max(0, e.Now.Sub(d.Watched).Seconds())
	}
	d.Watched = e.Now
	d.countActs(e, dt)
	d.Sensors = d.matchedSensors(e)
	for i := range d.Sensors {
		w := &d.Sensors[i]
		w.Jump.Gap += passed
		if w.Jump.Count > 0 {
			w.Jump.For += passed
		}
		w.PinnedDry.Some, w.SameDry = min(w.PinnedDry.Some, d.Drying.Done.Some), min(w.SameDry, d.Drying.Done.Some)
		if i < len(e.Sensors) && e.Sensors[i].Fresh && d.Sensors[i].Have {
			d.Sensors[i].age(dt, &e.Foreseen, &e.Spec.Sensors[i], d.saturatedToo(i, e))
		}
	}
	roomCO2 := 0.0
	if room := &e.Air.Room.CO2; room.OK {
		roomCO2 = room.Value
	}
	for _, r := range e.Readings {
		if !r.Retained && r.Sensor >= 0 && r.Sensor < len(d.Sensors) {
			w, spec := &d.Sensors[r.Sensor], &e.Spec.Sensors[r.Sensor]
			middle, others := d.middle(r.Sensor, e)
			alone := !others
			if alone && e.Foreseen.K > 0 && spec.Quantity == chamber.Temperature && spec.Place == chamber.Inside {
				// Where the room is hot and dry, mist cools the air by kelvins within seconds.
				middle, others = e.Foreseen.K-273.15, true
			}
			switch {
			case alone && spec.Quantity == chamber.RelativeHumidity && spec.Place == chamber.Inside:
				w.jumpedAlone(r.Value, &e.Foreseen, d.heldAbove(e), d.unlike(e))
			case alone && spec.Quantity == chamber.Temperature && w.Jump.By == 0 && e.astray(0):
				w.Jump.Count, w.Jump.Gap, w.Jump.Was = 0, 0, 0 // a heater or mist that nobody knows of moves it by kelvins
			default:
				w.jumped(r.Value, middle, others, alone, roomCO2, spec)
			}
			w.take(r.Value, d.Acts, d.Drying.Done, spec)
		}
	}
	suspects := make([]Code, len(d.Sensors))
	for i := range d.Sensors {
		d.judge(i, e, dt)
	}
	d.compare(e, dt)
	d.drift(e, dt)
	for i := range d.Sensors {
		suspects[i] = d.Sensors[i].Suspect
	}
	return d, suspects
}

// countActs counts what plugs did to the air. A plug that reports is switched by its report, before this; one that does not, by its
// command, after this and before [Detectors.Detect]: so the switchings that were counted are remembered here.
func (d *Detectors) countActs(e *Evidence, dt float64) {
	fan, mist, mine := false, false, false
	for i := range e.Plugs {
		p := &e.Plugs[i]
		if p.Role != chamber.Humidifier && p.Role != chamber.ExhaustFan {
			continue
		}
		for j := range d.Plugs {
			if d.Plugs[j].Name != p.Name || d.Plugs[j].Switches == p.Switches {
				continue
			}
			if !mine {
				d.Plugs, mine = slices.Clone(d.Plugs), true
			}
			d.Acts += max(0, p.Switches-d.Plugs[j].Switches)
			d.Plugs[j].Switches = p.Switches
		}
		fan = fan || p.Role == chamber.ExhaustFan && p.On
		mist = mist || p.Role == chamber.Humidifier && p.On
	}
	d.Drying = d.Drying.advance(dt, fan, mist, brief(d.Door.Airing.Moves.Fan, e.wetter()))
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

// saturatedToo reports whether all others of the same air, and one at least, stand at saturation as this humidity sensor does.
func (d *Detectors) saturatedToo(i int, e *Evidence) bool {
	if e.Spec.Sensors[i].Quantity != chamber.RelativeHumidity || d.Sensors[i].Last < saturated {
		return false
	}
	some := false
	for j := range d.peers(i, e, func(j int) bool { return d.speaks(j, e) }) {
		if d.Sensors[j].Last < saturated {
			return false
		}
		some = true
	}
	return some
}

// age lets time pass over the value that the sensor shows. One that was constant shows by changing that it is sound. At saturation
// it behaves soundly where the others are there too.
func (w *SensorWatch) age(dt float64, foreseen *learn.Foreseen, s *chamber.Sensor, agrees bool) {
	w.Same += dt
	w.Proved = max(0, w.Proved-dt)
	if s.Quantity == chamber.RelativeHumidity && w.Last >= saturated {
		w.Pinned += dt
		if foreseen.Wet {
			w.Expected += dt
		}
		if foreseen.RH > 0 {
			w.Foreseen += dt / max(w.Pinned, 1) * (foreseen.RH - w.Foreseen)
		} else {
			w.Foreseen = 1
		}
	}
	if w.Suspect != "" && (agrees || w.Suspect == Constant || w.Suspect == Jumped || !(s.Quantity == chamber.RelativeHumidity && w.Last >= unsaturated)) {
		w.Good += dt
	}
}

// take counts one reading.
func (w *SensorWatch) take(v float64, acts int64, dryings Dryings, s *chamber.Sensor) {
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
		w.Pinned, w.Expected, w.PinnedDry = 0, 0, dryings
		w.LeftLong, w.Left, w.LeftBy = max(w.LeftLong, w.Left), 0, 0
	}
	if w.Have && w.Suspect != "" {
		w.Changes++
	}
	if s.Quantity == chamber.RelativeHumidity && v >= saturated {
		w.Wetted = true
	}
	if w.Suspect == Saturated && w.Wetted && v < unsaturated {
		w.Good += trustAfter / trustDips // in air that is saturated most of the time it cannot stay free for long
	}
	w.Wetted = w.Wetted && v >= unsaturated
	w.Have, w.Last, w.Same, w.SameCount, w.SameActs, w.SameDry = true, v, 0, 0, acts, dryings.Some
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
		if w.Suspect == "" || w.Suspect == Outlier || w.Suspect == Jumped {
			w.Suspect = code
			w.Jump = Jump{Low: w.Jump.Low}
		}
		w.Good, w.Changes = 0, 0
	case (w.Suspect == Constant || w.Suspect == Saturated) && w.Good >= trustAfter && (w.Changes >= trustChanges || w.Suspect == Constant && w.Expected >= trustAfter):
		if w.Suspect == Saturated {
			w.Proved = provedFor
		}
		w.Suspect, w.Good, w.Changes = "", 0, 0
	}
}

// constant reports whether the sensor has shown the same value for longer than its own noise explains.
func (d *Detectors) constant(w *SensorWatch, s *chamber.Sensor) bool {
	if w.SameCount < sameReadings || s.Quantity == chamber.RelativeHumidity && w.Last >= saturated {
		return false
	}
	chance := float64(w.SameCount) * -math.Log(max(repeatsLeast, min(w.Repeats, 1)))
	noisy := w.Readings >= repeatsKnown
	if s.Place == chamber.Inside && s.Quantity != chamber.Temperature && d.Acts-w.SameActs < sameActs {
		// One of CO2 that stands below the maximum has the fan rest, and so hides behind still air. But a crop breathes.
		return s.Quantity == chamber.CO2 && noisy && chance > sameStillChance && w.Same >= max(sameStill, sameOverLongest*w.Longest)
	}
	least, plain := sameLeast, sameHumidity
	switch {
	case s.Place == chamber.Room:
		least, plain = sameLeastTemp, sameRoom
	case s.Quantity == chamber.Temperature:
		least, plain = sameLeastTemp, sameTemperature
	case w.Last >= unsaturated && s.Quantity == chamber.RelativeHumidity && d.Drying.Done.Some-w.SameDry < pinnedOften:
		least, plain = sameNearEnd, sameNearEnd
	case w.Repeats > sameCoarse:
		least = sameStill
	}
	if w.Same < max(least, sameOverLongest*w.Longest) {
		return false
	}
	return noisy && chance > sameChance || w.Same >= plain
}

// pinned reports whether a humidity sensor in the chamber stays at saturation although it should not.
func (d *Detectors) pinned(i int, e *Evidence) bool {
	w, s := &d.Sensors[i], &e.Spec.Sensors[i]
	if s.Quantity != chamber.RelativeHumidity || s.Place != chamber.Inside || w.Last < saturated {
		return false
	}
	room := &e.Air.Room.RelativeHumidity
	drier := !room.OK || room.Value < 0.9
	if e.Spec.Plug(chamber.ExhaustFan) < 0 {
		return w.Pinned >= pinnedAlone
	}
	// Beside others it must be wetter than they are by more than it was before, or none of them dip: where they stand at
	// saturation now and then as it does, the air does.
	wetter := w.AwayFor >= pinnedBeside && w.Away-max(0, w.Free) > foreseenAway
	alone, allPinned := true, true
	for j := range d.peers(i, e, func(j int) bool { return d.speaks(j, e) }) {
		alone, allPinned = false, allPinned && d.Sensors[j].Pinned >= pinnedLeast
	}
	most, co2 := e.Target.CO2MaxPPM, &e.Air.Inside.CO2
	moves := !d.Fan.Odd() && !(co2.OK && most > 0 && co2.Value > pinnedStale*most) // CO2 that stands so high is not carried off
	often := float64(pinnedOften)
	if w.Proved > 0 {
		often *= provedTimes
	}
	if w.Expected >= pinnedSoon/2 {
		often *= 2 // walls that were soaked in earnest take long to dry
	}
	some := alone && w.Pinned >= pinnedSoon && d.Drying.Done.Some-w.PinnedDry.Some >= often // several that agree are right
	long := !alone && w.Pinned >= pinnedLeast && d.Drying.Done.Long-w.PinnedDry.Long >= pinnedDryings
	dried := drier && moves && w.Expected < w.Pinned/2 && (long || some)
	if alone && drier && moves && d.Doubts(i) && d.Drying.Done.Long-w.PinnedDry.Long >= pinnedDryings {
		return true
	}
	if dried && (allPinned || wetter) || w.Pinned >= pinnedForeseen && w.Foreseen < foreseenDrier && (alone || wetter) {
		return true
	}
	if moves && w.Expected < w.Pinned/2 && w.Left >= max(leftFor, leftOverLongest*w.LeftLong) && w.LeftBy-max(0, w.Free) > leftAway && w.Dry.usual(w.Free) {
		return true
	}
	return w.Pinned >= pinnedBeside && w.AwayFor >= pinnedBeside && w.Away > apartHumidity && w.Away-w.Free > pinnedLeft
}

// Doubts reports whether a sensor of humidity has stood at the end of its range for so long, and through so many runs of the fan,
// that it is worth longer runs to prove it.
func (d *Detectors) Doubts(i int) bool {
	w := &d.Sensors[i]
	return w.Pinned >= pinnedLeast && d.Drying.Done.Some-w.PinnedDry.Some >= pinnedAnyway
}

// usable reports whether a reading can be laid beside others: it is fresh, and its sensor outvoted at the worst.
func (d *Detectors) usable(j int, e *Evidence) bool {
	w := &d.Sensors[j]
	return w.Have && (w.Suspect == "" || w.Suspect == Outlier) && j < len(e.Sensors) && e.Sensors[j].Fresh
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
			v := &s.e.Sensors[i]
			silent.name(i, spec, v.unheard(), v.Every, v.SilentSince)
			if silent.Code == Seldom && silent.About == spec.Name {
				silent.Bound = spec.MaxAge.Seconds()
			}
		}
		switch w.Suspect {
		case Constant, Saturated:
			stuck.name(i, spec, w.Suspect, w.Last, time.Time{})
		case Outlier:
			apartC.name(i, spec, Outlier, w.Away, time.Time{})
		case Jumped:
			apartC.name(i, spec, Jumped, w.Jump.By, time.Time{})
		case Drifted:
			apartC.name(i, spec, Drifted, s.Offset.Left.By, time.Time{})
		default:
			limit := apart(spec.Quantity, w.Last)
			was := s.wasOf(SensorDisagrees, i)
			if was {
				limit *= apartBack
			}
			switch {
			case w.AwayFor >= apartAfter && math.Abs(w.Away) > limit || w.Unlike > 0:
				apartC.name(i, spec, Pair, w.Away, time.Time{})
				apartC.Bound = limit
			case w.moved(s.movedLimit(i, s.e.Spec), was):
				apartC.name(i, spec, Moved, w.Away-w.Usual, time.Time{})
				apartC.Bound = s.movedLimit(i, s.e.Spec)
			case w.Dry.moved(s.movedLimit(i, s.e.Spec), was):
				apartC.name(i, spec, Moved, w.Dry.Mean-w.Dry.Usual, time.Time{})
				apartC.Bound = s.movedLimit(i, s.e.Spec)
			}
		}
	}
	s.belowRoom(apartC)
	s.rezeroed(apartC)
}

// unheard says more of why there is no fresh reading of a sensor that is silent.
func (v *SensorView) unheard() Code {
	switch {
	case v.Refused && v.Old:
		return Outdated
	case v.Refused:
		return Unusable
	case v.Every > 0:
		return Seldom
	}
	return ""
}

// name makes a condition active about one sensor; the first has the word.
func (c *Condition) name(i int, s *chamber.Sensor, code Code, value float64, since time.Time) {
	c.Instances |= Instance(i)
	if c.Active {
		c.also(s.Name)
		return
	}
	c.Active, c.Code, c.Quantity, c.About, c.Value, c.Since = true, code, s.Quantity, s.Name, value, since
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

// Package learn identifies what a chamber is from what its sensors and plugs say while they do what control needs: how
// much air fan and leaks move, how much CO2 the crop makes, what of the mist becomes vapor, and where the air stands
// now behind the sensors' lag. Two extended Kalman filters over the equations of [plant.Step] in reduced form, of
// constant size: one for CO2, which alone bears witness of the air moved, one for water.
//
// It must never decide anything, and nothing it holds may be relied on without asking [State.Model] whether it can be
// trusted. Start reading at [State.Learn].
package learn

import (
	"math"
	"time"
)

const maxStates = max(cStates, wStates)

// State is what is known of one chamber. It is a plain value; the zero value knows nothing.
type State struct {
	Layout int       `json:"layout"`            // of the values below; one of another layout is not used
	At     time.Time `json:"at,omitzero"`       // of the last step
	MistTo float64   `json:"mist_to,omitempty"` // the share of full output that it is driven to, 0..1
	FanTo  float64   `json:"fan_to,omitempty"`
	Mist   float64   `json:"mist"` // spun up, 0..1
	Fan    float64   `json:"fan"`
	AirC   float64   `json:"air_c"`             // temperature of the air over minutes, as measured
	HourC  float64   `json:"hour_c,omitempty"`  // the same over hours
	HourW  float64   `json:"hour_w,omitempty"`  // heat that evaporation takes from the air over hours, less the crop's, W/m³
	HourWK float64   `json:"hour_wk,omitempty"` // heat that walls and moved air bring from the room for each kelvin, W/m³K
	WallC  float64   `json:"wall_c"`            // of walls and shelves, worked out
	CropC  float64   `json:"crop_c"`            // of the crop
	Met    bool      `json:"met,omitempty"`     // a temperature was read since it began

	CO2     carbon                                               `json:"co2"`
	Views   Views                                                `json:"views,omitzero"` // of a room that nobody measures
	Water   Values[[wStates]float64, [wStates * wStates]float64] `json:"water"`
	FanRuns float64                                              `json:"fan_runs"` // seconds of fan seen
	Recent  Recent                                               `json:"recent"`   // what ran lately
	// RoomMean is the room's CO2 in ppm as its own sensor shows it over minutes, RoomAir what is taken for it, RoomSeen when that was last read.
	RoomMean   float64   `json:"room_mean,omitempty"`
	RoomAir    float64   `json:"room_air,omitempty"`
	RoomSeen   time.Time `json:"room_seen,omitzero"`
	RoomUnseen bool      `json:"room_unseen,omitempty"` // it is not measured now
	// Mute is when CO2 last bore no witness of what is learned by it: the room had a source of its own, or air went other ways.
	Mute    time.Time       `json:"mute,omitzero"`
	Past    [heldSlots]Held `json:"past,omitzero"`   // what was known by CO2 lately, the newest first
	Watches float64         `json:"watches"`         // seconds watched
	Change  Change          `json:"change,omitzero"` // whether the chamber became another
	Likely  Likely          `json:"likely,omitzero"`
	// Creep is by how much sensors of humidity are taken to read high from having stood near saturation.
	Creep float64 `json:"creep,omitempty"`
	// WetSince is since when every reading of humidity was at the end of the sensor's range; zero: the last was not.
	WetSince time.Time `json:"wet_since,omitzero"`
	Off      float64   `json:"off"`                // by how much readings of humidity lie off to one side, standard deviations
	LostAt   time.Time `json:"lost_at,omitzero"`   // when the water filter was last lost and began anew
	LostFrom time.Time `json:"lost_from,omitzero"` // when it first was, of times that followed each other
	Misfit   float64   `json:"misfit,omitempty"`   // seconds for which the water of the chamber has not gone as foreseen, in a row
	MisfitAt time.Time `json:"misfit_at,omitzero"` // when that was last counted
	// NoisyFrom is since when CO2 has been taken for noisier than any sensor is; zero: it is not.
	NoisyFrom time.Time `json:"noisy_from,omitzero"`
	// MistBefore is what the humidifier gave when that began, as in Water.
	MistBefore float64 `json:"mist_before,omitempty"`
	MistWas    float64 `json:"mist_was,omitempty"` // what the humidifier gave, as in Water, before the water filter began anew for that; 0: it has not
}

// recentBins is for how many hours what ran is kept, the present one included.
const recentBins = 6

// Recent is what ran in the last hours, by hour.
type Recent struct {
	Hour int64            `json:"hour"` // the present one, since 1970
	Bins [recentBins]Runs `json:"bins"`
}

// Runs are seconds; those of a plug that modulates are of full output.
type Runs struct {
	Passed   float64 `json:"passed"`
	FanOn    float64 `json:"fan_on"`
	MistOn   float64 `json:"mist_on"`
	MistFull float64 `json:"mist_full"` // as if at full output, spinning up and down included
}

// pass counts dt seconds that ended at now, with the mist spun up to that share.
//
//go:norace
func (r *Recent) pass(now time.Time, fanTo, mistTo, mist, dt float64) {
	hour := now.Unix() / 3600
	for r.Hour < hour {
		r.Hour = max(r.Hour+1, hour-recentBins)
		r.Bins[r.Hour%recentBins] = Runs{}
	}
	b := &r.Bins[r.Hour%recentBins]
	b.Passed += dt
	b.MistFull += mist * dt
	b.FanOn += fanTo * dt
	b.MistOn += mistTo * dt
}

// Sum is what ran in all the hours kept.
func (r *Recent) Sum() (sum Runs) {
	for i := range r.Bins {
		b := &r.Bins[i]
		sum.Passed, sum.FanOn = sum.Passed+b.Passed, sum.FanOn+b.FanOn
		sum.MistOn, sum.MistFull = sum.MistOn+b.MistOn, sum.MistFull+b.MistFull
	}
	return sum
}

//go:norace
func (r *Recent) sane() bool {
	s := r.Sum()
	ok := s.Passed >= 0 && s.FanOn >= 0 && s.MistOn >= 0 && s.MistFull >= 0 && s.Passed+s.FanOn+s.MistOn+s.MistFull < 1e7
	return ok && r.Hour >= 0
}

// layout is that of State: raised whenever values get another meaning or place.
const layout = 11

// Values are those of one filter.
type Values[X, P any] struct {
	X     X         `json:"x"`
	P     P         `json:"p"`
	Taken int       `json:"taken"` // readings taken in
	Noise float64   `json:"noise"` // variance of a reading
	Odd   float64   `json:"odd"`   // mean size of the surprise, in standard deviations: about 0.8 where all is well
	Last  time.Time `json:"last,omitzero"`
}

// Facts is what the learner is told of the chamber, once a step.
type Facts struct {
	Now        time.Time
	VolumeM3   float64
	AltitudeM  float64
	RatedFlow  float64   // of the fan's label, m³/h; 0: unknown
	RatedMist  float64   // of the humidifier's label, g/h; 0: unknown
	Mist       float64   // what the humidifier is driven to now: share of full output, 0..1
	Fan        float64   // the same of the fan
	MistSince  time.Time // since when it is; zero: now
	FanSince   time.Time
	Dry        bool // the reservoir is dry: what runs gives nothing
	NoCO2      bool // no sensor in the chamber measures CO2: what fan and crop do to it is taken from labels
	FanOdd     bool // the fan may not move the air that it did: it is taken to move none
	DoorOpen   bool
	Misled     bool    // a sensor of CO2 has just been found to repeat itself: what it taught is not so
	AirC       float64 // temperature in the chamber
	RoomC      float64 // NaN: not measured
	RoomRH     float64 // 0..1; 0: not measured
	RoomCO2    float64 // ppm; 0: not measured
	RoomCO2New bool    // it is a fresh reading
	RH         []float64
	CO2        []float64 // fresh readings in the chamber since the last step
	AirCs      []float64 // the same of temperature

	roomDark bool // RoomC is not measured, but worked out
}

const longestGap = 5 * time.Minute // after a longer one the air is unknown

// Learn takes in what happened since the last step and gives the state after it.
func (s State) Learn(facts *Facts) State {
	f := facts.clean(s.unmeasuredC())
	dt := f.Now.Sub(s.At)
	if s.At.IsZero() || dt > longestGap || dt < 0 || !s.sane() {
		s = s.begin(f)
	} else if dt > 0 {
		s.pass(f)
	}
	s.MistTo, s.FanTo = f.mistTo(), f.fanTo()
	if f.muted() {
		if !s.mute() {
			s.goBack()
		}
		s.Mute = f.Now
	}
	if f.Misled {
		s.goBack()
		s.co2().restart(cCO2, s.CO2.X[cCO2], 300)
		s.co2().restart(cSeen, s.CO2.X[cSeen], 300)
	}
	s.meet(f)
	s.Likely = s.foresaw(f)
	before := s.Water.Odd
	s.take(f)
	s.bound(f)
	s.fit(f, before)
	if !s.mute() {
		s.hold()
	}
	if !s.sane() {
		return State{}.begin(f)
	}
	return s
}

// astray reports whether air goes other ways than usual.
func (f *Facts) astray() bool { return f.FanOdd || f.DoorOpen }

// clean gives the facts with what cannot be replaced by what is typical, and a room that nobody measures at roomC, °C; NaN: as
// warm as the chamber.
func (f *Facts) clean(roomC float64) *Facts {
	c := *f
	within := func(x *float64, low, high, otherwise float64) (was bool) {
		if was = *x >= low && *x <= high; !was { // also for NaN
			*x = otherwise
		}
		return was
	}
	within(&c.VolumeM3, 0.01, 1000, 0.5)
	within(&c.RatedFlow, 0.1, 1e5, 0)
	within(&c.RatedMist, 0.1, 1e6, 0)
	within(&c.AirC, -20, 50, 18)
	if math.IsNaN(roomC) {
		roomC = c.AirC
	}
	c.roomDark = !within(&c.RoomC, -20, 50, roomC)
	within(&c.RoomRH, 0.01, 1.05, 0)
	within(&c.RoomCO2, 200, 100_000, 0)
	within(&c.Mist, 0, 1, 0)
	within(&c.Fan, 0, 1, 0)
	plausible := func(all []float64, low, high float64) []float64 {
		for _, v := range all {
			if !(v >= low && v <= high) {
				return nil
			}
		}
		return all
	}
	c.RH, c.CO2, c.AirCs = plausible(c.RH, 0, 1.05), plausible(c.CO2, 100, 100_000), plausible(c.AirCs, -20, 50)
	return &c
}

// sane reports whether the state can be worked with.
//
//go:norace
func (s *State) sane() bool {
	shares := within(s.Mist, 0, 1) && within(s.Fan, 0, 1) && within(s.MistTo, 0, 1) && within(s.FanTo, 0, 1)
	lost := within(s.Off, -lostClip, lostClip) && s.Misfit >= 0 && !math.IsNaN(s.MistWas+s.MistBefore)
	held := s.RoomMean + s.RoomAir + s.FanRuns + s.Watches + s.AirC + s.HourC + s.HourW + s.HourWK + s.WallC + s.CropC + s.CO2.Odd + s.Water.Odd
	return s.Layout == layout && shares && lost && !math.IsNaN(held) && within(s.Creep, 0, CreepMost) && s.Recent.sane() && s.Change.sane() &&
		s.pastSane() && s.co2().sane() && s.Views.sane() && s.water().sane()
}

// within is false for NaN.
func within(x, low, high float64) bool { return x >= low && x <= high }

// begin starts from the labels; what was learned of the chamber before a gap is kept, what its air did is not.
func (s State) begin(f *Facts) State {
	kept := !s.At.IsZero() && s.sane() && f.Now.After(s.At)
	old := s
	s = State{Layout: layout, At: f.Now, AirC: f.AirC, HourC: f.AirC}
	s.beginCO2(f)
	s.beginWater(f)
	if kept {
		s.keep(&old)
	}
	return s
}

// keep carries learned values over a gap, somewhat less sure.
func (s *State) keep(old *State) {
	for _, i := range []int{cFlow, cLeak, cMade, cApart, cLag, cLate, cCos, cSin} {
		s.CO2.X[i] = old.CO2.X[i]
		s.CO2.P[i*cStates+i] = math.Min(old.CO2.P[i*cStates+i]*1.5+0.0025, s.CO2.P[i*cStates+i])
	}
	for _, i := range []int{wMist, wCrop, wHeat, wLoss, wRoom, wLag, wExtra, wHeavy, wWets, wFog} {
		s.Water.X[i] = old.Water.X[i]
		s.Water.P[i*wStates+i] = math.Min(old.Water.P[i*wStates+i]*1.5+0.0025, s.Water.P[i*wStates+i])
	}
	s.CO2.Noise, s.Water.Noise, s.Creep = old.CO2.Noise, old.Water.Noise, old.Creep
	s.MistWas, s.Views.Restless = old.MistWas, old.Views.Restless
	s.FanRuns, s.Watches, s.Recent = old.FanRuns, old.Watches, old.Recent
	s.Change.At, s.Change.What, s.Change.Times = old.Change.At, old.Change.What, old.Change.Times
}

// stepS is the longest step of the reduced model while following the chamber.
const stepS = 2.5

// Watched is for how long the chamber was watched in all.
func (s *State) Watched() time.Duration { return time.Duration(s.Watches * float64(time.Second)) }

// pass lets the time since the last step go by, with the plugs as they were until they were switched.
func (s *State) pass(f *Facts) {
	for s.At.Before(f.Now) {
		until := f.Now
		for _, switched := range []time.Time{f.MistSince, f.FanSince} {
			if switched.After(s.At) && switched.Before(until) {
				until = switched
			}
		}
		if !f.MistSince.IsZero() && !f.MistSince.After(s.At) {
			s.MistTo = f.mistTo()
		}
		if !f.FanSince.IsZero() && !f.FanSince.After(s.At) {
			s.FanTo = f.fanTo()
		}
		s.passTo(f, until)
	}
}

// mistTo and fanTo are what moves air and water now.
func (f *Facts) mistTo() float64 {
	if f.Dry {
		return 0
	}
	return f.Mist
}

func (f *Facts) fanTo() float64 {
	if f.FanOdd {
		return 0
	}
	return f.Fan
}

// passTo lets time go by in both filters with the plugs as they are.
func (s *State) passTo(f *Facts, until time.Time) {
	seconds := until.Sub(s.At).Seconds()
	s.At = until
	s.Watches += seconds
	s.AirC += (f.AirC - s.AirC) * (1 - math.Exp(-seconds/600))
	n := math.Ceil(seconds / stepS)
	dt := seconds / n
	s.followRoom(f)
	k := s.constants(f)
	s.overHours(&k, f.AirC, seconds)
	for range int(n) {
		m := Spin(&s.Mist, s.MistTo, mistUpS, mistDownS, dt)
		fan := Spin(&s.Fan, s.FanTo, fanUpS, fanUpS, dt)
		s.FanRuns += fan * dt
		s.Recent.pass(until, s.FanTo, s.MistTo, m, dt)
		if !s.mute() {
			s.Views.each(s, func() { s.passCO2(until, fan, dt) })
		} else {
			s.ageCO2(dt)
		}
		s.passWater(&k, m, fan, dt)
	}
	s.Views.fade(seconds)
	s.passSurfaces(&k, s.Fan, seconds)
	s.passCreep(seconds)
}

// RoomRH is what the relative humidity of a room at that temperature in °C is taken for where nobody measures it: heated rooms
// are dry, cellars damp. Common practice.
func RoomRH(celsius float64) float64 {
	return 0.45 + 0.015*math.Max(0, math.Min(20-celsius, 20))
}

// overHours follows what tells how warm a room is that nobody measures.
func (s *State) overHours(k *Constants, airC, seconds float64) {
	share := 1 - math.Exp(-seconds/7200)
	moved := k.Flow*s.Fan + k.Leak
	carried := moved * math.Max(0, s.Water.X[wVapor]-k.RoomV) // g/m³s, all of which evaporated in the chamber
	s.HourC += share * (airC - s.HourC)
	s.HourW += share * (latentJ*carried - burnJ*perPPMGram*k.CO2Rate - s.HourW)
	s.HourWK += share * (wallRoomW*wallArea/k.size + airJ*moved - s.HourWK)
}

// unmeasuredC is how warm a room is taken to be that nobody measures: as warm as the chamber was over hours, but for what
// evaporation cools and the crop warms that. Nothing else stands there to warm or cool it for long.
func (s *State) unmeasuredC() float64 {
	if s.HourWK <= 0 {
		return math.NaN()
	}
	return s.HourC + math.Max(-unmeasuredK, math.Min(unmeasuredShare*s.HourW/s.HourWK, unmeasuredK))
}

// unmeasuredK is by how much that may be, and unmeasuredShare how much of it is reckoned with: how damp such a room is must be learned,
// too, and where it is damper than that less evaporates.
const unmeasuredK, unmeasuredShare = 5.0, 0.8

// constants are those of the reduced model by the present estimate.
//
//go:norace
func (s *State) constants(f *Facts) Constants {
	k := Constants{
		Flow: math.Exp(s.CO2.X[cFlow]), Leak: math.Exp(s.CO2.X[cLeak]), CO2Rate: s.made(day(f.Now)), RoomCO2: s.CO2.X[cRoom] + s.CO2.X[cMood],
		FilmFull: filmFull / math.Cbrt(math.Max(f.VolumeM3, 0.01)), RoomC: f.RoomC,
		MassC: wallHeat*s.WallC + (1-wallHeat)*s.CropC, WallC: s.WallC, CropC: s.CropC, size: math.Cbrt(f.VolumeM3),
		MistHeat: mistWatts / (airJ * f.VolumeM3),
	}
	// Air that enters keeps its partial pressure and takes the chamber's temperature.
	k.roomSat = saturation(f.RoomC) * (f.RoomC + zeroC) / (k.MassC + zeroC)
	k.setWater(s.Water.X[:])
	k.prepare()
	return k
}

// gate is the surprise in standard deviations beyond which a reading is taken for less sure.
const gate = 3

// take takes in fresh readings.
func (s *State) take(f *Facts) {
	s.takeWater(f)
	s.takeCO2(f)
}

// bound keeps everything where it can be.
func (s *State) bound(f *Facts) {
	s.Views.each(s, func() { s.boundCO2(f) })
	s.boundWater(f)
}

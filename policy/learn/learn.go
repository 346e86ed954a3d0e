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

// The values of the water filter.
const (
	wVapor = iota // g/m³
	wDrops        // g/m³
	wFilm         // g/m³
	wAirC         // °C
	wSeen         // relative humidity behind the sensor's lag
	wMist         // ln of g/m³s at full output
	wCrop         // ln of the exchange with the crop, 1/s
	wHeat         // ln of the exchange of heat with surfaces, 1/s
	wStates
	maxStates = max(cStates, wStates)
)

// State is what is known of one chamber. It is a plain value; the zero value knows nothing.
type State struct {
	Layout int       `json:"layout"`      // of the values below; one of another layout is not used
	At     time.Time `json:"at,omitzero"` // of the last step
	MistOn bool      `json:"mist_on,omitempty"`
	FanOn  bool      `json:"fan_on,omitempty"`
	Mist   float64   `json:"mist"` // spun up, 0..1
	Fan    float64   `json:"fan"`
	MassC  float64   `json:"mass_c"` // temperature of walls and crop: the air's over minutes

	CO2     Values[[cStates]float64, [cStates * cStates]float64] `json:"co2"`
	Water   Values[[wStates]float64, [wStates * wStates]float64] `json:"water"`
	FanRuns float64                                              `json:"fan_runs"` // seconds of fan seen
	// RoomSeen is when the room's CO2 was last measured.
	RoomSeen   time.Time `json:"room_seen,omitzero"`
	RoomUnseen bool      `json:"room_unseen,omitempty"` // it is not measured now
	Watches    float64   `json:"watches"`               // seconds watched
}

// layout is that of State: raised whenever values get another meaning or place.
const layout = 2

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
	RatedFlow  float64 // of the fan's label, m³/h; 0: unknown
	RatedMist  float64 // of the humidifier's label, g/h; 0: unknown
	MistOn     bool    // now
	FanOn      bool
	Dry        bool    // the reservoir is dry: what runs gives nothing
	AirC       float64 // temperature in the chamber
	RoomC      float64
	RoomRH     float64 // 0..1; 0: not measured
	RoomCO2    float64 // ppm; 0: not measured
	RoomCO2New bool    // it is a fresh reading
	RH         []float64
	CO2        []float64 // fresh readings in the chamber since the last step
	AirCs      []float64 // the same of temperature
}

// What is assumed at first, with its relative standard deviation. All common practice but where said.
const (
	airborne, mistSD  = 0.95, 0.25 // of a rating
	plumeLoss         = 0.22
	firstCrop, cropSD = 0.0025, 0.7
	firstHeat, heatSD = 0.025, 0.35
	wallShare         = 0.95 // exchange of vapor with wet walls over that of heat with all surfaces, by Lewis and area
	filmFull          = 4.0 * 6.7
	rhLagS            = 45
	longestGap        = 5 * time.Minute
)

// Learn takes in what happened since the last step and gives the state after it.
func (s State) Learn(facts *Facts) State {
	f := facts.clean()
	dt := f.Now.Sub(s.At)
	if s.At.IsZero() || dt > longestGap || dt < 0 || !s.sane() {
		s = s.begin(f)
	} else if dt > 0 {
		s.pass(f, dt.Seconds())
	}
	s.MistOn, s.FanOn = f.MistOn && !f.Dry, f.FanOn
	s.take(f)
	s.bound()
	if !s.sane() {
		return State{}.begin(f)
	}
	return s
}

// clean gives the facts with what cannot be replaced by what is typical.
func (f *Facts) clean() *Facts {
	c := *f
	within := func(x *float64, low, high, otherwise float64) {
		if !(*x >= low && *x <= high) { // also for NaN
			*x = otherwise
		}
	}
	within(&c.VolumeM3, 0.01, 1000, 0.5)
	within(&c.RatedFlow, 0.1, 1e5, 0)
	within(&c.RatedMist, 0.1, 1e6, 0)
	within(&c.AirC, -20, 50, 18)
	within(&c.RoomC, -20, 50, 20)
	within(&c.RoomRH, 0.01, 1.05, 0)
	within(&c.RoomCO2, 200, 20_000, 0)
	plausible := func(all []float64, low, high float64) []float64 {
		for _, v := range all {
			if !(v >= low && v <= high) {
				return nil
			}
		}
		return all
	}
	c.RH, c.CO2 = plausible(c.RH, 0, 1.05), plausible(c.CO2, 100, 100_000)
	return &c
}

// sane reports whether the state can be worked with.
func (s *State) sane() bool {
	return s.Layout == layout && s.co2().sane() && s.water().sane() && !math.IsNaN(s.Mist+s.Fan+s.MassC+s.FanRuns+s.CO2.Odd+s.Water.Odd) &&
		s.Mist >= 0 && s.Mist <= 1 && s.Fan >= 0 && s.Fan <= 1
}

func (s *State) water() filter { return filter{s.Water.X[:], s.Water.P[:]} }

// begin starts from the labels; what was learned of the chamber before a gap is kept, what its air did is not.
func (s State) begin(f *Facts) State {
	mist := f.RatedMist
	if mist <= 0 {
		mist = 300
	}
	kept := !s.At.IsZero() && s.sane() && f.Now.After(s.At)
	old := s
	s = State{Layout: layout, At: f.Now, MassC: f.AirC}
	v := math.Max(f.VolumeM3, 0.01)
	s.beginCO2(f)
	w := s.water()
	sat := saturation(f.AirC)
	w.lead(wVapor, 0.85*sat, 0.1*sat)
	w.lead(wDrops, 0, 0.1)
	w.lead(wFilm, 0.3, 0.5)
	w.lead(wAirC, f.AirC, 0.3)
	w.lead(wSeen, 0.85, 0.2)
	w.lead(wMist, math.Log(mist*airborne/v/3600), mistSD)
	w.lead(wCrop, math.Log(firstCrop), cropSD)
	w.lead(wHeat, math.Log(firstHeat/math.Cbrt(v/0.56)), heatSD)
	if kept {
		s.keep(&old)
	}
	return s
}

// keep carries learned values over a gap, somewhat less sure.
func (s *State) keep(old *State) {
	for _, i := range []int{cFlow, cLeak, cMade, cApart, cLag, cCos, cSin} {
		s.CO2.X[i] = old.CO2.X[i]
		s.CO2.P[i*cStates+i] = math.Min(old.CO2.P[i*cStates+i]*1.5+0.0025, s.CO2.P[i*cStates+i])
	}
	for _, i := range []int{wMist, wCrop, wHeat} {
		s.Water.X[i] = old.Water.X[i]
		s.Water.P[i*wStates+i] = math.Min(old.Water.P[i*wStates+i]*1.5+0.0025, s.Water.P[i*wStates+i])
	}
	s.CO2.Noise, s.Water.Noise = old.CO2.Noise, old.Water.Noise
	s.FanRuns, s.Watches = old.FanRuns, old.Watches
}

// stepS is the longest step of the reduced model while following the chamber.
const stepS = 2.5

// Watched is for how long the chamber was watched in all.
func (s *State) Watched() time.Duration { return time.Duration(s.Watches * float64(time.Second)) }

// pass lets time go by in both filters with the plugs as they were.
func (s *State) pass(f *Facts, seconds float64) {
	s.At = f.Now
	s.Watches += seconds
	s.MassC += (f.AirC - s.MassC) * (1 - math.Exp(-seconds/600))
	n := math.Ceil(seconds / stepS)
	dt := seconds / n
	k := s.constants(f)
	for range int(n) {
		m := spin(&s.Mist, s.MistOn, mistUpS, mistDownS, dt)
		fan := spin(&s.Fan, s.FanOn, fanUpS, fanUpS, dt)
		s.FanRuns += fan * dt
		s.passCO2(f.Now, fan, dt)
		s.passWater(&k, m, fan, dt)
	}
}

var (
	nudgeWater = [wStates]float64{0.01, 0.005, 0.01, 0.01, 0.001, 0.01, 0.01, 0.01}
)

func (s *State) passWater(base *Constants, mist, fan, dt float64) {
	h := dt / 3600
	q := [wStates]float64{0.0006 * dt, 0.0002 * dt, 0.0005 * dt, 0.0002 * dt, 1e-7 * dt, 0.002 * h, 0.01 * h, 0.002 * h}
	s.water().predict(nudgeWater[:], q[:], func(x []float64) {
		k := *base
		k.setWater(x)
		a := Air{Vapor: x[wVapor], Droplets: math.Max(0, x[wDrops]), Film: math.Max(0, x[wFilm]), AirC: x[wAirC]}
		a.water(&k, mist, fan, dt)
		x[wVapor], x[wDrops], x[wFilm], x[wAirC] = a.Vapor, a.Droplets, a.Film, a.AirC
		x[wSeen] += (a.Vapor/k.full(a.AirC) - x[wSeen]) * dt / (rhLagS + dt/2)
	})
}

func (k *Constants) setWater(x []float64) {
	k.MistRate, k.Crop, k.Heat = math.Exp(x[wMist]), math.Exp(x[wCrop]), math.Exp(x[wHeat])
	k.Wall = wallShare * k.Heat
}

// constants are those of the reduced model by the present estimate.
func (s *State) constants(f *Facts) Constants {
	k := Constants{
		Flow: math.Exp(s.CO2.X[cFlow]), Leak: math.Exp(s.CO2.X[cLeak]), CO2Rate: s.made(day(f.Now)), RoomCO2: s.CO2.X[cRoom],
		Loss: plumeLoss, FilmFull: filmFull / math.Cbrt(math.Max(f.VolumeM3, 0.01)), RoomC: f.RoomC, MassC: s.MassC,
	}
	k.setWater(s.Water.X[:])
	if f.RoomRH > 0 {
		k.RoomV = f.RoomRH * saturation(f.RoomC)
	} else {
		k.RoomV = 0.45 * saturation(20)
	}
	k.prepare()
	return k
}

// Noise of readings, calibration included as far as it changes from one sensor to the next.
const (
	rhSD    = 0.013
	wetSD   = 0.06 // of a humidity reading at the end of its range: it may be a wet sensor
	wetFrom = 0.985
	gate    = 3
)

// take takes in fresh readings.
func (s *State) take(f *Facts) {
	for _, z := range f.RH {
		sd := rhSD
		if z >= wetFrom {
			sd = wetSD
			z = math.Max(z, math.Min(s.Water.X[wSeen], 1))
		}
		odd := s.water().update(wSeen, z, sd, gate)
		if s.Water.Taken == 0 {
			odd = 1
		}
		s.Water.Odd += (odd - s.Water.Odd) * 0.02
		s.Water.Taken = min(s.Water.Taken+1, 1e6)
		s.Water.Last = f.Now
	}
	s.takeCO2(f)
}

// bound keeps what is known to lie somewhere there.
func (s *State) bound() {
	s.boundCO2()
	w := &s.Water.X
	sat := saturation(w[wAirC])
	limit(&w[wVapor], 0.05*sat, 1.02*sat)
	limit(&w[wDrops], 0, 10)
	limit(&w[wFilm], 0, 400)
	limit(&w[wAirC], s.MassC-4, s.MassC+2)
	limit(&w[wMist], math.Log(5e-4), math.Log(3))
	limit(&w[wCrop], math.Log(1e-5), math.Log(0.015))
	limit(&w[wHeat], math.Log(0.004), math.Log(0.15))
}

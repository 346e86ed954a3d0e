package learn

import (
	"math"
	"time"
)

// Model is the chamber as learned: where its air stands, and the constants by which it goes on.
type Model struct {
	Air       Air
	Constants Constants
}

// What must be known for the model to be trusted.
const (
	enoughTaken = 30
	leastCalm   = 2.2 // mean surprise in standard deviations above which the model does not fit the chamber
	stale       = 3 * time.Minute
)

// Model gives the chamber as learned, and whether a plan can rest on it.
func (s *State) Model(facts *Facts) (Model, bool) {
	f := facts.clean()
	if !s.sane() {
		return Model{}, false
	}
	m := Model{Constants: s.constants(f)}
	w := &s.Water.X
	m.Air = Air{Vapor: w[wVapor], Droplets: w[wDrops], Film: w[wFilm], AirC: w[wAirC], CO2: s.CO2.X[cCO2], Mist: s.Mist, Fan: s.Fan}
	ok := s.CO2.Taken >= enoughTaken && s.Water.Taken >= enoughTaken && s.CO2.Odd < leastCalm && s.Water.Odd < leastCalm &&
		f.Now.Sub(s.CO2.Last) < stale && f.Now.Sub(s.Water.Last) < stale
	return m, ok
}

// Learned is one learned value.
type Learned struct {
	Value      float64 `json:"value"`
	RelativeSD float64 `json:"relative_sd"`
	Known      bool    `json:"known"`
}

// Knowledge is what was learned, for people.
type Knowledge struct {
	FanOn      Learned `json:"fan_on"`        // air changes an hour with the fan running
	FanOff     Learned `json:"fan_off"`       // at rest
	CO2GPerH   Learned `json:"co2_g_per_h"`   // given off by the crop
	MistGPerH  Learned `json:"mist_g_per_h"`  // the humidifier's output
	VaporGPerH Learned `json:"vapor_g_per_h"` // what of it becomes vapor in the air, not wall film
}

// knownSD is the relative standard deviation up to which a value counts as known, and must be well below what was
// assumed at first.
const knownSD = 0.2

// Knowledge gives what was learned of a chamber of that volume in m³ at that altitude in m.
func (s *State) Knowledge(volume, altitude float64) Knowledge {
	if s.At.IsZero() {
		return Knowledge{}
	}
	c := func(i int) float64 { return s.CO2.P[i*cStates+i] }
	known := func(v, variance, first float64, enough bool) Learned {
		sd := math.Sqrt(math.Max(variance, 0))
		return Learned{v, sd, enough && sd < knownSD && sd < 0.7*first && !math.IsInf(v, 0) && !math.IsNaN(v)}
	}
	flow, leak := 3600*math.Exp(s.CO2.X[cFlow]), 3600*math.Exp(s.CO2.X[cLeak])
	fanned := s.CO2.Taken >= enoughTaken && s.FanRuns > 120
	// A ppm of a cubic meter of air at sea level and 20 °C holds 1.83 mg of CO2; pressure falls by 12 % a kilometer.
	perPPM := 1.83e-3 * volume * math.Exp(-altitude/8400)
	mist := 3600 * volume * math.Exp(s.Water.X[wMist])
	mistVar := s.Water.P[wMist*wStates+wMist]
	misted := s.Water.Taken >= 4*enoughTaken
	return Knowledge{
		FanOn:      known(flow+leak, c(cFlow), flowSD, fanned),
		FanOff:     known(leak, c(cLeak), leakSD, s.CO2.Taken >= enoughTaken),
		CO2GPerH:   known(3600*s.made(day(s.At))*perPPM, c(cMade), madeSD, s.CO2.Taken >= enoughTaken),
		MistGPerH:  known(mist, mistVar, mistSD, misted),
		VaporGPerH: known(mist*(1-plumeLoss), mistVar, mistSD, misted),
	}
}

package learn

import "time"

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
	// A filter that is sure of what is not so takes readings for noise and is surprised by them less and less. No sensor of CO2 that is
	// worth planning by is as noisy, ppm.
	mostNoise = 50.0
)

// Model gives the chamber as learned, and whether a plan can rest on it.
func (s *State) Model(facts *Facts) (Model, bool) {
	f := facts.clean(s.unmeasuredC())
	if !s.sane() {
		return Model{}, false
	}
	m := Model{Constants: s.constants(f)}
	w := &s.Water.X
	m.Air = Air{Vapor: w[wVapor], Droplets: w[wDrops], Film: w[wFilm], AirC: w[wAirC], CO2: s.CO2.X[cCO2], Mist: s.Mist, Fan: s.Fan}
	water := s.Water.Taken >= enoughTaken && s.Water.Odd < leastCalm && f.Now.Sub(s.Water.Last) < stale
	co2 := !f.muted() && s.CO2.Taken >= enoughTaken && s.CO2.Odd < leastCalm && s.CO2.Noise < mostNoise*mostNoise && f.Now.Sub(s.CO2.Last) < stale
	return m, water && (co2 || f.NoCO2)
}

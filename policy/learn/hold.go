package learn

import (
	"math"
	"time"
)

// A fan that fails, a door that stands open, a room with a source of its own and a sensor that repeats itself are found a good
// while after they began. What was learned of the chamber meanwhile is what makes up for them: of a fan that moves no air, that
// the room's air had become as rich in CO2 as the chamber's. So what was known some time ago is kept, and taken up again.

// Held are the values learned from CO2 as they were.
type Held struct {
	At  time.Time         `json:"at,omitzero"`
	X   [cLearned]float64 `json:"x"`
	Var [cLearned]float64 `json:"var"` // of what they hung together by, nothing is kept
}

// cLearned are the values of the CO2 filter from cFlow on.
const cLearned = cStates - cFlow

const (
	heldEvery = 15 * time.Minute
	heldSlots = 5 // the oldest is 60 to 75 minutes old: most of what upsets a chamber is found by then
)

// hold keeps what is known now, if it is time.
func (s *State) hold() {
	if s.At.Sub(s.Past[0].At) < heldEvery && !s.Past[0].At.After(s.At) {
		return
	}
	copy(s.Past[1:], s.Past[:heldSlots-1])
	h := &s.Past[0]
	h.At = s.At
	for i := range cLearned {
		h.X[i], h.Var[i] = s.CO2.X[cFlow+i], s.CO2.P[(cFlow+i)*(cStates+1)]
	}
}

// goBack takes up the oldest of what was kept, somewhat less sure. What was measured of the room since stays.
func (s *State) goBack() {
	h := Held{}
	for _, p := range s.Past {
		if !p.At.IsZero() && !p.At.After(s.At) {
			h = p
		}
	}
	s.Past, s.Views.Both = [heldSlots]Held{}, false
	if h.At.IsZero() {
		return
	}
	c := s.co2()
	for i := range cLearned {
		if cFlow+i == cRoom && !s.RoomUnseen {
			continue
		}
		c.restart(cFlow+i, h.X[i], math.Sqrt(h.Var[i]))
	}
	s.ageCO2(s.At.Sub(h.At).Seconds())
}

// pastSane reports whether what was kept can be worked with.
func (s *State) pastSane() bool {
	for _, h := range s.Past {
		for i := range cLearned {
			if !(math.Abs(h.X[i]) <= 1e6 && h.Var[i] >= 0 && h.Var[i] <= 1e8) { // also for NaN
				return false
			}
		}
	}
	return true
}

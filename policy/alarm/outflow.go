package alarm

import (
	"math"

	"gillkeeper/policy/learn"
)

// Outflow notices a door by what the learner did not foresee: with fan, mist, leaks and crop reckoned in, CO2 and vapor both read lower
// than they are to, and from about the same moment on. Each is summed up by itself, in standard deviations (Page's cumulative sum), and the
// lesser counts: hardly anything but another way out for the air lowers both at once.
type Outflow struct {
	CO2    Sum     `json:"co2,omitzero"`
	Vapor  Sum     `json:"vapor,omitzero"`
	From   Moist   `json:"from,omitzero"` // what the chamber held before both began
	Unread float64 `json:"unread"`        // seconds since either was last compared
	Peak   float64 `json:"peak"`          // the most of the lesser since it was last none
	Most   float64 `json:"most"`          // the most that Peak was when it came to nothing, faded over days
	Known  float64 `json:"known"`         // seconds that this rests on
}

// Sum is by how much readings were lower than foreseen, less what is due to chance.
type Sum struct {
	By  float64 `json:"by"`  // standard deviations
	For float64 `json:"for"` // seconds since it was last none
}

const (
	// outflowChance is taken off for each reading, outflowClip the most that one says, both in standard deviations.
	outflowChance, outflowClip = 0.7, 3.0
	// outflowShows is the sum that tells of a door, or so many times what it came to in this chamber while it was shut.
	outflowShows, outflowTimes = 8.0, 2.5
	outflowMost                = 40.0
	outflowMemory              = 4 * 86400.0 // seconds
	outflowStale               = 180.0       // seconds
	// What a door does shows within outflowWithin seconds, and of both within outflowTogether. A learner that is wrong about the crop is so
	// for hours.
	outflowWithin, outflowTogether = 480.0, 150.0
	// What must be missing of the vapor that usually is above the room, as a share.
	outflowVapor = 0.15
)

// take takes in a reading that was so many standard deviations higher than foreseen, 0: none came, and dt seconds.
func (s *Sum) take(higher, dt float64) {
	if s.For += dt; higher != 0 {
		s.By = max(0, min(s.By-max(-outflowClip, min(higher, outflowClip))-outflowChance, outflowMost))
	}
	if s.By == 0 || s.For > outflowWithin {
		*s = Sum{}
	}
}

// advance takes in how the readings of a step surprised the learner and what the chamber holds, and reports whether they tell of a door.
func (o *Outflow) advance(l *learn.Likely, now Moist, dt float64) bool {
	o.Most *= math.Exp(-dt / outflowMemory)
	o.Known = min(o.Known+dt, outflowMemory)
	if o.Unread += dt; l.Richer != 0 || l.Higher != 0 {
		o.Unread = 0
	}
	if o.Unread > outflowStale {
		o.restart()
		return false
	}
	o.CO2.take(l.Richer, dt)
	o.Vapor.take(l.Higher, dt)
	lesser := min(o.CO2.By, o.Vapor.By)
	if math.Abs(o.CO2.For-o.Vapor.For) > outflowTogether {
		lesser = 0
	}
	if o.Peak = max(o.Peak, lesser); lesser == 0 {
		o.From, o.Most, o.Peak = now, max(o.Most, o.Peak), 0
	}
	return o.Known >= airingKnown && lesser >= max(outflowShows, outflowTimes*o.Most)
}

// restart forgets what was summed up.
func (o *Outflow) restart() { o.CO2, o.Vapor, o.Peak = Sum{}, Sum{}, 0 }

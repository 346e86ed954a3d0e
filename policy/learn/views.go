package learn

import "math"

// Nobody who does not measure the room knows how its CO2 moves: by a hundred ppm within the hour where people come and go, hardly at all
// in a cellar. To a filter that takes the one room for the other, what the room did was the fan's doing, and flow creeps, up to twice
// or half of the truth in a week. So two filters follow the same readings, one for each kind of room, and the one that foresees them
// better is believed (multiple model estimation: D. T. Magill, IEEE Trans. Automatic Control 10, 1965, p. 434).

// Views are the two that are had of a room that nobody measures.
type Views struct {
	Both     bool    `json:"both,omitempty"`     // the other filter runs as well
	Restless bool    `json:"restless,omitempty"` // the one that is believed, State.CO2, takes the room to move within the hour
	Other    carbon  `json:"other,omitzero"`     // the filter by the other view
	Evidence float64 `json:"evidence"`           // for the one that is believed, of late: the natural logarithm of the odds
}

// carbon is the CO2 filter.
type carbon = Values[[cStates]float64, [cStates * cStates]float64]

// Rooms of either kind, as standard deviation in ppm, and the hours in which one returns to what it mostly is; common practice.
const (
	calmMood, restlessMood = 15.0, 80.0
	moodBack               = 1.5
)

const (
	// otherView is the evidence against a view from which on the other one is believed.
	otherView = 5.0
	// A room may become another: evidence fades within evidenceS seconds, and does not pile up beyond evidenceMost.
	evidenceS, evidenceMost = 24 * 3600.0, 30.0
)

// mood is the standard deviation of the room by the view that State.CO2 has, ppm.
func (v *Views) mood() float64 {
	if v.Restless {
		return restlessMood
	}
	return calmMood
}

// begin has the other view start from what is known, if it does not run. Whatever but a reading moved the one that is believed has ended
// the other.
func (v *Views) begin(s *State) {
	if !v.Both {
		v.Both, v.Other, v.Evidence = true, s.CO2, 0
	}
}

// swap puts the other view in place of the one that is believed.
func (v *Views) swap(s *State) {
	s.CO2, v.Other = v.Other, s.CO2
	v.Restless = !v.Restless
	v.Evidence = -v.Evidence
}

// each does something for both views, with each in the place of State.CO2.
func (v *Views) each(s *State, do func()) {
	do()
	if v.Both {
		v.swap(s)
		do()
		v.swap(s)
	}
}

// tell counts how likely a reading was by the view in whose place it was taken in, that surprised by so many standard deviations.
func (v *Views) tell(odd, variance float64) {
	if v.Both {
		v.Evidence -= (math.Min(odd*odd, gate*gate) + math.Log(variance)) / 2
	}
}

// choose has the view believed that foresees better.
func (v *Views) choose(s *State) {
	limit(&v.Evidence, -evidenceMost, evidenceMost)
	if v.Both && v.Evidence < -otherView {
		v.swap(s)
	}
}

// fade lets evidence grow old.
func (v *Views) fade(seconds float64) { v.Evidence *= math.Exp(-seconds / evidenceS) }

func (v *Views) sane() bool {
	other := filter{v.Other.X[:], v.Other.P[:]}
	return math.Abs(v.Evidence) <= evidenceMost && (!v.Both || other.sane())
}

package alarm

import (
	"math"

	"gillkeeper/policy/chamber"
)

// FanTest weighs what the exhaust fan should have done to the chamber's CO2 against what it did. Each run that starts
// well above the room's CO2 should bring the excess down by a factor of e for each change of air.
type FanTest struct {
	On       bool    `json:"on,omitempty"`
	OnFor    float64 `json:"on_for"`  // seconds of the present or last run
	OffFor   float64 `json:"off_for"` // seconds since
	Open     bool    `json:"open,omitempty"`
	Before   float64 `json:"before"`   // excess over the room when the run began, ppm
	Expected float64 `json:"expected"` // sum over runs of the logarithm by which the excess should have fallen
	Seen     float64 `json:"seen"`     // and by which it fell
	Runs     int     `json:"runs"`
	Rate     float64 `json:"rate"`  // learned fall a second of fan, of sound runs; 0: not known
	Known    int     `json:"known"` // runs that Rate rests on
	Failed   bool    `json:"failed,omitempty"`
}

const (
	fanLeastExcess = 150.0 // ppm over the room below which the fan's effect drowns in noise
	fanLeastRun    = 20.0  // seconds
	fanReadAfter   = 90.0  // seconds after a run: one lag of a CO2 sensor
	fanLongestRun  = 300.0 // a longer run reaches its balance with the crop and proves nothing more
	// fanUnknown is the fall a second assumed until it is learned: a fifth of an air change a minute, a tenth of what
	// a small fan on a large tent does.
	fanUnknown = 0.2 / 60
	// The verdict: runs that together should have brought the excess down by e^4, and did by less than a sixth of that.
	fanProof  = 4.0
	fanDead   = 0.15
	fanAlive  = 0.4
	fanRuns   = 5
	fanAtOnce = 1.5 // the most that one run counts
)

// fan raises fan_failed.
func (s *detection) fan() {
	i := s.e.Spec.Plug(chamber.ExhaustFan)
	if i < 0 || i >= len(s.e.Plugs) {
		return
	}
	c, p, f := s.out.Of(FanFailed), &s.e.Plugs[i], &s.Fan
	if s.Plugs[i].Idle >= powerReports {
		*c = Condition{Active: true, Code: NoPower, About: p.Name, Value: p.Watts, Bound: wattsIdle * s.Plugs[i].RunWatts}
		return
	}
	in, room := &s.e.Air.Inside.CO2, s.roomMoist().CO2
	if s.Door.Open || s.Door.After.Was || !in.OK {
		f.Open = false
	}
	excess := in.Value - room
	switch {
	case p.On && !f.On:
		if f.Open {
			f.read(excess)
		}
		f.Open = f.OffFor >= fanReadAfter && in.OK && excess >= fanLeastExcess && !s.Door.After.Was
		f.OnFor, f.Before = 0, excess
	case p.On:
		f.OnFor += s.dt
		if f.OnFor >= fanLongestRun && f.Open {
			f.read(excess)
			f.Open = false
		}
	default:
		if f.On {
			f.OffFor = 0
		}
		f.OffFor += s.dt
		if f.Open && f.OffFor >= fanReadAfter {
			f.read(excess)
			f.Open = false
		}
	}
	f.On = p.On
	if f.Failed {
		*c = Condition{Active: true, Code: NoEffect, About: p.Name, Quantity: chamber.CO2, Value: in.Value, Bound: room}
	}
}

// read weighs one run.
func (f *FanTest) read(excess float64) {
	if f.OnFor < fanLeastRun {
		return
	}
	fell := math.Log(f.Before / max(excess, fanLeastExcess/3))
	rate := f.Rate
	if f.Known < fanRuns {
		rate = fanUnknown
	}
	expected := min(fanAtOnce, rate*f.OnFor)
	f.Expected += expected
	f.Seen += max(-expected, min(fell, 2*expected))
	f.Runs++
	switch {
	case f.Seen >= fanAlive*f.Expected && f.Expected >= 0.5:
		f.Failed, f.Expected, f.Seen, f.Runs = false, 0, 0, 0
	case f.Expected >= fanProof && f.Runs >= fanRuns:
		f.Failed = f.Seen < fanDead*f.Expected
		f.Expected, f.Seen, f.Runs = f.Expected/2, f.Seen/2, f.Runs/2
	}
	if fell > 0 && !f.Failed {
		f.Known = min(f.Known+1, 50)
		f.Rate += max(0.02, 1/float64(f.Known)) * (min(fell, fanAtOnce)/f.OnFor - f.Rate)
	}
}

package alarm

import "math"

// Answer cuts time into windows of a minute and learns how a quantity of the air changes in them with what drives it.
// What plugs do shows with the sensor's lag, so the drive passes the same lag before it counts.
type Answer struct {
	Fit     Fit     `json:"fit,omitzero"`
	Started bool    `json:"started,omitempty"`
	For     float64 `json:"for"`             // seconds of the window being filled
	From    float64 `json:"from"`            // the quantity at its start
	Input   inputs  `json:"input,omitzero"`  // that has shown in the window
	Lagged  inputs  `json:"lagged,omitzero"` // that the sensor has not shown yet
}

// inputs drive the quantity in a window: the plug under test; the leaks, as the difference to the room times seconds; and
// time in seconds.
type inputs [3]float64

const (
	acted = iota
	rested
	passed
)

const (
	windowSeconds = 60.0
	// enoughAct is how much of the plug under test a window must hold to count as evidence, in its own unit (seconds of
	// mist; hundreds of ppm times seconds of fan); below leastAct it teaches nothing about the plug.
	enoughAct = 3.0
	leastAct  = 0.5
	// learnedWindows with the plug until the test may speak.
	learnedWindows = 40
	// evidenceClip is the most that one window says, natural logarithm.
	evidenceClip = 2.5
	// deadShare: a plug counts as working when it does most of what it did, so that half of that separates it from
	// nothing; aliveShare: to be trusted again, three tenths.
	deadShare  = 0.85
	aliveShare = 0.3
	// freezeAt: evidence above which nothing is learned, so that a plug that does nothing is not taken for the new normal;
	// given up after so long, when it evidently is.
	freezeAt  = 2.0
	freezeFor = 12 * 3600.0
)

// push takes in one step and reports when a window has closed, with the change of the quantity over it. The caller then
// calls next.
func (a *Answer) push(value float64, drive *inputs, dt, lag float64) (change float64, closed bool) {
	if !a.Started || dt > windowSeconds {
		a.Started, a.Lagged = true, inputs{}
		a.next(value)
		return 0, false
	}
	shown := 1 - math.Exp(-dt/lag)
	for i := range drive {
		a.Lagged[i] += drive[i]
		a.Input[i] += shown * a.Lagged[i]
		a.Lagged[i] -= shown * a.Lagged[i]
	}
	a.For += dt
	return value - a.From, a.For >= windowSeconds
}

// next starts a new window.
func (a *Answer) next(value float64) { a.For, a.From, a.Input = 0, value, inputs{} }

// evidence is the log-likelihood ratio of "the plug does nothing" over "it does that share of its effect".
func evidence(residual, effect, share, variance, clip float64) float64 {
	nothing := residual + effect
	some := nothing - share*effect
	ratio := (some*some - nothing*nothing) / (2 * (variance + 1e-6))
	return max(-clip, min(ratio, clip))
}

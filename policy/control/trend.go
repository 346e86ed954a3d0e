package control

import (
	"math"
	"time"

	"gillkeeper/policy/chamber"
)

// Trend follows one noisy, lagging reading: its value and its slope, by a g-h filter for irregular samples.
type Trend struct {
	Value float64   `json:"value"`
	Slope float64   `json:"slope"` // per second
	At    time.Time `json:"at,omitzero"`
	N     int       `json:"n,omitempty"` // samples since the last gap
}

const (
	trendMemory = 25 * time.Second // of the value
	slopeMemory = 75 * time.Second // of the slope: about a sensor's lag, so that looking ahead by it stays calm
	trendGap    = 5 * time.Minute  // after a longer gap the trend begins anew
)

// take feeds the newest voted reading in; an estimate seen before changes nothing.
func (t *Trend) take(e chamber.Estimate) {
	if !e.OK || !e.At.After(t.At) && t.N > 0 {
		return
	}
	dt := e.At.Sub(t.At)
	if t.N == 0 || dt > trendGap {
		*t = Trend{Value: e.Value, At: e.At, N: 1}
		return
	}
	s := dt.Seconds()
	predicted := t.Value + t.Slope*s
	miss := e.Value - predicted
	g := 1 - math.Exp(-s/trendMemory.Seconds())
	h := 1 - math.Exp(-s/slopeMemory.Seconds())
	t.Value = predicted + g*miss
	t.Slope += h * g * miss / s
	t.At = e.At
	t.N = min(t.N+1, 1000)
}

// ahead is the value expected at a moment, the sensor's lag taken off: a first-order sensor that lags by lag shows
// now what the air was, and is short of it by slope × lag.
func (t *Trend) ahead(now time.Time, lag time.Duration) float64 {
	s := math.Min(now.Sub(t.At).Seconds(), 60) + lag.Seconds()
	return t.Value + t.Slope*s
}

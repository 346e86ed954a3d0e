package control

import "time"

// Rate is what keeping the chamber costs on average, in the plan's own unit: the price of time, by which a plan that
// brings a quieter while is told from one that puts things off.
type Rate struct {
	At    time.Time `json:"at,omitzero"` // of the last look; zero: none yet
	Value float64   `json:"value"`       // a second
}

const (
	rateMemory = 40 * time.Minute
	// What is assumed at first, about two points from the aim, and what it is held between: above, a chamber that cannot be
	// kept at all would have nothing mattered.
	firstRate, leastRate, mostRate = 1.0, 0.05, 4.0
	mostBilled                     = 12.0 // of a second
)

// take takes in the time since the last look, at what the air is taken to cost now.
func (r Rate) take(sc *Scene) Rate {
	dt := sc.Now.Sub(r.At)
	if r.At.IsZero() || dt < 0 || !(r.Value >= leastRate && r.Value <= mostRate) {
		return Rate{At: sc.Now, Value: firstRate}
	}
	a, w := &sc.Model.Air, &planWeights
	now := w.humidity(a.RH(&sc.Model.Constants)-sc.Target.RelativeHumidity.Aim) + w.carbon(a.CO2, sc.Target.CO2MaxPPM, sc.Target.CO2MinPPM)
	r.At = sc.Now
	r.Value += (min(now, mostBilled) - r.Value) * min(dt, time.Minute).Seconds() / rateMemory.Seconds()
	r.Value = clamp(r.Value, leastRate, mostRate)
	return r
}

// start takes in a switching.
func (r Rate) start(w *Wear) Rate {
	r.Value = clamp(r.Value+planWeights.pulse*w.Factor()/rateMemory.Seconds(), leastRate, mostRate)
	return r
}

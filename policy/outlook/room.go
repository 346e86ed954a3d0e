package outlook

import (
	"math"
	"slices"

	"gillkeeper/policy/learn"
	"gillkeeper/policy/plant"
)

// Room is the air that the chamber takes in, as it was of late.
type Room struct {
	KnownC, KnownRH, KnownCO2 bool

	MeanC   float64 // °C
	SwingK  float64 // half the daily swing
	RH      float64 // ratio, at MeanC
	CO2PPM  float64 // with nobody there
	PeakPPM float64 // highest of late
	Days    float64 // that it rests on

	likeChamber bool // MeanC is the chamber's, unless KnownC
}

// Hour is one hour of the room's air; a NaN is not known.
type Hour struct{ C, RH, CO2 float64 }

// What is assumed of a room where nothing is measured: common practice for a heated room.
const (
	assumedC, assumedSwingK = 20, 1.5
	assumedCO2              = 480
)

// How weather goes on from what it was, as standard deviations from day to day. Common practice: a heated room keeps its
// temperature within a degree or two, while its moisture follows the weather outside.
const (
	ownC, guessedC       = 0.8, 2.5   // K
	besideC              = 1.2        // K, of a room whose chamber alone is measured
	ownVapor, guessVapor = 0.10, 0.25 // relative
	ownCO2, guessedCO2   = 40, 120    // ppm
)

// RoomOf sums up the hours of the last days. Where its temperature is not measured it is taken for the chamber's, in °C; NaN:
// not measured either.
func RoomOf(hours []Hour, chamberC float64) Room {
	r := Room{MeanC: assumedC, SwingK: assumedSwingK, CO2PPM: assumedCO2, PeakPPM: 2 * assumedCO2, Days: float64(len(hours)) / 24}
	if r.likeChamber = !math.IsNaN(chamberC); r.likeChamber {
		r.MeanC = chamberC
	}
	var c, rh, co2, vapor []float64
	for _, h := range hours {
		if !math.IsNaN(h.C) {
			c = append(c, h.C)
		}
		if !math.IsNaN(h.RH) {
			rh = append(rh, h.RH)
			if !math.IsNaN(h.C) {
				vapor = append(vapor, h.RH*plant.Saturation(h.C))
			}
		}
		if !math.IsNaN(h.CO2) {
			co2 = append(co2, h.CO2)
		}
	}
	if r.KnownC = len(c) > 0; r.KnownC {
		r.MeanC, r.SwingK = mean(c), min(8, (quantile(c, 0.95)-quantile(c, 0.05))/2)
		if len(c) < 12 { // less than half a day shows no swing
			r.SwingK = max(r.SwingK, assumedSwingK/2)
		}
	}
	r.RH = learn.RoomRH(r.MeanC)
	switch r.KnownRH = len(rh) > 0; {
	case len(vapor) > 0:
		r.RH = mean(vapor) / plant.Saturation(r.MeanC)
	case r.KnownRH:
		r.RH = mean(rh)
	}
	r.RH = max(0.05, min(r.RH, 0.98))
	if r.KnownCO2 = len(co2) > 0; r.KnownCO2 {
		r.CO2PPM, r.PeakPPM = max(400, quantile(co2, 0.1)), max(450, quantile(co2, 1))
	}
	return r
}

// weather draws one way in which the room's air may go on.
func (r *Room) weather(n *plant.Noise, startHour float64) plant.Weather {
	sd := func(known bool, own, guessed float64) float64 {
		if known {
			return own * n.Normal()
		}
		return guessed * n.Normal()
	}
	w := plant.Weather{Seed: n.Uint64(), StartHour: startHour, MixingHour: n.Uniform(0.8, 2.5)}
	guessed := guessedC
	if r.likeChamber {
		guessed = besideC
	}
	w.AirC = r.MeanC + sd(r.KnownC, ownC, guessed)
	w.DailyK = r.SwingK * math.Exp(0.2*n.Normal())
	w.SlowK = n.Uniform(0.2, 1.5)
	vapor := r.RH * plant.Saturation(r.MeanC) * math.Exp(sd(r.KnownRH, ownVapor, guessVapor))
	w.Humidity = max(0.05, min(vapor/plant.Saturation(w.AirC), 0.98))
	w.SlowShare = n.Uniform(0.03, 0.15)
	w.CO2PPM = max(400, r.CO2PPM+sd(r.KnownCO2, ownCO2, guessedCO2))
	// Nobody visits while the grower is away, but others may live in the house.
	w.VisitPPM = n.Uniform(0.3, 1) * max(0, r.PeakPPM-r.CO2PPM)
	w.CO2MaxPPM = max(w.CO2PPM, 1.1*r.PeakPPM)
	return w
}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// quantile is the value below which a share of all lies, interpolated; v is not changed.
func quantile(v []float64, share float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := slices.Clone(v)
	slices.Sort(s)
	at := share * float64(len(s)-1)
	i := min(int(at), len(s)-2)
	if len(s) == 1 {
		return s[0]
	}
	return s[i] + (at-float64(i))*(s[i+1]-s[i])
}

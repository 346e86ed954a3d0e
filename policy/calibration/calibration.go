// Package calibration corrects humidity sensors by saturated salts and carbon dioxide sensors by fresh air: it watches a
// reading until it is settled, works out slope and offset with their uncertainty, and tells the drift since the last
// time.
//
// It must never wait or read a clock: samples come with their time. Start reading at [Watch] and [Fit].
package calibration

import (
	"errors"
	"fmt"
	"math"
	"time"

	"gillkeeper/policy/air"
	"gillkeeper/policy/air/salt"
)

// Limits beyond which a sensor is not corrected but replaced. Estimates: a sensor so far off is damaged or wet.
const (
	LeastSlope   = 0.85
	MostSlope    = 1.15
	MostOffset   = 0.10 // of relative humidity
	LeastSpread  = 0.08 // between two points; closer ones say nothing of the slope
	MostFreshPPM = 300  // by which a carbon dioxide sensor may be off in fresh air
)

// FreshAirPPM is carbon dioxide outdoors, away from traffic and people: the global mean of the mid-2020s, from memory.
const FreshAirPPM = 425

// Point is one settled reading over one salt.
type Point struct {
	Salt         salt.Salt   `json:"salt"`
	TemperatureC air.Celsius `json:"temperature_c"` // beside the salt
	Reading      air.Ratio   `json:"reading"`       // uncorrected
	Noise        air.Ratio   `json:"noise"`         // standard deviation of Reading
}

// Correction turns a reading into relative humidity: Slope · reading + Offset.
type Correction struct {
	At     time.Time `json:"at"`
	Slope  float64   `json:"slope"`
	Offset air.Ratio `json:"offset"`
	Points []Point   `json:"points"`
	// Low and High are the readings between which it was found; for one point they are the same.
	Low  air.Ratio `json:"low"`
	High air.Ratio `json:"high"`
}

// Fit works out the correction from one point (offset alone) or two (slope and offset), dated by the caller. It fails,
// with the reason, when the points cannot carry it or the sensor is too far off to be corrected.
func Fit(at time.Time, points ...Point) (Correction, error) {
	if len(points) != 1 && len(points) != 2 {
		return Correction{}, fmt.Errorf("calibration has %d points; it takes one or two", len(points))
	}
	truth := make([]float64, len(points))
	for i, p := range points {
		rh, _, ok := p.Salt.RelativeHumidity(p.TemperatureC)
		if !ok {
			return Correction{}, fmt.Errorf("%s at %.1f °C has no fixed point; measure at %.0f to %.0f °C", p.Salt, p.TemperatureC, salt.MinTemperature, salt.MaxTemperature)
		}
		if !(p.Reading > 0 && p.Reading <= 1.05 && p.Noise >= 0 && p.Noise < 0.05) {
			return Correction{}, fmt.Errorf("reading %.3f ± %.3f over %s cannot be right; wait until it is settled", p.Reading, p.Noise, p.Salt)
		}
		truth[i] = float64(rh)
	}
	c := Correction{At: at, Slope: 1, Points: points, Low: points[0].Reading, High: points[0].Reading}
	if len(points) == 2 {
		rise := float64(points[1].Reading - points[0].Reading)
		if math.Abs(rise) < LeastSpread || math.Abs(truth[1]-truth[0]) < LeastSpread {
			return Correction{}, fmt.Errorf("readings over %s and %s are %.1f points apart; take salts further apart, such as nacl and k2so4", points[0].Salt, points[1].Salt, 100*math.Abs(rise))
		}
		c.Slope = (truth[1] - truth[0]) / rise
		c.Low, c.High = min(c.Low, points[1].Reading), max(c.High, points[1].Reading)
	}
	c.Offset = air.Ratio(truth[0] - c.Slope*float64(points[0].Reading))
	return c, c.check()
}

func (c *Correction) check() error {
	if !(c.Slope >= LeastSlope && c.Slope <= MostSlope) {
		return fmt.Errorf("slope is %.2f; beyond %.2f to %.2f the sensor is damaged or wet: dry or replace it", c.Slope, LeastSlope, MostSlope)
	}
	for _, p := range c.Points {
		if off := math.Abs(float64(c.Apply(p.Reading) - p.Reading)); off > MostOffset {
			return fmt.Errorf("the sensor is off by %.1f points over %s; beyond %.0f it is damaged or wet: dry or replace it", 100*off, p.Salt, 100*MostOffset)
		}
	}
	return nil
}

// Apply corrects a reading; the answer stays within 0..1. The zero Correction leaves it as it is.
func (c *Correction) Apply(reading air.Ratio) air.Ratio {
	if c.Slope == 0 {
		return reading
	}
	return min(1, max(0, air.Ratio(c.Slope)*reading+c.Offset))
}

// Uncertainty is the standard uncertainty of a corrected reading that comes from the calibration: the salts' own, taken
// as twice their standard uncertainty and independent, and the noise of the readings, carried along the line through
// the points. Outside of the points it grows: the correction is then extrapolated.
func (c *Correction) Uncertainty(reading air.Ratio) (u air.Ratio, extrapolated bool) {
	extrapolated = reading < c.Low || reading > c.High
	var weights [2]float64
	switch len(c.Points) {
	case 1:
		weights[0] = 1
	case 2:
		share := float64((reading - c.Points[0].Reading) / (c.Points[1].Reading - c.Points[0].Reading))
		weights = [2]float64{1 - share, share}
	}
	sum := 0.0
	for i, p := range c.Points {
		_, salted, _ := p.Salt.RelativeHumidity(p.TemperatureC)
		variance := float64(salted*salted)/4 + c.Slope*c.Slope*float64(p.Noise*p.Noise)
		sum += weights[i] * weights[i] * variance
	}
	return air.Ratio(math.Sqrt(sum)), extrapolated
}

// Drift is by how much the same reading comes out differently than by the last correction.
func (c *Correction) Drift(last *Correction, reading air.Ratio) air.Ratio {
	return c.Apply(reading) - last.Apply(reading)
}

// FreshAir gives the offset in ppm of a carbon dioxide sensor from its settled reading outdoors or at an open window.
func FreshAir(reading, expected air.PPM) (air.PPM, error) {
	if !(expected >= 380 && expected <= 700) {
		return 0, fmt.Errorf("fresh air of %.0f ppm is not fresh; expect 380 to 700, usually %d", expected, FreshAirPPM)
	}
	offset := expected - reading
	if !(math.Abs(float64(offset)) <= MostFreshPPM) {
		return 0, errors.New("the sensor is off by more than 300 ppm in fresh air; air it longer, or have it replaced")
	}
	return offset, nil
}

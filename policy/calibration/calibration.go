// Package calibration corrects humidity sensors by saturated salts and carbon dioxide sensors by fresh air: it watches a
// reading until it is settled, works out slope and offset with their uncertainty, and tells the drift since the last
// time.
//
// It must never wait or read a clock: samples come with their time. Start reading at [Watch] and [Fit].
package calibration

import (
	"fmt"
	"math"
	"time"

	"gillkeeper/policy/air"
	"gillkeeper/policy/air/salt"
	"gillkeeper/policy/chamber"
)

// Limits beyond which a sensor is not corrected but replaced. Estimates: a sensor so far off is damaged or wet.
const (
	LeastSlope   = 0.85
	MostSlope    = 1.15
	MostOffset   = 0.10 // of relative humidity, where it was measured
	LeastSpread  = 0.08 // between two points; closer ones say nothing of the slope
	MostFreshPPM = 500  // by which a carbon dioxide sensor may be off in fresh air
)

// freshUncertainty is the standard uncertainty of fresh air in ppm: day, season and town move it. An estimate.
const freshUncertainty = 15

// Method is how a correction was found.
type Method string

// The methods.
const (
	Salts    Method = "salts"     // over one or two saturated salt solutions
	FreshAir Method = "fresh_air" // outdoors or at an open window
)

// Point is one settled reading over one salt.
type Point struct {
	Salt         salt.Salt   `json:"salt"`
	TemperatureC air.Celsius `json:"temperature_c"` // beside the salt
	Reading      air.Ratio   `json:"reading"`       // uncorrected
	Noise        air.Ratio   `json:"noise"`         // standard deviation of Reading
}

// Outdoors is one settled reading of a carbon dioxide sensor in fresh air.
type Outdoors struct {
	Reading  air.PPM `json:"reading"`  // uncorrected
	Noise    air.PPM `json:"noise"`    // standard deviation of Reading
	Expected air.PPM `json:"expected"` // what fresh air holds
}

// Correction turns a reading into a better one: Slope · reading + Offset. The zero Correction changes nothing. It is a
// value: nobody writes to the points of one that was made.
type Correction struct {
	Method   Method           `json:"method"`
	Quantity chamber.Quantity `json:"quantity"`
	At       time.Time        `json:"at"` // by the calendar
	Slope    float64          `json:"slope"`
	Offset   float64          `json:"offset"` // in the quantity's unit
	// Low and High are the readings between which it was found; for one point they are the same.
	Low  float64 `json:"low"`
	High float64 `json:"high"`
	// Standard is the standard uncertainty half way between Low and High, in the quantity's unit.
	Standard float64 `json:"standard_uncertainty"`
	// Drift is by how much that same reading comes out differently than by the correction before, or than without one.
	Drift  float64   `json:"drift"`
	Before time.Time `json:"before,omitzero"` // date of the correction before; zero: there was none
	Points []Point   `json:"points,omitempty"`
	Fresh  *Outdoors `json:"fresh_air,omitempty"`
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
	first := float64(points[0].Reading)
	c := Correction{Method: Salts, Quantity: chamber.RelativeHumidity, At: at, Slope: 1, Points: points, Low: first, High: first}
	if len(points) == 2 {
		second := float64(points[1].Reading)
		rise := second - first
		if math.Abs(rise) < LeastSpread || math.Abs(truth[1]-truth[0]) < LeastSpread {
			return Correction{}, fmt.Errorf("readings over %s and %s are %.1f points apart; take salts further apart, such as nacl and k2so4", points[0].Salt, points[1].Salt, 100*math.Abs(rise))
		}
		c.Slope = (truth[1] - truth[0]) / rise
		c.Low, c.High = min(first, second), max(first, second)
	}
	c.Offset = truth[0] - c.Slope*first
	c.Standard, _ = c.Uncertainty(c.middle())
	return c, c.Check()
}

// FitFreshAir works out the offset of a carbon dioxide sensor from its settled reading in fresh air.
func FitFreshAir(at time.Time, o Outdoors) (Correction, error) {
	if !(o.Expected >= 380 && o.Expected <= 700) {
		return Correction{}, fmt.Errorf("fresh air of %.0f ppm is not fresh; expect 380 to 700, usually %d", o.Expected, air.OutdoorCO2)
	}
	if !chamber.CO2.Plausible(float64(o.Reading)) || !(o.Noise >= 0 && o.Noise < 100) {
		return Correction{}, fmt.Errorf("reading %.0f ± %.0f ppm in fresh air cannot be right; wait until it is settled", o.Reading, o.Noise)
	}
	reading := float64(o.Reading)
	c := Correction{Method: FreshAir, Quantity: chamber.CO2, At: at, Slope: 1, Offset: float64(o.Expected) - reading,
		Low: reading, High: reading, Fresh: &o}
	c.Standard, _ = c.Uncertainty(reading)
	return c, c.Check()
}

func (c *Correction) middle() float64 { return (c.Low + c.High) / 2 }

// Check says why a correction must not be used: a slope or an offset that no sound sensor has, or numbers that are none.
func (c *Correction) Check() error {
	for _, v := range []float64{c.Slope, c.Offset, c.Low, c.High, c.Standard} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("a calibration of %v is none; give numbers", v)
		}
	}
	if !(c.Slope >= LeastSlope && c.Slope <= MostSlope) {
		return fmt.Errorf("slope is %.2f; beyond %.2f to %.2f the sensor is damaged or wet: dry or replace it", c.Slope, LeastSlope, MostSlope)
	}
	off := max(math.Abs(c.line(c.Low)-c.Low), math.Abs(c.line(c.High)-c.High))
	switch {
	case c.Quantity == chamber.RelativeHumidity && off > MostOffset:
		return fmt.Errorf("the sensor is off by %.1f points; beyond %.0f it is damaged or wet: dry or replace it", 100*off, 100*MostOffset)
	case c.Quantity == chamber.CO2 && off > MostFreshPPM:
		return fmt.Errorf("the sensor is off by %.0f ppm in fresh air; beyond %d air it longer, or replace it", off, MostFreshPPM)
	case c.Quantity != chamber.RelativeHumidity && c.Quantity != chamber.CO2:
		return fmt.Errorf("%s is not calibrated here; relative_humidity and co2 are", c.Quantity)
	}
	return nil
}

func (c *Correction) line(reading float64) float64 { return c.Slope*reading + c.Offset }

// Apply corrects a reading; the answer stays within what the quantity can be. The zero Correction leaves it as it is.
func (c *Correction) Apply(reading float64) float64 {
	if c.Slope == 0 {
		return reading
	}
	low, high := c.Quantity.Bounds()
	if c.Quantity == chamber.RelativeHumidity {
		high = 1
	}
	return min(high, max(low, c.line(reading)))
}

// Made reports whether there is a correction at all.
func (c *Correction) Made() bool { return c.Slope != 0 }

// Uncertainty is the standard uncertainty of a corrected reading that comes from the calibration: the salts' own, taken
// as twice their standard uncertainty and independent, and the noise of the readings, carried along the line through
// the points. Outside of the points it grows: the correction is then extrapolated.
func (c *Correction) Uncertainty(reading float64) (u float64, extrapolated bool) {
	extrapolated = reading < c.Low || reading > c.High
	if c.Fresh != nil {
		return math.Hypot(float64(c.Fresh.Noise), freshUncertainty), extrapolated
	}
	var weights [2]float64
	switch len(c.Points) {
	case 1:
		weights[0] = 1
	case 2:
		first, second := float64(c.Points[0].Reading), float64(c.Points[1].Reading)
		share := (reading - first) / (second - first)
		weights = [2]float64{1 - share, share}
	}
	sum := 0.0
	for i, p := range c.Points {
		_, salted, _ := p.Salt.RelativeHumidity(p.TemperatureC)
		variance := float64(salted*salted)/4 + c.Slope*c.Slope*float64(p.Noise*p.Noise)
		sum += weights[i] * weights[i] * variance
	}
	return math.Sqrt(sum), extrapolated
}

// Since notes the drift since the correction before, which may be none.
func (c *Correction) Since(last *Correction) {
	c.Drift, c.Before = c.line(c.middle())-c.middle(), time.Time{}
	if last.Made() && last.Quantity == c.Quantity {
		c.Drift, c.Before = c.line(c.middle())-last.line(c.middle()), last.At
	}
}

package air

import "math"

// Ranges of the saturation formulas. Below −45 °C no liquid water exists; over ice the formula ends at the triple
// point.
const (
	minOverWater = -45.0
	maxOverWater = 100.0
	minOverIce   = -100.0
	triplePoint  = 0.01
)

// SaturationPressure gives the pressure of saturated water vapor over liquid water, −45..100 °C.
//
// Hyland and Wexler 1983, as in ASHRAE Fundamentals ch. 1, eq. 6. Within 0.03 % of IAPWS from 0 to 100 °C; below 0 °C,
// where the formula is extrapolated, within 0.3 % of Murphy and Koop 2005 down to −30 °C and 1.3 % to −45 °C.
func SaturationPressure(t Celsius) (Pascal, bool) {
	if !(t >= minOverWater && t <= maxOverWater) {
		return 0, false
	}
	return Pascal(pressureOverWater(float64(t))), true
}

// SaturationPressureOverIce gives the pressure of saturated water vapor over ice, −100..0.01 °C.
//
// Hyland and Wexler 1983, as in ASHRAE Fundamentals ch. 1, eq. 5.
func SaturationPressureOverIce(t Celsius) (Pascal, bool) {
	if !(t >= minOverIce && t <= triplePoint) {
		return 0, false
	}
	return pressureOverIce(float64(t)), true
}

// VaporPressure gives the partial pressure of water vapor at a temperature and relative humidity over water (0..1),
// −45..100 °C.
func VaporPressure(t Celsius, rh Ratio) (Pascal, bool) {
	pws, ok := SaturationPressure(t)
	if !ok || !(rh >= 0 && rh <= 1) {
		return 0, false
	}
	return Pascal(rh) * pws, true
}

// RelativeHumidity gives the relative humidity over water that a partial pressure makes at a temperature, −45..100 °C.
// It may exceed 1: at the temperature of a surface that means condensation.
func RelativeHumidity(t Celsius, pv Pascal) (Ratio, bool) {
	pws, ok := SaturationPressure(t)
	if !ok || !(pv >= 0 && pv <= MaxPressure) {
		return 0, false
	}
	return Ratio(pv / pws), true
}

// DewPoint gives the temperature at which a partial pressure of water vapor saturates over water, −45..100 °C: the
// inverse of [SaturationPressure] to 1e-8 K.
func DewPoint(pv Pascal) (Celsius, bool) {
	if !(pv >= lowestOverWater && pv <= highestOverWater) {
		return 0, false
	}
	// Magnus' formula (WMO coefficients) starts within 0.5 K. Newton's steps are on ln p over 1/T, which is nearly a
	// straight line (Clausius and Clapeyron), so that two do.
	y := math.Log(float64(pv))
	x := y - 6.4154232 // ln 611.2
	k := 243.12*x/(17.62-x) + zeroCelsius
	for range 2 {
		ln, slope := logOverWater(k)
		k /= 1 + (ln-y)/(k*slope)
	}
	return Celsius(min(max(k-zeroCelsius, minOverWater), maxOverWater)), true
}

// FrostPoint gives the temperature at which a partial pressure of water vapor saturates over ice, −100..0.01 °C: the
// inverse of [SaturationPressureOverIce] to 1e-9 K.
func FrostPoint(pv Pascal) (Celsius, bool) {
	if !(pv >= lowestOverIce && pv <= highestOverIce) {
		return 0, false
	}
	y := math.Log(float64(pv))
	x := y - 6.4154232
	k := 272.62*x/(22.46-x) + zeroCelsius
	for range 2 { // as in DewPoint
		ln, slope := logOverIce(k)
		k /= 1 + (ln-y)/(k*slope)
	}
	return Celsius(min(max(k-zeroCelsius, minOverIce), triplePoint)), true
}

// The ends of the two inverses' ranges.
var (
	lowestOverWater  = Pascal(pressureOverWater(minOverWater))
	highestOverWater = Pascal(pressureOverWater(maxOverWater))
	lowestOverIce    = pressureOverIce(minOverIce)
	highestOverIce   = pressureOverIce(triplePoint)
)

// logOverWater gives ln of the saturation pressure in Pa over water and its derivative by temperature, at T in K.
func logOverWater(k float64) (ln, slope float64) {
	const (
		c8  = -5.8002206e+03
		c9  = 1.3914993
		c10 = -4.8640239e-02
		c11 = 4.1764768e-05
		c12 = -1.4452093e-08
		c13 = 6.5459673
	)
	inverse := 1 / k
	ln = c8*inverse + c9 + k*(c10+k*(c11+k*c12)) + c13*math.Log(k)
	slope = (c13-c8*inverse)*inverse + c10 + k*(2*c11+k*3*c12)
	return ln, slope
}

func pressureOverWater(t float64) float64 {
	ln, _ := logOverWater(t + zeroCelsius)
	return math.Exp(ln)
}

// pressureAndSlope gives the saturation pressure over water and the derivative of its logarithm.
func pressureAndSlope(t float64) (p, slope float64) {
	ln, slope := logOverWater(t + zeroCelsius)
	return math.Exp(ln), slope
}

func pressureOverIce(t float64) Pascal {
	ln, _ := logOverIce(t + zeroCelsius)
	return Pascal(math.Exp(ln))
}

// logOverIce is logOverWater over ice.
func logOverIce(k float64) (ln, slope float64) {
	const (
		c1 = -5.6745359e+03
		c2 = 6.3925247
		c3 = -9.6778430e-03
		c4 = 6.2215701e-07
		c5 = 2.0747825e-09
		c6 = -9.4840240e-13
		c7 = 4.1635019
	)
	inverse := 1 / k
	ln = c1*inverse + c2 + k*(c3+k*(c4+k*(c5+k*c6))) + c7*math.Log(k)
	slope = (c7-c1*inverse)*inverse + c3 + k*(2*c4+k*(3*c5+k*4*c6))
	return ln, slope
}

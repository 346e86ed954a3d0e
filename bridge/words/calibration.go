package words

import (
	"strings"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
)

// Difference writes a difference of a quantity with its sign: points for humidity.
func Difference(q chamber.Quantity, v float64) string {
	text, unit := Number(100*v, 1), " points"
	if q == chamber.CO2 {
		text, unit = Number(v, 0), " ppm"
	}
	if v > 0 && strings.Trim(text, "0.") != "" {
		text = "+" + text
	}
	return text + unit
}

// Correction writes a correction as one would calculate it.
func Correction(q chamber.Quantity, slope, offset float64) string {
	if slope == 1 {
		return "reading " + Difference(q, offset)
	}
	return Number(slope, 3) + " · reading " + Difference(q, offset)
}

// CalibratedBy names what a correction was found by: the salts, or else the method.
func CalibratedBy(method string, salts []string) string {
	if len(salts) == 0 {
		return strings.ReplaceAll(method, "_", " ")
	}
	return strings.Join(salts, ", ")
}

// Suspicion says why a sensor is not trusted, from the code of the detector.
func Suspicion(code string) string {
	if s := codes[alarm.Code(code)]; s != "" {
		return s
	}
	return strings.ReplaceAll(code, "_", " ")
}

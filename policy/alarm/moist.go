package alarm

import "gillkeeper/policy/air"

// vaporDensity gives the water vapor of air in g/m³ from its temperature in °C and relative humidity as a ratio, and
// whether the formulas reach.
func vaporDensity(t, rh float64) (float64, bool) {
	d, ok := air.VaporDensity(air.Celsius(t), air.Ratio(min(max(rh, 0), 1)))
	return float64(d), ok
}

package control

import "gillkeeper/policy/air"

// vaporDensity in g/m³ at a temperature in degrees Celsius and a relative humidity as a ratio; at saturation with rh = 1.
func vaporDensity(t, rh float64) float64 {
	p, _ := air.VaporPressure(air.Celsius(t), air.Ratio(min(rh, 1)))
	d, ok := air.AbsoluteHumidity(air.Celsius(t), p)
	if !ok {
		return 15 // saturated air at 18 °C
	}
	return float64(d)
}

// pascal is the vapor pressure in Pa at a temperature in degrees Celsius and a relative humidity as a ratio.
func pascal(t, rh float64) float64 {
	p, _ := air.VaporPressure(air.Celsius(t), air.Ratio(min(rh, 1)))
	return float64(p)
}

package air

// PartialPressure gives the partial pressure of water vapor in air of a humidity ratio, the inverse of
// W = 0.621945 pv/(p − pv). ASHRAE Fundamentals ch. 1.
func PartialPressure(w KgPerKg, p Pascal) (Pascal, bool) {
	if !(w >= 0 && w <= 10 && p >= MinPressure && p <= MaxPressure) {
		return 0, false
	}
	return p * Pascal(w) / (massRatio + Pascal(w)), true
}

// HumidityRatio gives kg of water vapor per kg of dry air: W = 0.621945 pv/(p − pv). ASHRAE Fundamentals ch. 1. It
// fails when the vapor leaves no room for air (pv above nine tenths of p).
func HumidityRatio(pv, p Pascal) (KgPerKg, bool) {
	if !(pv >= 0 && p >= MinPressure && p <= MaxPressure && pv <= 0.9*p) {
		return 0, false
	}
	return KgPerKg(massRatio * pv / (p - pv)), true
}

// AbsoluteHumidity gives grams of water vapor per cubic meter at a partial pressure: ideal gas with R = 461.524 J/(kg K),
// −100..100 °C.
func AbsoluteHumidity(t Celsius, pv Pascal) (GramsPerCubicMeter, bool) {
	if !(t >= minOverIce && t <= maxOverWater && pv >= 0 && pv <= MaxPressure) {
		return 0, false
	}
	return GramsPerCubicMeter(1000 * float64(pv) / (gasConstantH2O * float64(t.Kelvin()))), true
}

// VaporDensity gives grams of water vapor per cubic meter of air at a temperature and relative humidity over water (0..1),
// −45..100 °C.
func VaporDensity(t Celsius, rh Ratio) (GramsPerCubicMeter, bool) {
	pv, ok := VaporPressure(t, rh)
	if !ok {
		return 0, false
	}
	return AbsoluteHumidity(t, pv)
}

// PressureOfVapor is the inverse of [AbsoluteHumidity]: the partial pressure of so much vapor, −100..100 °C.
func PressureOfVapor(t Celsius, d GramsPerCubicMeter) (Pascal, bool) {
	if !(t >= minOverIce && t <= maxOverWater && d >= 0 && d <= 1000) {
		return 0, false
	}
	return Pascal(float64(d) / 1000 * gasConstantH2O * float64(t.Kelvin())), true
}

// LatentHeat gives the heat that evaporating water at a temperature takes up, kJ/kg (the same as J/g), 0..100 °C, and
// of supercooled water down to −45 °C: 2501 − 2.326 t, the difference of the vapor and the liquid enthalpies of ASHRAE
// Fundamentals ch. 1, so that a balance kept with [State.Enthalpy] closes. Within 0.05 % of steam tables up to 25 °C and 0.17 % up to 60 °C.
func LatentHeat(t Celsius) (KJPerKg, bool) {
	if !(t >= minOverWater && t <= maxOverWater) {
		return 0, false
	}
	return KJPerKg(heatOfVaporAt0 + (heatVapor-heatWater)*float64(t)), true
}

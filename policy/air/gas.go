package air

import "math"

// StandardPressure is the pressure of the standard atmosphere at sea level, at which carbon dioxide sensors are
// calibrated.
const StandardPressure Pascal = 101_325

// OutdoorCO2 is the carbon dioxide of outdoor air in ppm, away from traffic and people: NOAA Global Monitoring Laboratory, Mauna Loa,
// annual mean of 2024, 424.6 ppm (gml.noaa.gov/ccgg/trends). It rises by 2 to 3 ppm a year.
const OutdoorCO2 = 425

// BarometricPressure gives the pressure of the standard atmosphere at an altitude, −500..9000 m:
// p = 101325 (1 − 2.25577e-5 Z)^5.2559, ASHRAE Fundamentals ch. 1. Weather moves the true pressure by ±3 % at most
// (common practice).
func BarometricPressure(z Meters) (Pascal, bool) {
	if !(z >= -500 && z <= 9000) {
		return 0, false
	}
	return StandardPressure * Pascal(math.Exp(5.2559*math.Log(1-2.25577e-5*float64(z)))), true
}

// AltitudeOf is the inverse of [BarometricPressure], over the same range.
func AltitudeOf(p Pascal) (Meters, bool) {
	if !(p > 0 && p <= MaxPressure) {
		return 0, false
	}
	z := (1 - math.Pow(float64(p/StandardPressure), 1/5.2559)) / 2.25577e-5
	if !(z >= -500.001 && z <= 9000.001) {
		return 0, false
	}
	return Meters(z), true
}

// CO2Density gives the density of pure carbon dioxide as an ideal gas: M p/(R T), M = 44.0095 g/mol. At a pressure of
// one atmosphere the real gas is 0.5 % denser; at the partial pressures in air the ideal law is exact enough.
// −40..85 °C.
func CO2Density(t Celsius, p Pascal) (GramsPerCubicMeter, bool) {
	if !(t >= MinTemperature && t <= MaxTemperature && p >= MinPressure && p <= MaxPressure) {
		return 0, false
	}
	return GramsPerCubicMeter(molarMassCO2 * float64(p) / (gasConstant * float64(t.Kelvin()))), true
}

// CO2Mass gives the grams of carbon dioxide in a cubic meter of air that holds so many ppm of it by volume.
func CO2Mass(c PPM, t Celsius, p Pascal) (GramsPerCubicMeter, bool) {
	pure, ok := CO2Density(t, p)
	if !ok || !(c >= 0 && c <= 1e6) {
		return 0, false
	}
	return GramsPerCubicMeter(c) * 1e-6 * pure, true
}

// CO2Share is the inverse of [CO2Mass]: the ppm by volume that so many grams in a cubic meter make.
func CO2Share(d GramsPerCubicMeter, t Celsius, p Pascal) (PPM, bool) {
	pure, ok := CO2Density(t, p)
	if !ok || !(d >= 0 && d <= pure) {
		return 0, false
	}
	return PPM(d / pure * 1e6), true
}

// CompensateNDIR gives the true share from the reading of an infrared sensor that takes the pressure for that of sea
// level. Such a sensor counts molecules in its light path, which at the same share are proportional to pressure:
// share = reading × 101325/p. A sensor's temperature is taken to be compensated, as is common practice.
func CompensateNDIR(reading PPM, p Pascal) (PPM, bool) {
	if !(reading >= 0 && reading <= 1e6 && p >= MinPressure && p <= MaxPressure) {
		return 0, false
	}
	return min(reading*PPM(StandardPressure/p), 1e6), true
}

// Package air is the physics of moist air: psychrometrics at any altitude, carbon dioxide by volume and by mass. It is
// the leaf on which everything else stands.
//
// Every quantity has a type of its own, so that a pressure cannot be taken for a temperature nor a humidity ratio for
// a relative humidity. A question outside of a formula's range is answered by ok = false and a zero value, never by
// NaN. Nothing here allocates.
//
// Below 0 °C everything is over supercooled liquid water, as capacitive humidity sensors and meteorological reports
// have it (WMO-No. 8, part I, chapter 4), and as it is for mist, which is liquid; only the two functions that name ice
// or frost are over ice. A relative humidity over ice is the larger: 100 % over water is 105 % over ice at −5 °C.
//
// The gases are taken as ideal and the enhancement factor of water vapor in air is left out, as in the ASHRAE Handbook,
// Fundamentals, chapter 1, section "Perfect gas relationships". That makes saturated air 0.4 to 0.5 % drier than real
// air, a hundredth of a good humidity sensor's error.
//
// It must never know of chambers, plugs or crops. Start reading at [State].
package air

import "math"

// Physical constants.
const (
	gasConstant    = 8.314462618 // J/(mol K), exact, SI 2019
	molarMassCO2   = 44.0095     // g/mol, IUPAC
	gasConstantDry = 287.042     // J/(kg K), dry air, ASHRAE Fundamentals ch. 1
	gasConstantH2O = 461.524     // J/(kg K), water vapor, ASHRAE Fundamentals ch. 1
	massRatio      = 0.621945    // of water vapor to dry air, 18.015268/28.966, ASHRAE Fundamentals ch. 1
	heatDryAir     = 1.006       // kJ/(kg K), ASHRAE Fundamentals ch. 1
	heatVapor      = 1.86        // kJ/(kg K), ASHRAE Fundamentals ch. 1
	heatWater      = 4.186       // kJ/(kg K), liquid, ASHRAE Fundamentals ch. 1
	heatOfVaporAt0 = 2501        // kJ/kg at 0 °C, ASHRAE Fundamentals ch. 1
)

// The range of a [State].
const (
	MinTemperature Celsius = -40
	MaxTemperature Celsius = 85
	MinPressure    Pascal  = 30_000  // above the highest summit
	MaxPressure    Pascal  = 120_000 // below the deepest valley, or an over-pressure room
)

// State is moist air: temperature, relative humidity and pressure, checked once when it is made, so that its methods
// need not fail. The zero value is no air; its methods give 0.
type State struct {
	t  Celsius
	rh Ratio
	p  Pascal
	pv Pascal
	ps Pascal // of saturation at t
	w  KgPerKg
}

// New makes a State from dry-bulb temperature, relative humidity over water (0..1) and total pressure. It fails
// outside of [MinTemperature]..[MaxTemperature], 0..1, [MinPressure]..[MaxPressure], and where water would boil.
// A relative humidity above 1 by less than 1e-9, the dust of floating point, is taken as 1.
func New(t Celsius, rh Ratio, p Pascal) (State, bool) {
	if !(t >= MinTemperature && t <= MaxTemperature && rh >= 0 && rh <= 1+1e-9 && p >= MinPressure && p <= MaxPressure) {
		return State{}, false
	}
	rh = min(rh, 1)
	saturation := pressureOverWater(float64(t))
	if saturation >= float64(p) {
		return State{}, false
	}
	pv := Pascal(float64(rh) * saturation)
	w := massRatio * pv / (p - pv)
	return State{t: t, rh: rh, p: p, pv: pv, ps: Pascal(saturation), w: KgPerKg(w)}, true
}

// FromHumidityRatio makes a State from dry-bulb temperature, humidity ratio and total pressure. It fails where [New]
// does, and when the air cannot hold so much vapor.
func FromHumidityRatio(t Celsius, w KgPerKg, p Pascal) (State, bool) {
	pv, ok := PartialPressure(w, p)
	if !ok {
		return State{}, false
	}
	rh, ok := RelativeHumidity(t, pv)
	if !ok {
		return State{}, false
	}
	return New(t, rh, p)
}

// Temperature gives the dry-bulb temperature.
func (s State) Temperature() Celsius { return s.t }

// RelativeHumidity gives the relative humidity over water, 0..1.
func (s State) RelativeHumidity() Ratio { return s.rh }

// Pressure gives the total (barometric) pressure.
func (s State) Pressure() Pascal { return s.p }

// VaporPressure gives the partial pressure of water vapor.
func (s State) VaporPressure() Pascal { return s.pv }

// HumidityRatio gives kg of water vapor per kg of dry air. ASHRAE Fundamentals ch. 1, W = 0.621945 pv/(p − pv).
func (s State) HumidityRatio() KgPerKg { return s.w }

// DewPoint gives the temperature at which the air is saturated over water: where dew or mist sets in. It fails when
// the air is so dry that this lies below −45 °C.
func (s State) DewPoint() (Celsius, bool) { return DewPoint(s.pv) }

// FrostPoint gives the temperature at which the air is saturated over ice. It fails when there is none below
// 0.01 °C or above −100 °C.
func (s State) FrostPoint() (Celsius, bool) { return FrostPoint(s.pv) }

// AbsoluteHumidity gives grams of water vapor per cubic meter of moist air: pv/(R T).
func (s State) AbsoluteHumidity() GramsPerCubicMeter {
	d, _ := AbsoluteHumidity(s.t, s.pv)
	return d
}

// VaporPressureDeficit gives what the air could still take up at its own temperature: the drying power that a wet
// surface as warm as the air feels.
func (s State) VaporPressureDeficit() Pascal { return s.ps - s.pv }

// DeficitAt gives the vapor pressure deficit of a wet surface at its own temperature, a cap or a wall: negative means
// that water condenses on it. It fails where [SaturationPressure] does.
func (s State) DeficitAt(surface Celsius) (Pascal, bool) {
	pws, ok := SaturationPressure(surface)
	if !ok {
		return 0, false
	}
	return pws - s.pv, true
}

// Enthalpy gives kJ per kg of dry air above dry air and liquid water at 0 °C. ASHRAE Fundamentals ch. 1,
// h = 1.006 t + W(2501 + 1.86 t); within 1 % of its table of saturated air from 5 to 50 °C.
func (s State) Enthalpy() KJPerKg {
	return KJPerKg(heatDryAir*float64(s.t) + float64(s.w)*(heatOfVaporAt0+heatVapor*float64(s.t)))
}

// SpecificVolume gives cubic meters of moist air per kg of dry air. ASHRAE Fundamentals ch. 1,
// v = 287.042 T (1 + 1.607858 W)/p.
func (s State) SpecificVolume() M3PerKg {
	if s.p == 0 {
		return 0
	}
	return M3PerKg(gasConstantDry * float64(s.t.Kelvin()) * (1 + float64(s.w)/massRatio) / float64(s.p))
}

// Density gives kg of moist air (air and vapor) per cubic meter: (1 + W)/v.
func (s State) Density() KgPerM3 {
	v := float64(s.SpecificVolume())
	if v == 0 {
		return 0
	}
	return KgPerM3((1 + float64(s.w)) / v)
}

// WetBulb gives the thermodynamic wet-bulb temperature over liquid water: how far evaporating water into this air can
// cool it. ASHRAE Fundamentals ch. 1, W = [(2501 − 2.326 t*) Ws* − 1.006 (t − t*)]/(2501 + 1.86 t − 4.186 t*),
// solved for t* to 1e-6 K.
//
// Below 0 °C the same equation goes on over supercooled water, so the answer is continuous and monotonic; a wick that
// has frozen reads otherwise.
func (s State) WetBulb() Celsius {
	if s.p == 0 {
		return 0
	}
	t, w, p := float64(s.t), float64(s.w), float64(s.p)
	// The depression of dry air is about 6 K at 0 °C and grows by 0.4 K per K: a start within 3 K. Halley's steps
	// cube the error, and the balance is convex and rising, so two or three do.
	x := t - (1-float64(s.rh))*max(6+0.4*t, 1)
	for range 40 {
		pws, slope := pressureAndSlope(x)
		room := p / (p - pws)
		ws := massRatio * pws / (p - pws)
		dws := ws * room * slope
		ddws := dws * slope * (2*room - 1) // but for a hundredth: the slope's own change
		latent := heatOfVaporAt0 - (heatWater-heatVapor)*x
		balance := latent*ws - heatDryAir*(t-x) - w*(heatOfVaporAt0+heatVapor*t-heatWater*x)
		rise := latent*dws - (heatWater-heatVapor)*ws + heatDryAir + heatWater*w
		bend := latent*ddws - 2*(heatWater-heatVapor)*dws
		next := min(x-balance*rise/(rise*rise-balance*bend/2), t)
		if math.Abs(next-x) < 0.01 {
			return Celsius(next)
		}
		x = next
	}
	return Celsius(x)
}

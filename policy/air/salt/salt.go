// Package salt gives the relative humidity over saturated salt solutions, the fixed points at which humidity sensors
// are calibrated.
//
// It must never know of a sensor. Start reading at [Salt.RelativeHumidity].
package salt

import (
	"fmt"

	"gillkeeper/policy/air"
)

// Salt is one whose saturated solution, with undissolved salt left in it, keeps a known humidity above it.
type Salt uint8

// The salts, from dry to moist. For a fruiting chamber, sodium chloride with potassium chloride or potassium sulfate
// bracket the range; magnesium chloride is a low point. Lithium chloride is toxic and potassium nitrate oxidizes: they
// are here for those who have them.
const (
	LithiumChloride Salt = iota + 1
	MagnesiumChloride
	SodiumChloride
	PotassiumChloride
	PotassiumNitrate
	PotassiumSulfate
)

// The temperatures for which every salt here has a fixed point and a stated uncertainty.
const (
	MinTemperature air.Celsius = 5
	MaxTemperature air.Celsius = 30
)

// fixedPoint is a polynomial in t (°C) for percent, and the uncertainty in percent at 5, 10, … 30 °C.
//
// L. Greenspan, Humidity Fixed Points of Binary Saturated Aqueous Solutions, J. Res. NBS 81A (1977) 89. The sign of
// lithium chloride's linear term is +: with the − that circulates in public code the polynomial misses the paper's own
// table by 0.4 at 25 °C. The uncertainties at 25 °C are the paper's; those at other temperatures are from memory.
type fixedPoint struct {
	word, formula string
	a             [4]float64
	uncertainty   [6]float64
}

var fixedPoints = [...]fixedPoint{
	LithiumChloride:   {"licl", "LiCl", [4]float64{11.2323, 0.00824245, -2.14890e-4}, [6]float64{0.47, 0.41, 0.35, 0.31, 0.27, 0.24}},
	MagnesiumChloride: {"mgcl2", "MgCl2", [4]float64{33.6686, -0.00797397, -1.08988e-3}, [6]float64{0.28, 0.24, 0.21, 0.18, 0.16, 0.14}},
	SodiumChloride:    {"nacl", "NaCl", [4]float64{75.5164, 0.0398321, -2.65459e-3, 2.84800e-5}, [6]float64{0.27, 0.22, 0.18, 0.14, 0.12, 0.11}},
	PotassiumChloride: {"kcl", "KCl", [4]float64{88.6190, -0.193340, 8.99706e-4}, [6]float64{0.45, 0.39, 0.33, 0.29, 0.26, 0.25}},
	PotassiumNitrate:  {"kno3", "KNO3", [4]float64{96.3361, 0.0112371, -4.84514e-3}, [6]float64{2.0, 1.4, 0.96, 0.66, 0.55, 0.60}},
	PotassiumSulfate:  {"k2so4", "K2SO4", [4]float64{98.7792, -0.0590502}, [6]float64{0.91, 0.76, 0.63, 0.53, 0.45, 0.40}},
}

// Salts lists the salts from dry to moist.
func Salts() []Salt {
	all := make([]Salt, 0, len(fixedPoints)-1)
	for s := LithiumChloride; s <= PotassiumSulfate; s++ {
		all = append(all, s)
	}
	return all
}

// RelativeHumidity gives the relative humidity over the saturated solution at a temperature, and the uncertainty that
// the source states for it. It fails outside of [MinTemperature]..[MaxTemperature].
func (s Salt) RelativeHumidity(t air.Celsius) (rh, uncertainty air.Ratio, ok bool) {
	if s < LithiumChloride || s > PotassiumSulfate || !(t >= MinTemperature && t <= MaxTemperature) {
		return 0, 0, false
	}
	p := &fixedPoints[s]
	x := float64(t)
	percent := p.a[0] + x*(p.a[1]+x*(p.a[2]+x*p.a[3]))
	place := (x - float64(MinTemperature)) / 5
	i := min(int(place), len(p.uncertainty)-2)
	share := place - float64(i)
	u := p.uncertainty[i]*(1-share) + p.uncertainty[i+1]*share
	return air.Ratio(percent / 100), air.Ratio(u / 100), true
}

// Formula gives the chemical formula, for display.
func (s Salt) Formula() string {
	if s < LithiumChloride || s > PotassiumSulfate {
		return s.String()
	}
	return fixedPoints[s].formula
}

func (s Salt) String() string {
	if s < LithiumChloride || s > PotassiumSulfate {
		return fmt.Sprintf("unknown(%d)", uint8(s))
	}
	return fixedPoints[s].word
}

// MarshalText gives the word used in commands.
func (s Salt) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText accepts the words of commands: licl, mgcl2, nacl, kcl, kno3, k2so4.
func (s *Salt) UnmarshalText(b []byte) error {
	for _, known := range Salts() {
		if known.String() == string(b) {
			*s = known
			return nil
		}
	}
	return fmt.Errorf("%q is no salt; salts are licl, mgcl2, nacl, kcl, kno3, k2so4", b)
}

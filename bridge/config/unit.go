package config

import "gillkeeper/policy/chamber"

// Unit is the unit in which a sensor reports.
type Unit uint8

// The units a sensor can report in.
const (
	Percent Unit = iota + 1
	Ratio
	Celsius
	Fahrenheit
	Kelvin
	PPM
	Lux
)

// unitOf is a unit's word in the file, and what it can measure.
type unitOf struct {
	word     string
	quantity chamber.Quantity
}

// units lists every unit; a quantity's first one is its default.
var units = [...]unitOf{
	Percent:    {"percent", chamber.RelativeHumidity},
	Ratio:      {"ratio", chamber.RelativeHumidity},
	Celsius:    {"celsius", chamber.Temperature},
	Fahrenheit: {"fahrenheit", chamber.Temperature},
	Kelvin:     {"kelvin", chamber.Temperature},
	PPM:        {"ppm", chamber.CO2},
	Lux:        {"lux", chamber.Illuminance},
}

// unitSigns are what devices print, which says the same to whoever copies it.
var unitSigns = map[string]string{"%": "percent", "%rh": "percent", "c": "celsius", "°c": "celsius", "f": "fahrenheit", "°f": "fahrenheit",
	"k": "kelvin", "lx": "lux"}

func (u Unit) String() string {
	if int(u) < len(units) {
		return units[u].word
	}
	return ""
}

// MarshalText gives the word used in the file.
func (u Unit) MarshalText() ([]byte, error) { return []byte(u.String()), nil }

// Convert gives a value in the program's own unit: ratio, degrees Celsius, ppm, lux.
func (u Unit) Convert(v float64) float64 {
	switch u {
	case Percent:
		return v / 100
	case Fahrenheit:
		return (v - 32) / 1.8
	case Kelvin:
		return v - 273.15
	}
	return v
}

// unitsFor gives the units of a quantity, its default first.
func unitsFor(q chamber.Quantity) []Unit {
	var list []Unit
	for u := Percent; int(u) < len(units); u++ {
		if units[u].quantity == q {
			list = append(list, u)
		}
	}
	return list
}

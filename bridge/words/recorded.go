package words

import (
	"fmt"
	"math"
	"strings"

	"gillkeeper/policy/chamber"
)

// Recorded says what the record holds of one quantity in a stretch of time. Words for what is no quantity of a sensor are
// the journal's.
func (w Words) Recorded(place, quantity string, mean, low, high float64) string {
	q := quantityNamed(quantity)
	if q == 0 {
		if quantity == "fan_flow_share" {
			return "Fan flow " + Percent(mean, 0) + " of the label's figure"
		}
		digits := 2
		if math.Abs(mean) >= 10 {
			digits = 0
		}
		return named(quantity) + " " + Number(mean, digits) + unitOf(quantity)
	}
	name := Quantity(q)
	if place == chamber.Room.String() {
		name = "Room: " + QuantityAmid(q)
	}
	if w.Value(q, low) == w.Value(q, high) {
		return fmt.Sprintf("%s %s", name, w.Value(q, mean))
	}
	return fmt.Sprintf("%s %s (%s)", name, w.Value(q, mean), w.Span(q, low, high))
}

// Wanted says what was wanted of it, to follow what it was.
func (w Words) Wanted(quantity string, low, high float64) string {
	if s := w.Span(quantityNamed(quantity), low, high); s != "" {
		return ", wanted " + s
	}
	return ""
}

// namedIn are the words for what is derived or learned.
var namedIn = map[string]string{
	"vapor_pressure_deficit": "Vapor pressure deficit",
	"air_changes_fan_on":     "Air changes with the fan running",
	"air_changes_fan_off":    "Air changes with the fan at rest",
	"fan_flow":               "Fan flow",
	"co2_generation":         "CO2 from the crop",
	"mist_output":            "Mist of the humidifier, running",
	"mist_drawn":             "Water drawn by the humidifier, running",
	"mist_evaporated":        "Vapor that its mist becomes, running",
	"reservoir":              "Reservoir",
}

func named(quantity string) string {
	if s, ok := namedIn[quantity]; ok {
		return s
	}
	return capital(strings.ReplaceAll(quantity, "_", " ")) // from a newer journal
}

func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

func quantityNamed(word string) chamber.Quantity {
	for _, q := range chamber.Quantities() {
		if q.String() == word {
			return q
		}
	}
	return 0
}

// unitOf is the unit of what is derived or learned.
func unitOf(quantity string) string {
	switch quantity {
	case "vapor_pressure_deficit":
		return " Pa"
	case "air_changes_fan_on", "air_changes_fan_off":
		return " /h"
	case "fan_flow":
		return " m³/h"
	case "co2_generation", "mist_output", "mist_evaporated":
		return " g/h"
	case "reservoir":
		return " L"
	}
	return ""
}

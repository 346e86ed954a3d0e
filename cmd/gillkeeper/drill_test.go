package main

import (
	"testing"

	"gillkeeper/bridge/sim"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/plant"
)

// TestDrillLine: a drill shows degrees as the site of its configuration does.
func TestDrillLine(t *testing.T) {
	spec := &chamber.Spec{Name: "loft", Plugs: []chamber.Plug{{Name: "mister"}, {Name: "fan"}}}
	l := sim.Look{Air: plant.Truth{RelativeHumidity: 0.893, CO2PPM: 921, AirC: 19.5}, ReservoirG: 2570, On: []bool{false, true}}
	if got, want := drillLine(words.Words{Fahrenheit: true}, 3, spec, &l), "   3 h  loft: humidity 89.3 %, CO2 921 ppm, 67.1 °F, fan on, 2.57 L left"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	if got, want := drillLine(words.Words{}, 3, spec, &l), "   3 h  loft: humidity 89.3 %, CO2 921 ppm, 19.5 °C, fan on, 2.57 L left"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

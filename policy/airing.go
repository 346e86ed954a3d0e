package policy

import (
	"math"
	"slices"

	"gillkeeper/policy/air"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/sizing"
	"gillkeeper/policy/species"
)

const (
	// leastLift, ppm: a room whose air is itself near the maximum cannot make the chamber's fresh by being drawn in ever faster.
	leastLift = 100.0
	// mostAirings, air changes an hour: more than that dries a chamber faster than mist is given.
	mostAirings = 30.0
)

// airByLoad raises the air changes that a chamber gets by the clock, where nobody measures its CO2, to what its load is expected to
// need. Those of the climate table are for a chamber filled as usual. A number of the grower's own stands.
func (t *step) airByLoad() {
	w := &t.s.Target
	if !w.OK || w.CO2MaxPPM <= 0 || t.Spec.Has(chamber.CO2, chamber.Inside) {
		return
	}
	celsius, room := w.TemperatureC.Aim, float64(usualRoomPPM)
	if e := &t.s.Air.Inside.Temperature; e.OK {
		celsius = e.Value
	}
	if e := &t.s.Air.Room.CO2; e.OK {
		room = e.Value
	}
	grams := 0.0
	for i := range t.s.Crop.Batches {
		b := &t.s.Crop.Batches[i]
		if !b.Retired.IsZero() {
			continue
		}
		if row, ok := t.Climates.Lookup(b.Species, b.Stage); ok && slices.Contains(row.Own, species.FAEPerHour) {
			return
		}
		grams += sizing.CO2GPerH(b.Species, b.Stage, b.SubstrateKg, celsius)
	}
	pressure, ok := air.BarometricPressure(air.Meters(t.Spec.AltitudeM))
	if !ok {
		return
	}
	if needed, ok := airChanges(grams, t.Spec.VolumeM3, math.Max(leastLift, heldBelow*w.CO2MaxPPM-room), air.Celsius(celsius), pressure); ok {
		w.FAEPerHour = math.Max(w.FAEPerHour, math.Min(needed, mostAirings))
	}
}

// airChanges is how many air changes an hour carry off so many grams of CO2 an hour from so many cubic meters of air that hold lift ppm
// more than the room's, in the steady state of a well mixed room.
func airChanges(grams, volume, lift float64, inside air.Celsius, pressure air.Pascal) (perHour float64, ok bool) {
	excess, ok := air.CO2Mass(air.PPM(lift), inside, pressure)
	if !ok || !(volume > 0) {
		return 0, false
	}
	return grams / (volume * float64(excess)), true
}

package crop

import (
	"cmp"
	"math"
	"slices"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// The limits of what can be aimed at.
const (
	// HighestRH is the highest humidity that is aimed at: a sensor of ±2 to 3 points cannot tell 0.98 from a wet wall,
	// and above it water condenses. Handbooks' 95 to 100 % at pinning is met by holding 0.95 and misting. Common
	// practice.
	HighestRH = 0.95
	// HalfBandRH is the least distance from the aim to either end of the humidity band: what on/off plugs and the
	// sensors' own error leave. High stays at most 1, where the air is full.
	HalfBandRH = 0.025
	// HalfBandTempC is the least distance from the aim to either end of the temperature band: sensors are good to
	// ±0.3 K, and a thermostat that switches closer than 1 K wears its relay.
	HalfBandTempC = 1.0
	// LeastCO2Window is the least distance in ppm between a CO2 minimum and maximum that two batches can share: nearer
	// together than a sensor's error the two cannot both be kept.
	LeastCO2Window = 200.0
)

// How often to change the air in an hour where the table is silent, for a chamber without a CO2 sensor: the low end of
// what handbooks say of most species; in colonization nothing. Common practice.
const (
	restFAE   = 1.0
	activeFAE = 4.0 // pinning and fruiting
)

// Aim gives the climate to aim at now, and the state that remembers it. Where several batches share the chamber it is
// the intersection of what they want. Where ranges do not meet, the most delicate stage is followed (pinning, then
// fruiting, rest and colonization; among equals the batch that came first) and the conflict is named. Of light the
// longest wanted counts: mycelium bears light better than fruit bears its lack. A change of what is wanted moves the
// aims slowly, see [RampTime].
//
// now is the keeper's steady clock. The result depends on the state and now alone, not on how often it is asked.
func (s State) Aim(table *species.Table, now time.Time) (Target, State) {
	want := s.wanted(table)
	s.Ramp = s.Ramp.toward(want, now)
	return s.Ramp.at(now), s
}

// Held gives the bands of humidity and temperature that a batch is held to where no other shares its chamber.
func Held(row *species.Row) (humidity, temperature chamber.Band) {
	return humidityBand(row.RelativeHumidity), band(row.TemperatureC, HalfBandTempC)
}

// wish is what one batch wants.
type wish struct {
	batch string
	row   *species.Row
}

// delicate ranks stages by how little they bear: 1 bears the least.
func delicate(s species.Stage) int {
	switch s {
	case species.Pinning:
		return 1
	case species.Fruiting:
		return 2
	case species.Rest:
		return 3
	}
	return 4
}

// wanted is what the batches want together, without regard to what was aimed at before.
func (s *State) wanted(table *species.Table) Target {
	var wishes []wish
	for i := range s.Batches {
		b := &s.Batches[i]
		if !b.Retired.IsZero() {
			continue
		}
		if row, ok := table.Lookup(b.Species, b.Stage); ok {
			wishes = append(wishes, wish{b.Name, &row})
		}
	}
	if len(wishes) == 0 {
		return Target{}
	}
	slices.SortStableFunc(wishes, func(a, b wish) int { return cmp.Compare(delicate(a.row.Stage), delicate(b.row.Stage)) })
	t := Target{OK: true, Stage: wishes[0].row.Stage}

	rh, conflicts := meet(wishes, chamber.RelativeHumidity, 0, func(r *species.Row) species.Range { return r.RelativeHumidity })
	t.RelativeHumidity = humidityBand(rh)
	t.Conflicts = append(t.Conflicts, conflicts...)

	temp, conflicts := meet(wishes, chamber.Temperature, 0, func(r *species.Row) species.Range { return r.TemperatureC })
	t.TemperatureC = band(temp, HalfBandTempC)
	t.Conflicts = append(t.Conflicts, conflicts...)

	co2, conflicts := meet(wishes, chamber.CO2, LeastCO2Window, co2Range)
	t.CO2MinPPM, t.CO2MaxPPM = co2.Low, finite(co2.High)
	for i := range conflicts {
		conflicts[i].Wanted.High = finite(conflicts[i].Wanted.High)
	}
	t.Conflicts = append(t.Conflicts, conflicts...)
	t.FAEPerHour = airChanges(wishes, conflicts)
	t.LightHours, t.LightsOn = light(wishes)
	return t
}

// meet intersects the ranges of all wishes, the most delicate first. A range that leaves less than window of what came
// before is passed over and named, unless it lies within it, around it, or has no lower end. In one dimension, ranges of which every two meet all meet; so whoever is slighted
// does not meet at least one batch that was followed, and that one is named.
func meet(wishes []wish, q chamber.Quantity, window float64, of func(*species.Row) species.Range) (species.Range, []Conflict) {
	all := of(wishes[0].row)
	followed := []int{0}
	var conflicts []Conflict
	for i := 1; i < len(wishes); i++ {
		r := of(wishes[i].row)
		both := species.Range{Low: math.Max(all.Low, r.Low), High: math.Min(all.High, r.High)}
		if both.High-both.Low >= window || both == r || both == all || both.Low == 0 && both.High >= 0 {
			all = both
			followed = append(followed, i)
			continue
		}
		worst, least := 0, math.Inf(1)
		for _, j := range followed { // the one that is farthest from what i wants
			f := of(wishes[j].row)
			if room := math.Min(f.High, r.High) - math.Max(f.Low, r.Low); room < least {
				worst, least = j, room
			}
		}
		conflicts = append(conflicts, Conflict{Quantity: q, Followed: wishes[worst].batch, Slighted: wishes[i].batch, Wanted: r})
	}
	return all, conflicts
}

// co2Range is a row's CO2 with no maximum as infinity, so that ranges can be compared.
func co2Range(r *species.Row) species.Range {
	if r.CO2MaxPPM == 0 {
		return species.Range{Low: r.CO2MinPPM, High: math.Inf(1)}
	}
	return species.Range{Low: r.CO2MinPPM, High: r.CO2MaxPPM}
}

func finite(v float64) float64 {
	if math.IsInf(v, 1) {
		return 0
	}
	return v
}

// band aims at the middle of a range and keeps the ends at least half a band away from it.
func band(r species.Range, half float64) chamber.Band {
	aim := r.Middle()
	return chamber.Band{Low: math.Min(r.Low, aim-half), Aim: aim, High: math.Max(r.High, aim+half)}
}

// humidityBand is the band of a humidity range, with the aim capped at [HighestRH] and the upper end at saturation.
func humidityBand(r species.Range) chamber.Band {
	aim := math.Min(r.Middle(), HighestRH)
	return chamber.Band{
		Low:  math.Max(0, math.Min(r.Low, aim-HalfBandRH)),
		Aim:  aim,
		High: math.Min(1, math.Max(r.High, aim+HalfBandRH)),
	}
}

// airChanges is the most that any batch wants, taking the middle of its range, of those whose wish for CO2 was
// followed: a batch that wants stale air wants few changes.
func airChanges(wishes []wish, conflicts []Conflict) float64 {
	most := 0.0
	for i := range wishes {
		if slices.ContainsFunc(conflicts, func(c Conflict) bool { return c.Slighted == wishes[i].batch }) {
			continue
		}
		row := wishes[i].row
		fae := row.FAEPerHour.Middle()
		if !row.FAEPerHour.Given() && row.Stage != species.Colonization {
			fae = activeFAE
			if row.Stage == species.Rest {
				fae = restFAE
			}
		}
		most = math.Max(most, fae)
	}
	return most
}

// light is the longest photoperiod that any batch wants, and when it begins; among equals the most delicate decides.
func light(wishes []wish) (hours float64, on time.Duration) {
	on = wishes[0].row.LightsOn
	for i := range wishes {
		if r := wishes[i].row; r.LightHours > hours {
			hours, on = r.LightHours, r.LightsOn
		}
	}
	return hours, on
}

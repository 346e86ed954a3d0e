// Package plant is the physical chamber as equations: air, droplets, wet walls, crop, carbon dioxide and the room
// around them, with sensors and plugs as imperfect as real ones. It serves to simulate, to predict and to learn.
//
// It must never decide what a plug should do, nor know what a controller believes: it is the truth that a controller
// only sees through sensors. Start reading at [Params], then [Step].
package plant

import (
	"fmt"
	"math"
)

// Params is what a chamber is. Lengths are in meters, masses in grams unless the name says otherwise, powers in watts.
// Values from the trade are in the comments as a range to expect.
type Params struct {
	VolumeM3   float64 `json:"volume_m3"`   // of air
	HeightM    float64 `json:"height_m"`    // over which droplets settle
	PressurePa float64 `json:"pressure_pa"` // of the air, by altitude

	// Air exchange.
	LeakPerHour    float64 `json:"leak_per_hour"`      // air changes with the fan off and no temperature difference: 0.2-3
	LeakPerK       float64 `json:"leak_per_k"`         // stack effect: leak grows as √(1 + LeakPerK·|Tin-Tout|): 0.1-0.5
	FanM3PerH      float64 `json:"fan_m3_per_h"`       // through duct and clean filter at full speed
	FanSpinUpS     float64 `json:"fan_spin_up_s"`      // from rest to full flow, and back
	FilterShare    float64 `json:"filter_share"`       // of the pressure drop that the clean filter takes: 0.3-0.7
	FoulingPerHour float64 `json:"fouling_per_hour"`   // growth of the filter's resistance per hour of fan, relative to clean
	DoorM3PerH     float64 `json:"door_m3_per_h"`      // exchanged through a wide open door
	StillW         float64 `json:"still_w"`            // heat transfer to surfaces in still air, W/m²K: 2-5
	StirredW       float64 `json:"stirred_w"`          // added with the exhaust or circulation fan running: 2-6
	MistGPerH      float64 `json:"mist_g_per_h"`       // humidifier at full output
	MistSpinUpS    float64 `json:"mist_spin_up_s"`     // from switching on to full output, rising evenly: 10-20
	MistSpinDownS  float64 `json:"mist_spin_down_s"`   // fog that still leaves the hose after switching off: 2-12
	DropletM       float64 `json:"droplet_m"`          // diameter after the drops have met in the plume: 8e-6 to 25e-6
	PlumeLoss      float64 `json:"plume_loss"`         // share of the mist that hits a surface at once: 0.05-0.4
	ReservoirG     float64 `json:"reservoir_g"`        // when full
	ScalePerKg     float64 `json:"scale_per_kg"`       // output lost to scale: rated/(1 + ScalePerKg·kilograms used)
	SettlingFactor float64 `json:"settling_factor"`    // 1 for Stokes in still air
	CoilM3PerH     float64 `json:"coil_m3_per_h"`      // air that the cooler's coil dries to CoilGPerM3
	CoilGPerM3     float64 `json:"coil_g_per_m3"`      // water left in that air
	WallAreaM2     float64 `json:"wall_area_m2"`       // walls, shelves and floor
	WallUA         float64 `json:"wall_ua"`            // from walls to room, W/K
	WallJPerK      float64 `json:"wall_j_per_k"`       // heat capacity of walls and shelves
	FilmFullGPerM2 float64 `json:"film_full_g_per_m2"` // film that wets a surface all over: 1-10
	FilmMaxGPerM2  float64 `json:"film_max_g_per_m2"`  // what a surface holds before it runs off: 40-120

	// Contents.
	ContentsAreaM2  float64 `json:"contents_area_m2"`  // that exchanges heat with the air
	ContentsJPerK   float64 `json:"contents_j_per_k"`  // 3500 J/K a kilogram of wet substrate
	OpenAreaM2      float64 `json:"open_area_m2"`      // of substrate that gives off water as a free water surface does
	FruitAreaM2Kg   float64 `json:"fruit_area_m2_kg"`  // the same of fruit bodies, per kilogram: 0.1-0.5
	SubstrateKg     float64 `json:"substrate_kg"`      // wet
	WaterShare      float64 `json:"water_share"`       // of the substrate: 0.58-0.72
	FruitKg         float64 `json:"fruit_kg"`          // at the start
	FruitMaxKg      float64 `json:"fruit_max_kg"`      // at which growth stops
	GrowthPerDay    float64 `json:"growth_per_day"`    // relative, while small
	SubstrateCO2    float64 `json:"substrate_co2"`     // respired at 20 °C, g/h a kilogram: 0.05-0.15 while fruiting
	FruitCO2        float64 `json:"fruit_co2"`         // the same of growing fruit bodies: 0.3-1.0
	RespirationPerK float64 `json:"respiration_per_k"` // ln(Q10)/10: 0.0875 for a Q10 of 2.4
	DailySwing      float64 `json:"daily_swing"`       // of respiration, relative
	DailyPeakH      float64 `json:"daily_peak_h"`      // hour of its highest
	StartHour       float64 `json:"start_hour"`        // of the day, when State.Seconds is 0

	// Electrical power of each plug when running, in watts. What heats the air is what stays inside.
	MistWatts        float64 `json:"mist_watts"`
	MistDryWatts     float64 `json:"mist_dry_watts"` // with an empty reservoir; MistWatts where nothing cuts out
	FanWatts         float64 `json:"fan_watts"`      // outside the chamber
	CirculationWatts float64 `json:"circulation_watts"`
	LampWatts        float64 `json:"lamp_watts"`
	LampShare        float64 `json:"lamp_share"` // of the lamp's power that ends in the chamber
	HeaterWatts      float64 `json:"heater_watts"`
	CoolerWatts      float64 `json:"cooler_watts"`      // drawn
	CoolerHeatWatts  float64 `json:"cooler_heat_watts"` // taken out of the air
}

// MaxStep is the longest step in seconds that is taken at once; a longer one is cut into equal parts.
const MaxStep = 10.0

// Validate reports the first parameter that the equations cannot work with.
func (p *Params) Validate() error {
	for _, f := range []struct {
		name     string
		value    float64
		low, top float64
	}{
		{"volume_m3", p.VolumeM3, 0.01, 1000},
		{"height_m", p.HeightM, 0.05, 20},
		{"pressure_pa", p.PressurePa, 50_000, 110_000},
		{"leak_per_hour", p.LeakPerHour, 0, 1000},
		{"leak_per_k", p.LeakPerK, 0, 10},
		{"fan_m3_per_h", p.FanM3PerH, 0, 1e5},
		{"filter_share", p.FilterShare, 0, 1},
		{"droplet_m", p.DropletM, 1e-6, 1e-3},
		{"plume_loss", p.PlumeLoss, 0, 1},
		{"still_w", p.StillW, 0.1, 50},
		{"stirred_w", p.StirredW, 0, 100},
		{"wall_area_m2", p.WallAreaM2, 0.01, 1e4},
		{"wall_ua", p.WallUA, 0, 1e5},
		{"film_full_g_per_m2", p.FilmFullGPerM2, 0.1, 1e4},
		{"film_max_g_per_m2", p.FilmMaxGPerM2, 0.1, 1e5},
		{"mist_g_per_h", p.MistGPerH, 0, 1e6},
		{"reservoir_g", p.ReservoirG, 0, 1e9},
		{"lamp_share", p.LampShare, 0, 1},
		{"water_share", p.WaterShare, 0, 1},
		{"daily_swing", p.DailySwing, 0, 1},
	} {
		if !(f.value >= f.low && f.value <= f.top) {
			return fmt.Errorf("plant: %s is %v; it must be between %v and %v", f.name, f.value, f.low, f.top)
		}
	}
	// A node's temperature is stepped with its neighbors held; it must be heavy enough not to swing.
	h := p.StillW + 2*p.StirredW
	if least := MaxStep * h * p.WallAreaM2 * 3; !(p.WallJPerK >= least/2) {
		return fmt.Errorf("plant: wall_j_per_k is %v; with this area it must be at least %.0f", p.WallJPerK, least/2)
	}
	if least := MaxStep * h * math.Max(p.ContentsAreaM2, p.OpenAreaM2+p.FruitAreaM2Kg*p.FruitMaxKg) * 3; !(p.ContentsJPerK >= least/2) {
		return fmt.Errorf("plant: contents_j_per_k is %v; with this area it must be at least %.0f", p.ContentsJPerK, least/2)
	}
	return nil
}

// Nominal is a shelf tent of 0.56 m³ at sea level with 12 kg of oyster blocks that begin to fruit, a 300 g/h
// humidifier inside and a 60 m³/h fan through duct and filter. Its figures are common practice, unsourced, but for
// those that [Params] gives a range for.
func Nominal() Params {
	return Params{
		VolumeM3: 0.56, HeightM: 1.2, PressurePa: 101325,
		LeakPerHour: 0.5, LeakPerK: 0.2, FanM3PerH: 60, FanSpinUpS: 3, FilterShare: 0.5, FoulingPerHour: 0,
		DoorM3PerH: 120, StillW: 3.5, StirredW: 3,
		MistGPerH: 300, MistSpinUpS: 15, MistSpinDownS: 6, DropletM: 12e-6, PlumeLoss: 0.2, ReservoirG: 5000,
		ScalePerKg: 0, SettlingFactor: 1, CoilM3PerH: 20, CoilGPerM3: 7,
		WallAreaM2: 4.4, WallUA: 16, WallJPerK: 6000, FilmFullGPerM2: 4, FilmMaxGPerM2: 80,
		ContentsAreaM2: 1.0, ContentsJPerK: 42000, OpenAreaM2: 0.3, FruitAreaM2Kg: 0.3,
		SubstrateKg: 12, WaterShare: 0.63, FruitKg: 0.5, FruitMaxKg: 3, GrowthPerDay: 0.4,
		SubstrateCO2: 0.08, FruitCO2: 0.6, RespirationPerK: 0.0875, DailySwing: 0.1, DailyPeakH: 15, StartHour: 0,
		MistWatts: 28, MistDryWatts: 3, FanWatts: 22, CirculationWatts: 5, LampWatts: 12, LampShare: 0.8,
		HeaterWatts: 60, CoolerWatts: 70, CoolerHeatWatts: 60,
	}
}

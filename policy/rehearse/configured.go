package rehearse

import (
	"time"

	"gillkeeper/policy/air"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/species"
)

// What a chamber gets of what labels promise, where the family draws from: a fan blows through duct and filter, 40 to
// 70 % of free air; a humidifier gives somewhat less than rated. Common practice.
const (
	fanShare  = 0.6
	mistShare = 0.9
)

// Load is what grows in a chamber.
type Load struct {
	SubstrateKg float64 // wet; 0: what such a volume usually holds
	Stage       species.Stage
}

// usualKgPerM3 is how many kilograms of substrate a cubic meter of a shelf tent usually holds.
const usualKgPerM3 = 25

// ForSpec makes a case of a chamber as configured: what the configuration says is taken, what it does not say is drawn
// from the family by the seed. The room's weather and the sensors' faults come from the same seed. It runs for a week,
// the first six hours left out, and the grower fills the reservoir daily.
func ForSpec(spec *chamber.Spec, load Load, target crop.Target, seed uint64) *Case {
	drawn := plant.Random(seed, load.Stage)
	p := &drawn.Params
	if load.SubstrateKg <= 0 {
		load.SubstrateKg = usualKgPerM3 * spec.VolumeM3
	}
	if spec.VolumeM3 > 0 {
		p.Scale(spec.VolumeM3, load.SubstrateKg)
	}
	if pa, ok := air.BarometricPressure(air.Meters(spec.AltitudeM)); ok {
		p.PressurePa = float64(pa)
	}
	set(&p.MistGPerH, spec.Rating(chamber.Humidifier, chamber.Output)*mistShare)
	set(&p.ReservoirG, spec.Rating(chamber.Humidifier, func(p *chamber.Plug) float64 { return p.ReservoirLiters })*1000)
	set(&p.FanM3PerH, spec.Rating(chamber.ExhaustFan, chamber.Flow)*fanShare)
	c := &Case{Spec: spec, Params: *p, Weather: drawn.Weather, Seed: seed, Target: target,
		Start: time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC), For: 7 * 24 * time.Hour, Settle: 6 * time.Hour, RefillEvery: 24 * time.Hour}
	c.Sensors, c.Outlets = plant.EquipFor(spec, seed)
	return c
}

// set replaces a drawn value by one that is known.
func set(x *float64, known float64) {
	if known > 0 {
		*x = known
	}
}

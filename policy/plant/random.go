package plant

import (
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// Case is one chamber of a family with the room it stands in.
type Case struct {
	Params  Params  `json:"params"`
	Weather Weather `json:"weather"`
	// FanRated and MistRated are what the labels say, which is not what the chamber gets.
	FanRated  float64 `json:"fan_rated_m3_per_h"`
	MistRated float64 `json:"mist_rated_g_per_h"`
}

// Random draws one chamber of the family that controllers are measured on: shelf tents of 0.2 to 1 m³ with a fan of
// 20 to 90 m³/h through duct and filter, a humidifier of 150 to 400 g/h inside, 5 to 30 kg of blocks, in rooms of 17
// to 24 °C, 30 to 65 % and 420 to 900 ppm. The same seed draws the same tent at every stage; only the crop differs.
func Random(seed uint64, stage species.Stage) Case {
	n := Noise{State: seed*0x9e3779b97f4a7c15 + 0x632be59bd9b4e019}
	p := Nominal()
	p.VolumeM3 = n.Uniform(0.2, 1.0)
	p.HeightM = n.Uniform(0.7, 1.6)
	p.PressurePa = n.Uniform(90_000, 101_325)
	p.LeakPerHour = n.Uniform(0.15, 0.8)
	p.LeakPerK = n.Uniform(0.1, 0.4)
	p.FanM3PerH = n.Uniform(20, 90)
	p.FanSpinUpS = n.Uniform(2, 5)
	p.FoulingPerHour = n.Uniform(0, 0.01)
	p.StillW = n.Uniform(3, 5)
	p.StirredW = n.Uniform(2, 5)
	p.MistGPerH = n.Uniform(150, 400)
	p.MistSpinUpS = n.Uniform(10, 20)
	p.MistSpinDownS = n.Uniform(4, 12)
	p.DropletM = n.Uniform(8e-6, 20e-6)
	p.PlumeLoss = n.Uniform(0.1, 0.4)
	p.ReservoirG = n.Uniform(4000, 8000)
	p.ScalePerKg = n.Uniform(0, 0.01)
	side := n.Uniform(6.0, 7.5) // of a box, over volume^(2/3), and shelves besides
	p.WallAreaM2 = side * twoThirds(p.VolumeM3)
	p.WallUA = p.WallAreaM2 * n.Uniform(2.5, 4.5)
	p.WallJPerK = p.WallAreaM2 * n.Uniform(900, 2500)
	p.FilmFullGPerM2 = n.Uniform(1.5, 6)
	p.FilmMaxGPerM2 = n.Uniform(50, 110)
	// 5 to 30 kg, but no more than fills the tent: 45 kg a cubic meter.
	p.SubstrateKg = min(n.Uniform(5, 30), max(5, 45*p.VolumeM3))
	p.WaterShare = n.Uniform(0.58, 0.7)
	p.ContentsAreaM2 = 0.07 * p.SubstrateKg
	p.ContentsJPerK = 3500 * p.SubstrateKg
	p.OpenAreaM2 = p.SubstrateKg * n.Uniform(0.015, 0.05)
	p.FruitAreaM2Kg = n.Uniform(0.15, 0.35)
	p.SubstrateCO2 = n.Uniform(0.05, 0.13)
	p.FruitCO2 = n.Uniform(0.4, 1.0)
	p.RespirationPerK = n.Uniform(0.07, 0.1)
	p.DailySwing = n.Uniform(0.05, 0.2)
	p.MistWatts = n.Uniform(20, 35)
	p.MistDryWatts = p.MistWatts * n.Uniform(0.08, 0.2)
	p.FanWatts = n.Uniform(12, 35)
	fruit := n.Uniform(0.12, 0.3)
	switch stage {
	case species.Fruiting: // the days before the picking
		p.FruitKg, p.FruitMaxKg, p.GrowthPerDay = 0.5*fruit*p.SubstrateKg, fruit*p.SubstrateKg*1.2, 0.6
	case species.Pinning:
		p.FruitKg, p.FruitMaxKg, p.GrowthPerDay = 0.04*fruit*p.SubstrateKg, 0.2*fruit*p.SubstrateKg, 0.6
	default:
		p.FruitKg, p.FruitMaxKg, p.GrowthPerDay = 0, 0, 0
	}
	w := Weather{
		Seed: n.Uint64(), AirC: n.Uniform(18.5, 22.5), DailyK: n.Uniform(0.3, 1), SlowK: n.Uniform(0.2, 0.5),
		Humidity: n.Uniform(0.34, 0.6), SlowShare: n.Uniform(0.02, 0.08),
		CO2PPM: n.Uniform(420, 680), VisitPPM: n.Uniform(100, 500), CO2MaxPPM: 900, MixingHour: n.Uniform(0.8, 2.5),
	}
	return Case{
		Params: p, Weather: w,
		FanRated: p.FanM3PerH * n.Uniform(1, 1.6), MistRated: p.MistGPerH * n.Uniform(0.9, 1.2),
	}
}

// Scale gives a chamber of the same making another volume and another mass of substrate: surfaces grow with the volume's
// power of two thirds, what the crop is and does with its mass.
func (p *Params) Scale(volumeM3, substrateKg float64) {
	side := twoThirds(volumeM3) / twoThirds(p.VolumeM3)
	p.HeightM *= cubeRoot(volumeM3 / p.VolumeM3)
	p.VolumeM3 = volumeM3
	p.WallAreaM2, p.WallUA, p.WallJPerK, p.DoorM3PerH = p.WallAreaM2*side, p.WallUA*side, p.WallJPerK*side, p.DoorM3PerH*side
	share := substrateKg / p.SubstrateKg
	p.SubstrateKg = substrateKg
	p.ContentsAreaM2, p.OpenAreaM2 = p.ContentsAreaM2*share, p.OpenAreaM2*share
	p.FruitKg, p.FruitMaxKg = p.FruitKg*share, p.FruitMaxKg*share
	p.ContentsJPerK = max(2000, p.ContentsJPerK*share) // shelves and trays of an empty chamber
}

func twoThirds(v float64) float64 { c := cubeRoot(v); return float64(c * c) }

// cubeRoot is by Newton's method, exact everywhere.
func cubeRoot(v float64) float64 {
	c := 1.0
	for range 60 {
		c -= float64((c - v/float64(c*c)) * (1.0 / 3))
	}
	return c
}

// Equip draws sensors and outlets as the family has them: two humidity and temperature sensors and one of CO2 in the
// chamber, one of each in the room; humidifier, exhaust fan and lamp. A given seed goes with the same of [Random].
func Equip(seed uint64) (sensors []SensorSpec, outlets []OutletSpec) {
	n := Noise{State: seed*0x9e3779b97f4a7c15 + 0x1f83d9abfb41bd6b}
	climate := func(place chamber.Place, every float64) {
		lag := n.Uniform(30, 60)
		sensors = append(sensors,
			SensorSpec{Quantity: chamber.RelativeHumidity, Place: place, LagS: lag, Noise: n.Uniform(0.001, 0.003),
				Quantum: 0.001, Bias: clamp(0.015*n.Normal(), -0.03, 0.03), EveryS: every, Change: 0.02, GapS: 15,
				OffsetS: n.Uniform(1, 5), Creep: n.Uniform(0.005, 0.025), CreepH: n.Uniform(4, 12), WetS: n.Uniform(30, 240)},
			SensorSpec{Quantity: chamber.Temperature, Place: place, LagS: lag, Noise: 0.03, Quantum: 0.1,
				Bias: clamp(0.15*n.Normal(), -0.3, 0.3), EveryS: every, OffsetS: n.Uniform(1, 5)})
	}
	carbon := func(place chamber.Place) {
		sensors = append(sensors, SensorSpec{Quantity: chamber.CO2, Place: place, LagS: n.Uniform(60, 90),
			Noise: n.Uniform(10, 15), Quantum: 1, Bias: clamp(15*n.Normal(), -40, 40), Gain: clamp(0.015*n.Normal(), -0.04, 0.04),
			EveryS: n.Uniform(10, 30), OffsetS: n.Uniform(1, 10), CompensatesPressure: true})
	}
	climate(chamber.Inside, n.Uniform(20, 60))
	climate(chamber.Inside, n.Uniform(20, 60))
	carbon(chamber.Inside)
	climate(chamber.Room, 60)
	carbon(chamber.Room)
	for _, role := range []chamber.Role{chamber.Humidifier, chamber.ExhaustFan, chamber.Lamp} {
		outlets = append(outlets, OutletSpec{Role: role, DelayS: n.Uniform(0.1, 0.9), Reports: true, Meters: true, MeterS: n.Uniform(15, 30),
			Standby: 0.3, MinOnS: float64(n.Uint64()%11) + 20, MinOffS: float64(n.Uint64()%11) + 20})
	}
	return sensors, outlets
}

// EquipFor draws sensors and outlets for a chamber as configured, in its order: the kinds of [Equip], and what it has
// none of.
func EquipFor(spec *chamber.Spec, seed uint64) (sensors []SensorSpec, outlets []OutletSpec) {
	n := Noise{State: seed*0x9e3779b97f4a7c15 + 0x3c6ef372fe94f82b}
	for i := range spec.Sensors {
		x := &spec.Sensors[i]
		s := SensorSpec{Quantity: x.Quantity, Place: x.Place, LagS: n.Uniform(30, 60), EveryS: n.Uniform(20, 60), OffsetS: n.Uniform(1, 10)}
		switch x.Quantity {
		case chamber.RelativeHumidity:
			s.Noise, s.Quantum, s.Bias = n.Uniform(0.001, 0.003), 0.001, clamp(0.015*n.Normal(), -0.03, 0.03)
			s.Change, s.GapS = 0.02, 15
			s.Creep, s.CreepH, s.WetS = n.Uniform(0.005, 0.025), n.Uniform(4, 12), n.Uniform(30, 240)
		case chamber.Temperature:
			s.Noise, s.Quantum, s.Bias = 0.03, 0.1, clamp(0.15*n.Normal(), -0.3, 0.3)
		case chamber.CO2:
			s.LagS, s.Noise, s.Quantum, s.Bias = n.Uniform(60, 90), n.Uniform(10, 15), 1, clamp(15*n.Normal(), -40, 40)
			s.Gain, s.EveryS, s.CompensatesPressure = clamp(0.015*n.Normal(), -0.04, 0.04), n.Uniform(10, 30), x.CompensatesPressure
		case chamber.Illuminance:
			s.LagS, s.Noise, s.Quantum, s.Gain, s.MaxValue = 1, 3, 1, clamp(0.1*n.Normal(), -0.3, 0.3), 65_535
		}
		sensors = append(sensors, s)
	}
	for i := range spec.Plugs {
		x := &spec.Plugs[i]
		outlets = append(outlets, OutletSpec{Role: x.Role, DelayS: n.Uniform(0.1, 0.9), Reports: x.Reports, Meters: x.Meters,
			MeterS: n.Uniform(15, 30), Standby: 0.3, MinOnS: x.MinOn.Seconds(), MinOffS: x.MinOff.Seconds(), Dims: x.Modulates()})
	}
	return sensors, outlets
}

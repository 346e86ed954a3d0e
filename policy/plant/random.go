package plant

import "gillkeeper/policy/species"

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
	p.LeakPerHour = n.Uniform(0.3, 1.5)
	p.LeakPerK = n.Uniform(0.1, 0.4)
	p.FanM3PerH = n.Uniform(20, 90)
	p.FanSpinUpS = n.Uniform(2, 5)
	p.FoulingPerHour = n.Uniform(0, 0.01)
	p.StillW = n.Uniform(1.8, 3)
	p.StirredW = n.Uniform(2, 5)
	p.MistGPerH = n.Uniform(150, 400)
	p.MistSpinUpS = n.Uniform(10, 20)
	p.MistSpinDownS = n.Uniform(1, 4)
	p.DropletM = n.Uniform(10e-6, 20e-6)
	p.PlumeLoss = n.Uniform(0.05, 0.3)
	p.ReservoirG = n.Uniform(4000, 8000)
	p.ScalePerKg = n.Uniform(0, 0.01)
	side := n.Uniform(6.0, 7.5) // of a box, over volume^(2/3), and shelves besides
	p.WallAreaM2 = side * twoThirds(p.VolumeM3)
	p.WallUA = p.WallAreaM2 * n.Uniform(2.5, 4.5)
	p.WallJPerK = p.WallAreaM2 * n.Uniform(900, 2500)
	p.FilmFullGPerM2 = n.Uniform(15, 35)
	p.FilmMaxGPerM2 = n.Uniform(50, 110)
	// 5 to 30 kg, but no more than fills the tent: 45 kg a cubic meter.
	p.SubstrateKg = min(n.Uniform(5, 30), max(5, 45*p.VolumeM3))
	p.WaterShare = n.Uniform(0.58, 0.7)
	p.ContentsAreaM2 = 0.07 * p.SubstrateKg
	p.ContentsJPerK = 3500 * p.SubstrateKg
	p.OpenAreaM2 = p.SubstrateKg * n.Uniform(0.004, 0.015)
	p.FruitAreaM2Kg = n.Uniform(0.15, 0.35)
	p.SubstrateCO2 = n.Uniform(0.05, 0.12)
	p.FruitCO2 = n.Uniform(0.3, 0.7)
	p.RespirationPerK = n.Uniform(0.07, 0.1)
	p.DailySwing = n.Uniform(0.05, 0.2)
	p.MistWatts = n.Uniform(20, 35)
	p.MistDryWatts = p.MistWatts * n.Uniform(0.08, 0.2)
	p.FanWatts = n.Uniform(12, 35)
	fruit := n.Uniform(0.08, 0.2)
	switch stage {
	case species.Fruiting: // the days before the picking
		p.FruitKg, p.FruitMaxKg, p.GrowthPerDay = 0.4*fruit*p.SubstrateKg, fruit*p.SubstrateKg*1.2, 0.5
	case species.Pinning:
		p.FruitKg, p.FruitMaxKg, p.GrowthPerDay = 0.05*fruit*p.SubstrateKg, 0.3*fruit*p.SubstrateKg, 0.6
	default:
		p.FruitKg, p.FruitMaxKg, p.GrowthPerDay = 0, 0, 0
	}
	w := Weather{
		Seed: n.Uint64(), AirC: n.Uniform(18.5, 22.5), DailyK: n.Uniform(0.3, 1), SlowK: n.Uniform(0.2, 0.5),
		Humidity: n.Uniform(0.34, 0.6), SlowShare: n.Uniform(0.02, 0.08),
		CO2PPM: n.Uniform(420, 600), VisitPPM: n.Uniform(100, 500), CO2MaxPPM: 900, MixingHour: n.Uniform(0.8, 2.5),
	}
	return Case{
		Params: p, Weather: w,
		FanRated: p.FanM3PerH * n.Uniform(1, 1.6), MistRated: p.MistGPerH * n.Uniform(0.9, 1.2),
	}
}

// twoThirds is v^(2/3) by Newton's method on the cube root.
func twoThirds(v float64) float64 {
	c := 1.0
	for range 60 {
		c -= float64((c - v/float64(c*c)) * (1.0 / 3))
	}
	return float64(c * c)
}

package learn

import (
	"math"

	"gillkeeper/policy/air"
	"gillkeeper/policy/plant"
)

// Known is a simulated chamber as it truly is, in the terms of the reduced model: what nobody with a real one can have. A
// rehearsal gives it to the plan, to show what learning and sensors cost.
func Known(p *plant.Params, s *plant.State, room plant.Room) Model {
	t := s.Truth(p)
	density := p.PressurePa / (dryAirR * (t.AirC + zeroC)) // kg/m³
	exchange := p.StillW / (density * airCp)               // of vapor, m/s by Lewis; of heat, times density and heat
	open := p.OpenAreaM2 + p.FruitAreaM2Kg*s.FruitKg
	v := p.VolumeM3
	ppmGram := float64(1)
	if d, ok := air.CO2Density(air.Celsius(t.AirC), air.Pascal(p.PressurePa)); ok {
		ppmGram = float64(d) * 1e-6
	}
	areas := p.WallAreaM2 + p.ContentsAreaM2
	m := Model{Constants: Constants{
		Flow:     p.FanM3PerH * s.FilterFlow(p) / v / 3600,
		Leak:     p.LeakPerHour * math.Sqrt(1+p.LeakPerK*math.Abs(t.AirC-room.AirC)) / 3600,
		CO2Rate:  s.Respiration(p) / 3600 / (ppmGram * v),
		RoomCO2:  room.CO2PPM,
		MistRate: p.MistGPerH / (1 + p.ScalePerKg*0.001*s.Total.MistG) / v / 3600,
		Loss:     p.PlumeLoss,
		Crop:     exchange / lewis * open / v,
		Wall:     exchange / lewis * p.WallAreaM2 / v,
		Heat:     exchange * areas / v,
		FilmFull: p.FilmFullGPerM2 * p.WallAreaM2 / v,
		RoomC:    room.AirC, WallC: s.WallC, CropC: s.ContentsC,
		MassC:    (p.WallAreaM2*s.WallC + p.ContentsAreaM2*s.ContentsC) / areas,
		MistHeat: p.MistWatts / (density * airCp * v),
		size:     math.Cbrt(v),
	}}
	m.Constants.RoomV = room.RelativeHumidity * saturation(room.AirC) * (room.AirC + zeroC) / (t.AirC + zeroC)
	m.Constants.prepare()
	m.Air = Air{Vapor: s.VaporGM3, Droplets: s.DropletsG / v, Film: s.FilmG / v, AirC: t.AirC, CO2: t.CO2PPM, Mist: s.MistSpin, Fan: s.FanSpin}
	return m
}

// Of dry air: gas constant and heat at constant pressure, J/kgK (ASHRAE Fundamentals 2021, ch. 1, and 1006 at 20 °C); and what
// heat exchanges slower than vapor over the same area, as in policy/plant (Lewis factor).
const (
	dryAirR = 287.042
	airCp   = 1006.0
	lewis   = 0.9
)

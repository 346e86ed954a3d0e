package sizing

import (
	"math"

	"gillkeeper/policy/air"
)

// season works out everything for one room's air.
func (c *calculation) season(room Room) (Season, error) {
	s := Season{Room: room}
	// The chamber follows the room as far as the crop allows; beyond that the grower heats, cools or moves it.
	s.TemperatureC = min(max(room.TemperatureC, c.want.TemperatureC.Low), c.want.TemperatureC.High)
	inside, ok := air.New(air.Celsius(s.TemperatureC), air.Ratio(c.want.HumidityAim), c.pressure)
	outside, ok2 := air.New(air.Celsius(room.TemperatureC), air.Ratio(room.RelativeHumidity), c.pressure)
	if !ok || !ok2 {
		return s, beyond("air of %s in the chamber and %s in the room cannot be worked out", of(Temperature, s.TemperatureC), of(Temperature, room.TemperatureC))
	}
	c.carbon(&s)
	c.water(&s, inside, outside)
	c.warmth(&s, inside, outside)
	c.steps(&s, inside, outside)
	return s, nil
}

// carbon balances carbon dioxide: at rest, Q ρ (C − Croom) = G.
func (c *calculation) carbon(s *Season) {
	s.CO2GPerH = c.priors.of(c.in.SubstrateKg, c.fruit, s.TemperatureC)
	s.LeakM3PerH = coverings[c.in.Covering].leak.scaled(c.volume, restsOnLeak)
	pure, _ := air.CO2Density(air.Celsius(s.TemperatureC), c.pressure)
	perPPM := float64(pure) * 1e-6 // g/m³ for one ppm

	if lift := c.want.CO2MaxPPM - s.Room.CO2PPM; c.want.CO2MaxPPM > 0 && lift > 0 {
		s.FlowM3PerH = s.CO2GPerH.scaled(1/(perPPM*lift), restsOnBalance)
		s.FlowKnown = true
	} else if c.want.CO2MaxPPM == 0 && c.want.FAEPerHour.Given() {
		// No maximum: the handbook's air changes are all there is to go by.
		f := c.want.FAEPerHour
		s.FlowM3PerH = Estimate{f.Low * c.volume, f.Middle() * c.volume, f.High * c.volume, "air changes of the climate table"}
		s.FlowKnown = true
	}
	s.AirChanges = s.FlowM3PerH.scaled(1/c.volume, s.FlowM3PerH.RestsOn)

	fan := c.fanFlow()
	if fan.High == 0 {
		return
	}
	through := Estimate{fan.Low + s.LeakM3PerH.Low, fan.Likely + s.LeakM3PerH.Likely, fan.High + s.LeakM3PerH.High, ""}
	s.LowestCO2 = Estimate{
		s.Room.CO2PPM + s.CO2GPerH.Low/(perPPM*through.High),
		s.Room.CO2PPM + s.CO2GPerH.Likely/(perPPM*through.Likely),
		s.Room.CO2PPM + s.CO2GPerH.High/(perPPM*through.Low),
		restsOnBalance,
	}
	if s.FlowKnown {
		s.FanDuty = Estimate{
			max(0, s.FlowM3PerH.Low-s.LeakM3PerH.High) / fan.High,
			max(0, s.FlowM3PerH.Likely-s.LeakM3PerH.Likely) / fan.Likely,
			max(0, s.FlowM3PerH.High-s.LeakM3PerH.Low) / fan.Low,
			"flow needed less leaks, over the fan's flow; " + restsOnDuct,
		}
	}
	// 1 − exp(−Q t/V) is the share of well-mixed air that t exchanges (the decay of ASTM E741).
	s.FanPulseS = -math.Log(1-leastExchange)*c.volume/(fan.Likely/3600) + fanSpinUpS
}

// fanFlow is what the fan moves where it stands.
func (c *calculation) fanFlow() Estimate {
	if c.in.Fan.Free {
		q := c.in.Fan.FlowM3PerH
		return Estimate{q, q, q, "as given"}
	}
	return ductShare.scaled(c.in.Fan.FlowM3PerH, restsOnDuct)
}

// exchange is the air that passes through the chamber in all: what carbon dioxide needs, or the leak where that is more.
func (s *Season) exchange() Estimate {
	q, l := s.FlowM3PerH, s.LeakM3PerH
	return Estimate{max(q.Low, l.Low), max(q.Likely, l.Likely), max(q.High, l.High), ""}
}

// water balances vapor: exhausted dry air, Q/v kg/h, leaves with the chamber's humidity ratio and came with the room's.
func (c *calculation) water(s *Season, inside, outside air.State) {
	perM3 := 1000 * float64(inside.HumidityRatio()-outside.HumidityRatio()) / float64(inside.SpecificVolume()) // g
	q := s.exchange()
	s.VaporGPerH = q.scaled(max(0, perM3), "moisture balance of the air exchanged")
	kg := c.in.SubstrateKg
	s.CropGPerH = Estimate{
		blockWater.Low*kg + fruitWater.Low*c.fruit.Low,
		blockWater.Likely*kg + fruitWater.Likely*c.fruit.Likely,
		blockWater.High*kg + fruitWater.High*c.fruit.High,
		restsOnCrop,
	}
	airborne := Estimate{
		max(0, s.VaporGPerH.Low-s.CropGPerH.High),
		max(0, s.VaporGPerH.Likely-s.CropGPerH.Likely),
		max(0, s.VaporGPerH.High-s.CropGPerH.Low),
		"",
	}
	s.MistGPerH = Estimate{
		airborne.Low / (1 - rainOut.Low),
		airborne.Likely / (1 - rainOut.Likely),
		airborne.High / (1 - rainOut.High),
		"moisture balance less what the crop gives off; " + restsOnRainOut,
	}
	s.LitersPerDay = s.MistGPerH.scaled(24.0/1000, s.MistGPerH.RestsOn)
	latent, _ := air.LatentHeat(air.Celsius(s.TemperatureC))
	s.CoolingW = airborne.scaled(float64(latent)/3600, "latent heat of the mist that evaporates") // g/h · J/g
	m := c.in.Mister
	if m.OutputGPerH > 0 {
		s.MisterDuty = s.MistGPerH.scaled(1/m.OutputGPerH, "mist over the humidifier's output")
	}
	if m.ReservoirLiters > 0 && s.MistGPerH.High > 0 {
		g := 1000 * m.ReservoirLiters
		hours := func(perHour float64) float64 { return min(maxHours, g/max(perHour, g/maxHours)) }
		s.FillingHours = Estimate{hours(s.MistGPerH.High), hours(s.MistGPerH.Likely), hours(s.MistGPerH.Low), "reservoir over mist, four weeks at most"}
	}
}

// maxHours bounds a forecast of the reservoir: water that stands for four weeks must be changed anyway.
const maxHours = 28 * 24

// warmth finds where an unheated chamber settles, and whether its walls sweat.
func (c *calculation) warmth(s *Season, inside, outside air.State) {
	u := coverings[c.in.Covering].u
	heat := s.CO2GPerH.scaled(heatPerCO2/3.6, "") // W
	q := s.exchange()
	mist := s.MistGPerH.scaled(mistWhPerG, "")
	// Much air to moisten behind walls that keep the room's warmth out is coldest; a crop's heat behind the same walls
	// with little air is warmest.
	ends := [3]float64{
		c.settle(outside, q.High, u.Low, c.in.HeatW+heat.Low+mist.Low),
		c.settle(outside, q.Likely, u.Likely, c.in.HeatW+heat.Likely+mist.Likely),
		c.settle(outside, q.Low, u.Low, c.in.HeatW+heat.High+mist.High),
	}
	s.Settles = Estimate{min(ends[0], ends[1], ends[2]), ends[1], max(ends[0], ends[1], ends[2]),
		"energy balance of air, walls, mist and the crop's heat; " + restsOnWalls}

	dew, _ := inside.DewPoint()
	wall := func(u float64) float64 {
		return s.TemperatureC - u/surfaceW*(s.TemperatureC-s.Room.TemperatureC) - float64(dew)
	}
	ends = [3]float64{wall(u.Low), wall(u.Likely), wall(u.High)}
	s.CondensationK = Estimate{min(ends[0], ends[2]), ends[1], max(ends[0], ends[2]), restsOnWalls + "; corners are colder"}
}

// settle solves the steady balance of an unheated chamber kept at the wanted relative humidity for its temperature:
//
//	UA (Troom − T) + P + m [h(room) + (W − Wroom) hw(room) − h(T)] = 0
//
// with m kg/s of dry air and water that comes at the room's temperature. It falls with T, so it is bisected.
func (c *calculation) settle(outside air.State, flow, u, power float64) float64 {
	room := float64(outside.Temperature())
	excess := func(t float64) float64 {
		inside, ok := air.New(air.Celsius(t), air.Ratio(c.want.HumidityAim), c.pressure)
		if !ok {
			return math.Copysign(1, room-t)
		}
		dry := flow / 3600 / float64(inside.SpecificVolume()) // kg/s
		added := float64(inside.HumidityRatio() - outside.HumidityRatio())
		watts := 1000 * dry * (float64(outside.Enthalpy()) + added*4.186*room - float64(inside.Enthalpy()))
		return u*c.wallM2*(room-t) + power + watts
	}
	low, high := room-60, room+60
	for range 60 {
		middle := (low + high) / 2
		if excess(middle) > 0 {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}

// fill is the share of the volume that the blocks take.
func (c *calculation) fill() Estimate {
	kg := c.in.SubstrateKg
	return Estimate{kg / bulk.High / c.volume, kg / bulk.Likely / c.volume, kg / bulk.Low / c.volume, restsOnBulk}
}

// steps works out what the shortest pulses of both plugs do to the humidity.
func (c *calculation) steps(s *Season, inside, outside air.State) {
	saturated, _ := air.New(inside.Temperature(), 1, c.pressure)
	atEase, _ := air.RelativeHumidity(inside.Temperature(), outside.VaporPressure())
	s.HumidityAtEase = min(1, float64(atEase))
	if m := c.in.Mister; m.OutputGPerH > 0 {
		grams := m.OutputGPerH / 3600 * fullSeconds(m.MinOn.Seconds(), mistSpinUpS)
		rise := grams / c.volume / float64(saturated.AbsoluteHumidity())
		s.MistStep = Estimate{rise * (1 - rainOut.High) / buffer.High, rise * (1 - rainOut.Likely) / buffer.Likely,
			rise * (1 - rainOut.Low) / buffer.Low, restsOnBuffer}
	}
	if fan := c.fanFlow(); fan.High > 0 {
		seconds := fullSeconds(c.in.Fan.MinOn.Seconds(), fanSpinUpS)
		drop := func(q float64) float64 {
			return math.Abs(c.want.HumidityAim-s.HumidityAtEase) * -math.Expm1(-q/3600*seconds/c.volume)
		}
		s.FanStep = Estimate{drop(fan.Low) / buffer.High, drop(fan.Likely) / buffer.Likely, drop(fan.High) / buffer.Low, restsOnBuffer}
	}
	if c.in.Mister.OutputGPerH == 0 {
		return
	}
	// Played well against each other, the larger step decides; at worst they add up.
	m, f := s.MistStep, s.FanStep
	s.ReachableBand = Estimate{max(m.Low, f.Low), m.Likely + f.Likely, m.High + f.High, "shortest pulses of both plugs; " + restsOnBuffer}
	s.ReachableLow = max(0, c.want.HumidityAim-s.ReachableBand.Likely/2)
	s.ReachableHigh = min(1, c.want.HumidityAim+s.ReachableBand.Likely/2)
}

// fullSeconds is for how long at full power a pulse counts that starts with an even rise.
func fullSeconds(on, rise float64) float64 {
	if on < rise {
		return on * on / (2 * rise)
	}
	return on - rise/2
}

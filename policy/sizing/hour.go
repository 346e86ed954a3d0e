package sizing

import (
	"math"

	"gillkeeper/policy/plant"
)

// Minute is one minute of the simulated hour.
type Minute struct {
	RelativeHumidity float64 `json:"relative_humidity"` // mean
	HumidityLow      float64 `json:"humidity_low"`
	HumidityHigh     float64 `json:"humidity_high"`
	CO2PPM           float64 `json:"co2_ppm"`       // at the end
	TemperatureC     float64 `json:"temperature_c"` // at the end
	Mist             float64 `json:"mist"`          // share of the minute that the humidifier ran
	Fan              float64 `json:"fan"`           // the same of the exhaust fan
}

const (
	hourStepS = 2.0
	settlingS = 3 * 3600.0 // before the picture begins
	rhLagS    = 20.0       // of a humidity sensor (common practice)
	co2LagS   = 60.0       // of a diffusion-fed infrared sensor (common practice)
	mistBelow = 0.005      // a pulse of mist when this much below the aim
	dryAbove  = 0.02       // a pulse of the fan to dry above the range, and at least this much above the aim
	co2Margin = 0.05       // a pulse of the fan this share below the maximum
	patienceS = 45.0       // after a pulse, for the sensors to show it
	dryingS   = 300.0      // after a drying pulse: walls give back slowly
	heaterWM2 = 20.0       // of wall, for a chamber that must be warmer than its room
)

// hour simulates the chamber with the plugs at hand, switched by a patient grower's rule: the shortest pulse, then wait
// until the sensors show what it did. Three hours to settle, then the sixty minutes of the picture, and the share of them near the aim. Nil without any
// plug.
func (c *calculation) hour(s *Season) (minutes []Minute, held float64) {
	if c.in.Fan.FlowM3PerH == 0 && c.in.Mister.OutputGPerH == 0 {
		return nil, 0
	}
	p := c.plantOf(s)
	if p.Validate() != nil {
		return nil, 0
	}
	room := plant.Room{AirC: s.Room.TemperatureC, RelativeHumidity: s.Room.RelativeHumidity, CO2PPM: s.Room.CO2PPM}
	state := plant.Start(&p, room)
	state.AirC, state.WallC, state.ContentsC = s.TemperatureC, s.TemperatureC, s.TemperatureC
	state.SetAir(&p, plant.Truth{AirC: s.TemperatureC, RelativeHumidity: c.want.HumidityAim, CO2PPM: s.Room.CO2PPM})

	rh, co2 := c.want.HumidityAim, s.Room.CO2PPM // as the sensors say
	mist := relay{shortest: max(hourStepS, c.in.Mister.MinOn.Seconds())}
	fan := relay{shortest: max(hourStepS, c.in.Fan.MinOn.Seconds())}
	perMinute := int(60 / hourStepS)
	for step := range int((settlingS + 3600) / hourStepS) {
		mist.advance()
		fan.advance()
		if c.wantsMist(rh) {
			mist.pulse(patienceS)
		}
		if c.wantsFan(co2, s) {
			fan.pulse(patienceS)
		} else if c.wantsDrying(rh, s) {
			fan.pulse(dryingS)
		}
		plugs := plant.Plugs{Humidifier: mist.share(), ExhaustFan: fan.share(), Lamp: 1}
		if s.TemperatureC > s.Room.TemperatureC {
			plugs.Heater = min(1, max(0, (s.TemperatureC-state.AirC)/0.5))
		}
		state = plant.Step(&p, state, plugs, room, hourStepS)
		truth := state.Truth(&p)
		rh += (truth.RelativeHumidity - rh) * -math.Expm1(-hourStepS/rhLagS)
		co2 += (truth.CO2PPM - co2) * -math.Expm1(-hourStepS/co2LagS)

		if float64(step)*hourStepS < settlingS {
			continue
		}
		if step%perMinute == 0 {
			minutes = append(minutes, Minute{HumidityLow: 1})
		}
		if math.Abs(truth.RelativeHumidity-c.want.HumidityAim) <= leastWidth/2 {
			held += hourStepS / 3600
		}
		m := &minutes[len(minutes)-1]
		m.RelativeHumidity += truth.RelativeHumidity / float64(perMinute)
		m.HumidityLow = min(m.HumidityLow, truth.RelativeHumidity)
		m.HumidityHigh = max(m.HumidityHigh, truth.RelativeHumidity)
		m.CO2PPM, m.TemperatureC = truth.CO2PPM, truth.AirC
		m.Mist += mist.share() / float64(perMinute)
		m.Fan += fan.share() / float64(perMinute)
	}
	return minutes, held
}

func (c *calculation) wantsMist(rh float64) bool {
	return c.in.Mister.OutputGPerH > 0 && rh < c.want.HumidityAim-mistBelow
}

// wantsFan does not ask for air that could not help.
func (c *calculation) wantsFan(co2 float64, s *Season) bool {
	most := c.want.CO2MaxPPM
	return c.in.Fan.FlowM3PerH > 0 && most > s.Room.CO2PPM && co2 > max(most*(1-co2Margin), s.Room.CO2PPM)
}

func (c *calculation) wantsDrying(rh float64, s *Season) bool {
	return c.in.Fan.FlowM3PerH > 0 && s.HumidityAtEase < c.want.HumidityAim && rh > max(c.want.RelativeHumidity.High, c.want.HumidityAim+dryAbove)
}

// relay runs pulses of the shortest length, with a wait between them.
type relay struct {
	shortest  float64
	run, wait float64 // seconds left
}

// pulse starts one, unless the last or its wait is not over.
func (r *relay) pulse(wait float64) {
	if r.run <= 0 && r.wait <= 0 {
		r.run, r.wait = r.shortest, wait
	}
}

func (r *relay) advance() {
	if r.run > 0 {
		r.run -= hourStepS
	} else if r.wait > 0 {
		r.wait -= hourStepS
	}
}

// share is the part of the next step that the plug runs.
func (r *relay) share() float64 { return min(1, max(0, r.run/hourStepS)) }

// plantOf describes the chamber to the simulation, with likely figures throughout.
func (c *calculation) plantOf(s *Season) plant.Params {
	p := plant.Nominal()
	perArea := p.WallJPerK / p.WallAreaM2
	openPerKg, contentsPerKg := p.OpenAreaM2/p.SubstrateKg, p.ContentsAreaM2/p.SubstrateKg
	trait := coverings[c.in.Covering]

	p.VolumeM3, p.HeightM, p.PressurePa = c.volume, math.Cbrt(c.volume), float64(c.pressure)
	if c.in.Sides[2] != 0 {
		p.HeightM = c.in.Sides[2]
	}
	p.LeakPerHour, p.LeakPerK = trait.leak.Likely, 0
	p.FanM3PerH, p.FanSpinUpS = c.fanFlow().Likely, fanSpinUpS
	p.MistGPerH, p.MistSpinUpS = c.in.Mister.OutputGPerH, mistSpinUpS
	p.MistWatts = mistWhPerG * c.in.Mister.OutputGPerH
	p.ReservoirG = 1e8
	p.LampWatts, p.LampShare = c.in.HeatW, 1
	p.HeaterWatts = heaterWM2 * c.wallM2

	p.WallAreaM2 = c.wallM2
	p.WallUA = c.wallM2 / (1/trait.u.Likely - 1/surfaceW)
	p.WallJPerK = perArea * c.wallM2

	kg := c.in.SubstrateKg + c.fruit.Likely
	p.SubstrateKg, p.FruitKg, p.FruitMaxKg, p.GrowthPerDay = c.in.SubstrateKg, c.fruit.Likely, c.fruit.Likely, 0
	p.OpenAreaM2, p.ContentsAreaM2 = openPerKg*kg, contentsPerKg*kg
	p.ContentsJPerK = 3500 * kg
	p.SubstrateCO2, p.FruitCO2 = c.priors.substrate.Likely, c.priors.fruit.Likely
	p.RespirationPerK = math.Log(q10.Likely) / 10
	p.DailySwing = 0
	return p
}

package plant

import "math"

// Step advances the chamber by dt seconds with plugs and room held still. It is stable for any dt; steps up to a
// second follow fan and droplets closely, steps of ten seconds blur what is faster than they are. Water and carbon
// dioxide are neither made nor lost but as [Totals] counts.
//
// Each step takes the chamber as well mixed (the single zone of ASTM E741) and solves the coupled balances of vapor
// and heat in the air at once, since droplets that evaporate cool the air that takes them up; surfaces, much heavier,
// follow.
func Step(p *Params, s State, plugs Plugs, room Room, dt float64) State {
	if !(dt > 0) {
		return s
	}
	for n := math.Ceil(dt / MaxStep); n > 1; n-- {
		part := dt / n
		s.step(p, &plugs, &room, part)
		dt -= part
	}
	s.step(p, &plugs, &room, dt)
	return s
}

//go:norace
func (s *State) step(p *Params, plugs *Plugs, room *Room, dt float64) {
	flow := s.exchange(p, plugs, room, dt)
	mist := s.mist(p, plugs.Humidifier, dt)
	loss := float64(mist * p.PlumeLoss)
	s.FilmG += loss

	b := balance{dt: dt, flow: flow, droplets: s.DropletsG + (mist - loss)}
	b.prepare(p, s, plugs, room, (mist - loss))
	b.solve(p)

	s.carbon(p, room, flow, dt)
	s.apply(p, &b, room)
	s.Seconds += dt
}

// exchange turns the fan up or down, fouls the filter, and gives the mean flow of room air through the chamber in
// m³/s. Fan, leak and door are simply added.
//
//go:norace
func (s *State) exchange(p *Params, plugs *Plugs, room *Room, dt float64) float64 {
	spin := ramp(&s.FanSpin, plugs.ExhaustFan, p.FanSpinUpS, p.FanSpinUpS, dt)
	fan := float64(float64(spin*p.FanM3PerH)*perHour) * s.FilterFlow(p)
	if spin > 0 {
		s.Fouling += float64(float64(float64(p.FoulingPerHour*perHour)*spin) * dt)
	}
	leak := float64(float64(p.LeakPerHour*p.VolumeM3)*perHour) *
		math.Sqrt(1+float64(p.LeakPerK*math.Abs(s.AirC-room.AirC)))
	door := float64(float64(room.Door*p.DoorM3PerH) * perHour)
	s.Total.FanM3 += float64(fan * dt)
	flow := float64(fan) + float64(leak) + door
	s.Total.ExchangedM3 += float64(flow * dt)
	return flow
}

// FilterFlow is the fan's flow over that with a clean filter. Duct and filter take a pressure that grows with the
// square of the flow, the fan gives less the more it moves in the same way; so flow falls as 1/√resistance.
func (s *State) FilterFlow(p *Params) float64 {
	if s.Fouling == 0 {
		return 1
	}
	return 1 / math.Sqrt(1+float64(p.FilterShare*s.Fouling))
}

// mist turns the humidifier up or down and gives the grams that leave it.
//
//go:norace
func (s *State) mist(p *Params, on, dt float64) float64 {
	if s.ReservoirG <= 0 {
		on = 0
	}
	spin := ramp(&s.MistSpin, on, p.MistSpinUpS, p.MistSpinDownS, dt)
	if spin == 0 {
		return 0
	}
	rate := float64(p.MistGPerH*perHour) / (1 + float64(float64(p.ScalePerKg*0.001)*s.Total.MistG))
	g := math.Min(s.ReservoirG, float64(float64(rate*spin)*dt))
	s.ReservoirG -= g
	s.Total.MistG += g
	return g
}

// ramp moves *x evenly toward goal, taking up (or down) seconds for the whole way, and gives its mean over dt.
//
//go:norace
func ramp(x *float64, goal, up, down, dt float64) float64 {
	from := *x
	if from == goal {
		return goal
	}
	full := up
	if goal < from {
		full = down
	}
	need := float64(math.Abs(goal-from) * full)
	if need <= dt {
		*x = goal
		return goal + float64(float64((from-goal)*0.5)*need)/dt
	}
	*x = from + float64((goal-from)*(dt/need))
	return float64((from + *x) * 0.5)
}

// carbon is the balance of carbon dioxide, V dC/dt = Q(Croom - C) + G, solved exactly for the step.
//
//go:norace
func (s *State) carbon(p *Params, room *Room, flow, dt float64) {
	made := float64(s.Respiration(p) * perHour * dt)
	in := float64(float64(room.CO2PPM*perPPM)*p.PressurePa) / float64(co2R*(s.AirC+zeroC))
	z := float64(flow*dt) / p.VolumeM3
	theta := implicitness(z)
	change := (float64(z*(in-s.CO2GM3)) + made/p.VolumeM3) / (1 + float64(theta*z))
	mean := s.CO2GM3 + float64(theta*change)
	s.CO2GM3 += change
	moved := float64(flow * dt)
	s.Total.CO2InG += float64(moved * in)
	s.Total.CO2OutG += float64(moved * mean)
	s.Total.CO2MadeG += made
	s.respire(p, made, dt)
}

// Above hotC a crop breathes no faster, and from there on less and less until it is dead at deadC: mycelium of the species grown
// indoors stops at about 35 °C, and few outlive a day of 45 (common practice, from memory). Without that end, blocks that are no
// longer cooled would burn hotter for ever.
const hotC, deadC = 35.0, 45.0

// Respiration is the carbon dioxide that substrate and fruit bodies give off now, in g/h.
func (s *State) Respiration(p *Params) float64 {
	hour := p.StartHour - p.DailyPeakH + float64(s.Seconds*perHour)
	daily := 1 + float64(p.DailySwing*cosine(hour*(1.0/24)))
	return float64(p.respirationAt20(s.FruitKg)*daily) * p.warmth(s.ContentsC)
}

// RespirationAt is the same in the mean of a day, of a crop so warm in °C and with so many kilograms of fruit bodies.
func (p *Params) RespirationAt(celsius, fruitKg float64) float64 {
	return p.respirationAt20(fruitKg) * p.warmth(celsius)
}

func (p *Params) respirationAt20(fruitKg float64) float64 {
	return float64(p.SubstrateCO2*p.SubstrateKg) + float64(p.FruitCO2*fruitKg)
}

// warmth is by how many times more a crop breathes than at 20 °C.
func (p *Params) warmth(celsius float64) float64 {
	lives := max(0, min((deadC-celsius)/(deadC-hotC), 1))
	return float64(exp(float64(p.RespirationPerK*(min(celsius, hotC)-20))) * lives)
}

// respire warms and wets the crop by what it burns, and lets it grow.
func (s *State) respire(p *Params, co2, dt float64) {
	s.ContentsC += float64(co2*heatPerCO2) / p.ContentsJPerK
	water := float64(co2 * waterOfCO2)
	s.BlockG += water
	s.Total.MetabolicG += water
	s.Grow(p, dt)
}

// Grow lets the fruit bodies grow for dt seconds, slower the nearer they are to their full mass.
func (s *State) Grow(p *Params, dt float64) {
	if p.GrowthPerDay > 0 && s.FruitKg < p.FruitMaxKg {
		grown := float64(float64(p.GrowthPerDay*perDay) * dt)
		s.FruitKg += float64(grown * float64(s.FruitKg*(1-s.FruitKg/p.FruitMaxKg)))
	}
}

// implicitness is the weight θ of the end of a step in its mean that makes the θ-method exact for a decay of z
// e-folds a step: 1/(1-e^-z) - 1/z, from ½ for slow decays to 1 for fast ones.
func implicitness(z float64) float64 {
	if z < 0.05 {
		return 0.5 + float64(z*(1.0/12))
	}
	if z > 50 {
		return 1 - 1/z
	}
	return 1/(1-exp(-z)) - 1/z
}

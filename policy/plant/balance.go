package plant

import "math"

// balance is one step's exchange of water and heat between the air and all that touches it. Conductances are in m³/s,
// fluxes in g/s and W, and every flux is taken at the mean of the step, so what leaves one store enters the other.
type balance struct {
	dt, flow float64
	droplets float64 // grams that can evaporate in this step

	// What the air meets.
	roomVapor, wallVapor, contentsVapor float64 // g/m³ at room's partial pressure, at saturation on wall and crop
	airSat, satPerK                     float64 // saturation in the air, g/m³ and g/m³K
	roomC                               float64

	wall, contents, drop, coil float64 // conductances for water
	wallHeat, contentsHeat     float64 // for heat, W/K
	latent                     float64 // J/g
	volume, heat               float64 // of the air: m³, J/K
	flowHeat                   float64 // W/K carried by the exchange
	vapor, airC, wallC, cropC  float64 // at the start
	film                       float64 // grams on the walls
	coilVapor                  float64
	power                      float64 // W into the air

	// Solution: means over the step.
	meanVapor, meanC     float64
	endVapor, endC       float64
	fromFilm, fromDrops  float64 // g/s
	filmFixed, dropFixed bool
}

// prepare works out the conductances from the state at the start of the step.
//
//go:norace
func (b *balance) prepare(p *Params, s *State, plugs *Plugs, room *Room, mist float64) {
	kelvin := s.AirC + zeroC
	sat, rel := saturationSlope(s.AirC)
	b.vapor, b.airC, b.wallC, b.cropC, b.roomC = s.VaporGM3, s.AirC, s.WallC, s.ContentsC, room.AirC
	b.volume, b.film = p.VolumeM3, s.FilmG
	perPa := 1 / float64(vaporR*kelvin)
	b.airSat = float64(sat * perPa)
	b.satPerK = float64(b.airSat * (rel - 1/kelvin))
	// Air that enters keeps its partial pressures and takes the chamber's temperature.
	b.roomVapor = float64(float64(room.RelativeHumidity*Saturation(room.AirC)) * perPa)
	b.wallVapor = Saturation(s.WallC) / float64(vaporR*(s.WallC+zeroC))
	b.contentsVapor = Saturation(s.ContentsC) / float64(vaporR*(s.ContentsC+zeroC))
	b.latent = 2500.8 - float64(2.36*s.AirC)

	rhoCp := float64(p.PressurePa*(airCp/dryAirR)) / kelvin
	b.heat = float64(rhoCp * b.volume)
	b.flowHeat = float64(rhoCp * b.flow)
	h := p.StillW + float64(p.StirredW*(s.FanSpin+plugs.CirculationFan))
	massTransfer := h / float64(rhoCp*lewisPower) // m/s, by the Lewis relation
	b.wallHeat = float64(h * p.WallAreaM2)
	b.contentsHeat = float64(h * p.ContentsAreaM2)

	wet := 1.0
	if b.vapor < b.wallVapor {
		// A film breaks into drops that cover less than in proportion to their mass, as mass^(2/3) if they keep their
		// shape; the square root is near that and exact everywhere.
		wet = math.Min(1, math.Sqrt(b.film/float64(p.FilmFullGPerM2*p.WallAreaM2)))
	}
	b.wall = float64(float64(massTransfer*p.WallAreaM2) * wet)
	b.contents = float64(massTransfer * float64((p.OpenAreaM2+float64(p.FruitAreaM2Kg*s.FruitKg))*s.moistness(p)))
	b.dropConductance(p, s, mist, kelvin)
	if plugs.Cooler > 0 && b.vapor > p.CoilGPerM3 {
		b.coil, b.coilVapor = float64(float64(plugs.Cooler*p.CoilM3PerH)*perHour), p.CoilGPerM3
	}
	b.power = float64(plugs.Heater*p.HeaterWatts) - float64(plugs.Cooler*p.CoolerHeatWatts) +
		float64(plugs.CirculationFan*p.CirculationWatts) + float64(float64(plugs.Lamp*p.LampWatts)*p.LampShare) +
		float64(s.MistSpin*p.MistWatts)
}

// dropConductance is by how much vapor the suspended droplets give off for each g/m³ that the air lacks.
//
// One droplet shrinks by the d² law, d(d²)/dt = -8 D Δc/ρ, with Δc lessened by the droplet's own cooling (the factor
// 1 + L D c'/k of the wet-bulb balance with Lewis number 1 in still air; Fuchs, Evaporation and Droplet Growth in
// Gaseous Media, 1959). A population fed steadily with droplets of diameter d and life T then holds 2T/5 of its feed,
// which makes its rate 5/(2T) = 20 D Δc/(ρ d²) per gram.
//
//go:norace
func (b *balance) dropConductance(p *Params, s *State, mist, kelvin float64) {
	lack := b.airSat - b.vapor
	mass := s.DropletsG + mist
	if mass <= 0 && lack >= 0 {
		return
	}
	diffusivity := vaporDiffusivity(kelvin, p.PressurePa)
	cooling := 1 + float64(float64(b.latent*b.satPerK)*diffusivity)/airConductivity
	perGram := float64(diffusivity*(20/waterGM3)) / float64(float64(p.DropletM*p.DropletM)*cooling)
	b.drop = float64(perGram*mass) / (1 + float64(float64(b.dt*perGram)*math.Max(0, lack)))
	if lack < 0 {
		b.drop += float64(b.volume * 0.2) // fog forms on the dust that any air holds, within seconds
	}
}

// moistness is 1 for a block that gives off water like a free surface, and falls once it has lost most of its water:
// below 30 % of its wet weight.
func (s *State) moistness(p *Params) float64 {
	if enough := float64(300 * p.SubstrateKg); s.BlockG < enough {
		return math.Max(0, s.BlockG/enough)
	}
	return 1
}

// airConductivity is that of air near 20 °C, W/mK.
const airConductivity = 0.0257

// vaporDiffusivity is that of water vapor in air in m²/s: 2.12e-5 at 0 °C and one atmosphere, growing as T^1.81/p
// (Montgomery 1947); linear in T here, which keeps within 0.5 % from 0 to 35 °C.
func vaporDiffusivity(kelvin, pressure float64) float64 {
	return float64((2.12e-5 + float64(1.44e-7*(kelvin-zeroC))) * (101325 / pressure))
}

// Lifetime is for how many seconds a droplet of diameter d meters lives in still air of t °C, relative humidity rh and
// pressure Pa, by the d² law of [Step].
func Lifetime(d, t, rh, pressure float64) float64 {
	kelvin := t + zeroC
	sat, rel := saturationSlope(t)
	c := sat / (vaporR * kelvin)
	diffusivity := vaporDiffusivity(kelvin, pressure)
	cooling := 1 + (2500.8-2.36*t)*c*(rel-1/kelvin)*diffusivity/airConductivity
	return waterGM3 * d * d * cooling / (8 * diffusivity * c * (1 - rh))
}

// solve finds vapor and temperature at the end of the step, taking back what film or droplets could not give.
//
//go:norace
func (b *balance) solve(p *Params) {
	b.solveOnce()
	again := false
	if b.fromDrops*b.dt > b.droplets {
		b.fromDrops, b.dropFixed, again = b.droplets/b.dt, true, true
	}
	if b.fromFilm*b.dt > b.film {
		b.fromFilm, b.filmFixed, again = b.film/b.dt, true, true
	}
	if !again {
		return
	}
	b.solveOnce()
	// Fixing one store moves the other a little: what it now gives too much is cut, and the air is told.
	if !b.dropFixed && b.fromDrops*b.dt > b.droplets {
		b.fromDrops, b.dropFixed = b.droplets/b.dt, true
		b.solveOnce()
	} else if !b.filmFixed && b.fromFilm*b.dt > b.film {
		b.fromFilm, b.filmFixed = b.film/b.dt, true
		b.solveOnce()
	}
}

// solveOnce solves the two linear balances
//
//	V dc/dt = Σ k (c_k - c) + k_drop (c_sat(T) - c) + sources
//	C dT/dt = Σ h (T_h - T) - L k_drop (c_sat(T) - c) - L source + P
//
// for the rise x of vapor and y of temperature of the step's mean over its start.
//
//go:norace
func (b *balance) solveOnce() {
	wall, drop := b.wall, b.drop
	var source, dropSource float64
	if b.filmFixed {
		wall, source = 0, b.fromFilm
	}
	if b.dropFixed {
		drop, dropSource = 0, b.fromDrops
	}
	k := b.flow + wall + b.contents + drop + b.coil
	lk := float64(b.latent * drop)
	lks := float64(lk * b.satPerK)
	z := float64(b.dt * (k/b.volume + lks/b.heat))
	theta := implicitness(z)
	inv := 1 / float64(theta*b.dt)

	lack := b.airSat - b.vapor
	s1 := float64(b.flow*(b.roomVapor-b.vapor)) + float64(wall*(b.wallVapor-b.vapor)) +
		float64(b.contents*(b.contentsVapor-b.vapor)) + float64(drop*lack) + float64(b.coil*(b.coilVapor-b.vapor)) +
		source + dropSource
	s2 := float64(b.flowHeat*(b.roomC-b.airC)) + float64(b.wallHeat*(b.wallC-b.airC)) +
		float64(b.contentsHeat*(b.cropC-b.airC)) + b.power - float64(lk*lack) - float64(b.latent*dropSource)
	a11 := float64(b.volume*inv) + k
	a22 := float64(b.heat*inv) + b.flowHeat + b.wallHeat + b.contentsHeat + lks
	a12 := float64(drop * b.satPerK)
	det := 1 / (float64(a11*a22) - float64(a12*lk))
	x := float64((float64(s1*a22) + float64(a12*s2)) * det)
	y := float64((float64(s2*a11) + float64(lk*s1)) * det)

	b.meanVapor, b.meanC = b.vapor+x, b.airC+y
	b.endVapor, b.endC = b.vapor+x/theta, b.airC+y/theta
	if !b.filmFixed {
		b.fromFilm = float64(wall * (b.wallVapor - b.meanVapor))
	}
	if !b.dropFixed {
		b.fromDrops = float64(drop * (lack + float64(b.satPerK*y) - x))
	}
}

// apply carries the step's fluxes into the stores.
//
//go:norace
func (s *State) apply(p *Params, b *balance, room *Room) {
	dt := b.dt
	fromCrop := float64(b.contents * (b.contentsVapor - b.meanVapor))
	coil := float64(float64(b.coil*(b.meanVapor-b.coilVapor)) * dt)
	evaporated := float64(b.fromDrops * dt)
	moved := float64(b.flow * dt)

	s.VaporGM3, s.AirC = b.endVapor, b.endC
	s.Total.VaporInG += float64(moved * b.roomVapor)
	s.Total.VaporOutG += float64(moved * b.meanVapor)
	s.Total.CoilG += coil
	s.Total.AirborneG += evaporated
	s.BlockG -= float64(fromCrop * dt)

	// Droplets: what is left settles by Stokes and leaves with the air.
	left := math.Max(0, b.droplets-evaporated)
	settle := float64(p.SettlingFactor*stokes(p.DropletM)) / p.HeightM
	leave := b.flow / b.volume
	shrink := dt / (1 + float64((settle+leave)*dt))
	settled := float64(float64(left*settle) * shrink)
	gone := settled + float64(float64(left*leave)*shrink)
	s.DropletsG = left - gone
	s.Total.DropletsOut += gone - settled

	s.FilmG = math.Max(0, s.FilmG+settled-float64(b.fromFilm*dt))
	if most := float64(p.FilmMaxGPerM2 * p.WallAreaM2); s.FilmG > most {
		s.Total.DrainedG += s.FilmG - most
		s.FilmG = most
	}

	toWall := float64(b.wallHeat*(b.meanC-b.wallC)) - float64(b.latent*b.fromFilm)
	s.WallC += float64(dt*(toWall+float64(p.WallUA*(room.AirC-b.wallC)))) / (p.WallJPerK + float64(dt*p.WallUA))
	toCrop := float64(b.contentsHeat*(b.meanC-b.cropC)) - float64(b.latent*fromCrop)
	s.ContentsC += float64(dt*toCrop) / p.ContentsJPerK
}

// stokes is the speed in m/s at which a water droplet of diameter d falls: ρ g d²/(18 μ), good below 50 µm (Hinds,
// Aerosol Technology, chapter 3).
func stokes(d float64) float64 { return float64(float64(998*9.81/(18*1.81e-5)*d) * d) }

package learn

import (
	"math"

	"gillkeeper/policy/plant"
)

// Air is the state of the reduced model: the chamber's air, what floats in it, what wets its walls. Amounts of water
// are per cubic meter of the chamber.
type Air struct {
	Vapor    float64 `json:"vapor_g_m3"`
	Droplets float64 `json:"droplets_g_m3"`
	Film     float64 `json:"film_g_m3"`
	AirC     float64 `json:"air_c"`
	CO2      float64 `json:"co2_ppm"`
	Mist     float64 `json:"mist"` // how far the humidifier has spun up, 0..1
	Fan      float64 `json:"fan"`  // the same of the fan
}

// Constants are what the reduced model holds still over its horizon. Rates are per second.
type Constants struct {
	Flow     float64 // air changes by the fan at full speed
	Leak     float64 // air changes without it
	CO2Rate  float64 // by the crop, ppm
	RoomCO2  float64 // ppm
	MistRate float64 // g/m³ at full output
	Loss     float64 // share of the mist that hits a wall at once
	Crop     float64 // exchange of vapor with the crop
	Heat     float64 // exchange of heat with walls and crop
	Wall     float64 // exchange of vapor with fully wet walls
	FilmFull float64 // g/m³ that wets them fully
	RoomV    float64 // vapor in the room's air, g/m³
	RoomC    float64 // its temperature
	MassC    float64 // temperature of walls and crop, as the air feels it
	WallC    float64 // of the walls
	CropC    float64 // of the crop
	MistHeat float64 // by which the humidifier's own power warms the air at full output, K/s
	Extra    float64 // by which everything else does
	Give     float64 // vapor that enters the air besides, g/m³s
	Fog      float64 // share of droplets that evaporates a second for each g/m³ that the air lacks
	Light    float64 // share of the heat which warms or cools the air that goes to the air, and not to what is as warm as it

	sat, slope       float64 // saturation at MassC, g/m³, and its slope in g/m³K
	wallSat, cropSat float64
	roomSat          float64 // vapor in saturated air of the room once it is in the chamber, g/m³
	wets             float64 // exchange of vapor with wet walls over what it is by Lewis
	size             float64 // of the chamber: cube root of its volume, m
}

// Of droplets and plugs, as typical: common practice, see [plant.Params] for the ranges.
const (
	settling  = 0.004 // share that settles a second
	mistUpS   = 15.0
	mistDownS = 8.0
	fanUpS    = 3.5
	stirred   = 0.8  // by how much the running fan raises the exchange with surfaces
	coolingK  = 2.03 // K by which 1 g/m³ that evaporates cools air: 2450 J/g over 1205 J/m³K
	vaporR    = 0.461524
	zeroC     = 273.15
)

// saturation is the vapor in saturated air, g/m³.
func saturation(t float64) float64 { return plant.Saturation(t) / (vaporR * (t + zeroC)) }

// prepare works out what a step needs of the temperature.
func (c *Constants) prepare() {
	c.sat = saturation(c.MassC)
	c.slope = (saturation(c.MassC+0.5) - saturation(c.MassC-0.5))
	c.wallSat, c.cropSat = saturation(c.WallC), saturation(c.CropC)
}

// full is the vapor of saturated air at a temperature near MassC.
func (c *Constants) full(t float64) float64 {
	d := t - c.MassC
	return c.sat + c.slope*d*(1+0.031*d) // the relative slope grows by 0.062 of itself a kelvin
}

// RH is the relative humidity, at most 1.
func (a *Air) RH(c *Constants) float64 {
	rh := a.Vapor / c.full(a.AirC)
	if rh > 1 {
		return 1
	}
	return rh
}

// MistSeconds is for how long the humidifier must be driven, its spinning up and down included, until what it gives to the
// air has been that much, in g/m³. Beyond an hour, and where it gives nothing, it is an hour.
func (c *Constants) MistSeconds(vapor float64) float64 {
	return min(vapor/max(c.MistRate*(1-c.Loss), 1e-9)+(mistUpS-mistDownS)/2, 3600)
}

// Spin turns a plug's output up or down toward a share of the full one, of which it takes up or down seconds to cover all,
// and gives its mean over the step of dt seconds.
//
//go:norace
func Spin(x *float64, to, up, down, dt float64) float64 {
	from, full := *x, up
	if to == from {
		return to
	}
	if to < from {
		full = -down
	}
	if takes := (to - from) * full; takes <= dt {
		*x = to
		return to - (to-from)*takes/(2*dt)
	}
	*x = from + dt/full
	return (from + *x) / 2
}

// Step advances the air by dt seconds, with humidifier and fan driven to those shares of full output: by at most about
// four where a plug runs. It is the balance of [plant.Step] with surfaces whose temperature is held, solved one store
// after the other.
//
// Plans and learning spend most of their time here, each sum waiting for the one before. So what seldom takes effect is behind a
// branch, which the processor foretells, and not in min and max, for which all that follows would wait.
//
//go:norace
func (a *Air) Step(c *Constants, mist, fan, dt float64) {
	m := Spin(&a.Mist, mist, mistUpS, mistDownS, dt)
	f := Spin(&a.Fan, fan, fanUpS, fanUpS, dt)
	rate, kept := c.exchange(f, dt)
	a.water(c, m, f, rate, kept, dt)
	a.CO2 += dt * (rate*(c.RoomCO2-a.CO2) + c.CO2Rate) * kept
}

// exchange is how often a second the air is changed, and the mean over a step of dt seconds of what it does not take along.
//
//go:norace
func (c *Constants) exchange(f, dt float64) (rate, kept float64) {
	rate = c.Flow*f + c.Leak
	return rate, relaxing(dt * rate)
}

// relaxing is the mean over a step of what is left of a disturbance, of which q passes at the beginning, to second order
// (the (0,2) approximant of the exponential): 1-q*relaxing(q) is what is left at the end.
//
//go:norace
func relaxing(q float64) float64 { return (1 + q/2) * staying(q) }

// water is the part of vapor, droplets, film and temperature; q and kept are those of [Constants.exchange].
//
//go:norace
func (a *Air) water(c *Constants, m, f, q, kept, dt float64) {
	stir := 1 + stirred*f
	heat := c.Heat * stir
	warm := relaxing(dt * c.Light * (heat + q))
	t := a.AirC + warm*dt*(c.Light*(heat*(c.MassC-a.AirC)+q*(c.RoomC-a.AirC)+c.MistHeat*m)+c.Extra)
	wall := c.Wall * stir
	if a.Vapor < c.wallSat && !(a.Film >= c.FilmFull) {
		wall *= math.Sqrt(a.Film / c.FilmFull)
	}
	crop := c.Crop * stir
	moist := relaxing(dt * (q + wall + crop))
	v := a.Vapor + moist*dt*(q*(c.RoomV-a.Vapor)+wall*(c.wallSat-a.Vapor)+crop*(c.cropSat-a.Vapor)+c.Give)
	// What evaporates within the step is carried off and warmed again within it like all else: were it given to the air at
	// the step's end, air would be the colder and damper the longer the steps are.
	g := dt * c.MistRate * m
	d := a.Droplets + g*(1-c.Loss)
	lack := c.full(t) - v
	k := dt * c.Fog * ((a.Droplets+g*(1-c.Loss)/2)*kept + 0.05)
	cools := coolingK * c.Light * warm
	gone := k * lack / (1 + (moist+cools*c.slope)*k)
	if gone > d {
		gone = d
	}
	if gone < -0.5 {
		gone = -0.5
	}
	v += moist * gone
	t -= cools * gone
	d -= gone
	given := dt * wall * (c.wallSat - v)
	if given > a.Film {
		v -= moist * (given - a.Film)
		given = a.Film
	}
	settled := d * settling * dt
	a.Film += g*c.Loss - given + settled
	d = (d - settled) * (1 - dt*q*kept)
	a.Vapor, a.AirC, a.Droplets = v, t, d
}

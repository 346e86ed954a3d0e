package alarm

import "math"

// Demand is what the water that a chamber needs depends on beside its targets, as far as it is known.
type Demand struct {
	Made      float64 // CO2 by the crop, ppm a second; 0: not known
	RoomCO2   float64 // ppm
	RoomVapor float64 // g/m³
	Full      float64 // g/m³ of saturated air as warm as the chamber's; 0: nothing is known
	Leak      float64 // air changes a second without the fan
}

// Asked is what is asked of the chamber that moves its need of water.
type Asked struct {
	Humidity float64 `json:"humidity"` // relative, 0 to 1; 0: nothing is asked
	CO2Max   float64 `json:"co2_max"`  // ppm; 0: none
	Changes  float64 `json:"changes"`  // of air an hour, where CO2 is not known
}

// leastOver is what a limit of CO2 is reckoned to stand above the room at the least, ppm: below, the fan runs all the time anyway.
const leastOver = 100.0

// vapor is what must be added to hold what is asked, g/m³ a second. In a steady state that makes up for what the exchanged air lacks,
// and CO2 is held at its limit by made/(limit - room) changes of air (the mass balance of a well mixed room, ASTM E741). What the
// crop adds to it is left out: only its exchange with the air is learned, and walls that the mist has wet pass for it.
func (d *Demand) vapor(a *Asked) float64 {
	return math.Pow(max(d.Leak, d.needed(a)), followed) * (d.Full*a.Humidity - d.RoomVapor)
}

// followed: the fan runs for other reasons too, and no shorter than it can be held. In simulated chambers, common-practice fans and
// tents, the air that was changed followed what CO2 asked for by about this power of it.
const followed = 0.7

// needed is for how many air changes a second CO2 asks, or the crop where that is not known.
func (d *Demand) needed(a *Asked) float64 {
	if d.Made > 0 && a.CO2Max > 0 {
		return d.Made / max(leastOver, a.CO2Max-d.RoomCO2)
	}
	return a.Changes / 3600
}

// times is by how many times more mist is needed for what is asked now than for what was asked before.
func (d *Demand) times(now, before *Asked) float64 {
	if *now == *before || d.Full <= 0 || now.Humidity <= 0 || before.Humidity <= 0 {
		return 1
	}
	// Where hardly any is needed, pulses as long as the plug must be held and the walls use it.
	least := math.Pow(leastNeed/3600, followed) * d.Full
	return math.Max(least, d.vapor(now)) / math.Max(least, d.vapor(before))
}

// leastNeed is reckoned with at the least, in changes of the air an hour.
const leastNeed = 0.3

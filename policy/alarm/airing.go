package alarm

import "math"

// Airing notices a door that was opened while the fan ran, or slowly: a good part of the vapor is gone, the fan does not
// explain it, and CO2 does not rise although the crop goes on making it. How high CO2 stands is not asked: a chamber that
// is aired a lot is near the room's all the time.
type Airing struct {
	Mean     Moist   `json:"mean,omitzero"`   // of the last minutes
	Usual    Moist   `json:"usual,omitzero"`  // above the room, over hours
	Level    Moist   `json:"level,omitzero"`  // the same as it is, not above the room: people there may raise that in minutes
	UsualFor float64 `json:"usual_for"`       // seconds that it rests on
	Duty     float64 `json:"duty"`            // of the fan, over minutes
	Spell    float64 `json:"spell"`           // seconds for which all this has held
	From     float64 `json:"from"`            // mean CO2 when the spell began
	Began    bool    `json:"began,omitempty"` // Mean holds something
	Aired    bool    `json:"aired,omitempty"` // it looks so, but is not sure yet
}

const (
	airingMean   = 180.0     // seconds
	airingUsual  = 6 * 3600. // seconds
	airingKnown  = 3 * 3600. // seconds until the usual counts as known
	airingMemory = 240.0     // seconds of the fan's duty
	// airingDuty: a fan that runs more may explain what is missing.
	airingDuty = 0.25
	// What must be missing of the vapor, of what usually is above the room, and at least.
	airingShareVapor = 0.4
	airingLeastVapor = 0.8 // g/m³
	// A spell must be so long that the crop would have made so much, in ppm; no more than a share of which has come, besides
	// what noise makes of a mean over minutes.
	airingRise  = 90.0
	airingStill = 0.35
	airingNoise = 12.0
	airingLeast = 6 * 60.0
	// airingSome, in ppm that the crop would have made, is enough for suspicion.
	airingSome = 40.0
	// airingSlowest: a crop that makes less, ppm a second, tells nothing.
	airingSlowest = 150.0 / 3600
)

// advance takes in one step and reports when the chamber must be open, and what it held before. made is what the crop
// adds, ppm a second.
func (a *Airing) advance(now, room Moist, fan bool, made, dt float64) (before Moist, open bool) {
	if !a.Began {
		a.Mean, a.Began = now, true
	}
	share := 1 - math.Exp(-dt/airingMean)
	a.Mean.CO2 += share * (now.CO2 - a.Mean.CO2)
	a.Mean.Vapor += share * (now.Vapor - a.Mean.Vapor)
	on := 0.0
	if fan {
		on = 1
	}
	a.Duty += (1 - math.Exp(-dt/airingMemory)) * (on - a.Duty)

	above := Moist{a.Mean.CO2 - room.CO2, a.Mean.Vapor - room.Vapor}
	gone := min(a.Usual.Vapor-above.Vapor, a.Level.Vapor-a.Mean.Vapor)
	low := a.UsualFor >= airingKnown && a.Duty < airingDuty && made >= airingSlowest && gone >= max(airingLeastVapor, airingShareVapor*a.Usual.Vapor)
	if !low || a.Mean.CO2-a.From > airingNoise+airingStill*made*a.Spell {
		a.Spell, a.From = 0, a.Mean.CO2
	}
	if low {
		a.Spell += dt
		a.From = min(a.From, a.Mean.CO2)
	} else {
		a.UsualFor = min(a.UsualFor+dt, airingUsual)
		usual := 1 - math.Exp(-dt/max(a.UsualFor, 60))
		a.Usual.CO2 += usual * (above.CO2 - a.Usual.CO2)
		a.Usual.Vapor += usual * (above.Vapor - a.Usual.Vapor)
		a.Level.CO2 += usual * (a.Mean.CO2 - a.Level.CO2)
		a.Level.Vapor += usual * (a.Mean.Vapor - a.Level.Vapor)
	}
	a.Aired = a.Spell*made >= airingSome
	if a.Spell < airingLeast || a.Spell*made < airingRise {
		return Moist{}, false
	}
	a.Spell = 0
	return Moist{room.CO2 + a.Usual.CO2, room.Vapor + a.Usual.Vapor}, true
}

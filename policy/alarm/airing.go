package alarm

import (
	"math"

	"gillkeeper/policy/learn"
)

// Airing notices a door that was opened while the fan ran, or slowly: a good part of the vapor is gone, and CO2 does not
// rise as it must where the crop goes on making it and the fan runs no more than it does. How high CO2 stands is not
// asked: a chamber that is aired a lot is near the room's all the time.
type Airing struct {
	Mean     Moist    `json:"mean,omitzero"`    // of the last minutes
	Usual    Moist    `json:"usual,omitzero"`   // above the room, over hours
	Level    Moist    `json:"level,omitzero"`   // the same as it is, not above the room: people there may raise that in minutes
	UsualFor float64  `json:"usual_for"`        // seconds that it rests on
	Moves    Exchange `json:"moves,omitzero"`   // over an hour: an open door is soon learned for a leak
	Clean    float64  `json:"clean,omitempty"`  // air changes a second that the fan makes when nothing holds it up
	Spell    float64  `json:"spell"`            // seconds for which all this has held
	Due      float64  `json:"due"`              // ppm by which CO2 should have risen in the spell
	DueSeen  float64  `json:"due_seen"`         // the same as a sensor would show it
	DueMean  float64  `json:"due_mean"`         // the same as Mean would show that: where the fan runs by turns, it is not its peak
	From     float64  `json:"from"`             // mean CO2 when the spell began
	Began    bool     `json:"began,omitempty"`  // Mean holds something
	Aired    bool     `json:"aired,omitempty"`  // it looks so, but is not sure yet
	Shut     bool     `json:"shut,omitempty"`   // CO2 stands as high as usual, as it would not for long where a door is open
	Low      bool     `json:"low,omitempty"`    // it stands lower by far, and fan and leaks as they are known do not explain it
	Stands   float64  `json:"stands,omitempty"` // ppm above the room at which it would stand by what they move and the crop makes
	Duty     float64  `json:"duty,omitempty"`   // share of the time, or of full output, that the fan runs, over hours
}

const (
	airingMean  = 180.0     // seconds
	airingLag   = 100.0     // seconds: of a sensor of CO2 that follows slowly
	airingUsual = 6 * 3600. // seconds
	airingKnown = 3 * 3600. // seconds until the usual counts as known
	airingMoves = 3600.0    // seconds
	// What must be missing of the vapor, of what usually is above the room, and at least.
	airingShareVapor = 0.4
	airingLeastVapor = 0.8 // g/m³
	// A spell must be so long that CO2 would have risen by so much, in ppm, and by that share of what it stands above the room,
	// where a fan that moves a little more than is known would have it stand still; no more than a share of which has come,
	// besides what noise makes of a mean over minutes.
	airingRise  = 90.0
	airingAbove = 0.4
	airingStill = 0.35
	// airingDry: where the reservoir is dry, vapor is missing anyway, and CO2 must bear so many times as clear a witness.
	airingDry   = 2.0
	airingNoise = 12.0
	airingLeast = 6 * 60.0
	// airingSome, in ppm by which it would have risen, is enough for suspicion.
	airingSome = 40.0
	// What CO2 must stand above the room to show that the chamber is shut: of what it usually does, and at least, ppm. Less than
	// airingLow of that, where it usually stands airingHigh above, may come of a door.
	airingShare = 0.75
	airingHolds = 120.0
	airingLow   = 0.5
	airingHigh  = 60.0
	// airingStands is how many times as far above a room that nobody measures as crop and fan would have it CO2 may stand, besides
	// airingHigh. Above that the room itself has risen, and a chamber that is open to it stands as high.
	airingStands = 2.0
	// airingSlowestLeak, air changes a second, is less than any tent's.
	airingSlowestLeak = 0.1 / 3600
	// airingSlowest: a crop that makes less, ppm a second, tells nothing.
	airingSlowest = 150.0 / 3600
)

// advance takes in one step and reports when the chamber must be open, and what it held before. The room's CO2 may be as low as
// freshest, ppm: what is learned of a room that nobody measures follows people who leave it by hours, and until then air that the
// fan brings in would pass for what comes in by a door.
func (a *Airing) advance(now, room Moist, freshest, fan float64, dry bool, moves *Exchange, dt float64) (before Moist, open bool) {
	if !a.Began {
		a.Mean, a.Began = now, true
	}
	share := 1 - math.Exp(-dt/airingMean)
	a.Mean.CO2 += share * (now.CO2 - a.Mean.CO2)
	a.Mean.Vapor += share * (now.Vapor - a.Mean.Vapor)

	above := Moist{a.Mean.CO2 - room.CO2, a.Mean.Vapor - room.Vapor}
	gone := min(a.Usual.Vapor-above.Vapor, a.Level.Vapor-a.Mean.Vapor)
	moved := a.moved(fan)
	a.stand(moved, dt)
	low := room.CO2 <= learn.RoomHigh && a.UsualFor >= airingKnown && a.Moves.Made >= airingSlowest && gone >= max(airingLeastVapor, airingShareVapor*a.Usual.Vapor)
	times := 1.0
	if dry {
		times = airingDry
	}
	if !low || a.Mean.CO2-a.From > airingNoise+airingStill/times*a.DueMean {
		a.Spell, a.Due, a.DueSeen, a.DueMean, a.From = 0, 0, 0, 0, a.Mean.CO2
	}
	if low {
		a.Spell += dt
		a.From = min(a.From, a.Mean.CO2)
		fresh := min(freshest, a.From) // a crop's air is never below the room's: then that is not what it is taken to be
		a.Due += dt * (a.Moves.Made - moved*max(0, a.From+a.Due-fresh))
		a.Due = max(a.Due, 0)
		a.DueSeen += (1 - math.Exp(-dt/airingLag)) * (a.Due - a.DueSeen)
		a.DueMean += share * (a.DueSeen - a.DueMean)
	} else {
		a.UsualFor = min(a.UsualFor+dt, airingUsual)
		usual := 1 - math.Exp(-dt/max(a.UsualFor, 60))
		a.Usual.CO2 += usual * (above.CO2 - a.Usual.CO2)
		a.Usual.Vapor += usual * (above.Vapor - a.Usual.Vapor)
		a.Level.CO2 += usual * (a.Mean.CO2 - a.Level.CO2)
		a.Level.Vapor += usual * (a.Mean.Vapor - a.Level.Vapor)
		a.Duty += usual * (fan - a.Duty)
		a.Moves.follow(moves, dt)
	}
	known := a.UsualFor >= airingKnown
	a.Low = known && a.Usual.CO2 >= airingHigh && a.Mean.CO2-freshest < airingLow*a.Usual.CO2*a.lower()
	a.Shut = known && a.Moves.Made >= airingSlowest && a.high(above.CO2) && a.high(now.CO2-room.CO2+airingNoise) &&
		(room.CO2 <= freshest || above.CO2 <= airingStands*a.Stands+airingHigh)
	a.Aired = !dry && !a.Shut && a.DueMean >= airingSome // else no answer of the air would count, and it stayed dry
	if a.Spell < airingLeast || a.DueMean < times*max(airingRise, airingAbove*(a.From-freshest)) {
		return Moist{}, false
	}
	a.Spell, a.Due, a.DueSeen, a.DueMean = 0, 0, 0, 0
	return Moist{room.CO2 + a.Usual.CO2, room.Vapor + a.Usual.Vapor}, true
}

// high reports whether so much CO2 above the room's is as much as usual.
func (a *Airing) high(above float64) bool { return above >= max(airingHolds, airingShare*a.Usual.CO2) }

// moved is how many air changes a second there are with the fan at that share of its output. One that has moved less for a while may have
// been seen to.
func (a *Airing) moved(fan float64) float64 { return a.Moves.Leak + max(a.Moves.Fan, a.Clean)*fan }

// stand follows where CO2 would stand, with so many air changes a second.
func (a *Airing) stand(moved, dt float64) {
	if moved > 0 && a.Moves.Made > 0 {
		if a.Stands == 0 { // with the fan at rest, until it is known better
			a.Stands = a.Moves.Made / max(a.Moves.Leak, airingSlowestLeak)
		}
		a.Stands += (1 - math.Exp(-moved*dt)) * (a.Moves.Made/moved - a.Stands)
	}
}

// lower is what share of its usual excess CO2 is to be expected to have, where the fan runs more than it usually does: as a share, so that
// what is learned wrong of fan and crop cancels out.
func (a *Airing) lower() float64 {
	usual := a.moved(a.Duty)
	if a.Moves.Made <= 0 || usual <= 0 {
		return 1
	}
	return min(1, a.Stands*usual/a.Moves.Made)
}

// room is the room's air: its CO2 as learned where nobody measures it, and that is known.
func (a *Airing) room(e *Evidence) Moist {
	room := e.roomMoist()
	if a.Moves.Room > 0 && !e.Air.Room.CO2.OK {
		room.CO2 = a.Moves.Room
	}
	return room
}

// lacks reports whether some of the vapor that usually is above the room is missing.
func (a *Airing) lacks(now, room Moist) bool {
	return a.UsualFor >= airingKnown && min(now.Vapor, a.Mean.Vapor)-room.Vapor <= (1-outflowVapor)*a.Usual.Vapor
}

// moot follows for how many seconds the fan has kept CO2 so low that a door would not lower it.
func (a *Airing) moot(seconds, dt float64) float64 {
	if a.Stands > 0 && a.Stands < airingHigh {
		return seconds + dt
	}
	return max(0, seconds-dt)
}

// afresh forgets what the air usually holds. What fan and leaks move is known apart from that.
func (a Airing) afresh() Airing { return Airing{Moves: a.Moves, Clean: a.Clean} }

// follow takes in what is learned now.
func (e *Exchange) follow(now *Exchange, dt float64) {
	if now.Made <= 0 {
		return
	}
	if e.Made <= 0 {
		*e = *now
	}
	share := 1 - math.Exp(-dt/airingMoves)
	e.Made += share * (now.Made - e.Made)
	e.Fan += share * (now.Fan - e.Fan)
	e.Leak += share * (now.Leak - e.Leak)
	e.Room += share * (now.Room - e.Room)
}

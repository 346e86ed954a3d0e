package alarm

import (
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
)

// Door notices that the chamber was opened: with the fan at rest, CO2 and vapor fall toward the room's together, as
// nothing else makes them.
type Door struct {
	Points [doorPoints]DoorPoint `json:"points,omitzero"` // a ring, newest at Next-1
	Next   int                   `json:"next,omitempty"`  // how many were taken since the fan ran
	FanOff float64               `json:"fan_off"`         // seconds since the exhaust fan last ran
	// Open, and what the air held before and at the lowest since.
	Open      bool    `json:"open,omitempty"`
	OpenFor   float64 `json:"open_for"` // seconds
	Before    Moist   `json:"before,omitzero"`
	Lowest    Moist   `json:"lowest,omitzero"`
	Fell      bool    `json:"fell,omitempty"` // it was seen to open: both fell together
	Moot      float64 `json:"moot,omitempty"` // seconds of late that a shut chamber's air would have been no other
	After     Linger  `json:"after,omitzero"`
	Told      bool    `json:"told,omitempty"`   // this time it stood open for so long that somebody was told
	Unsaid    float64 `json:"unsaid,omitempty"` // seconds for which it explained the air without that, of late
	LastPoint float64 `json:"last_point"`       // seconds since the newest point
	Airing    Airing  `json:"airing,omitzero"`
	Outflow   Outflow `json:"outflow,omitzero"`
}

// Moist is the air that a door lets out: CO2 in ppm and water vapor in g/m³.
type Moist struct {
	CO2   float64 `json:"co2"`
	Vapor float64 `json:"vapor"`
}

// DoorPoint is the air at one moment of rest.
type DoorPoint struct {
	At time.Time `json:"at,omitzero"`
	Moist
}

const (
	doorPoints = 8
	doorEvery  = 15.0 // seconds between points
	doorWindow = 150 * time.Second
	// doorFanOff: after the fan has stopped, the sensors still show its effect for two to three of their lags.
	doorFanOff = 150.0
	// The fall that counts: of what the chamber holds above the room, and at least so much. A leaky tent changes its
	// air three times an hour and so loses an eighth in the window; an open door changes all of it in a minute or two.
	doorShareCO2   = 0.30
	doorLeastCO2   = 90.0
	doorShareVapor = 0.20
	doorLeastVapor = 0.6 // g/m³, 4 points at 18 °C
	// doorBack: the share of the fall that must be regained for the chamber to count as shut.
	doorBack = 0.4
	// doorLongest: whatever happens, an open door explains nothing for longer.
	doorLongest = 6 * 3600.0
	// mootMost: where the fan itself keeps CO2 at the room's, nothing tells an open chamber from a shut one, and nothing would ever show
	// that one taken for open is shut. For longer than this it is not taken to be open because CO2 did not rise.
	mootMost = 4 * 60.0
	// unsaidMost: one that seems open for minutes again and again, and never for as long as ChamberOpenAfter, explains the air for no
	// longer: nobody was told of anything. Somebody who looks in for ten minutes has as much again and the time to recover.
	unsaidMost = 35 * 60.0
	// doorRoomCO2: a room that is not measured is taken to hold fresh air, as warm as the chamber's.
	doorRoomCO2 = 420.0
)

// Open reports whether the chamber is or may be open, or was until so short a while ago that its air tells nothing yet.
func (d *Detectors) Open() bool { return d.Door.lately() || d.Door.Airing.Aired }

// explains reports whether it is to be held responsible for what the air does.
func (d *Door) explains() bool { return d.lately() && d.Unsaid < unsaidMost }

// lately reports whether it is open, or was until so short a while ago.
func (d *Door) lately() bool { return d.Open || d.After.Was }

// door runs the detector and raises chamber_open.
func (s *detection) door() {
	d := &s.Door
	now, ok := s.moist()
	d.FanOff += s.dt
	fan := 0.0
	for i := range s.e.Plugs {
		switch p := &s.e.Plugs[i]; {
		case p.Role != chamber.ExhaustFan:
		case s.runsAnyway(s.e.Spec, i):
			d.FanOff, fan = 0, 1
		case p.On || p.Told:
			d.FanOff, fan = 0, p.Output()
		}
	}
	d.LastPoint += s.dt
	room, freshest := d.Airing.room(s.e), s.e.roomMoist().CO2
	sole := s.soleLeftOut()
	if sole {
		d.Airing = d.Airing.afresh()
	}
	if l := &s.e.Learned; l.Flow > 0 {
		d.Airing.Clean = l.Exchange.Fan * s.Flow.Clean / l.Flow
	}
	if ok {
		dry := s.e.Reservoir != nil && s.e.Reservoir.Dry || s.e.Learned.MistInDoubt || !s.obeys(chamber.Humidifier)
		if before, aired := d.Airing.advance(now, room, freshest, fan, dry, &s.e.Learned.Exchange, s.dt); aired && !d.Open {
			d.open(false, before, d.Airing.Mean)
		}
	} else { // what CO2 showed a while ago says nothing of now
		d.Airing.Shut, d.Airing.Low = false, false
	}
	flows := d.Outflow.advance(&s.e.Likely, d.Airing.Mean, s.dt)
	if s.Upset.Was || d.lately() || !ok || s.e.astray(unclearAfter) || sole || room.CO2 > learn.RoomHigh {
		d.Outflow.restart()
		flows = false
	}
	switch {
	case d.Open:
		s.shut(ok)
	case flows && d.Airing.lacks(now, room):
		d.open(true, d.Outflow.From, now)
	case ok && d.FanOff >= doorFanOff:
		if before, fell := d.fall(s.e.Now, now, room); fell {
			d.open(true, before, now)
		}
	}
	switch {
	case d.FanOff < doorFanOff || !ok:
		d.Points, d.Next = [doorPoints]DoorPoint{}, 0
	case d.LastPoint >= doorEvery || d.Next == 0:
		d.Points[d.Next%doorPoints] = DoorPoint{s.e.Now, now}
		d.Next, d.LastPoint = d.Next+1, 0
	}
	d.After = d.After.advance(d.Open, s.dt, doorLingers.Seconds())
	d.Told = d.lately() && (d.Told || d.Open && d.OpenFor >= ChamberOpenAfter.Seconds())
	switch {
	case d.Told:
		d.Unsaid = 0
	case d.lately():
		d.Unsaid = min(d.Unsaid+s.dt, 2*unsaidMost)
	default:
		d.Unsaid = max(0, d.Unsaid-s.dt)
	}
	if d.Open {
		*s.out.Of(ChamberOpen) = Condition{Active: true, Quantity: chamber.CO2, Value: now.CO2, Bound: d.Before.CO2}
	}
}

// open begins a time of being open.
func (d *Door) open(fell bool, before, now Moist) {
	d.Open, d.OpenFor, d.Fell, d.Moot, d.Before, d.Lowest, d.Airing.Mean = true, 0, fell, 0, before, now, now
}

// soleLeftOut reports whether the only sensor of the vapor or of CO2 is under suspicion: what was read before that and what is read
// after it may not be of one scale, and the one less the other is nothing that a door let out.
func (s *detection) soleLeftOut() bool {
	for i := range s.Sensors {
		spec := &s.e.Spec.Sensors[i]
		if s.Sensors[i].Suspect == "" || spec.Place != chamber.Inside || spec.Quantity == chamber.Illuminance {
			continue
		}
		sole := true
		for range s.peers(i, s.e, func(int) bool { return true }) {
			sole = false
		}
		if sole {
			return true
		}
	}
	return false
}

// moist is the air of the chamber now.
func (s *detection) moist() (Moist, bool) {
	in := &s.e.Air.Inside
	if !in.CO2.OK || !in.RelativeHumidity.OK || !in.Temperature.OK {
		return Moist{}, false
	}
	v, ok := vaporDensity(in.Temperature.Value, in.RelativeHumidity.Value)
	return Moist{in.CO2.Value, v}, ok
}

// roomMoist is the air of the room, or what it is taken to be.
func (e *Evidence) roomMoist() Moist {
	p, room, t := Moist{CO2: doorRoomCO2}, &e.Air.Room, e.Air.Inside.Temperature.Value
	if room.CO2.OK {
		p.CO2 = room.CO2.Value
	}
	if room.Temperature.OK {
		t = room.Temperature.Value
	}
	rh := learn.RoomRH(t)
	if room.RelativeHumidity.OK {
		rh = room.RelativeHumidity.Value
	}
	p.Vapor, _ = vaporDensity(t, rh)
	return p
}

// fall reports whether both fell together within the window, and from where.
func (d *Door) fall(at time.Time, now, room Moist) (before Moist, fell bool) {
	for i := range d.Points {
		p := &d.Points[i]
		age := at.Sub(p.At)
		if p.At.IsZero() || age < 0 || age > doorWindow {
			continue
		}
		co2, vapor := p.CO2-now.CO2, p.Vapor-now.Vapor
		if co2 >= max(doorLeastCO2, doorShareCO2*(p.CO2-room.CO2)) && vapor >= max(doorLeastVapor, doorShareVapor*(p.Vapor-room.Vapor)) &&
			p.CO2 > before.CO2 {
			before, fell = p.Moist, true
		}
	}
	return before, fell
}

// shut closes the matter when either has come back by a good part of its fall, as a mean over minutes, for a pulse of mist
// shows in an open chamber too: it gets neither back for long.
func (s *detection) shut(ok bool) {
	d, now := &s.Door, s.Door.Airing.Mean
	d.OpenFor += s.dt
	if ok {
		d.Lowest.CO2 = min(d.Lowest.CO2, now.CO2)
		d.Lowest.Vapor = min(d.Lowest.Vapor, now.Vapor)
		back := now.CO2-d.Lowest.CO2 >= doorBack*(d.Before.CO2-d.Lowest.CO2) ||
			now.Vapor-d.Lowest.Vapor >= doorBack*(d.Before.Vapor-d.Lowest.Vapor)
		d.Open = !back
	}
	if d.Moot = d.Airing.moot(d.Moot, s.dt); d.Moot > mootMost && !d.Fell {
		d.Open = false
	}
	if d.OpenFor > doorLongest {
		d.Open = false
	}
}

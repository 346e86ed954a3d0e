package policy

import (
	"math"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
)

// learn tells the learner what happened in this step. What it is told is kept for the plan.
func (t *step) learn() {
	s := t.s
	f := learn.Facts{Now: t.in.Now, VolumeM3: t.Spec.VolumeM3, AltitudeM: t.Spec.AltitudeM, AirC: 18, RoomC: math.NaN()}
	if e := s.Air.Room.Temperature; !e.At.IsZero() {
		f.RoomC = e.Value
	}
	switch e := s.Air.Inside.Temperature; {
	case !e.At.IsZero():
		f.AirC = e.Value
	case !math.IsNaN(f.RoomC):
		f.AirC = f.RoomC
	case s.Target.OK && s.Target.TemperatureC.Aim != 0:
		f.AirC = s.Target.TemperatureC.Aim
	}
	if e := s.Air.Room.RelativeHumidity; !e.At.IsZero() {
		f.RoomRH = e.Value
	}
	if e := s.Air.Room.CO2; e.OK {
		f.RoomCO2 = e.Value
	}
	f.Dry, f.FanOdd, f.DoorOpen = s.Reservoir.Dry, s.Detectors.Fan.Odd(), s.Detectors.Door.Open
	f.Misled = t.misled
	f.NoCO2 = !t.Spec.Has(chamber.CO2, chamber.Inside)
	f.RatedFlow, f.RatedMist = t.Spec.Rating(chamber.ExhaustFan, chamber.Flow), t.Spec.Rating(chamber.Humidifier, chamber.Output)
	f.Fan, f.FanSince = t.doing(chamber.ExhaustFan, chamber.Flow)
	f.Mist, f.MistSince = t.doing(chamber.Humidifier, chamber.Output)
	for _, r := range t.in.Readings {
		if r.Retained || r.Sensor < 0 || r.Sensor >= len(s.Sensors) || s.Sensors[r.Sensor].Suspect != "" || t.jumped(r.Sensor) || s.Detectors.Weighs(r.Sensor) {
			continue
		}
		if !s.Sensors[r.Sensor].teaches(t.in.Now) {
			continue
		}
		switch x := &t.Spec.Sensors[r.Sensor]; {
		case x.Place == chamber.Inside && x.Quantity == chamber.RelativeHumidity:
			f.RH = append(f.RH, s.Sensors[r.Sensor].Spot.leveled(r.Value, &s.Air.Inside.RelativeHumidity, spotHumidity, t.in.Now))
		case x.Place == chamber.Inside && x.Quantity == chamber.CO2:
			f.CO2 = append(f.CO2, r.Value)
		case x.Place == chamber.Inside && x.Quantity == chamber.Temperature:
			f.AirCs = append(f.AirCs, s.Sensors[r.Sensor].Spot.leveled(r.Value, &s.Air.Inside.Temperature, spotTemperature, t.in.Now))
		case x.Place == chamber.Room && x.Quantity == chamber.CO2:
			f.RoomCO2New = true
		}
	}
	s.Learn = s.Learn.Learn(&f)
	t.facts = f
	t.model, t.trusted = s.Learn.Model(&f)
}

// doing is the share of their full output that the plugs of a role are taken to give together, and since when; see [guard.Plug.Doing].
func (t *step) doing(r chamber.Role, rated func(*chamber.Plug) float64) (output float64, since time.Time) {
	for i := range t.Spec.Plugs {
		if t.Spec.Plugs[i].Role == r {
			own, from := t.s.Plugs[i].Doing(t.in.Now)
			output += own * t.Spec.Share(i, rated)
			since = latest(since, from)
		}
	}
	return min(output, 1), since // parts may add up to a little more
}

// teachEvery is how soon after one reading the next of the same sensor is told to the learner. By how much the air differs from
// the learner's equations lasts for a while: readings in between say the same again, and taken for so many witnesses they would make
// it sure of what is not so.
const teachEvery = 12 * time.Second

// teaches reports whether the sensor's reading is to be told to the learner, and counts it as told.
func (s *SensorState) teaches(now time.Time) bool {
	if since := now.Sub(s.Taught); since >= 0 && since < teachEvery {
		return false
	}
	s.Taught = now
	return true
}

// Spot is how a sensor usually reads beside what all of its quantity make of the air: one that hangs warmer than the others
// reads drier by six points a kelvin. The learner knows one air for the whole chamber; told of each spot as it is, it would
// take the one sensor's word against the other's for surprises, and trust itself in nothing.
type Spot struct {
	Off   float64   `json:"off"`   // mean difference, in the quantity's unit
	Known float64   `json:"known"` // seconds that it rests on
	At    time.Time `json:"at,omitzero"`
}

const (
	spotMemory = 2 * 3600.0 // seconds
	spotLeast  = 600.0      // seconds until it is told
	// Up to so much, a difference is left as it is; from twice as much on the whole of it is the spot's.
	spotHumidity    = 0.003
	spotTemperature = 0.5
)

// leveled takes in a reading beside the voted one and gives it as it would be without what is the spot's.
func (s *Spot) leveled(v float64, voted *chamber.Estimate, plain float64, now time.Time) float64 {
	if !voted.OK || voted.Used < 2 {
		return v
	}
	if dt := now.Sub(s.At).Seconds(); !s.At.IsZero() && dt > 0 {
		dt = min(dt, 300)
		s.Known = min(s.Known+dt, spotMemory)
		s.Off += (1 - math.Exp(-dt/max(s.Known, 1))) * (v - voted.Value - s.Off)
	}
	s.At = now
	if s.Known < spotLeast {
		return v
	}
	return v - s.Off*max(0, min((math.Abs(s.Off)-plain)/plain, 1))
}

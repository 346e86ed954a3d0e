package policy

import (
	"math"
	"time"

	"gillkeeper/policy/air"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/learn"
)

// Preview is what an action would bring, before it is done.
type Preview struct {
	State  State       // after the action; nothing else has happened
	Before crop.Target // what is aimed at now, once every change of target has run its course
	After  crop.Target // what would be
	// Upkeep is what the two targets cost; not OK while the chamber is not known well enough.
	UpkeepBefore, UpkeepAfter Upkeep
}

// Upkeep is what it takes to hold a target against the room's air as it is now, on average.
type Upkeep struct {
	OK           bool
	FanShare     float64 // of the time, 0..1
	LitersPerDay float64 // drawn from the reservoir
}

// Preview says what an action would bring, or gives the [Refusal] that it would meet. It changes nothing.
func (p *Policy) Preview(s *State, a Action, now time.Time) (Preview, error) {
	if err := p.checkWeight(&a); err != nil {
		return Preview{}, err
	}
	next, _, err := p.apply(s.clone(), &a, latest(s.Now, now))
	if err != nil {
		return Preview{}, err
	}
	v := Preview{State: next, Before: p.settled(s.Crop, now), After: p.settled(next.Crop, now)}
	v.UpkeepBefore, v.UpkeepAfter = p.upkeep(s, &v.Before), p.upkeep(s, &v.After)
	return v, nil
}

// settled is the target once its ramp has ended.
func (p *Policy) settled(c crop.State, now time.Time) crop.Target {
	_, c = c.Aim(p.Climates, now)
	t, _ := c.Aim(p.Climates, now.Add(2*crop.RampTime))
	return t
}

const (
	// heldBelow: where the fan keeps CO2, as a share of its limit.
	heldBelow = 0.9
	// usualRoomPPM is the air of a room in which people come and go. Common practice; only where none is measured.
	usualRoomPPM = 480
)

// upkeep balances CO2 and vapor of the chamber at its target by what was learned: crop and air as they are today.
func (p *Policy) upkeep(s *State, t *crop.Target) (u Upkeep) {
	k := s.Learn.Knowledge(p.Spec.VolumeM3, p.Spec.AltitudeM)
	inC, roomC, roomRH := &s.Air.Inside.Temperature, &s.Air.Room.Temperature, &s.Air.Room.RelativeHumidity
	pressure, ok := air.BarometricPressure(air.Meters(p.Spec.AltitudeM))
	if !ok || !t.OK || !k.FanOn.Known || !k.FanOff.Known || !k.CO2GPerH.Known || inC.At.IsZero() {
		return u
	}
	u.FanShare, ok = fanShare(&k, t, p.Spec.VolumeM3, s.Air.Room.CO2, air.Celsius(inC.Value), pressure)
	if !ok || roomC.At.IsZero() || roomRH.At.IsZero() || !(k.MistGPerH.Value > 0) {
		return Upkeep{}
	}
	in, ok1 := air.New(air.Celsius(inC.Value), air.Ratio(t.RelativeHumidity.Aim), pressure)
	room, ok2 := air.New(air.Celsius(roomC.Value), air.Ratio(math.Min(roomRH.Value, 1)), pressure)
	if !ok1 || !ok2 {
		return Upkeep{}
	}
	changes := k.FanOff.Value + u.FanShare*(k.FanOn.Value-k.FanOff.Value)
	u.LitersPerDay = mistLiters(changes*p.Spec.VolumeM3, &in, &room, k.VaporGPerH.Value/k.MistGPerH.Value)
	u.OK = true
	return u
}

// mistLiters is the water that a humidifier draws in a day to make room air of so many cubic meters an hour as humid as is
// wanted, where a share of its mist becomes vapor.
func mistLiters(flowM3PerH float64, in, room *air.State, share float64) float64 {
	vapor := flowM3PerH * float64(in.AbsoluteHumidity()-room.AbsoluteHumidity()) // grams an hour
	return math.Max(0, vapor/share*24/1000)
}

// fanShare is the share of time for which the fan must run so that what the crop gives off leaves at the target.
func fanShare(k *learn.Knowledge, t *crop.Target, volume float64, measured chamber.Estimate, inside air.Celsius, pressure air.Pascal) (float64, bool) {
	if !(k.FanOn.Value > k.FanOff.Value) {
		return 0, false
	}
	changes := t.FAEPerHour
	if t.CO2MaxPPM > 0 {
		room := usualRoomPPM
		if !measured.At.IsZero() {
			room = int(measured.Value)
		}
		needed, ok := airChanges(k.CO2GPerH.Value, volume, math.Max(1, heldBelow*t.CO2MaxPPM-float64(room)), inside, pressure)
		if !ok {
			return 0, false
		}
		changes = needed
	}
	return math.Min(1, math.Max(0, (changes-k.FanOff.Value)/(k.FanOn.Value-k.FanOff.Value))), true
}

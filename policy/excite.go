package policy

import (
	"math"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/learn"
	"gillkeeper/policy/reason"
	"gillkeeper/policy/species"
)

// Purge is a longer run of the exhaust fan for the sake of learning: CO2 that is kept steady tells little of how much
// air moves, a run that brings the chamber's air near the room's tells both. It stands above control, so that rules and
// plan have it alike.
type Purge struct {
	From time.Time `json:"from,omitzero"` // the last one; zero: none yet
	To   time.Time `json:"to,omitzero"`
}

// When a purge is worthwhile and harmless.
const (
	// purgeEvery is the least pause between two: what one tells holds for hours, and each costs some vapor.
	purgeEvery = 6 * time.Hour
	// purgeFrom is how long the chamber is watched before the first.
	purgeFrom = 40 * time.Minute
	// purgeWorth is the relative standard deviation of the fan's flow from which more must be known of it.
	purgeWorth = 0.04
	// purgeChanges is how many air changes a purge gives: a twelfth of the difference to the room is left.
	purgeChanges = 2.5
	// purgeShortest lets the reading behind its sensor's lag follow, purgeLongest keeps the chamber from drying.
	purgeShortest = 60 * time.Second
	purgeLongest  = 3 * time.Minute
	// purgeSignal is the least difference to the room in ppm: many times a sensor's noise.
	purgeSignal = 150
	// purgeDry is by how much the air may fall below the range meanwhile. It is back within a minute or two; pins, which
	// dry first, are allowed none.
	purgeDry     = 0.06
	purgeDryPins = 0.0
)

// purge takes exhaust fan and humidifier over where a purge is due or under way. Light is whether the lamp is on by
// the photoperiod.
func (t *step) purge(light bool) {
	fan, mist := t.Spec.Plug(chamber.ExhaustFan), t.Spec.Plug(chamber.Humidifier)
	if t.NoPurge || fan < 0 || mist < 0 {
		return
	}
	p := &t.s.Purge
	if !t.purgeable(fan, mist) {
		p.To = earliest(p.To, t.in.Now)
		return
	}
	if !t.in.Now.Before(p.To) {
		run := t.purgeDue(fan, light)
		if run == 0 {
			return
		}
		p.From, p.To = t.in.Now, t.in.Now.Add(run)
	}
	t.wants[fan] = guard.Want{On: true, Until: p.To, Reasons: []reason.Reason{{Code: reason.Purge, Quantity: chamber.CO2, Until: p.To}}}
	t.s.Control.Fan.Since, t.s.Control.Fan.Until, t.s.Control.Fan.Level = p.From, p.To, 0
	t.purgeMist(mist)
}

// purgeMist has the mist make good what the fan carries off, as far as it can.
func (t *step) purgeMist(mist int) {
	aim, rh := t.s.Target.RelativeHumidity.Aim, t.model.Air.RH(&t.model.Constants)
	if rh > aim || t.model.Air.Droplets > 1 {
		return
	}
	p := &t.s.Purge
	lost := t.model.Constants.Flow * p.To.Sub(p.From).Seconds() * t.Spec.VolumeM3 * math.Max(0, t.model.Air.Vapor-t.model.Constants.RoomV)
	t.wants[mist] = guard.Want{On: true, Until: p.To, Reasons: []reason.Reason{{
		Code: reason.FanLoss, Quantity: chamber.RelativeHumidity, Value: lost, Bound: aim}}}
}

// purgeable reports whether a purge could be run now without doing harm, and would tell anything.
func (t *step) purgeable(fan, mist int) bool {
	s := t.s
	if t.Observe || !t.in.Link || !s.Target.OK || !t.trusted || s.Target.CO2MinPPM > 0 {
		return false
	}
	if !s.Air.Inside.CO2.OK || t.doubted(chamber.CO2) || !s.Air.Inside.RelativeHumidity.OK || s.Reservoir.Dry || s.Reservoir.Known && s.Reservoir.Liters < 0.1 {
		return false
	}
	for _, i := range []int{fan, mist} {
		if p := &s.Plugs[i]; !p.Known || p.Hand.Active || !p.DisagreesSince.IsZero() && t.in.Now.Sub(p.DisagreesSince) > time.Minute {
			return false
		}
	}
	for _, n := range []alarm.Name{alarm.ChamberOpen, alarm.HumidityLow, alarm.HumidifierWeak, alarm.FanFailed, alarm.PlugDisobeys} {
		if s.Alarms.Active(n) {
			return false
		}
	}
	return true
}

// purgeDue gives the length of a purge that is to begin now; 0: none.
func (t *step) purgeDue(fan int, light bool) time.Duration {
	if !light && t.s.Target.LightHours > 0 { // people sleep near chambers, and a long fan run wakes them
		return 0
	}
	if t.s.Learn.Watched() < purgeFrom || t.in.Now.Sub(t.s.Purge.From) < purgeEvery || t.s.Plugs[fan].On {
		return 0
	}
	if k := t.s.Learn.Knowledge(t.Spec.VolumeM3, t.Spec.AltitudeM); k.FanM3PerH.RelativeSD < purgeWorth {
		return 0
	}
	c := &t.model.Constants
	if t.model.Air.CO2-c.RoomCO2 < purgeSignal {
		return 0
	}
	run := time.Duration(purgeChanges / math.Max(c.Flow, 1e-4) * float64(time.Second))
	run = min(max(run, purgeShortest, t.Spec.Plugs[fan].MinOn+guard.Slack), purgeLongest)
	allowed := purgeDry
	if t.s.Target.Stage == species.Pinning {
		allowed = purgeDryPins
	}
	if driest(t.model, run) < t.s.Target.RelativeHumidity.Low-allowed {
		return 0
	}
	return run
}

// driest is the lowest relative humidity that a fan run of that length is expected to leave, with the mist running
// along.
func driest(m learn.Model, run time.Duration) float64 {
	const dt = 4
	low := 1.0
	for s := 0.0; s < run.Seconds(); s += dt {
		m.Air.Step(&m.Constants, 1, 1, dt)
		low = math.Min(low, m.Air.RH(&m.Constants))
	}
	return low
}

func earliest(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

package lab

import (
	"fmt"
	"math"
	"slices"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/reason"
)

const fanRole = chamber.ExhaustFan

// mostBroken bounds what is written down of one trial.
const mostBroken = 20

// breaks writes down that something did not hold.
func (e *examiner) breaks(at time.Duration, format string, args ...any) {
	if len(e.broken) < mostBroken {
		e.broken = append(e.broken, at.String()+": "+fmt.Sprintf(format, args...))
	}
}

// invariants checks what must hold at every step.
func (e *examiner) invariants(before []guard.Plug, in *policy.Input, d *policy.Decision, at time.Duration) {
	for i := range d.Plugs {
		e.commands(before, in, d, i, at)
	}
	for _, place := range []chamber.Place{chamber.Inside, chamber.Room} {
		for _, q := range chamber.Quantities() {
			e.estimate(place, q, in.Now, at)
		}
	}
	for i := range d.Plugs {
		for _, r := range d.Plugs[i].Reasons {
			switch r.Code {
			case reason.BelowAim, reason.AboveAim, reason.InBand:
				if r.Quantity != 0 && !e.state.Air.Of(chamber.Inside, r.Quantity).OK {
					e.breaks(at, "plug %s is decided by %s, which nobody knows", e.c.Spec.Plugs[i].Name, r.Quantity)
				}
			}
		}
	}
}

// commands holds minimum times, and that a hand at the plug is left alone.
func (e *examiner) commands(before []guard.Plug, in *policy.Input, d *policy.Decision, i int, at time.Duration) {
	p, spec, was := &d.Plugs[i], &e.c.Spec.Plugs[i], &e.sent[i]
	if !p.Send {
		return
	}
	if hand := &before[i].Hand; hand.Active && hand.AtPlug && in.Now.Before(hand.Until) && !cut(p) {
		e.breaks(at, "plug %s is commanded while it is in a hand", spec.Name)
	}
	if was.any && was.on != p.On {
		least := spec.MinOff
		if was.on {
			least = spec.MinOn
		}
		if since := in.Now.Sub(was.at); since < least && !cut(p) {
			e.breaks(at, "plug %s is turned after %v; its least is %v", spec.Name, since, least)
		}
	}
	switch {
	case !was.any && reminded(p): // of what it was told before anybody looked
		*was = sent{on: p.On, any: true}
	case !was.any || was.on != p.On:
		*was = sent{p.On, in.Now, true, cut(p)}
	}
}

// reminded reports whether a plug that tells nothing of itself is told again what it was told before.
func reminded(p *policy.PlugDecision) bool {
	return slices.ContainsFunc(p.Reasons, func(r reason.Reason) bool { return r.Code == reason.Remind })
}

// cut reports whether a plug is switched for safety.
func cut(p *policy.PlugDecision) bool {
	return slices.ContainsFunc(p.Reasons, func(r reason.Reason) bool {
		return r.Code == reason.MaxOn || r.Code == reason.Interlock || r.Code == reason.HeaterNoReading
	})
}

// estimate works the voted value out again from what was heard.
func (e *examiner) estimate(place chamber.Place, q chamber.Quantity, now time.Time, at time.Duration) {
	var v []float64
	for i := range e.c.Spec.Sensors {
		s, h := &e.c.Spec.Sensors[i], &e.heard[i]
		if s.Quantity == q && s.Place == place && !h.at.IsZero() && now.Sub(h.at) <= s.MaxAge && e.state.Sensors[i].Suspect == "" {
			v = append(v, h.value)
		}
	}
	got := e.state.Air.Of(place, q)
	if !got.OK {
		return
	}
	if len(v) == 0 {
		e.breaks(at, "%s of the %s rests on no sensor that can be trusted", q, place)
		return
	}
	slices.Sort(v)
	if want := (v[(len(v)-1)/2] + v[len(v)/2]) / 2; got.Value != want {
		e.breaks(at, "%s of the %s is %v, and %v by the sensors that can be trusted", q, place, got.Value, want)
	}
}

// runSlack is what a longest run may be outrun by: a command that is half a minute late, a step, and the plug's own delay.
const runSlack = 36.0

// watchOutlets holds longest runs and minimum times at the outlets themselves, where these obey and can be reached.
func (e *examiner) watchOutlets(at time.Duration, dt float64) {
	excused := e.excused(at)
	for i := range e.rig.Outlets {
		spec := &e.c.Spec.Plugs[i]
		if !e.rig.Outlets[i].On || excused {
			e.runFor[i] = 0
			continue
		}
		e.runFor[i] += dt
		if most := spec.MaxOn.Seconds(); most > 0 && e.runFor[i] > most+runSlack {
			e.breaks(at, "plug %s has run for %.0f s; its most is %.0f s", spec.Name, e.runFor[i], most)
			e.runFor[i] = 0
		}
	}
	for ; e.seen < len(e.rig.Violations); e.seen++ {
		if v := &e.rig.Violations[e.seen]; !excused && !e.sent[v.Plug].cut {
			e.breaks(at, "plug %s was switched after %.1f s", e.c.Spec.Plugs[v.Plug].Name, v.After)
		}
	}
}

// excused reports whether an outlet may do what it was not told, or cannot be told.
func (e *examiner) excused(at time.Duration) bool {
	for i := range e.rig.Faults {
		f := &e.rig.Faults[i]
		switch f.Kind {
		case plant.PlugWelded, plant.PlugDead, plant.PlugDisobeys, plant.LinkDown, plant.MessagesLost, plant.MessagesLate, plant.MessagesMixed:
			if at.Seconds() >= f.From && (f.For <= 0 || at.Seconds() < f.From+f.For+120) {
				return true
			}
		}
	}
	for i := range e.windows {
		if w := &e.windows[i]; (w.kind.by == killed || w.kind.by == handAtPlug) && at >= w.from && at < w.to+2*time.Minute {
			return true
		}
	}
	return false
}

// alarms sorts the alarms that came: named a fault, followed from one, or without a cause.
func (e *examiner) alarms(d *policy.Decision, at time.Duration) {
	if at < settle {
		return
	}
	for i := range d.Events {
		v := &d.Events[i]
		if v.Kind != policy.AlarmChanged || v.Alarm == alarm.HarvestDue || v.Alarm == alarm.StageOverdue || v.Alarm == alarm.CleaningDue {
			continue
		}
		if v.Notify && !e.disturbed(at) {
			e.told = append(e.told, Raise{v.Alarm, v.Condition.Code, v.Condition.About, at})
		}
		if v.Phase != alarm.Unacknowledged.String() || v.Condition.Cause != "" || e.explained(v.Alarm, at) {
			continue
		}
		e.wrong = append(e.wrong, Raise{v.Alarm, v.Condition.Code, v.Condition.About, at})
	}
}

// explained reports whether an alarm has a true condition or a fault behind it.
func (e *examiner) explained(n alarm.Name, at time.Duration) bool {
	for i := range e.windows {
		w := &e.windows[i]
		if at >= w.from && (slices.Contains(w.kind.Expect, n) || slices.Contains(w.kind.Bears, n)) {
			return true
		}
	}
	if n == alarm.SensorStuck && e.wetAt > 0 && at-e.wetAt < 2*time.Minute { // it may dry as it is said
		return true
	}
	return e.course.holds(n, &e.state.Target)
}

// wet reports whether a sensor is one of humidity that stands at the end of its range in air that is far from it: it is wet, and
// says so.
func (e *examiner) wet(i int) bool {
	s := &e.c.Spec.Sensors[i]
	return s.Quantity == chamber.RelativeHumidity && s.Place == chamber.Inside && e.heard[i].value > rangeEnd && e.course.drier(rangeEnd-wetBy)
}

// wets notes which sensors are wet.
func (e *examiner) wets(at, dt time.Duration) {
	for i := range e.heard {
		if e.wet(i) {
			e.wetAt = at
		}
		now := 0.0
		if e.rig.Sensors[i].Wet() {
			now = 1
		}
		e.wetted[i] += (1 - math.Exp(-dt.Seconds()/wettedOver.Seconds())) * (now - e.wetted[i])
	}
}

// soaked reports whether a sensor that is taken for wet was wet most of the time: it dips too seldom to show that it is sound.
func (e *examiner) soaked(i int) bool {
	return e.wetted[i] > 0.5 && e.state.Sensors[i].Suspect == string(alarm.Saturated)
}

// moist reports whether a sensor is wet, or rightly taken for it.
func (e *examiner) moist(i int) bool { return e.wet(i) || e.soaked(i) }

// wettedOver is three times as long as it takes until such a sensor is tried again.
const wettedOver = 90 * time.Minute

// rangeEnd is the reading from which a sensor of humidity stands at the end of its range.
const rangeEnd = 0.995

// wetBy is by how much a sensor must be wrong to count as wet: twice what a sound one may be off by.
const wetBy = 0.07

// resumed holds, some hours after the last fault, that control is back.
func (e *examiner) resumed() {
	at := e.last.Sub(e.c.Start)
	s := &e.state
	wet := false // a sensor, which says so: then there may be nothing to go by
	for i := range e.heard {
		wet = wet || e.moist(i)
	}
	if len(s.Short) > 0 && !wet {
		e.breaks(at, "plugs still run by habit for want of %v", s.Short)
	}
	if s.Reservoir.Dry {
		e.breaks(at, "the reservoir still counts as dry")
	}
	for i := range s.Sensors {
		if (s.Sensors[i].Suspect != "" || s.Sensors[i].Silent) && !e.drifted(i) && !e.outvoted(i) && !e.moist(i) && !e.weighed(i) {
			e.breaks(at, "sensor %s is still not used: %s", s.Sensors[i].Name, s.Sensors[i].Suspect)
		}
	}
	for i := range s.Plugs {
		if p := &s.Plugs[i]; p.Hand.Active || !p.DisagreesSince.IsZero() && e.last.Sub(p.DisagreesSince) > time.Minute {
			e.breaks(at, "plug %s is still not in control", p.Name)
		}
	}
	for _, n := range []alarm.Name{alarm.ReservoirDry, alarm.FanFailed, alarm.PlugDisobeys, alarm.SensorSilent, alarm.SensorStuck,
		alarm.ChamberOpen, alarm.BrokerLost, alarm.FallbackActive, alarm.JournalFailing} {
		if n == alarm.PlugDisobeys && !e.turnedSince(e.until()) {
			continue // it cannot have shown that it obeys again
		}
		if wet && (n == alarm.SensorStuck || n == alarm.FallbackActive) {
			continue
		}
		if s.Alarms.Active(n) && !slices.Contains(e.stood, n) {
			e.breaks(at, "alarm %s still stands", n)
		}
	}
}

// drifted reports whether a sensor has drifted: it stays off when it drifts no further.
func (e *examiner) drifted(sensor int) bool {
	return slices.ContainsFunc(e.rig.Faults, func(f plant.Fault) bool {
		return (f.Kind == plant.SensorDrift || f.Kind == plant.SensorBaseline) && f.Index == sensor
	})
}

// weighed reports whether a step of a sensor has only just been seen: it is left out at once, and said when that lasts.
func (e *examiner) weighed(sensor int) bool {
	return e.state.Sensors[sensor].Suspect == string(alarm.Jumped) && e.state.Detectors.Sensors[sensor].Good < 600
}

// outvoted reports whether a sensor is left out because it reads too far from others of which one has drifted and is believed:
// the drift stays, and two of three sensors agree that the third is off. Nothing that is said in the chamber tells them apart.
func (e *examiner) outvoted(sensor int) bool {
	if e.state.Sensors[sensor].Suspect != string(alarm.Outlier) {
		return false
	}
	x := &e.c.Spec.Sensors[sensor]
	for i := range e.c.Spec.Sensors {
		s := &e.c.Spec.Sensors[i]
		if s.Quantity == x.Quantity && s.Place == x.Place && e.drifted(i) && e.state.Sensors[i].Suspect == "" {
			return true
		}
	}
	return false
}

// turnedSince reports whether every plug with a hand in the air was told to turn after a time.
func (e *examiner) turnedSince(at time.Duration) bool {
	for i := range e.state.Plugs {
		p := &e.state.Plugs[i]
		if (p.Role == chamber.Humidifier || p.Role == fanRole) && p.TurnedAt.Before(e.c.Start.Add(at)) {
			return false
		}
	}
	return true
}

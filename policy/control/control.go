// Package control works out which plugs should run, from the target, the air and the chamber's physics.
//
// It must never send anything or overrule the guard. Start reading at [Decide].
package control

import (
	"math"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/learn"
	"gillkeeper/policy/reason"
)

// State is what control remembers from step to step.
type State struct {
	Seen   Observer  `json:"seen"`             // where the air stands, by the rules
	LookAt time.Time `json:"look_at,omitzero"` // no pulse is looked for before
	Mist   Mist      `json:"mist"`             // the humidifier's pulses
	Fan    Fan       `json:"fan"`              // the exhaust fan's pulses
	Plan   Plan      `json:"plan"`             // for both, where the chamber is known well enough
	Rate   Rate      `json:"rate,omitzero"`    // what a second costs by the plan's measure, of late
	Trim   Trim      `json:"trim,omitzero"`    // what is taken off the plan's aim of humidity
	Over   time.Time `json:"over,omitzero"`    // since when CO2 is measured above its maximum; zero: it is not
	Wet    time.Time `json:"wet,omitzero"`     // since when every reading of humidity says that no mist is to be given; zero: the last did not
	// What budgets of switchings come to.
	MistWear Wear `json:"mist_wear,omitzero"`
	FanWear  Wear `json:"fan_wear,omitzero"`
	Heat     bool `json:"heat,omitempty"`
	Cool     bool `json:"cool,omitempty"`
}

// Scene is everything control looks at. It is read only.
type Scene struct {
	Now       time.Time
	Spec      *chamber.Spec
	Target    crop.Target
	Air       *chamber.Air
	Plugs     []guard.Plug
	Light     bool         // the photoperiod wants light now
	LightNext time.Time    // when that changes
	Dry       bool         // the reservoir is known to be dry: the humidifier rests
	Probe     bool         // it is dry, and the humidifier may be tried now
	ProbeAt   time.Time    // when a dry humidifier may be tried again
	Model     *learn.Model // the chamber as learned, to plan with; nil: not to be trusted, the rules go on
}

// Decide gives what control wants of each plug of the chamber (one for each of Spec.Plugs).
//
// It is the rule controller: pulses sized to the chamber by its volume and the plugs' rated means, corrected by what
// earlier pulses did, with the mist timed to the fan.
func Decide(st State, sc *Scene) (State, []guard.Want) {
	wants := make([]guard.Want, len(sc.Spec.Plugs))
	if !sc.Target.OK {
		st.Mist.Until, st.Fan.Until = time.Time{}, time.Time{}
		for i := range wants {
			wants[i].Reasons = []reason.Reason{{Code: reason.NoBatch}}
		}
		return st, wants
	}
	fan, mist := sc.Spec.Plug(chamber.ExhaustFan), sc.Spec.Plug(chamber.Humidifier)
	st.observe(sc, fan, mist)
	suffers := sc.suffers()
	if mist >= 0 {
		st.MistWear = st.MistWear.follow(&sc.Spec.Plugs[mist], &sc.Plugs[mist], suffers, sc.Now)
	}
	if fan >= 0 {
		st.FanWear = st.FanWear.follow(&sc.Spec.Plugs[fan], &sc.Plugs[fan], suffers, sc.Now)
	}
	st.Over = sc.over(st.Over)
	st.Wet = sc.wet(st.Wet)
	var m, f guard.Want
	if sc.plans(&st) {
		m, f = st.plan(sc)
	} else {
		st.Plan = Plan{}
		m, f = st.rules(sc, fan, mist)
	}
	if fan >= 0 {
		wants[fan] = f
	}
	if mist >= 0 {
		wants[mist] = m
	}
	for i := range wants {
		if sc.Spec.First(i) != i {
			continue
		}
		switch sc.Spec.Plugs[i].Role {
		case chamber.Lamp:
			wants[i] = lamp(sc)
		case chamber.Heater:
			wants[i] = st.heater(sc)
		case chamber.Cooler:
			wants[i] = st.cooler(sc)
		case chamber.CirculationFan:
			wants[i] = circulation(sc)
		}
	}
	return st, wants
}

// Anew drops what was begun: after an outage of the broker it is decided by the air as it is then.
func (st *State) Anew() {
	st.Mist.Until, st.Fan.Until = time.Time{}, time.Time{}
	st.Plan = Plan{}
}

// lamp follows the photoperiod.
func lamp(sc *Scene) guard.Want {
	return guard.Want{On: sc.Light, Until: sc.LightNext, Reasons: []reason.Reason{{
		Code: reason.Photoperiod, Quantity: chamber.Illuminance, Value: sc.Target.LightHours, Until: sc.LightNext}}}
}

// The deadbands of temperature: a plug switches when the air leaves the band by leave, and rests when it is back
// inside by back. Air sensors are good to about 0.2 K, and a chamber's contents answer in minutes.
const (
	leaveK = 0.2
	backK  = 0.6
)

// heater warms when the air is below the band, and never without a temperature reading.
func (st *State) heater(sc *Scene) guard.Want {
	t := sc.Air.Inside.Temperature
	if !t.OK {
		st.Heat = false
		return guard.Want{Cut: true, Reasons: []reason.Reason{{Code: reason.HeaterNoReading, Quantity: chamber.Temperature}}}
	}
	band := sc.Target.TemperatureC
	stop := math.Min(band.Low+backK, math.Max(band.Aim, band.Low))
	start := band.Low - leaveK
	st.Heat = t.Value < start || st.Heat && t.Value < stop
	r := reason.Reason{Code: reason.InBand, Quantity: chamber.Temperature, Value: t.Value, Bound: start}
	if st.Heat {
		r.Code, r.Bound = reason.BelowAim, stop
	}
	return guard.Want{On: st.Heat, Level: sc.part(chamber.Heater, (stop-t.Value)/(stop-start)), Reasons: []reason.Reason{r}}
}

// part is the level of a plug that modulates for a share of its full output, at least its lowest; 0, for full, where it
// does not.
func (sc *Scene) part(role chamber.Role, share float64) float64 {
	if p := &sc.Spec.Plugs[sc.Spec.Plug(role)]; p.Modulates() {
		return p.AtLeast(share)
	}
	return 0
}

// cooler cools when the air is above the band.
func (st *State) cooler(sc *Scene) guard.Want {
	t := sc.Air.Inside.Temperature
	if !t.OK {
		st.Cool = false
		return guard.Want{Reasons: []reason.Reason{{Code: reason.NoSensor, Quantity: chamber.Temperature}}}
	}
	band := sc.Target.TemperatureC
	stop := math.Max(band.High-backK, math.Min(band.Aim, band.High))
	start := band.High + leaveK
	st.Cool = t.Value > start || st.Cool && t.Value > stop
	r := reason.Reason{Code: reason.InBand, Quantity: chamber.Temperature, Value: t.Value, Bound: start}
	if st.Cool {
		r.Code, r.Bound = reason.AboveAim, stop
	}
	return guard.Want{On: st.Cool, Level: sc.part(chamber.Cooler, (t.Value-stop)/(start-stop)), Reasons: []reason.Reason{r}}
}

// Circulation: still, saturated air leaves caps wet (common practice: stir with every mist and fan pulse, and a
// little in between).
const (
	stirPeriod = 10 * time.Minute
	stirRun    = 2 * time.Minute
)

func circulation(sc *Scene) guard.Want {
	for i := range sc.Plugs {
		if p := &sc.Plugs[i]; p.On && (p.Role == chamber.Humidifier || p.Role == chamber.ExhaustFan) {
			return guard.Want{On: true, Reasons: []reason.Reason{{Code: reason.Interlock, Other: p.Name}}}
		}
	}
	phase := time.Duration(sc.Now.UnixNano() % int64(stirPeriod))
	w := guard.Want{On: phase < stirRun}
	next := stirRun - phase
	if !w.On {
		next = stirPeriod - phase
	}
	w.Until = sc.Now.Add(next)
	w.Reasons = []reason.Reason{{Code: reason.FreshAir, Value: stirRun.Seconds() / stirPeriod.Seconds(), Until: w.Until}}
	return w
}

package control

import (
	"math"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/reason"
)

// Mist is the memory of the humidifier's pulses.
type Mist struct {
	Since time.Time     `json:"since,omitzero"` // when the present or last pulse began
	Until time.Time     `json:"until,omitzero"` // its planned end
	Why   reason.Reason `json:"why,omitzero"`
	// Buffer is how many times the air's own capacity for vapor must be filled for a given rise: wet walls and
	// substrate take their share. Learned from what pulses did; 0: not yet.
	Buffer float64 `json:"buffer"`
	From   float64 `json:"from"`            // relative humidity when the pulse began
	Peak   float64 `json:"peak"`            // highest since
	Grams  float64 `json:"grams"`           // given in the pulse
	Repay  float64 `json:"repay,omitempty"` // share of what the fan carries off that is misted along with it
	Owed   float64 `json:"owed,omitempty"`  // grams that were too little for a pulse
	Open   bool    `json:"open,omitempty"`  // the pulse's effect is still to be read
	Clean  bool    `json:"clean,omitempty"` // no fan ran meanwhile
}

// What the rules of mist assume until the chamber is learned.
const (
	// RHLag is the lag of a capacitive sensor in still, wet air (30..60 s, common practice).
	RHLag = 40 * time.Second
	// mistSettle is how long after a pulse its effect has shown: droplets evaporate and the sensor follows.
	mistSettle = 90 * time.Second
	// firstBuffer is the buffer assumed first (common practice: a tent's walls and blocks take two to six times what
	// its air takes).
	firstBuffer = 2.5
	// restRise is the least worth misting for: a sensor's noise.
	restRise = 0.006
	// ratedMist is assumed of a humidifier whose rating the file does not give: one disc.
	ratedMist = 300.0
	// wettest is the reading above which no mist is given whatever the aim: a sensor cannot tell 97 from 100 %.
	wettest = 0.975
	// mistLead is how far the mist goes ahead of the fan: a humidifier takes that long to come to full output.
	mistLead = 8 * time.Second
	// firstRepay is the share of what a fan pulse carries off that is misted along with it at first; crop and wet walls
	// give back the rest. Most chambers end near it.
	firstRepay = 0.8
	mostRepay  = 1.6
	// repayGain is by how much that share grows for each 1 of relative humidity missing when the next fan pulse comes,
	// and pairGain how much of the missing vapor itself is misted.
	repayGain = 0.5
	pairGain  = 0.15
	// pairError bounds what is taken for missing or too much: a wet sensor stands at the end of its range.
	pairError = 0.02
	// pairLook is how far the reading is looked through for it.
	pairLook = 0 * time.Second
	// spinUp is the time for which a humidifier that was just switched on counts as not running yet.
	spinUp = 8.0
	// leadLeast is the least share of the shortest pulse that must be owed for one to be given.
	leadLeast = 0.6
)

// mist decides the humidifier: pulses sized to what is missing, each given time to show, and mist timed to the end of
// a fan pulse for what the fan carries off.
func (st *State) mist(sc *Scene, i int) guard.Want {
	m := &st.Mist
	rh := sc.Air.Inside.RelativeHumidity
	st.readEffect(sc)
	if sc.Now.Before(m.Until) {
		if rh.OK && rh.Value > math.Min(wettest, sc.Target.RelativeHumidity.High) && sc.Now.Sub(m.Since) > sc.Spec.Plugs[i].MinOn+guard.Slack {
			m.Until = sc.Now // far enough: the rest of the pulse would only drown
		} else {
			return guard.Want{On: true, Until: m.Until, Reasons: []reason.Reason{m.Why}}
		}
	}
	if sc.Dry {
		return guard.Want{Reasons: []reason.Reason{{Code: reason.ReservoirDry, Until: sc.ProbeAt}}}
	}
	if !rh.OK {
		return guard.Want{Reasons: []reason.Reason{{Code: reason.NoSensor, Quantity: chamber.RelativeHumidity}}}
	}
	if sc.Probe && rh.Value < wettest && ready(sc, i) {
		return st.startMist(sc, i, reason.Reason{Code: reason.ReservoirDry, Quantity: chamber.RelativeHumidity, Value: rh.Value}, alarm.ProbeFor)
	}
	aim := sc.Target.RelativeHumidity.Aim
	expected := st.RH.ahead(sc.Now, RHLag)
	r := reason.Reason{Code: reason.InBand, Quantity: chamber.RelativeHumidity, Value: rh.Value, Bound: aim, Predicted: expected}
	if !ready(sc, i) || sc.Plugs[i].On {
		return guard.Want{Reasons: []reason.Reason{r}}
	}
	least := st.rise(sc, i, sc.Spec.Plugs[i].MinOn)
	start := aim - math.Max(restRise, math.Min(least/2, aim-sc.Target.RelativeHumidity.Low))
	r.Bound = start
	if wait := st.mistWait(); sc.Now.Before(wait) && expected > aim-0.10 {
		r.Code, r.Until = reason.WaitEffect, wait
		return guard.Want{Reasons: []reason.Reason{r}}
	}
	if expected >= start || rh.Value >= wettest {
		return guard.Want{Reasons: []reason.Reason{r}}
	}
	seconds := (aim - expected) / math.Max(least, 1e-6) * sc.Spec.Plugs[i].MinOn.Seconds()
	r.Code = reason.BelowAim
	return st.startMist(sc, i, r, time.Duration(math.Min(seconds, longestPulse.Seconds())*float64(time.Second)))
}

// mistWait is when the effect of the last pulse, of mist or of air, has shown.
func (st *State) mistWait() time.Time {
	wait := st.Mist.Until.Add(mistSettle)
	if fan := st.Fan.Until.Add(mistSettle); fan.After(wait) {
		wait = fan
	}
	return wait
}

func (st *State) startMist(sc *Scene, i int, why reason.Reason, run time.Duration) guard.Want {
	plug := &sc.Spec.Plugs[i]
	run = max(run, plug.MinOn+guard.Slack)
	if plug.MaxOn > 0 {
		run = min(run, plug.MaxOn)
	}
	m := &st.Mist
	m.Since, m.Until = sc.Now, sc.Now.Add(run)
	m.From, m.Peak, m.Open, m.Clean = st.RH.Value, st.RH.Value, true, true
	m.Grams = rated(plug) / 3600 * run.Seconds()
	why.For = run
	why.Predicted = math.Min(1, st.RH.Value+st.rise(sc, i, run))
	m.Why = why
	return guard.Want{On: true, Until: m.Until, Reasons: []reason.Reason{why}}
}

// pairMist starts a mist pulse for what the fan pulse that is about to begin will carry off, and reports whether it
// did. What is owed is the share Repay of the loss, which settles at what keeps the air at the aim from one fan pulse to
// the next, and the part of the present error that the air itself is short of. What is less than the shortest pulse
// gives stays owed.
func (st *State) pairMist(sc *Scene, fan int) bool {
	i := sc.Spec.Plug(chamber.Humidifier)
	if i < 0 || !sc.Air.Inside.RelativeHumidity.OK || sc.Dry || sc.Probe {
		return false
	}
	m, plug := &st.Mist, &sc.Spec.Plugs[i]
	aim := sc.Target.RelativeHumidity.Aim
	short := math.Max(-pairError, math.Min(aim-st.RH.ahead(sc.Now, pairLook), pairError))
	m.Repay = math.Max(0, math.Min(st.repay()+repayGain*short, mostRepay))
	lost, rate := st.carriedOff(sc, fan), rated(plug)/3600
	capacity := sc.Spec.VolumeM3 * vaporDensity(chamberT(sc), 1)
	least := rate * math.Max(1, plug.MinOn.Seconds()-spinUp)
	m.Owed = math.Max(-least, math.Min(m.Owed+m.Repay*lost+pairGain*short*capacity, 4*least))
	if m.Owed < leadLeast*least || !ready(sc, i) || sc.Plugs[i].On || sc.Now.Before(m.Until) {
		return false
	}
	seconds := math.Max(math.Min(spinUp+m.Owed/rate, longestPulse.Seconds()), plug.MinOn.Seconds())
	m.Owed -= rate * (seconds - spinUp)
	r := reason.Reason{Code: reason.FanLoss, Quantity: chamber.RelativeHumidity, Value: lost, Bound: aim}
	st.startMist(sc, i, r, time.Duration(seconds*float64(time.Second)))
	return true
}

func (st *State) repay() float64 {
	if st.Mist.Repay == 0 && st.Mist.Owed == 0 {
		return firstRepay
	}
	return st.Mist.Repay
}

// carriedOff is the vapor in grams that the present or last fan pulse takes out of the chamber: the air changed, times
// what the chamber's air holds more than the room's.
func (st *State) carriedOff(sc *Scene, fan int) float64 {
	t := chamberT(sc)
	inside := vaporDensity(t, math.Min(1, st.RH.Value))
	share := changed(sc, fan, st.Fan.Until.Sub(st.Fan.Since))
	return math.Max(0, (inside-roomVapor(sc, t))*sc.Spec.VolumeM3*share)
}

// rise is the rise of relative humidity that a pulse of that length is expected to bring.
func (st *State) rise(sc *Scene, i int, run time.Duration) float64 {
	t := chamberT(sc)
	grams := rated(&sc.Spec.Plugs[i]) / 3600 * run.Seconds()
	return grams / (sc.Spec.VolumeM3 * vaporDensity(t, 1) * st.buffer())
}

func (st *State) buffer() float64 {
	if st.Mist.Buffer == 0 {
		return firstBuffer
	}
	return st.Mist.Buffer
}

// readEffect learns the buffer from the last pulse, when nothing else disturbed it.
func (st *State) readEffect(sc *Scene) {
	m := &st.Mist
	if !m.Open || !sc.Air.Inside.RelativeHumidity.OK {
		return
	}
	if sc.Now.Before(st.Fan.Until) {
		m.Clean = false
	}
	m.Peak = math.Max(m.Peak, st.RH.Value)
	if sc.Now.Before(m.Until.Add(mistSettle)) {
		return
	}
	m.Open = false
	rise := m.Peak - m.From
	if !m.Clean || m.Peak > 0.97 || rise < 0.004 {
		return
	}
	t := chamberT(sc)
	seen := m.Grams / (sc.Spec.VolumeM3 * vaporDensity(t, 1) * rise)
	seen = math.Max(0.8, math.Min(seen, 15))
	m.Buffer = math.Exp(0.75*math.Log(st.buffer()) + 0.25*math.Log(seen))
}

func rated(p *chamber.Plug) float64 {
	if p.OutputGPerH > 0 {
		return p.OutputGPerH
	}
	return ratedMist
}

// chamberT is the chamber's air temperature, or a mild one where it is not measured.
func chamberT(sc *Scene) float64 {
	if e := sc.Air.Inside.Temperature; e.OK {
		return e.Value
	}
	return 18
}

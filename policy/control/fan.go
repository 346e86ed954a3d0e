package control

import (
	"math"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/reason"
)

// Fan is the memory of the exhaust fan's pulses.
type Fan struct {
	Since    time.Time     `json:"since,omitzero"` // when the present or last pulse began
	Until    time.Time     `json:"until,omitzero"` // its planned end
	Why      reason.Reason `json:"why,omitzero"`
	DriedAt  time.Time     `json:"dried_at,omitzero"` // end of the last pulse against too much water
	Repaid   bool          `json:"repaid,omitempty"`  // the mist that the last pulse carried off was made good
	Freshest float64       `json:"freshest"`          // lowest CO2 seen lately, ppm: a bound on the room's; 0: none
	Flushed  float64       `json:"flushed"`           // air changes by the fan in about the last hour
	SeenAt   time.Time     `json:"seen_at,omitzero"`  // when the two were last brought up to date
}

// What the rules of air assume until the chamber is learned. Each errs to the safe side.
const (
	// InstalledFlow is the share of a fan's rated flow that passes duct and filter (common practice 40..70 %).
	InstalledFlow = 0.55
	// OutdoorCO2 is the CO2 of outdoor air, ppm; a room is never fresher.
	OutdoorCO2 = 420
	// CO2Lag is the lag of a diffusion CO2 sensor (60..180 s, common practice).
	CO2Lag = 70 * time.Second
	// co2Margin is how far below the maximum the fan begins, as a share of the room between fresh air and it, so that
	// the pulse has worked before the maximum is passed.
	co2Margin = 0.12
	// co2Swing is how far one pulse should bring the CO2 down at least, by the same measure.
	co2Swing = 0.25
	// longestPulse bounds a pulse, so that its effect is seen before more follows.
	longestPulse = 3 * time.Minute
	// fanSettle is the least pause after a pulse until its effect shows in the reading.
	fanSettle = 60 * time.Second
	// tooWet is how far above the aim the air must be before the fan dries it.
	tooWet = 0.025
	// overdry is how much further below the aim a drying pulse may leave the air for a moment than it was above: the
	// wet walls give back part of it within a minute or two.
	overdry = 1.5
	// flushedEnough is how many air changes an hour the fan must have given for the lowest CO2 seen to be about the
	// room's.
	flushedEnough = 8
	// drySettle is the pause between drying pulses when the air is only a little too wet.
	drySettle = 150 * time.Second
)

// fan decides the exhaust fan: fresh air when CO2 nears its maximum, drying when the air stays too wet, by the clock
// when CO2 is not known.
func (st *State) fan(sc *Scene, i int) guard.Want {
	f, p := &st.Fan, &sc.Plugs[i]
	if sc.Now.Before(f.Since) { // the mist goes first
		return guard.Want{Until: f.Since, Reasons: []reason.Reason{f.Why}}
	}
	if sc.Now.Before(f.Until) {
		return guard.Want{On: true, Until: f.Until, Reasons: []reason.Reason{f.Why}}
	}
	if p.On || !ready(sc, i) {
		return guard.Want{Reasons: []reason.Reason{{Code: reason.WaitEffect, Until: f.Until.Add(fanSettle)}}}
	}
	if r, run := st.freshAir(sc, i); run > 0 {
		return st.startFan(sc, i, r, run)
	} else if d, run := st.dryAir(sc, i); run > 0 {
		f.DriedAt = sc.Now.Add(run)
		return st.startFan(sc, i, d, run)
	} else {
		return guard.Want{Reasons: []reason.Reason{r}}
	}
}

func (st *State) startFan(sc *Scene, i int, why reason.Reason, run time.Duration) guard.Want {
	run = max(run, sc.Spec.Plugs[i].MinOn+guard.Slack)
	why.For = run
	f := &st.Fan
	f.Since, f.Until, f.Repaid, f.Why = sc.Now, sc.Now.Add(run), false, why
	if why.Quantity == chamber.CO2 && st.pairMist(sc, i) {
		f.Since, f.Until, f.Repaid = f.Since.Add(mistLead), f.Until.Add(mistLead), true
		return guard.Want{Until: f.Since, Reasons: []reason.Reason{why}}
	}
	return guard.Want{On: true, Until: f.Until, Reasons: []reason.Reason{why}}
}

// roomCO2 is the CO2 of the air that the fan draws in: measured, or the least that was seen in the chamber.
func (st *State) roomCO2(sc *Scene) float64 {
	if e := sc.Air.Room.CO2; e.OK {
		return e.Value
	}
	if st.Fan.Freshest > OutdoorCO2 && st.Fan.Flushed >= flushedEnough {
		return st.Fan.Freshest
	}
	return OutdoorCO2
}

// freshen follows the lowest CO2 that the fan's work brings about. It says something of the room only when the fan has
// changed the air often enough.
func (st *State) freshen(sc *Scene, i int, seen float64) {
	f := &st.Fan
	dt := min(max(sc.Now.Sub(f.SeenAt), 0), time.Minute)
	f.SeenAt = sc.Now
	keep := math.Exp(-dt.Hours())
	f.Flushed *= keep
	if sc.Plugs[i].On {
		f.Flushed -= math.Log(1 - changed(sc, i, dt))
	}
	if f.Freshest == 0 || seen < f.Freshest {
		f.Freshest = seen
		return
	}
	f.Freshest += (seen - f.Freshest) * (1 - keep)
}

// freshAir says for how long the fan should run for the sake of CO2; zero: not now, and why not.
func (st *State) freshAir(sc *Scene, i int) (reason.Reason, time.Duration) {
	limit := sc.Target.CO2MaxPPM
	if !sc.Air.Inside.CO2.OK || limit <= 0 {
		return st.airByClock(sc, i)
	}
	seen := sc.Air.Inside.CO2.Value
	st.freshen(sc, i, seen)
	room := math.Min(st.roomCO2(sc), seen)
	now := st.CO2.ahead(sc.Now, CO2Lag)
	start := limit - co2Margin*math.Max(limit-room, 100)
	r := reason.Reason{Code: reason.InBand, Quantity: chamber.CO2, Value: seen, Bound: start, Predicted: now}
	if room >= start {
		// The room itself is no fresher than the limit. Drawing it in helps only as far as it is fresher than the
		// chamber; more air than that would only cost water.
		r.Code, r.Bound = reason.RoomNoHelp, room
		start = room + 150
	}
	if now < start || sc.Now.Before(st.Fan.Until.Add(fanSettle)) && now < limit+0.3*(limit-room) {
		return r, 0
	}
	goal := math.Max(start-co2Swing*math.Max(limit-room, 100), room+40)
	flow := sc.Spec.Plugs[i].FlowM3PerH
	if flow <= 0 {
		flow = 60 // a small duct fan
	}
	seconds := 3600 * sc.Spec.VolumeM3 / (flow * InstalledFlow) * math.Log(math.Max(now-room, 60)/math.Max(goal-room, 30))
	run := time.Duration(math.Max(0, math.Min(seconds, longestPulse.Seconds())) * float64(time.Second))
	r.Code, r.Bound = reason.AboveAim, start
	return r, max(run, time.Second)
}

// airByClock gives fresh air at the rate of the climate table, for a chamber whose CO2 is not measured.
func (st *State) airByClock(sc *Scene, i int) (reason.Reason, time.Duration) {
	plug := &sc.Spec.Plugs[i]
	rate := sc.Target.FAEPerHour
	if rate <= 0 {
		rate = 1
	}
	flow := plug.FlowM3PerH
	if flow <= 0 {
		flow = 60
	}
	run := max(plug.MinOn+guard.Slack, 20*time.Second)
	changes := flow * InstalledFlow * run.Hours() / sc.Spec.VolumeM3
	period := time.Duration(changes / rate * float64(time.Hour))
	period = min(max(period, run+plug.MinOff+guard.Slack), 2*time.Hour)
	next := st.Fan.Since.Add(period)
	r := reason.Reason{Code: reason.FreshAir, Quantity: chamber.CO2, Value: rate, Until: next}
	if sc.Now.Before(next) {
		return r, 0
	}
	return r, run
}

// dryAir says for how long the fan should run because the air is too wet; zero: not.
func (st *State) dryAir(sc *Scene, i int) (reason.Reason, time.Duration) {
	in := sc.Air.Inside
	if !in.RelativeHumidity.OK {
		return reason.Reason{}, 0
	}
	if lo := sc.Target.CO2MinPPM; lo > 0 && in.CO2.OK && in.CO2.Value < lo {
		return reason.Reason{}, 0
	}
	aim := sc.Target.RelativeHumidity.Aim
	rh := st.RH.ahead(sc.Now, 0)
	excess := rh - aim
	if excess < tooWet || st.RH.Slope < -0.0002 { // already on its way down
		return reason.Reason{}, 0
	}
	pause := time.Duration(float64(drySettle) * math.Max(0.3, math.Min(1, tooWet/excess)))
	if sc.Now.Before(st.Fan.Until.Add(pause)) || sc.Now.Before(st.Mist.Until.Add(mistSettle)) {
		return reason.Reason{}, 0
	}
	after := st.rhAfterPulse(sc, i, math.Min(rh, 1))
	if after >= rh-0.01 {
		return reason.Reason{Code: reason.RoomNoHelp, Quantity: chamber.RelativeHumidity, Value: after, Bound: rh}, 0
	}
	if aim-after > overdry*excess { // the shortest pulse would leave the air further below the aim than it is above
		return reason.Reason{}, 0
	}
	return reason.Reason{Code: reason.AboveAim, Quantity: chamber.RelativeHumidity, Value: rh, Bound: aim + tooWet, Predicted: after}, time.Second
}

// rhAfterPulse is the relative humidity right after the fan's shortest pulse: the air mixed with the room's.
func (st *State) rhAfterPulse(sc *Scene, i int, rh float64) float64 {
	t := chamberT(sc)
	share := changed(sc, i, sc.Spec.Plugs[i].MinOn)
	inside, saturated := vaporDensity(t, rh), vaporDensity(t, 1)
	return (inside + share*(roomVapor(sc, t)-inside)) / saturated
}

// changed is the share of the chamber's air that a fan run of that length replaces.
func changed(sc *Scene, i int, run time.Duration) float64 {
	flow := sc.Spec.Plugs[i].FlowM3PerH
	if flow <= 0 {
		flow = 60
	}
	return 1 - math.Exp(-flow*InstalledFlow*run.Hours()/sc.Spec.VolumeM3)
}

// roomVapor is the vapor in a cubic meter of the air that the fan draws in, g; where it is not measured, that of a
// mild, rather dry room.
func roomVapor(sc *Scene, t float64) float64 {
	room := sc.Air.Room
	if !room.RelativeHumidity.OK {
		return vaporDensity(20, 0.45)
	}
	if room.Temperature.OK {
		t = room.Temperature.Value
	}
	return vaporDensity(t, room.RelativeHumidity.Value)
}

// ready reports whether a plug's minimum off time is over, so that a pulse begun now begins now.
func ready(sc *Scene, i int) bool {
	p := &sc.Plugs[i]
	if p.Hand.Active {
		return false
	}
	edge := p.ChangedAt
	if p.TurnedAt.After(edge) {
		edge = p.TurnedAt
	}
	return p.Known && !sc.Now.Before(edge.Add(sc.Spec.Plugs[i].MinOff+guard.Slack))
}

package control

import (
	"math"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/reason"
)

// Fan is the memory of the exhaust fan's pulses, and of the room's air as far as they show it.
type Fan struct {
	Since    time.Time     `json:"since,omitzero"`  // when the present or last pulse began
	Until    time.Time     `json:"until,omitzero"`  // its planned end
	Level    float64       `json:"level,omitempty"` // share of full output, of a fan that modulates; 0: full
	Why      reason.Reason `json:"why,omitzero"`
	Freshest float64       `json:"freshest"`         // lowest CO2 seen lately, ppm: a bound on the room's; 0: none
	Flushed  float64       `json:"flushed"`          // air changes by the fan in about the last hour
	SeenAt   time.Time     `json:"seen_at,omitzero"` // when the two were last brought up to date
}

// What the rules of fresh air go by.
const (
	// InstalledFlow is the share of a fan's rated flow that passes duct and filter at the least (common practice 40..70 %).
	InstalledFlow = 0.55
	// freshestRoom in ppm: a room is never fresher. It lies a little below [air.OutdoorCO2], the mean of a year, because season and
	// wind take outdoor air below that for days.
	freshestRoom = 420
	// co2Margin is how far below the maximum the fan begins, as a share of the room between fresh air and it, so that
	// the pulse has worked before the maximum is passed. It is co2Doubt ppm at the least, by which a sensor may read low (common
	// in data sheets: 30 ppm and 3 % of the reading either way).
	co2Margin = 0.12
	co2Doubt  = 45.0
	// co2Lift is how far above the room the fan begins at the least, ppm, while that is below the maximum by the margin's share:
	// sooner there is nothing to carry off.
	co2Lift = 20.0
	// co2Swing is how far one pulse should bring the CO2 down at least, by the same measure.
	co2Swing = 0.45
	// leastSpan is taken for the room between fresh air and the maximum where it is less, ppm.
	leastSpan = 100.0
	// staleRoom is how far above a room that is itself no fresher than the limit the fan begins, ppm: drawing it in
	// helps only as far as it is fresher than the chamber; more than that would only cost water. It is staleShare of the room's at
	// the least: two sensors may each be off by 50 ppm and 5 %, and a fan that ran for what they disagree by would never rest.
	staleRoom  = 150.0
	staleShare = 0.15
	// flushedEnough is how many air changes an hour the fan must have given for the lowest CO2 seen to be about the
	// room's.
	flushedEnough = 8
)

// roomCO2 is the CO2 of the air that the fan draws in: measured, or the least that was seen in the chamber.
func (st *State) roomCO2(sc *Scene) float64 {
	if e := sc.Air.Room.CO2; e.OK {
		return e.Value
	}
	if st.Fan.Freshest > freshestRoom && st.Fan.Flushed >= flushedEnough {
		return st.Fan.Freshest
	}
	return freshestRoom
}

// aboveStale is how far above a stale room that is measured the fan begins, ppm.
func aboveStale(room float64) float64 { return math.Max(staleRoom, staleShare*room) }

// freshen follows the lowest CO2 that the fan's work brings about. It says something of the room only when the fan has
// changed the air often enough.
func (st *State) freshen(sc *Scene, i int, seen float64) {
	f := &st.Fan
	dt := min(max(sc.Now.Sub(f.SeenAt), 0), time.Minute)
	f.SeenAt = sc.Now
	keep := math.Exp(-dt.Hours())
	f.Flushed *= keep
	f.Flushed += RatedFlow(sc.Spec) * sc.Plugs[i].Output() * InstalledFlow * dt.Hours() / sc.Spec.VolumeM3
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
	now := st.Seen.CO2
	room := math.Min(st.roomCO2(sc), seen)
	span := math.Max(limit-room, leastSpan)
	latest := limit - co2Margin*span
	start := math.Min(latest, math.Max(limit-co2Doubt, room+co2Lift))
	r := reason.Reason{Code: reason.InBand, Quantity: chamber.CO2, Value: seen, Bound: start, Predicted: now}
	if room >= latest {
		r.Code, r.Bound = reason.RoomNoHelp, room
		start = room + staleRoom
		if sc.Air.Room.CO2.OK { // what is only believed of the room may be believed of a fan that fails
			start = room + aboveStale(room)
		}
	}
	if now < start {
		if r.Code == reason.InBand && seen >= start { // what the sensor shows is behind what the last run did
			r.Code = reason.WaitEffect
		}
		return r, 0
	}
	goal := math.Max(start-co2Swing*span, room+40)
	rate := RatedFlow(sc.Spec) * st.Seen.Flow / sc.Spec.VolumeM3 / 3600
	run := math.Log(math.Max(now-room, 60)/math.Max(goal-room, 30)) / rate
	if r.Code == reason.RoomNoHelp { // nobody would know why there and not at the maximum
		r.Code, r.Predicted = reason.StaleRoom, room
	} else {
		r.Code = reason.AboveAim
	}
	r.Bound = start
	return r, seconds(clamp(run, 1, longestPulse.Seconds()))
}

// leastAirPeriod is the shortest time from one run by the clock to the next: thirty-five switchings of the fan an hour, and the mist
// beside it is switched as often.
const leastAirPeriod = 206 * time.Second

// airByClock gives fresh air at the rate of the climate table, for a chamber whose CO2 is not measured.
func (st *State) airByClock(sc *Scene, i int) (reason.Reason, time.Duration) {
	due, length, period := st.nextAir(sc, i)
	r := reason.Reason{Code: reason.FreshAir, Quantity: chamber.CO2, Value: sc.airings(), Until: sc.Now.Add(seconds(due))}
	if due > 0 {
		return r, 0
	}
	r.Until = sc.Now.Add(seconds(period))
	return r, seconds(length)
}

// airings is how many air changes an hour fresh air by the clock comes to.
func (sc *Scene) airings() float64 {
	if sc.Target.FAEPerHour <= 0 {
		return 1
	}
	return sc.Target.FAEPerHour
}

// nextAir is in how many seconds fresh air is due by the clock, how long its run is, and how long after the beginning of one the next
// is due.
func (st *State) nextAir(sc *Scene, i int) (due, length, period float64) {
	plug := &sc.Spec.Plugs[i]
	run := max(plug.MinOn+guard.Slack, 20*time.Second)
	changes := RatedFlow(sc.Spec) * InstalledFlow * run.Hours() / sc.Spec.VolumeM3
	every := time.Duration(changes / sc.airings() * float64(time.Hour))
	every = min(max(every, run+plug.MinOff+guard.Slack), 2*time.Hour)
	if every < leastAirPeriod { // the same air by fewer and longer runs
		run, every = time.Duration(float64(run)*leastAirPeriod.Seconds()/every.Seconds()), leastAirPeriod
	}
	return max(0, st.Fan.Since.Add(every).Sub(sc.Now).Seconds()), run.Seconds(), every.Seconds()
}

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
	Since time.Time     `json:"since,omitzero"`  // when the present or last pulse began
	Until time.Time     `json:"until,omitzero"`  // its planned end
	Level float64       `json:"level,omitempty"` // share of full output, of a humidifier that modulates; 0: full
	Why   reason.Reason `json:"why,omitzero"`
}

// When the rules look for a pulse.
const (
	leaveWet = 0.03  // above the aim
	leaveDry = 0.025 // below it
	// wettest is the reading above which no mist is given whatever the aim: a sensor cannot tell 97 from 100 %.
	wettest = 0.975
	// fog is the water above which the air counts as too wet whatever the aim.
	fog = 0.99
	// wetLong is for how long the rules go on by what they reckon while every reading is above wettest. A sensor wetted by mist
	// dries sooner, unless it is wetted again and again by a humidifier that makes up for what the fan is thought to carry off:
	// then it must rest until the readings show what the air is, or that they do not follow the fan.
	wetLong = 30 * time.Minute
	// drier is how much drier than the aim the room must be for its air to dry the chamber.
	drier = 0.03
	// pairWait is how long a fan that is wanted for fresh air waits for the humidifier's rest to end, so that the two
	// run together.
	pairWait = 20 * time.Second
	// lookAgain is the pause after no pulse was found worth its while.
	lookAgain = 4 * time.Second
)

// need is what calls for a pulse now, and which plugs may begin one.
type need struct {
	air             time.Duration // fresh air for at least so long
	wet, dry        bool          // the air strayed from its aim
	mayFan, mayMist bool
}

// rules decides humidifier and exhaust fan without a learned model: where the air strays from its aim, CO2 nears its
// maximum or the clock asks for fresh air, one pulse of either or both is sized by the labels' physics, so that what
// the fan carries off and what the humidifier gives leave the air near its aim. An index below 0: there is none.
func (st *State) rules(sc *Scene, fan, mist int) (m, f guard.Want) {
	st.cutMist(sc, mist)
	var n need
	var mistWhy, fanWhy reason.Reason
	if fan >= 0 {
		fanWhy = st.needsFan(sc, fan, mist, &n)
	}
	if mist >= 0 {
		mistWhy = st.needsMist(sc, mist, &n)
		if sc.Probe && n.mayMist {
			st.startMist(sc, alarm.ProbeFor, 0, mistWhy)
			n = need{}
		}
	}
	if n.air > 0 || (n.wet || n.dry) && !sc.Now.Before(st.LookAt) {
		p := st.size(sc, fan, mist, n)
		st.begin(sc, &p, n, &mistWhy, &fanWhy)
	}
	return st.mistWant(sc, mistWhy), st.fanWant(sc, fanWhy)
}

// wet follows since when every reading of humidity is above wettest.
func (sc *Scene) wet(since time.Time) time.Time {
	switch rh := sc.Air.Inside.RelativeHumidity; {
	case !rh.OK || rh.Value < wettest:
		return time.Time{}
	case since.IsZero():
		return sc.Now
	}
	return since
}

// cutMist ends a pulse once its shortest time is over and the air is as wet as a sensor can tell.
func (st *State) cutMist(sc *Scene, mist int) {
	m, rh := &st.Mist, sc.Air.Inside.RelativeHumidity
	if mist < 0 || !sc.Now.Before(m.Until) || sc.Now.Before(st.Fan.Until) || !rh.OK {
		return
	}
	most := math.Min(wettest, sc.Target.RelativeHumidity.High)
	if rh.Value > most && st.Seen.Water > most && sc.Now.Sub(m.Since) > sc.Spec.Plugs[mist].MinOn+guard.Slack {
		m.Until = sc.Now
	}
}

// needsFan says what of the air calls for the fan, and why not where nothing does.
func (st *State) needsFan(sc *Scene, fan, mist int, n *need) reason.Reason {
	r, run := st.freshAir(sc, fan)
	if sc.Now.Before(st.Fan.Until) {
		return r
	}
	if !ready(sc, fan) {
		return rests(sc, fan, r)
	}
	n.mayFan = true
	if n.air = run; run > 0 && st.pairSoon(sc, mist) {
		n.air, n.mayFan = 0, false
		r.Code, r.Until = reason.WaitEffect, restsUntil(sc, mist)
		return r
	}
	in := sc.Air.Inside
	if !in.RelativeHumidity.OK || st.Seen.Water <= math.Min(sc.Target.RelativeHumidity.Aim+leaveWet, fog) {
		return r
	}
	if low := sc.Target.CO2MinPPM; low > 0 && in.CO2.OK && in.CO2.Value < low {
		return r
	}
	t := chamberT(sc)
	full := vaporDensity(t, 1)
	if room := roomVapor(sc, t) / full; room > sc.Target.RelativeHumidity.Aim-drier {
		if n.air == 0 {
			r = reason.Reason{Code: reason.RoomNoHelp, Quantity: chamber.RelativeHumidity, Value: pascal(t, room), Bound: pascal(t, st.Seen.Water)}
		}
		return r
	}
	n.wet = true
	return r
}

// pairSoon reports whether the fan should wait for the humidifier.
func (st *State) pairSoon(sc *Scene, mist int) bool {
	if mist < 0 || sc.Dry || !sc.Air.Inside.RelativeHumidity.OK || sc.Plugs[mist].Hand.Active || !sc.Plugs[mist].Known {
		return false
	}
	if most := sc.Target.CO2MaxPPM; most > 0 && st.Seen.CO2 > most {
		return false
	}
	return !ready(sc, mist) && restsUntil(sc, mist).Sub(sc.Now) < pairWait
}

// needsMist says whether the air calls for mist, and why not where it does not.
func (st *State) needsMist(sc *Scene, mist int, n *need) reason.Reason {
	rh := sc.Air.Inside.RelativeHumidity
	aim := sc.Target.RelativeHumidity.Aim
	r := reason.Reason{Code: reason.InBand, Quantity: chamber.RelativeHumidity, Value: rh.Value, Bound: aim - leaveDry, Predicted: math.Min(st.Seen.Water, 1)}
	switch {
	case sc.Dry:
		return reason.Reason{Code: reason.ReservoirDry, Until: sc.ProbeAt}
	case !rh.OK:
		return reason.Reason{Code: reason.NoSensor, Quantity: chamber.RelativeHumidity}
	case sc.Now.Before(st.Mist.Until):
		return r
	case !ready(sc, mist):
		return rests(sc, mist, r)
	}
	if !st.Wet.IsZero() && sc.Now.Sub(st.Wet) >= wetLong {
		return r
	}
	n.mayMist = true
	if sc.Probe {
		n.mayMist = rh.Value < wettest
		return reason.Reason{Code: reason.ReservoirDry, Quantity: chamber.RelativeHumidity, Value: rh.Value}
	}
	n.dry = st.Seen.Water < aim-leaveDry && rh.Value < wettest
	if rh.Value < r.Bound && !n.dry { // what the sensor shows is behind what the last run did
		r.Code = reason.WaitEffect
	}
	if n.dry && sc.Now.Before(st.LookAt) { // as was found a moment ago
		r.Code, r.Value, r.Bound = reason.TooCoarse, math.Min(st.Seen.Water, 1), aim
	}
	return r
}

// rests is the reason of a plug that may not run yet, or whose run is over: what it ran for may well call for the next.
func rests(sc *Scene, i int, otherwise reason.Reason) reason.Reason {
	until := restsUntil(sc, i)
	if p := &sc.Plugs[i]; p.HasTold && p.Told {
		until = sc.Now.Add(sc.Spec.Plugs[i].MinOff + guard.Slack)
	}
	if sc.Now.Before(until) && !sc.Plugs[i].Hand.Active {
		return reason.Reason{Code: reason.MinOff, Until: until}
	}
	return otherwise
}

// begin starts what a pulse holds; where that is nothing, the shortest run would have led further from the aim than
// rest does.
func (st *State) begin(sc *Scene, p *pulse, n need, mistWhy, fanWhy *reason.Reason) {
	water := reason.Reason{Code: reason.AboveAim, Quantity: chamber.RelativeHumidity, Value: math.Min(st.Seen.Water, 1), Predicted: math.Min(p.water, 1)}
	water.Bound = sc.Target.RelativeHumidity.Aim
	if p.fan.length == 0 && p.mist.length == 0 {
		st.LookAt = sc.Now.Add(lookAgain)
		water.Code = reason.TooCoarse
		if n.dry {
			*mistWhy = water
		}
		if n.wet {
			*fanWhy = water
		}
		return
	}
	if p.fan.length > 0 {
		if n.air == 0 {
			*fanWhy = water
			if n.dry { // it only takes off what the humidifier's shortest run gives too much
				*fanWhy = reason.Reason{Code: reason.Interlock, Other: sc.Spec.Plugs[sc.Spec.Plug(chamber.Humidifier)].Name}
			}
		}
		fanWhy.For = seconds(p.fan.length)
		st.Fan.Level = p.fan.level
		st.Fan.Since = sc.Now.Add(seconds(p.lead))
		st.Fan.Until, st.Fan.Why = st.Fan.Since.Add(fanWhy.For), *fanWhy
	}
	if p.mist.length > 0 {
		*mistWhy = water
		mistWhy.Code = reason.BelowAim
		if p.fan.length > 0 {
			mistWhy.Code, mistWhy.Value = reason.FanLoss, p.grams(sc)
		}
		st.startMist(sc, seconds(p.mist.length), p.mist.level, *mistWhy)
		*mistWhy = st.Mist.Why
	}
}

func (st *State) startMist(sc *Scene, run time.Duration, level float64, why reason.Reason) {
	why.For = run
	st.Mist = Mist{Since: sc.Now, Until: sc.Now.Add(run), Level: level, Why: why}
}

// rests reports whether what a pulse was decided by is still known. It ends where it is not: nothing is done by a value
// that nobody has.
func (sc *Scene) rests(why *reason.Reason) bool {
	switch why.Code {
	case reason.BelowAim, reason.AboveAim, reason.StaleRoom, reason.InBand:
		return why.Quantity == 0 || sc.Air.Of(chamber.Inside, why.Quantity).OK
	}
	return true
}

func (st *State) mistWant(sc *Scene, resting reason.Reason) guard.Want {
	if m := &st.Mist; sc.Now.Before(m.Until) && sc.rests(&m.Why) {
		return guard.Want{On: true, Level: m.Level, Until: m.Until, Reasons: []reason.Reason{m.Why}}
	}
	return guard.Want{Until: resting.Until, Reasons: []reason.Reason{resting}}
}

func (st *State) fanWant(sc *Scene, resting reason.Reason) guard.Want {
	switch f := &st.Fan; {
	case sc.Now.Before(f.Until) && !sc.rests(&f.Why): // one that was yet to begin, too
		f.Since, f.Until = minTime(f.Since, sc.Now), sc.Now
	case sc.Now.Before(f.Since): // the mist goes first
		return guard.Want{Until: f.Since, Reasons: []reason.Reason{f.Why}}
	case sc.Now.Before(f.Until):
		return guard.Want{On: true, Level: f.Level, Until: f.Until, Reasons: []reason.Reason{f.Why}}
	}
	return guard.Want{Until: resting.Until, Reasons: []reason.Reason{resting}}
}

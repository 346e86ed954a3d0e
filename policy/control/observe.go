package control

import (
	"cmp"
	"math"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
)

// Observer is where the rules take the chamber's air to stand behind its sensors' lag: the labels' physics carried
// along with what the plugs do, pulled toward what the sensors show, with four slow corrections of what labels do not
// say. It knows nothing of walls and droplets apart: water is all that is airborne.
type Observer struct {
	At     time.Time `json:"at,omitzero"`       // zero: nothing known
	RHAt   time.Time `json:"rh_at,omitzero"`    // of the last reading taken in
	CO2At  time.Time `json:"co2_at,omitzero"`   // the same
	MistTo float64   `json:"mist_to,omitempty"` // share of full output that the humidifier is driven to
	FanTo  float64   `json:"fan_to,omitempty"`

	Water   float64 `json:"water"`    // vapor and droplets as the relative humidity that they would make; above 1: fog
	RH      float64 `json:"rh"`       // as the sensor should show it
	CO2     float64 `json:"co2"`      // ppm
	SeenCO2 float64 `json:"seen_co2"` // as the sensor should show it
	Mist    float64 `json:"mist"`     // how far the humidifier has spun up, 0..1
	Fan     float64 `json:"fan"`      // the same of the fan
	Misted  float64 `json:"misted"`   // how much of a surprise the humidifier's last runs can be blamed for, 0..1
	Fanned  float64 `json:"fanned"`   // the same of the fan

	Back     float64 `json:"back"`     // share a second of what is missing that crop and wet walls give back
	Made     float64 `json:"made"`     // CO2 by the crop, ppm a second
	Flow     float64 `json:"flow"`     // what passes of the fan's rated flow
	Airborne float64 `json:"airborne"` // what the air takes up of the humidifier's rated output
}

// What the observer begins with and holds the corrections to: common practice.
const (
	firstFlow, leastFlow, mostFlow             = 0.7, 0.3, 1.2
	firstAirborne, leastAirborne, mostAirborne = 0.72, 0.3, 1.1
	firstBack, leastBack, mostBack             = 0.004, 0.0008, 0.03
	firstMade, leastMade, mostMade             = 1200.0 / 3600, 0.01, 50.0

	wetWalls = 0.985 // relative humidity that crop and wet walls bring still air to
	stirring = 0.8   // by how much the running fan speeds that up
	// A humidifier takes so many seconds to come to full output and to leave it, a fan so many for either.
	mistUpS, mistDownS, fanUpS = 15.0, 8.0, 3.5

	// RHLag is the lag of a capacitive sensor in still, wet air (30..60 s, common practice).
	RHLag = 40 * time.Second
	// CO2Lag is the lag of a diffusion CO2 sensor (60..180 s, common practice).
	CO2Lag = 70 * time.Second
	// wetSensor is the reading from which a sensor may stand at the end of its range because it is wet.
	wetSensor   = 0.985
	blameS      = 90.0 // for which a run shows in the readings
	observeStep = 2.5  // s
	observeGap  = 5 * time.Minute
)

// The observer's gains. A reading moves the air by less than half of its surprise, since the rest is noise and lag,
// and a correction by some percent of it at the most.
const (
	gainSeen, gainWater, gainCO2 = 0.5, 0.35, 0.25
	// A sensor that was wetted by mist says no more than that; one that stays wet long after it says that the air is.
	gainWet, gainFog, mistPast = 0.1, 0.4, 0.05
	gainBack, gainAirborne     = 2.0, 1.0
	gainMade                   = 0.02
	gainFlow                   = 0.0015      // for each ppm
	mostRHMiss, mostCO2Miss    = 0.08, 150.0 // what lies beyond is taken for that much
	leastWater, mostWater      = 0.1, 1.3
)

// physics are the labels' constants for the moment. Rates are per second.
type physics struct {
	flow  float64 // air changes by the fan
	mist  float64 // of relative humidity, by the humidifier at full output
	roomW float64 // the room's water, as Observer.Water
	roomC float64 // its CO2, ppm
	back  float64
	made  float64
}

func (st *State) physics(sc *Scene, fan, mist int) physics {
	t := chamberT(sc)
	full := vaporDensity(t, 1)
	o := &st.Seen
	k := physics{roomW: roomVapor(sc, t) / full, roomC: st.roomCO2(sc), back: o.Back, made: o.Made}
	if fan < 0 {
		k.back = leastBack // nothing has just dried the air: still air that is dry has had its time to take water up
	} else {
		k.flow = RatedFlow(sc.Spec) * o.Flow / sc.Spec.VolumeM3 / 3600
	}
	if mist >= 0 {
		k.mist = outputOf(sc) * o.Airborne / 3600 / (sc.Spec.VolumeM3 * full)
	}
	return k
}

// step advances the air by dt seconds.
func (o *Observer) step(k *physics, mist, fan, dt float64) {
	m := learn.Spin(&o.Mist, mist, mistUpS, mistDownS, dt)
	f := learn.Spin(&o.Fan, fan, fanUpS, fanUpS, dt)
	q, b := k.flow*f*dt, k.back*(1+stirring*f)*dt
	o.Water = (o.Water + q*k.roomW + b*wetWalls + k.mist*m*dt) / (1 + q + b)
	o.CO2 = (o.CO2 + q*k.roomC + k.made*dt) / (1 + q)
}

// observe brings the observer to now and takes new readings in.
func (st *State) observe(sc *Scene, fan, mist int) {
	o := &st.Seen
	if gap := sc.Now.Sub(o.At); o.At.IsZero() || gap < 0 || gap > observeGap || !o.sane() {
		o.begin(sc)
	}
	k := st.physics(sc, fan, mist)
	for left := sc.Now.Sub(o.At).Seconds(); left > 0; left -= observeStep {
		dt := math.Min(left, observeStep)
		mean := o.Water
		co2 := o.CO2
		o.step(&k, o.MistTo, o.FanTo, dt)
		o.Misted += (o.Mist - o.Misted) * dt / blameS
		o.Fanned += (o.Fan - o.Fanned) * dt / blameS
		mean, co2 = (mean+o.Water)/2, (co2+o.CO2)/2
		o.RH += (math.Min(mean, 1) - o.RH) * dt / (RHLag.Seconds() + dt/2)
		o.SeenCO2 += (co2 - o.SeenCO2) * dt / (CO2Lag.Seconds() + dt/2)
	}
	o.At = sc.Now
	o.MistTo, o.FanTo = 0, 0
	if mist >= 0 && !sc.Dry {
		o.MistTo = sc.Plugs[mist].Output()
	}
	if fan >= 0 {
		o.FanTo = sc.Plugs[fan].Output()
	}
	if e := sc.Air.Inside.RelativeHumidity; e.OK && e.At.After(o.RHAt) {
		if e.At.Sub(o.RHAt) > observeGap { // nobody watched: no surprise, but all that is known
			o.Water, o.RH = clamp(e.Value, leastWater, mostWater), e.Value
		} else {
			o.takeRH(e.Value)
		}
		o.RHAt = e.At
	}
	if e := sc.Air.Inside.CO2; e.OK && e.At.After(o.CO2At) {
		if e.At.Sub(o.CO2At) > observeGap {
			o.CO2, o.SeenCO2 = e.Value, e.Value
		} else {
			o.takeCO2(e.Value, e.At.Sub(o.CO2At).Seconds())
		}
		o.CO2At = e.At
	}
}

// begin takes the air as the sensors show it; corrections of what the labels say outlive a gap.
func (o *Observer) begin(sc *Scene) {
	kept := *o
	*o = Observer{At: sc.Now, Water: 0.85, RH: 0.85, CO2: freshestRoom, SeenCO2: freshestRoom,
		Back: firstBack, Made: firstMade, Flow: firstFlow, Airborne: firstAirborne}
	if !kept.At.IsZero() && kept.sane() {
		o.Back, o.Made, o.Flow, o.Airborne = kept.Back, kept.Made, kept.Flow, kept.Airborne
	}
	if e := sc.Air.Inside.RelativeHumidity; e.OK {
		o.Water, o.RH, o.RHAt = e.Value, e.Value, e.At
	}
	if e := sc.Air.Inside.CO2; e.OK {
		o.CO2, o.SeenCO2, o.CO2At = e.Value, e.Value, e.At
	}
}

// takeRH takes a reading of humidity in. What surprises after a run is put down to what ran, the rest to crop and
// walls, which give back the more the more the air lacks.
func (o *Observer) takeRH(z float64) {
	miss := clamp(z-o.RH, -mostRHMiss, mostRHMiss)
	if z >= wetSensor && miss > 0 {
		miss *= gainWet + gainFog*math.Max(0, 1-o.Misted/mistPast)
	}
	lack := clamp((wetWalls-o.Water)/0.1, -1, 1)
	o.Back = clamp(o.Back*math.Exp(gainBack*miss*lack), leastBack, mostBack)
	o.Airborne = clamp(o.Airborne*math.Exp(gainAirborne*miss*o.Misted), leastAirborne, mostAirborne)
	o.RH += gainSeen * miss
	o.Water = clamp(o.Water+gainWater*miss, leastWater, mostWater)
}

// takeCO2 takes a reading of CO2 in, some seconds after the one before.
func (o *Observer) takeCO2(z, since float64) {
	miss := clamp(z-o.SeenCO2, -mostCO2Miss, mostCO2Miss)
	o.Made = clamp(o.Made+gainMade*(1-o.Fanned)*miss/math.Max(since, 20), leastMade, mostMade)
	o.Flow = clamp(o.Flow*math.Exp(-gainFlow*miss*o.Fanned), leastFlow, mostFlow)
	o.SeenCO2 += gainSeen * miss
	o.CO2 = math.Max(300, o.CO2+gainCO2*miss)
}

// sane reports whether the observer can be worked with: a stored state may hold anything.
func (o *Observer) sane() bool {
	for _, x := range [...]struct{ value, low, high float64 }{
		{o.Water, leastWater, mostWater}, {o.RH, 0, 1.1}, {o.CO2, 100, 1e5}, {o.SeenCO2, 0, 1e5},
		{o.Mist, 0, 1}, {o.Fan, 0, 1}, {o.MistTo, 0, 1}, {o.FanTo, 0, 1}, {o.Misted, 0, 1}, {o.Fanned, 0, 1},
		{o.Back, leastBack, mostBack}, {o.Made, leastMade, mostMade}, {o.Flow, leastFlow, mostFlow}, {o.Airborne, leastAirborne, mostAirborne},
	} {
		if !(x.value >= x.low && x.value <= x.high) { // also for NaN
			return false
		}
	}
	return true
}

func clamp(x, low, high float64) float64 { return math.Max(low, math.Min(x, high)) }

// ratedMist and ratedFlow are assumed where the file gives no rating: one disc, a small duct fan.
const ratedMist, ratedFlow = 300.0, 60.0

func outputOf(sc *Scene) float64 {
	return cmp.Or(sc.Spec.Rating(chamber.Humidifier, chamber.Output), ratedMist)
}

// RatedFlow is what the exhaust fans are rated for, in m³/h, or what is assumed of them.
func RatedFlow(spec *chamber.Spec) float64 {
	return cmp.Or(spec.Rating(chamber.ExhaustFan, chamber.Flow), ratedFlow)
}

// chamberT is the chamber's air temperature, or a mild one where it is not measured.
func chamberT(sc *Scene) float64 {
	if e := sc.Air.Inside.Temperature; e.OK {
		return e.Value
	}
	return 18
}

// roomVapor is the vapor in a cubic meter of the air that the fan draws in, g. A room that is not measured is taken for one as
// warm as the chamber, and as humid as such rooms are.
func roomVapor(sc *Scene, t float64) float64 {
	room := sc.Air.Room
	if room.Temperature.OK {
		t = room.Temperature.Value
	}
	if !room.RelativeHumidity.OK {
		return vaporDensity(t, learn.RoomRH(t))
	}
	return vaporDensity(t, room.RelativeHumidity.Value)
}

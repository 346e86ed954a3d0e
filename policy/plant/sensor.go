package plant

import (
	"math"

	"gillkeeper/policy/chamber"
)

// SensorSpec is how one sensor falls short of the truth. Values are in the program's units: ratio, °C, ppm, lux.
type SensorSpec struct {
	Quantity chamber.Quantity `json:"quantity"`
	Place    chamber.Place    `json:"place"`

	LagS     float64 `json:"lag_s"`     // time constant of a first-order lag
	Noise    float64 `json:"noise"`     // standard deviation of a reading
	Quantum  float64 `json:"quantum"`   // step of a reading; 0: none
	Bias     float64 `json:"bias"`      // added
	Gain     float64 `json:"gain"`      // error of slope, relative
	EveryS   float64 `json:"every_s"`   // reports at least that often
	Change   float64 `json:"change"`    // reports sooner when it moved by that much; 0: only by the clock
	GapS     float64 `json:"gap_s"`     // but not more often than that
	OffsetS  float64 `json:"offset_s"`  // of its first report
	MaxValue float64 `json:"max_value"` // end of its range; 0: none
	// WarmerK is by how much the spot is warmer than the chamber's mean, with the same water in its air: near a lamp, or
	// on the highest shelf.
	WarmerK float64 `json:"warmer_k,omitempty"`

	// Of a capacitive humidity sensor.
	Creep  float64 `json:"creep,omitempty"`   // how far a long stay near saturation lifts the reading: 0.005-0.03
	CreepH float64 `json:"creep_h,omitempty"` // time constant of that, and of its recovery
	WetS   float64 `json:"wet_s,omitempty"`   // for how long at the most a wetted one stands at the end of its range

	// Of a CO2 sensor: false for one that counts molecules and ignores altitude.
	CompensatesPressure bool `json:"compensates_pressure,omitempty"`
}

// Sensor is one sensor as it runs. It can be copied.
type Sensor struct {
	Spec SensorSpec

	noise    Noise
	primed   bool
	lagged   float64
	creep    float64
	wet      float64 // seconds until dry at a lack of 10 points
	drift    float64
	baseline float64 // what the automatic baseline has taken off
	lowest   float64 // since the window began
	windowS  float64
	last     float64 // reported
	lastAt   float64
	reported bool
}

// newSensor is a sensor whose noise comes from seed.
func newSensor(spec SensorSpec, seed uint64) Sensor {
	return Sensor{Spec: spec, noise: Noise{State: seed}, lastAt: spec.OffsetS - spec.EveryS, lowest: math.Inf(1)}
}

// surroundings is what a sensor feels.
type surroundings struct {
	air, room  Truth
	pressurePa float64
	fogGM3     float64
	lamp       float64
}

// baselineWindowS is the window of a sensor that calibrates itself: real ones take a day to a week; a shorter one
// keeps simulations short.
const baselineWindowS = 12 * 3600

// advance lets dt seconds pass and says whether the sensor reports now, and what.
//
//go:norace
func (s *Sensor) advance(at, dt float64, in *surroundings, faults []Fault, index int) (value float64, report bool) {
	truth := s.felt(in)
	if !s.primed {
		s.primed, s.lagged = true, truth
	}
	s.lagged += float64((truth - s.lagged) * (dt / (s.Spec.LagS + dt)))
	if s.Spec.Quantity == chamber.RelativeHumidity {
		s.soak(in, dt)
	}
	if wait := at - s.lastAt; wait < s.Spec.GapS || s.Spec.Change <= 0 && wait < s.Spec.EveryS {
		s.faults(at, dt, faults, index) // drift and baseline go on between reports
		return 0, false
	}
	silent, stuck, saturated, jump := s.faults(at, dt, faults, index)
	value = s.reading(jump)
	if saturated {
		value = s.end()
	}
	if stuck && s.reported {
		value = s.last
	}
	due := at-s.lastAt >= s.Spec.EveryS
	moved := s.Spec.Change > 0 && s.reported && math.Abs(value-s.last) >= s.Spec.Change
	if silent || !due && !moved {
		return 0, false
	}
	s.last, s.lastAt, s.reported = value, at, true
	return value, true
}

// felt is what reaches the sensing element before any lag.
func (s *Sensor) felt(in *surroundings) float64 {
	a := &in.air
	if s.Spec.Place == chamber.Room {
		a = &in.room
	}
	switch s.Spec.Quantity {
	case chamber.Temperature:
		return a.AirC + s.Spec.WarmerK
	case chamber.CO2:
		if s.Spec.CompensatesPressure {
			return a.CO2PPM
		}
		return float64(a.CO2PPM * (in.pressurePa * (1.0 / 101325)))
	case chamber.Illuminance:
		return 3 + float64(900*in.lamp)
	}
	if w := s.Spec.WarmerK; w != 0 { // the same partial pressure over another saturation
		return math.Min(1, float64(a.RelativeHumidity*Saturation(a.AirC))/Saturation(a.AirC+w))
	}
	return a.RelativeHumidity
}

// soak lets a humidity sensor creep upward near saturation and get wet in fog, and recover from both.
//
//go:norace
func (s *Sensor) soak(in *surroundings, dt float64) {
	if s.Spec.Place == chamber.Room {
		return
	}
	if s.Spec.CreepH > 0 {
		goal := float64(s.Spec.Creep * clamp((s.lagged-0.85)*10, 0, 1))
		s.creep += float64((goal - s.creep) * (dt / float64(s.Spec.CreepH*3600)))
	}
	if s.Spec.WetS > 0 {
		rh := in.air.RelativeHumidity
		switch {
		case rh > 0.99:
			s.wet = math.Min(s.Spec.WetS, s.wet+float64(dt*(0.3+in.fogGM3)))
		case s.wet > 0:
			s.wet = math.Max(0, s.wet-float64(dt*float64((1-rh)*10)))
		}
	}
}

// reading is what the sensor shows, before faults.
func (s *Sensor) reading(jump float64) float64 {
	v := float64(s.lagged*(1+s.Spec.Gain)) + s.Spec.Bias + s.creep + s.drift + jump - s.baseline +
		float64(s.Spec.Noise*s.noise.Normal())
	switch s.Spec.Quantity {
	case chamber.RelativeHumidity:
		if s.wet > 0 || v > s.end() {
			v = s.end()
		}
		v = math.Max(0, v)
	case chamber.CO2:
		v = math.Max(150, v)
	case chamber.Illuminance:
		v = math.Max(0, v)
	}
	if s.Spec.MaxValue > 0 && v > s.Spec.MaxValue {
		v = s.Spec.MaxValue
	}
	if q := s.Spec.Quantum; q > 0 {
		v = float64(math.Floor(v/q+0.5) * q)
	}
	return v
}

// Wet reports whether there is water on a sensor of humidity, by which it stands at the end of its range whatever the air holds.
func (s *Sensor) Wet() bool { return s.wet > 0 }

// end is where the sensor's range ends.
func (s *Sensor) end() float64 {
	switch {
	case s.Spec.MaxValue > 0:
		return s.Spec.MaxValue
	case s.Spec.Quantity == chamber.RelativeHumidity:
		return 0.999
	case s.Spec.Quantity == chamber.CO2:
		return 10_000
	}
	return 85
}

// faults applies what is wrong with the sensor now.
func (s *Sensor) faults(at, dt float64, faults []Fault, index int) (silent, stuck, saturated bool, jump float64) {
	for i := range faults {
		f := &faults[i]
		if f.Index != index || !f.Active(at) {
			continue
		}
		switch f.Kind {
		case SensorSilent:
			silent = true
		case SensorStuck:
			stuck = true
		case SensorSaturated:
			saturated = true
		case SensorJump:
			jump += f.Amount
		case SensorDrift:
			s.drift += float64(float64(f.Amount*perHour) * dt)
		case SensorBaseline:
			s.rebase(f.Amount, dt)
		}
	}
	return silent, stuck, saturated, jump
}

// rebase is the automatic baseline of a CO2 sensor: the lowest value of a window is taken for outdoor air.
func (s *Sensor) rebase(most, dt float64) {
	if most == 0 {
		most = 30
	}
	s.lowest = math.Min(s.lowest, s.lagged-s.baseline)
	if s.windowS += dt; s.windowS >= baselineWindowS {
		s.baseline += clamp(s.lowest-400, -most, most)
		s.windowS, s.lowest = 0, math.Inf(1)
	}
}

package plant

import (
	"math"
	"slices"

	"gillkeeper/policy/chamber"
)

// Rig is a whole simulated chamber: the plant, the room's weather, sensors, outlets, and what goes wrong with them.
// It is advanced by its owner and asked what its sensors and outlets say; nothing in it is shared.
type Rig struct {
	Params  Params
	State   State
	Weather Weather
	Sensors []Sensor
	Outlets []Outlet
	Faults  []Fault

	// Violations are the commands that switched an outlet too soon.
	Violations []Violation

	room    Room
	roomAt  float64
	surface surroundings
	dry     bool
	added   float64 // ppm in the room's air by a fault
	samples []Sample
	reports []Report
}

// Sample is what a sensor says.
type Sample struct {
	Sensor int
	Value  float64
}

// Report is what an outlet says.
type Report struct {
	Outlet   int
	HasOn    bool
	On       bool
	Level    float64 `json:",omitempty"` // of an outlet that dims, while on
	HasWatts bool
	Watts    float64
}

// roomEveryS is how often the room's air is worked out anew.
const roomEveryS = 20

// NewRig sets up a chamber that was just shut. Every random number in it comes from seed.
func NewRig(p Params, w Weather, sensors []SensorSpec, outlets []OutletSpec, seed uint64) *Rig {
	n := Noise{State: seed}
	r := &Rig{Params: p, Weather: w, room: w.At(0)}
	r.State = Start(&r.Params, r.room)
	for _, s := range sensors {
		r.Sensors = append(r.Sensors, newSensor(s, n.Uint64()))
	}
	for _, o := range outlets {
		r.Outlets = append(r.Outlets, Outlet{Spec: o, noise: Noise{State: n.Uint64()}, answer: o.Reports, meterAt: o.MeterS / 10})
	}
	for i := range r.Outlets {
		alike := 0
		for j := range outlets {
			if outlets[j].Role == outlets[i].Role {
				alike++
			}
		}
		r.Outlets[i].part = 1 / float64(alike)
	}
	r.samples = make([]Sample, 0, len(sensors))
	r.reports = make([]Report, 0, len(outlets))
	return r
}

// Clone is another chamber that goes on from the same moment with the same random numbers to come.
func (r *Rig) Clone() *Rig {
	c := *r
	c.Sensors, c.Outlets = slices.Clone(r.Sensors), slices.Clone(r.Outlets)
	c.Faults, c.Violations = slices.Clone(r.Faults), slices.Clone(r.Violations)
	c.samples, c.reports = make([]Sample, 0, cap(r.samples)), make([]Report, 0, cap(r.reports))
	return &c
}

// Seconds since the start.
func (r *Rig) Seconds() float64 { return r.State.Seconds }

// Room is the air outside now.
func (r *Rig) Room() Room { return r.room }

// Command tells an outlet what to do.
func (r *Rig) Command(outlet int, o chamber.Order) { r.Outlets[outlet].command(r.State.Seconds, o) }

// Hand switches an outlet at its button.
func (r *Rig) Hand(outlet int, on bool) { r.Outlets[outlet].hand(r.State.Seconds, on) }

// Refill fills the reservoir.
func (r *Rig) Refill() { r.State.ReservoirG = r.Params.ReservoirG }

// Advance lets dt seconds pass. What sensors and outlets then say is good until the next call.
func (r *Rig) Advance(dt float64) (samples []Sample, reports []Report) {
	at := r.State.Seconds + dt
	if at-r.roomAt >= roomEveryS || dt >= roomEveryS {
		r.room, r.roomAt = r.Weather.At(at), at
		r.room.CO2PPM += r.added
	}
	plugs := r.drive(at, dt)
	real := r.chamberFaults(at, dt, &plugs)
	r.State = Step(real, r.State, plugs, r.room, dt)

	r.surface.air = r.State.Truth(&r.Params)
	r.surface.room = Truth{AirC: r.room.AirC, RelativeHumidity: r.room.RelativeHumidity, CO2PPM: r.room.CO2PPM}
	r.surface.pressurePa, r.surface.lamp = r.Params.PressurePa, plugs.Lamp
	r.surface.fogGM3 = r.State.DropletsG / r.Params.VolumeM3
	r.samples, r.reports = r.samples[:0], r.reports[:0]
	for i := range r.Sensors {
		if v, ok := r.Sensors[i].advance(at, dt, &r.surface, r.Faults, i); ok {
			r.samples = append(r.samples, Sample{Sensor: i, Value: v})
		}
	}
	r.speak(at, plugs)
	return r.samples, r.reports
}

// drive moves the outlets and gives what hangs on them.
func (r *Rig) drive(at, dt float64) (plugs Plugs) {
	for i := range r.Outlets {
		o := &r.Outlets[i]
		f := outletFaultsAt(r.Faults, i, at)
		if v, violated := o.advance(at, dt, f); violated {
			v.Plug = i
			r.Violations = append(r.Violations, v)
		}
		if !o.On || f.load {
			continue
		}
		switch o.Spec.Role {
		case chamber.Humidifier:
			plugs.Humidifier += float64(o.Level * o.part)
		case chamber.ExhaustFan:
			plugs.ExhaustFan += float64(o.Level * o.part)
		case chamber.CirculationFan:
			plugs.CirculationFan += float64(o.Level * o.part)
		case chamber.Lamp:
			plugs.Lamp += float64(o.Level * o.part)
		case chamber.Heater:
			plugs.Heater += float64(o.Level * o.part)
		case chamber.Cooler:
			plugs.Cooler += float64(o.Level * o.part)
		}
	}
	return plugs
}

// chamberFaults applies what is wrong with the chamber and gives the parameters that hold now.
func (r *Rig) chamberFaults(at, dt float64, plugs *Plugs) *Params {
	real := &r.Params
	dry, added := false, 0.0
	r.room.Door = 0
	for i := range r.Faults {
		f := &r.Faults[i]
		if !f.Active(at) {
			continue
		}
		switch f.Kind {
		case ReservoirDry:
			dry = true
			r.State.ReservoirG = 0
		case DoorOpen:
			if r.room.Door = f.Amount; f.Amount == 0 {
				r.room.Door = 1
			}
		case FanBlocked:
			plugs.ExhaustFan = 0
		case RoomCO2:
			added = f.Amount
		case MisterScaled:
			scaled := *real
			scaled.MistGPerH *= f.Amount
			real = &scaled
		case FilterClogged:
			// The flow falls evenly in time to nothing left; see FilterFlow for the way back to resistance.
			left := math.Max(0.05, 1-float64(float64(f.Amount*perDay)*(at-f.From)))
			if share := r.Params.FilterShare; share > 0 {
				r.State.Fouling = (1/float64(left*left) - 1) / share
			}
		}
	}
	if r.dry && !dry {
		r.Refill()
	}
	r.dry = dry
	r.room.CO2PPM += added - r.added
	r.added = added
	return real
}

// speak lets the outlets report.
func (r *Rig) speak(at float64, plugs Plugs) {
	for i := range r.Outlets {
		o := &r.Outlets[i]
		f := outletFaultsAt(r.Faults, i, at)
		if f.dead {
			continue
		}
		report := Report{Outlet: i, On: o.On}
		if o.answer {
			o.answer, report.HasOn = false, o.Spec.Reports
			if o.Spec.Dims {
				report.Level = o.Level
			}
		}
		if o.Spec.Meters && at >= o.meterAt {
			o.meterAt = at + o.Spec.MeterS
			report.HasWatts, report.Watts = true, r.watts(o, f)
		}
		if report.HasOn || report.HasWatts {
			r.reports = append(r.reports, report)
		}
	}
}

// watts is what an outlet meters: 1 % of noise, in tenths.
func (r *Rig) watts(o *Outlet, f outletFaults) float64 {
	w := o.Spec.Standby
	if o.On && !f.load {
		w += float64(r.load(o.Spec.Role) * o.Level)
	}
	w = float64(w * (1 + float64(0.01*o.noise.Normal())))
	return math.Floor(float64(w*10)+0.5) / 10
}

// load is what hangs on an outlet draws when it runs.
func (r *Rig) load(role chamber.Role) float64 {
	p := &r.Params
	switch role {
	case chamber.Humidifier:
		if r.State.ReservoirG <= 0 {
			return p.MistDryWatts
		}
		return p.MistWatts
	case chamber.ExhaustFan: // the power of a mixed-flow fan falls with its flow: common practice
		return float64(p.FanWatts * (0.6 + float64(0.4*r.State.FilterFlow(p))))
	case chamber.CirculationFan:
		return p.CirculationWatts
	case chamber.Lamp:
		return p.LampWatts
	case chamber.Heater:
		return p.HeaterWatts
	}
	return p.CoolerWatts
}

// Announce lets every outlet tell its state anew, as after it has found the network again.
func (r *Rig) Announce() {
	for i := range r.Outlets {
		r.Outlets[i].answer = true
	}
}

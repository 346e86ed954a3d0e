package alarm_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/guard"
)

// desk lays evidence before the detectors by hand, a step every ten seconds.
type desk struct {
	t       *testing.T
	e       alarm.Evidence
	d       alarm.Detectors
	c       alarm.Conditions
	suspect []alarm.Code
	noise   *rand.Rand
	mid     func()        // what happens between the two halves of a step; nil: nothing, and plugs were switched before
	mute    bool          // plugs say nothing
	every   time.Duration // from step to step; longer where days pass in which nothing but readings once a minute matters
}

const (
	rhA = iota
	rhB
	rhC
	tempA
	co2A
	roomCO2
	lux
)

func newDesk(t *testing.T) *desk {
	spec := &chamber.Spec{Name: "loft", VolumeM3: 0.5}
	add := func(name string, q chamber.Quantity, p chamber.Place) {
		spec.Sensors = append(spec.Sensors, chamber.Sensor{Name: name, Quantity: q, Place: p, MaxAge: 5 * time.Minute})
	}
	add("rh-a", chamber.RelativeHumidity, chamber.Inside)
	add("rh-b", chamber.RelativeHumidity, chamber.Inside)
	add("rh-c", chamber.RelativeHumidity, chamber.Inside)
	add("temp", chamber.Temperature, chamber.Inside)
	add("co2", chamber.CO2, chamber.Inside)
	add("room-co2", chamber.CO2, chamber.Room)
	add("lux", chamber.Illuminance, chamber.Inside)
	for _, r := range []chamber.Role{chamber.Humidifier, chamber.ExhaustFan, chamber.Heater} {
		spec.Plugs = append(spec.Plugs, chamber.Plug{Name: r.String(), Role: r, Reports: true, Meters: true})
	}
	d := &desk{t: t, noise: rand.New(rand.NewPCG(1, 2)), every: 10 * time.Second}
	d.e = alarm.Evidence{Now: benchStart, Spec: spec, Link: true, Sensors: make([]alarm.SensorView, len(spec.Sensors))}
	d.e.Target = crop.Target{OK: true, RelativeHumidity: chamber.Band{Low: 0.86, Aim: 0.9, High: 0.94},
		TemperatureC: chamber.Band{Low: 14, Aim: 17, High: 20}, CO2MaxPPM: 1000}
	for _, p := range spec.Plugs {
		d.e.Plugs = append(d.e.Plugs, guard.Plug{Name: p.Name, Role: p.Role, Known: true})
	}
	d.set(chamber.RelativeHumidity, 0.90)
	d.set(chamber.Temperature, 17)
	d.set(chamber.CO2, 800)
	return d
}

// measureRoom hangs a sensor of humidity up in the room.
func (d *desk) measureRoom() {
	d.e.Spec.Sensors = append(d.e.Spec.Sensors, chamber.Sensor{Name: "room-rh", Quantity: chamber.RelativeHumidity, Place: chamber.Room, MaxAge: 5 * time.Minute})
	d.e.Sensors = append(d.e.Sensors, alarm.SensorView{})
}

func (d *desk) set(q chamber.Quantity, v float64) {
	*d.e.Air.Of(chamber.Inside, q) = chamber.Estimate{Value: v, OK: true}
}

// run lays so much time before the detectors; say gives each sensor's reading, NaN for none, once a minute.
func (d *desk) run(length time.Duration, say func(sensor int) float64) {
	for range int(length / d.every) {
		d.e.Now = d.e.Now.Add(d.every)
		d.e.Readings = nil
		if say != nil && d.e.Now.Second() == 0 {
			for i := range d.e.Sensors {
				if v := say(i); !math.IsNaN(v) {
					d.e.Readings = append(d.e.Readings, chamber.Reading{Sensor: i, Value: v, At: d.e.Now})
					d.e.Sensors[i] = alarm.SensorView{Fresh: true, Value: v, At: d.e.Now}
				}
			}
		}
		d.step()
	}
}

func (d *desk) step() {
	d.d, d.suspect = d.d.WatchSensors(&d.e)
	if d.mid != nil {
		d.mid()
	}
	for i := range d.e.Plugs {
		if p := &d.e.Plugs[i]; !d.mute {
			d.e.Reports = append(d.e.Reports, chamber.PlugReport{Plug: i, HasOn: true, On: p.Reported, At: d.e.Now})
		}
	}
	d.d, d.c = d.d.Detect(&d.e)
	d.e.Reports = nil
}

// pulse switches a plug on and off so that the air has reason to change.
func (d *desk) pulse(plug int, on bool) {
	p := &d.e.Plugs[plug]
	if p.On != on {
		p.On, p.Told, p.Reported, p.ChangedAt, p.ToldAt = on, on, on, d.e.Now, d.e.Now
		p.Switches++
	}
}

// sound is what sound sensors say: noise around the truth, and the pulses of the plugs every ten minutes.
func (d *desk) sound(i int) float64 {
	if d.mid == nil {
		d.pulse(1, d.e.Now.Minute()%10 < 2)
	}
	n := d.noise.NormFloat64()
	switch i {
	case rhA, rhB, rhC:
		return math.Round((0.90+0.004*n)*1000) / 1000
	case tempA:
		return math.Round((17+0.1*n)*10) / 10
	case co2A:
		return math.Round(800 + 12*n)
	case roomCO2:
		return math.Round(500 + 12*n)
	}
	return 0 // the lamp is off
}

// soundBut is what sound sensors say, but for one.
func (d *desk) soundBut(sensor int, value float64) func(i int) float64 {
	return func(i int) float64 {
		if v := d.sound(i); i != sensor {
			return v
		}
		return value
	}
}

func (d *desk) active(n alarm.Name) bool { return d.c.Of(n).Active }

func (d *desk) expect(n alarm.Name, want bool, when string) {
	d.t.Helper()
	if d.active(n) != want {
		d.t.Errorf("%s: %s is %v, want %v (%+v)", when, n, !want, want, *d.c.Of(n))
	}
}

func (d *desk) quiet(when string) {
	d.t.Helper()
	for _, n := range alarm.Names() {
		d.expect(n, false, when)
	}
}

package policy

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"gillkeeper/policy/calibration"
	"gillkeeper/policy/chamber"
)

const (
	// LongestAside is the longest time for which a sensor can be set aside: a forgotten one must not leave its chamber
	// to the fallback for days.
	LongestAside = 12 * time.Hour
	// returning is how long a sensor stays aside after its calibration over salts, to be hung up again and to forget
	// the jar (an estimate).
	returning = 10 * time.Minute
	// correctionsKept is how many earlier corrections of a sensor are remembered.
	correctionsKept = 8
)

// correct takes a raw reading in and gives it as everything else shall see it. It is the only place where corrections
// are applied to readings. A sensor that is set aside is watched and not heard.
func (x *SensorState) correct(q chamber.Quantity, r chamber.Reading, now time.Time) (chamber.Reading, bool) {
	switch {
	case !r.Retained:
		x.Raw, x.RawAt, x.Dead = r.Value, now, false // who speaks lives
	case x.RawAt.IsZero():
		x.Raw = r.Value
	}
	if x.Calibration.Quantity == q {
		r.Value = x.Calibration.Apply(r.Value)
	}
	return r, !x.aside(now)
}

// aside reports whether the sensor is set aside.
func (x *SensorState) aside(now time.Time) bool { return now.Before(x.Aside) }

// away sets a sensor aside until a moment, or takes it back. Its last value does not count as fresh any more.
func (x *SensorState) away(until time.Time) {
	x.Aside, x.Live = until, false
}

// recorrect puts the last reading right again after the correction has changed. What a sensor that is set aside shows is
// not its chamber's: there the last value stays.
func (x *SensorState) recorrect() {
	if x.Live && !x.RawAt.IsZero() {
		x.Value = x.Calibration.Apply(x.Raw)
	}
}

// retire moves the present correction among the earlier ones, the newest first.
func (x *SensorState) retire() {
	if x.Calibration.Made() {
		x.Earlier = append([]calibration.Correction{x.Calibration}, x.Earlier[:min(len(x.Earlier), correctionsKept-1)]...)
	}
	x.Calibration = calibration.Correction{}
}

// fitted is the sensor's state over the present configuration: a correction belongs to one quantity.
func (x SensorState) fitted(spec *chamber.Sensor) SensorState {
	if x.Calibration.Made() && x.Calibration.Quantity != spec.Quantity {
		x.retire()
	}
	return x
}

// hearReadings takes in what sensors said.
func (t *step) hearReadings() {
	var heard []chamber.Reading
	for _, r := range t.in.Readings {
		if r.Sensor < 0 || r.Sensor >= len(t.s.Sensors) {
			continue
		}
		x := &t.s.Sensors[r.Sensor]
		r, ok := x.correct(t.Spec.Sensors[r.Sensor].Quantity, r, t.in.Now)
		if !ok {
			continue
		}
		heard = append(heard, r)
		if r.Retained {
			if !x.Live { // a copy of unknown age never hides a value whose age is known
				x.Value, x.Known = r.Value, true
			}
			continue
		}
		t.seldom(x, t.Spec.Sensors[r.Sensor].MaxAge)
		x.Value, x.Known, x.Live, x.At = r.Value, true, true, t.in.Now
		if r.At.After(x.At.Add(-time.Minute)) && r.At.Before(x.At) {
			x.At = r.At
		}
	}
	t.in.Readings = heard // what comes after sees corrected values only
}

// applyCalibration corrects a sensor from now on, leaves it as it is made, or sets it aside.
func (p *Policy) applyCalibration(s State, a *Action, now time.Time) (State, error) {
	i, err := p.sensorNamed(a.Sensor)
	if err != nil {
		return s, err
	}
	x, spec := &s.Sensors[i], &p.Spec.Sensors[i]
	switch a.Kind {
	case SensorAside:
		if a.For < 0 || a.For > LongestAside {
			return s, &Refusal{Field: "for", Value: a.For.String(), Allowed: fmt.Sprintf("give a time up to %s, or none to take the sensor back", LongestAside)}
		}
		if a.For > 0 || x.aside(now) {
			x.away(now.Add(a.For))
		}
	case CalibrateClear:
		if !x.Calibration.Made() {
			return s, &Refusal{Field: "sensor", Value: a.Sensor, Allowed: "it has no calibration to clear", Unfit: true}
		}
		x.retire()
		x.recorrect()
	case Calibrate:
		if a.Calibration == nil {
			return s, &Refusal{Field: "calibration", Allowed: "give the readings that it rests on"}
		}
		c := *a.Calibration
		if c.Quantity != spec.Quantity {
			return s, &Refusal{Field: "sensor", Value: a.Sensor, Allowed: fmt.Sprintf("it measures %s and the calibration is for %s", spec.Quantity, c.Quantity)}
		}
		if err := c.Check(); err != nil {
			return s, &Refusal{Field: "calibration", Value: fmt.Sprintf("%.3f · reading %+g", c.Slope, c.Offset), Allowed: err.Error()}
		}
		if c.At.IsZero() {
			c.At = a.At
		}
		c.Since(&x.Calibration)
		x.retire()
		x.Calibration = c
		x.recorrect()
		if x.aside(now) {
			x.away(now.Add(returning))
		}
	}
	return s, nil
}

func (p *Policy) sensorNamed(name string) (int, error) {
	i := slices.IndexFunc(p.Spec.Sensors, func(s chamber.Sensor) bool { return s.Name == name })
	if i >= 0 {
		return i, nil
	}
	var names []string
	for i := range p.Spec.Sensors {
		names = append(names, p.Spec.Sensors[i].Name)
	}
	r := &Refusal{Field: "sensor", Value: name, Missing: true, Allowed: "sensors are " + strings.Join(names, ", ")}
	if names == nil {
		r.Allowed = "the chamber has no sensors"
	}
	return 0, r
}

package rehearse

import (
	"fmt"
	"math"
	"time"

	"gillkeeper/policy/air"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/species"
)

// FamilyCase is a chamber of the family that controllers are measured on, at one of two stages: pinning at 95 % and
// below 800 ppm, fruiting at 90 % and below 1000 ppm, for three days of which the first six hours are left out.
func FamilyCase(seed uint64, stage species.Stage) *Case {
	drawn := plant.Random(seed, stage)
	sensors, outlets := plant.Equip(seed)
	c := &Case{
		Params: drawn.Params, Weather: drawn.Weather, Sensors: sensors, Outlets: outlets, Seed: seed,
		Target: FamilyTarget(stage), Start: time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC),
		For: 72 * time.Hour, Settle: 6 * time.Hour, RefillEvery: 24 * time.Hour,
	}
	c.Spec = specOf(fmt.Sprintf("family-%d", seed), &drawn, sensors, outlets)
	return c
}

// FamilyTarget is the climate of a [FamilyCase].
func FamilyTarget(stage species.Stage) crop.Target {
	t := crop.Target{OK: true, Stage: stage, TemperatureC: chamber.Band{Low: 12, Aim: 18, High: 24}, LightHours: 12, LightsOn: 8 * time.Hour}
	switch stage {
	case species.Pinning:
		t.RelativeHumidity, t.CO2MaxPPM = chamber.Band{Low: 0.90, Aim: 0.95, High: 1}, 800
	default:
		t.RelativeHumidity, t.CO2MaxPPM = chamber.Band{Low: 0.85, Aim: 0.90, High: 0.95}, 1000
	}
	return t
}

// specOf is what the grower's configuration would say: labels, not truths.
func specOf(name string, drawn *plant.Case, sensors []plant.SensorSpec, outlets []plant.OutletSpec) *chamber.Spec {
	s := &chamber.Spec{Name: name, VolumeM3: drawn.Params.VolumeM3, Zone: time.UTC}
	if z, ok := air.AltitudeOf(air.Pascal(drawn.Params.PressurePa)); ok {
		s.AltitudeM = math.Round(float64(z)/10) * 10 // a grower knows where he lives
	}
	for i, x := range sensors {
		s.Sensors = append(s.Sensors, chamber.Sensor{Name: fmt.Sprintf("%s-%s-%d", x.Place, x.Quantity, i+1),
			Quantity: x.Quantity, Place: x.Place, MaxAge: 5 * time.Minute, CompensatesPressure: x.CompensatesPressure})
	}
	for _, o := range outlets {
		p := chamber.Plug{Name: o.Role.String(), Role: o.Role, Reports: o.Reports, Meters: o.Meters,
			MinOn: time.Duration(o.MinOnS) * time.Second, MinOff: time.Duration(o.MinOffS) * time.Second}
		switch o.Role {
		case chamber.Humidifier:
			p.OutputGPerH, p.ReservoirLiters, p.MaxOn = drawn.MistRated, drawn.Params.ReservoirG/1000, 30*time.Minute
		case chamber.ExhaustFan:
			p.FlowM3PerH = drawn.FanRated
		}
		s.Plugs = append(s.Plugs, p)
	}
	return s
}

// AnyRoom has the chamber stand in a room of 11 to 27 °C, which is damper where it is cool.
func (c *Case) AnyRoom(n *plant.Noise) {
	c.Weather.AirC, c.Weather.Humidity = n.Uniform(11, 27), n.Uniform(0.3, 0.65)
	if c.Weather.AirC < 16 {
		c.Weather.Humidity = n.Uniform(0.45, 0.8)
	}
}

// keepSensors leaves the sensors out that are not to be kept.
func (c *Case) keepSensors(keep func(*chamber.Sensor) bool) {
	spec := *c.Spec
	var sensors []plant.SensorSpec
	spec.Sensors = nil
	for i := range c.Sensors {
		if keep(&c.Spec.Sensors[i]) {
			sensors, spec.Sensors = append(sensors, c.Sensors[i]), append(spec.Sensors, c.Spec.Sensors[i])
		}
	}
	c.Spec, c.Sensors = &spec, sensors
}

// KeepFirstSensors leaves one sensor of each quantity in each place.
func (c *Case) KeepFirstSensors() {
	type of struct {
		chamber.Place
		chamber.Quantity
	}
	seen := map[of]bool{}
	c.keepSensors(func(s *chamber.Sensor) bool {
		one := of{s.Place, s.Quantity}
		first := !seen[one]
		seen[one] = true
		return first
	})
}

// DropRoom leaves the sensors in the room out.
func (c *Case) DropRoom() {
	c.keepSensors(func(s *chamber.Sensor) bool { return s.Place == chamber.Inside })
}

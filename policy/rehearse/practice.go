package rehearse

import (
	"math"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/plant"
)

// Timer is a repeat-cycle timer: so long on, so long off, for ever.
type Timer struct {
	On  time.Duration
	Off time.Duration
}

// Differential is between the switching points of a common humidistat: 5 points.
const Differential = 0.05

// CommonPractice keeps a chamber as most growers do: a humidistat with a differential of five points around the aim
// switches the humidifier, a repeat-cycle timer the fan, a clock the lamp, a thermostat heater and cooler. None knows
// of the others. It obeys the plugs' minimum times.
type CommonPractice struct {
	spec   *chamber.Spec
	target crop.Target
	timer  Timer

	humidity, temperature int // index of the sensor that it looks at; -1: none
	rh, airC              float64
	start                 time.Time
	started               bool
	on                    []bool
	changed               []time.Time
	told                  []bool
}

// NewCommonPractice sets the devices to a target. The fan's timer is set by whoever calls, see [CarefulTimer].
func NewCommonPractice(spec *chamber.Spec, target crop.Target, timer Timer) *CommonPractice {
	c := &CommonPractice{spec: spec, target: target, timer: timer, humidity: -1, temperature: -1,
		on: make([]bool, len(spec.Plugs)), changed: make([]time.Time, len(spec.Plugs)), told: make([]bool, len(spec.Plugs))}
	for i := len(spec.Sensors) - 1; i >= 0; i-- {
		switch s := &spec.Sensors[i]; {
		case s.Place != chamber.Inside:
		case s.Quantity == chamber.RelativeHumidity:
			c.humidity = i
		case s.Quantity == chamber.Temperature:
			c.temperature = i
		}
	}
	c.rh, c.airC = math.NaN(), math.NaN()
	return c
}

// Step switches what its devices would switch.
func (c *CommonPractice) Step(in policy.Input) policy.Decision {
	if !c.started {
		c.start, c.started = in.Now, true
	}
	for _, r := range in.Readings {
		switch r.Sensor {
		case c.humidity:
			c.rh = r.Value
		case c.temperature:
			c.airC = r.Value
		}
	}
	d := policy.Decision{At: in.Wall, Plugs: make([]policy.PlugDecision, len(c.spec.Plugs)), Wake: in.Now.Add(policy.LongestSleep)}
	for i := range c.spec.Plugs {
		c.plug(i, &in, &d)
	}
	return d
}

// plug switches one plug, if it may be switched yet.
func (c *CommonPractice) plug(i int, in *policy.Input, d *policy.Decision) {
	want, next := c.want(i, in)
	spec := &c.spec.Plugs[i]
	rest := spec.MinOff
	if c.on[i] {
		rest = spec.MinOn
	}
	p := &d.Plugs[i]
	free := c.changed[i].Add(rest)
	switch {
	case !c.told[i]: // a plug is told once how it is to begin
		c.told[i], p.Send = true, true
		c.on[i], c.changed[i] = want, in.Now
	case want != c.on[i] && !in.Now.Before(free):
		c.on[i], c.changed[i], p.Send = want, in.Now, true
	case want != c.on[i]:
		next = free
	}
	p.On = c.on[i]
	if !next.IsZero() && next.After(in.Now) && next.Before(d.Wake) {
		d.Wake = next
	}
}

// want is what the device in front of a plug would do now, and when its clock next has a say.
func (c *CommonPractice) want(i int, in *policy.Input) (on bool, next time.Time) {
	switch c.spec.Plugs[i].Role {
	case chamber.Humidifier:
		return band(c.on[i], c.rh, c.target.RelativeHumidity.Aim, Differential), next
	case chamber.ExhaustFan:
		return c.cycle(in.Now)
	case chamber.CirculationFan:
		return true, next
	case chamber.Lamp:
		return c.lit(in.Wall), next
	case chamber.Heater:
		return band(c.on[i], c.airC, c.target.TemperatureC.Low+0.5, 1), next
	case chamber.Cooler:
		return !math.IsNaN(c.airC) && !band(!c.on[i], c.airC, c.target.TemperatureC.High-0.5, 1), next
	}
	return false, next
}

// band is a two-point switch that is on below the aim; without a reading it is off.
func band(on bool, value, aim, differential float64) bool {
	switch {
	case math.IsNaN(value), value >= aim+differential/2:
		return false
	case value <= aim-differential/2:
		return true
	}
	return on
}

// cycle is the state of the repeat-cycle timer, which begins with its rest.
func (c *CommonPractice) cycle(now time.Time) (on bool, next time.Time) {
	switch {
	case c.timer.On <= 0:
		return false, next
	case c.timer.Off <= 0:
		return true, next
	}
	period := c.timer.On + c.timer.Off
	since := now.Sub(c.start) % period
	if since < c.timer.Off {
		return false, now.Add(c.timer.Off - since)
	}
	return true, now.Add(period - since)
}

// lit is whether the lamp's clock has it on.
func (c *CommonPractice) lit(wall time.Time) bool {
	if c.spec.Zone != nil {
		wall = wall.In(c.spec.Zone)
	}
	h, m, s := wall.Clock()
	of := time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(s)*time.Second
	since := (of - c.target.LightsOn + 24*time.Hour) % (24 * time.Hour)
	return since.Hours() < c.target.LightHours
}

// CarefulTimer is the setting that a careful grower finds for the fan: a carbon dioxide meter in hand, the crop at its
// middle load and the room as it mostly is, the shortest whole minutes of fan in fifteen at which the mean over a
// cycle stays 100 ppm under the maximum, which is about what such a meter can be trusted to. Where no setting reaches
// that, the fan runs fourteen minutes in fifteen. Without a maximum it is one minute in fifteen.
func CarefulTimer(c *Case) Timer {
	const cycle = 15
	if c.Target.CO2MaxPPM <= 0 {
		return Timer{On: time.Minute, Off: (cycle - 1) * time.Minute}
	}
	room, load := typical(c)
	for on := 1; on < cycle; on++ {
		if room+rise(&c.Params, load, float64(on)/60, float64(cycle-on)/60) <= c.Target.CO2MaxPPM-meterTrust {
			return Timer{On: time.Duration(on) * time.Minute, Off: time.Duration(cycle-on) * time.Minute}
		}
	}
	return Timer{On: (cycle - 1) * time.Minute, Off: time.Minute}
}

const meterTrust = 100 // ppm

// typical is the mean carbon dioxide of the room over the case in ppm, and the crop's at half its time in ppm of the
// chamber's volume an hour.
func typical(c *Case) (room, load float64) {
	hours := max(1, int(c.For/time.Hour))
	var sum float64
	for h := range hours {
		sum += c.Weather.At(float64(h) * 3600).CO2PPM
	}
	at := c.Weather.At(c.For.Seconds() / 2)
	at.AirC = c.Weather.AirC
	s := plant.Start(&c.Params, at)
	days := c.For.Hours() / 48
	for range int(days * 24) { // the crop grows whatever the air does
		s.Grow(&c.Params, 3600)
	}
	one := s
	one.SetAir(&c.Params, plant.Truth{AirC: at.AirC, RelativeHumidity: 0.9, CO2PPM: 1})
	return sum / float64(hours), s.Respiration(&c.Params) / (one.CO2GM3 * c.Params.VolumeM3)
}

// rise is the mean over the room of a chamber whose fan runs on hours and rests off hours, in the periodic state: with
// n and m air changes an hour, steady rises a = load/n and b = load/m, and e-folds x = n·on and y = m·off, the level
// at the end of the rest is h = (b(1-e^-y) + a(1-e^-x)e^-y)/(1-e^-(x+y)).
func rise(p *plant.Params, load, on, off float64) float64 {
	m := math.Max(p.LeakPerHour, 1e-3)
	n := m + p.FanM3PerH/p.VolumeM3
	a, b := load/n, load/m
	ex, ey := math.Exp(-n*on), math.Exp(-m*off)
	h := (b*(1-ey) + a*(1-ex)*ey) / (1 - ex*ey)
	l := a + (h-a)*ex
	mean := a*on + (h-a)*(1-ex)/n + b*off + (l-b)*(1-ey)/m
	return mean / (on + off)
}

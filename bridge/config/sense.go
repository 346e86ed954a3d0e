package config

import (
	"fmt"
	"math"
	"time"

	"gillkeeper/policy/air"
	"gillkeeper/policy/chamber"
)

// sense judges whether a chamber makes physical sense: each number may be right by itself and the whole still not be
// a thing that can be controlled. What is only unwise is a warning; what can't work is a fault.
func (r *reader) sense(t *table, c *Chamber) {
	for i, pt := range t.tables["plug"] {
		p := &c.Spec.Plugs[i]
		switch p.Role {
		case chamber.Humidifier:
			r.needsSensor(t, pt, c, chamber.RelativeHumidity)
			r.mist(t, pt, c.Spec, p)
		case chamber.Heater:
			r.needsSensor(t, pt, c, chamber.Temperature)
			r.heat(pt, p)
		case chamber.Cooler:
			r.needsSensor(t, pt, c, chamber.Temperature)
		case chamber.ExhaustFan:
			r.flush(t, pt, c.Spec, p)
		}
	}
}

// needsSensor complains of a plug that nothing could ever tell to stop.
func (r *reader) needsSensor(t, pt *table, c *Chamber, q chamber.Quantity) {
	if c.Spec.Has(q, chamber.Inside) || r.unsureSensors(t) {
		return
	}
	role := roleOf(r, pt)
	r.faultAt(pt.line, pt.where, Fault{What: fmt.Sprintf("%s without a %s sensor in the chamber", article(role.String()), q),
		Allowed: `add a [[chamber.sensor]] of it with place = "chamber": nothing else tells when to stop`, absence: true})
}

// unsureSensors reports whether a sensor's quantity or place couldn't be read, so that nothing can be said about what
// is missing.
func (r *reader) unsureSensors(t *table) bool {
	if t.faulty["sensor"] {
		return true
	}
	for _, st := range t.tables["sensor"] {
		if st.faulty["quantity"] || st.faulty["place"] || quantityOf(r, st) == 0 {
			return true
		}
	}
	return false
}

// mist judges a humidifier against the air it wets.
func (r *reader) mist(t, pt *table, spec *chamber.Spec, p *chamber.Plug) {
	if p.OutputGPerH > 0 && p.ReservoirLiters > 0 && !pt.faulty["reservoir_liters"] {
		if filling := time.Duration(p.ReservoirLiters * 1000 / p.OutputGPerH * float64(time.Hour)); filling < shortestFilling {
			r.fault(pt, "reservoir_liters", Fault{What: "lasts only " + shortDuration(filling.Round(time.Minute)) + " of running",
				Allowed: "it should last " + shortDuration(shortestFilling) + ", because a night is longer", Warning: true})
		}
	}
	capacity := saturation() * spec.VolumeM3
	if p.OutputGPerH <= 0 || capacity <= 0 || pt.faulty["output_g_per_h"] || pt.faulty["min_on"] || t.faulty["volume_m3"] {
		return
	}
	pulse := p.OutputGPerH * p.MinOn.Hours() / capacity // of the water that saturates dry air
	room := fmt.Sprintf("%s g/h in %s m³", number(p.OutputGPerH), number(spec.VolumeM3))
	switch {
	case pulse > hopelessPulse:
		r.fault(pt, r.paceKey(pt, "output_g_per_h"), Fault{
			What:    fmt.Sprintf("%s for min_on of %s is %s times the water that saturates dry air, so one pulse soaks the chamber", room, shortDuration(p.MinOn), figure(pulse)),
			Allowed: fmt.Sprintf("%s g/h keep up with 30 air changes an hour; one point of humidity is %s of running", figure(enoughMist*spec.VolumeM3), pointOf(p, capacity))})
	case pulse > leastBuffer*bandWidth:
		r.fault(pt, r.paceKey(pt, "output_g_per_h"), Fault{Warning: true,
			What:    fmt.Sprintf("%s for min_on of %s is worth %s points of humidity in bare air, and more than the whole band of %s points even where walls and blocks take up half", room, shortDuration(p.MinOn), figure(pulse*100), figure(bandWidth*100)),
			Allowed: fmt.Sprintf("a min_on of %s or less holds the band better", fitting(leastBuffer*bandWidth*capacity/p.OutputGPerH))})
	case p.OutputGPerH/spec.VolumeM3 > muchMist*enoughMist:
		r.fault(pt, "output_g_per_h", Fault{Warning: true,
			What:    fmt.Sprintf("%s is %s times what 30 air changes an hour from a dry room carry off", room, figure(p.OutputGPerH/spec.VolumeM3/enoughMist)),
			Allowed: fmt.Sprintf("%s g/h keep up with them", figure(enoughMist*spec.VolumeM3))})
	}
}

// paceKey gives the key to complain at: the time when it stands in the file, else the rating.
func (r *reader) paceKey(t *table, rating string) string {
	if r.given(t, "min_on") {
		return "min_on"
	}
	return rating
}

// saturation is the water in grams that a cubic meter of air holds at most, at the reference temperature.
func saturation() float64 {
	d, _ := air.VaporDensity(referenceTemperature, 1)
	return float64(d)
}

func pointOf(p *chamber.Plug, capacity float64) string {
	return figure(capacity/100/p.OutputGPerH*3600) + " s"
}

// fitting gives a time in hours as whole seconds, one at least.
func fitting(hours float64) string {
	return shortDuration(time.Duration(math.Max(1, math.Floor(hours*3600))) * time.Second)
}

// heat warns of a heater that a dead daemon would leave on.
func (r *reader) heat(t *table, p *chamber.Plug) {
	if !p.Timed && !t.faulty["timed_on_payload"] {
		r.faultAt(t.line, t.where, Fault{What: "a heater that can't turn itself off stays on when daemon, broker or network fail", Warning: true,
			Allowed: "set timed_on_payload where the plug knows such a command, and fit a thermostat in any case"})
	}
}

// flush judges a fan against the air it moves.
func (r *reader) flush(t, pt *table, spec *chamber.Spec, p *chamber.Plug) {
	if p.FlowM3PerH <= 0 || spec.VolumeM3 <= 0 || pt.faulty["flow_m3_per_h"] || pt.faulty["min_on"] || t.faulty["volume_m3"] {
		return
	}
	times := p.FlowM3PerH * p.MinOn.Hours() / spec.VolumeM3
	if times <= flushedTimes {
		return
	}
	r.fault(pt, r.paceKey(pt, "flow_m3_per_h"), Fault{Warning: true,
		What: fmt.Sprintf("%s m³/h for min_on of %s moves the air of %s m³ %s times over, which leaves nothing of it", number(p.FlowM3PerH),
			shortDuration(p.MinOn), number(spec.VolumeM3), figure(times)),
		Allowed: fmt.Sprintf("shorten min_on or use a slower fan: %s m³/h for %s change two thirds of the air", figure(spec.VolumeM3/p.MinOn.Hours()), shortDuration(p.MinOn))})
}

// figure writes a number with two significant digits, or whole when it is larger.
func figure(v float64) string {
	if v >= 10 {
		return fmt.Sprintf("%.0f", v)
	}
	return fmt.Sprintf("%.2g", v)
}

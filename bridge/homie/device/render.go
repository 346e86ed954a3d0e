package device

import (
	"strings"
	"time"

	"gillkeeper/bridge/homie"
	"gillkeeper/policy"
	"gillkeeper/policy/air"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/species"
)

// The nodes of a chamber. A plug's and a batch's are followed by its name.
const (
	airNode       = "air"
	roomNode      = "room"
	targetNode    = "target"
	reservoirNode = "reservoir"
	alarmsNode    = "alarms"
	plugNode      = "plug-"
	batchNode     = "batch-"

	stageProperty  = "stage"
	handProperty   = "hand"
	refillProperty = "refill"
)

// leastRefill in liters is the smallest amount that a controller can name.
const leastRefill = 0.05

var (
	stageFormat = func() string {
		var list []string
		for _, s := range species.Stages() {
			list = append(list, s.String())
		}
		return strings.Join(list, ",")
	}()
	handFormat = strings.Join([]string{string(policy.HandAuto), string(policy.HandOn), string(policy.HandOff)}, ",")
	// worstFormat is the worst standing alarm: none, or a priority.
	worstFormat = strings.Join([]string{noAlarm, alarm.Low.String(), alarm.Medium.String(), alarm.High.String(), alarm.Urgent.String()}, ",")
)

const noAlarm = "none"

// rendering is how chambers are shown.
type rendering struct {
	root     string
	settable bool
}

// deviceID is the id of a chamber's device.
func (r *rendering) deviceID(chamber string) string { return r.root + "-" + chamber }

// render shows one chamber. A property is there once it has a value: of what was never measured or is not known there
// is nothing to say.
func (r *rendering) render(s *policy.Snapshot) *image {
	m := newImage(r.deviceID(s.Spec.Name))
	m.description.Name, m.description.Type, m.description.Root = s.Spec.Name, "fruiting-chamber", r.root
	r.air(m, s, airNode, "Air in the chamber", chamber.Inside)
	r.air(m, s, roomNode, "Air of the room", chamber.Room)
	r.target(m, s)
	for i := range s.State.Plugs {
		r.plug(m, &s.State.Plugs[i], s.Modulates(i))
	}
	r.reservoir(m, s)
	r.batches(m, s)
	r.alarms(m, s)
	m.trim()
	return m
}

// reading is how a quantity is shown.
type reading struct {
	quantity chamber.Quantity
	id, name string
	unit     string
	factor   float64
	digits   int
}

var readings = []reading{
	{chamber.RelativeHumidity, "humidity", "Relative humidity", homie.Percent, 100, 1},
	{chamber.Temperature, "temperature", "Temperature", homie.DegreeCelsius, 1, 1},
	{chamber.CO2, "co2", "Carbon dioxide", homie.PPM, 1, 0},
	{chamber.Illuminance, "illuminance", "Illuminance", homie.Lux, 1, 0},
}

func (x *reading) write(v float64) string { return homie.Float(v*x.factor, x.digits) }

// air shows what is measured at one place, and of each quantity whether it is measured now or the last that was known.
func (r *rendering) air(m *image, s *policy.Snapshot, id, name string, place chamber.Place) {
	n := m.node(id, name, "air")
	for _, x := range readings {
		e := s.State.Air.Of(place, x.quantity)
		if !e.Heard() {
			continue
		}
		n.show(x.id, homie.Property{Name: x.name, Datatype: homie.Number, Unit: x.unit}, x.write(e.Value))
		n.show(x.id+"-fresh", homie.Property{Name: x.name + " is measured now", Datatype: homie.Boolean, Format: "last known,fresh"}, homie.Bool(e.OK))
	}
	t, rh := s.State.Air.Of(place, chamber.Temperature), s.State.Air.Of(place, chamber.RelativeHumidity)
	p, ok := air.BarometricPressure(air.Meters(s.Spec.AltitudeM))
	if !ok || !t.Heard() || !rh.Heard() {
		return
	}
	if moist, ok := air.New(air.Celsius(t.Value), air.Ratio(rh.Value), p); ok {
		n.show("vapor-pressure-deficit", homie.Property{Name: "Vapor pressure deficit", Datatype: homie.Number, Unit: homie.Pascal},
			homie.Float(float64(moist.VaporPressureDeficit()), 0))
		if dew, ok := moist.DewPoint(); ok {
			n.show("dew-point", homie.Property{Name: "Dew point", Datatype: homie.Number, Unit: homie.DegreeCelsius}, homie.Float(float64(dew), 1))
		}
	}
}

// target shows the climate that is kept.
func (r *rendering) target(m *image, s *policy.Snapshot) {
	t := &s.State.Target
	if !t.OK {
		return
	}
	n := m.node(targetNode, "Climate that is kept", "target")
	n.show(stageProperty, homie.Property{Name: "Stage that decides", Datatype: homie.Enum, Format: stageFormat}, t.Stage.String())
	for _, b := range []struct {
		of   *reading
		band chamber.Band
	}{{&readings[0], t.RelativeHumidity}, {&readings[1], t.TemperatureC}} {
		p := homie.Property{Datatype: homie.Number, Unit: b.of.unit}
		for _, end := range []struct {
			id string
			v  float64
		}{{"low", b.band.Low}, {"aim", b.band.Aim}, {"high", b.band.High}} {
			p.Name = b.of.name + ", " + end.id
			n.show(b.of.id+"-"+end.id, p, b.of.write(end.v))
		}
	}
	if t.CO2MaxPPM > 0 {
		n.show("co2-high", homie.Property{Name: "Carbon dioxide, high", Datatype: homie.Number, Unit: homie.PPM}, homie.Float(t.CO2MaxPPM, 0))
	}
}

// plug shows what one plug does, was told, draws, and whether a person holds it.
func (r *rendering) plug(m *image, p *guard.Plug, modulates bool) {
	n := m.node(plugNode+homie.ID(p.Name), p.Name, strings.ReplaceAll(p.Role.String(), "_", "-"))
	if p.Known {
		told := p.On
		if p.HasTold {
			told = p.Told
		}
		n.aim("on", homie.Property{Name: "Runs", Datatype: homie.Boolean, Format: "off,on"}, homie.Bool(p.On), homie.Bool(told))
		if modulates {
			aim := p.Output()
			if p.HasTold {
				aim = chamber.Order{On: p.Told, Level: p.ToldAs}.Output()
			}
			n.aim("level", homie.Property{Name: "Output", Datatype: homie.Number, Unit: homie.Percent, Format: "0:100"}, homie.Float(100*p.Output(), 0), homie.Float(100*aim, 0))
		}
	}
	if p.HasWatts {
		n.show("power", homie.Property{Name: "Power", Datatype: homie.Number, Unit: homie.Watt}, homie.Float(p.Watts, 1))
	}
	hand := string(policy.HandAuto)
	if p.Hand.Active {
		hand = string(policy.HandOff)
		if p.Hand.On {
			hand = string(policy.HandOn)
		}
	}
	n.aim(handProperty, homie.Property{Name: "Under a person's hand", Datatype: homie.Enum, Format: handFormat, Settable: r.settable}, hand, hand)
}

// reservoir shows the humidifier's water.
func (r *rendering) reservoir(m *image, s *policy.Snapshot) {
	i := s.Spec.Plug(chamber.Humidifier)
	if i < 0 {
		return
	}
	n := m.node(reservoirNode, "Reservoir of the humidifier", "reservoir")
	w := &s.State.Reservoir
	n.show("dry", homie.Property{Name: "Dry", Datatype: homie.Boolean, Format: "no,yes"}, homie.Bool(w.Dry))
	if w.Known {
		n.show("level", homie.Property{Name: "Water left", Datatype: homie.Number, Unit: homie.Liter, Format: "0:"}, homie.Float(max(0, w.Liters), 2))
	}
	if w.EmptyOK {
		n.show("empty-in", homie.Property{Name: "Empty at the present use in", Datatype: homie.Number, Unit: homie.Hour, Format: "0:"},
			homie.Float(max(0, w.EmptyIn.Round(6*time.Minute).Hours()), 1))
	}
	if r.settable {
		n.event(refillProperty, homie.Property{Name: "Holds now", Datatype: homie.Number, Unit: homie.Liter, Settable: true, Format: refillFormat(&s.Spec.Plugs[i])})
	}
}

// refillFormat ends at what the reservoir holds, where that is known: that is full.
func refillFormat(p *chamber.Plug) string {
	format := homie.Float(leastRefill, 3) + ":"
	if p.ReservoirLiters > 0 {
		format += homie.Float(p.ReservoirLiters, 3)
	}
	return format
}

func (r *rendering) batches(m *image, s *policy.Snapshot) {
	for i := range s.State.Crop.Batches {
		b := &s.State.Crop.Batches[i]
		if !b.Retired.IsZero() {
			continue
		}
		n := m.node(batchNode+homie.ID(b.Name), b.Name, "batch")
		n.aim(stageProperty, homie.Property{Name: "Stage", Datatype: homie.Enum, Format: stageFormat, Settable: r.settable}, b.Stage.String(), b.Stage.String())
		n.show("species", homie.Property{Name: "Species", Datatype: homie.String}, homie.Text(b.Species))
		n.show("flush", homie.Property{Name: "Flush", Datatype: homie.Integer, Format: "1:"}, homie.Float(float64(b.Flush), 0))
		n.show("harvested", homie.Property{Name: "Fresh weight harvested", Datatype: homie.Number, Unit: "g", Format: "0:"}, homie.Float(b.FreshG(), 0))
	}
}

// alarms raises an alert for each standing alarm, and says how many there are and how bad.
func (r *rendering) alarms(m *image, s *policy.Snapshot) {
	worst, standing := noAlarm, 0
	var highest alarm.Priority
	for _, name := range alarm.Names() {
		l := s.State.Alarms.Of(name)
		if !l.Phase.Active() {
			continue
		}
		d := alarm.Told(name, l.Condition.Code)
		p := l.Condition.Priority(name)
		if standing++; worst == noAlarm || p > highest {
			highest, worst = p, p.String()
		}
		text := d.Says
		if l.Condition.About != "" {
			text += " (" + l.Condition.Names() + ")"
		}
		m.alerts[homie.ID(string(name))] = text + " " + d.Action
	}
	n := m.node(alarmsNode, "Alarms", "alarms")
	n.show("standing", homie.Property{Name: "Standing alarms", Datatype: homie.Integer, Format: "0:"}, homie.Float(float64(standing), 0))
	n.show("worst", homie.Property{Name: "Worst of them", Datatype: homie.Enum, Format: worstFormat}, worst)
}

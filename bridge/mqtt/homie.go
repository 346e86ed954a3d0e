package mqtt

import (
	"maps"
	"slices"
	"strings"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/homie"
	"gillkeeper/policy/chamber"
)

// mostStates bounds the devices whose state is remembered: any of them may turn out to be the root of a bound one.
const mostStates = 4096

// A state is one word of the convention, the longest of which has twelve letters, and no root has a topic longer than this.
const (
	longestState = 16
	longestBase  = 256
)

// homieDevice is a device of the Homie convention of which something is bound.
type homieDevice struct {
	base  string // its topic
	four  bool
	about []homieUse
}

// homieUse is one property of it that a chamber uses.
type homieUse struct {
	chamber  int
	name     string // of the chamber
	who      string // sensor or plug
	sensor   int    // -1: a plug's
	switched bool   // it must be boolean or enum, and settable
	leveled  bool   // the same for a number
	ref      *config.HomieRef
}

// bindHomie notes what is bound of Homie devices: their state tells whether a sensor lives, their description in which
// unit it speaks.
func (b *Bindings) bindHomie(i int, c *config.Chamber) {
	use := func(ref *config.HomieRef, u homieUse) {
		if ref == nil {
			return
		}
		u.chamber, u.name, u.ref = i, c.Spec.Name, ref
		d := b.homie[ref.Base()]
		if d == nil {
			d = &homieDevice{base: ref.Base(), four: ref.Four}
			b.homie[d.base] = d
		}
		d.about = append(d.about, u)
	}
	for j := range c.Sensors {
		use(c.Sensors[j].Homie, homieUse{who: c.Spec.Sensors[j].Name, sensor: j})
	}
	for j := range c.Plugs {
		use(c.Plugs[j].Homie, homieUse{who: c.Spec.Plugs[j].Name, sensor: -1, switched: c.Plugs[j].LevelPayload == "", leveled: c.Plugs[j].LevelPayload != ""})
		use(c.Plugs[j].HomiePower, homieUse{who: c.Spec.Plugs[j].Name, sensor: -1})
	}
}

// homieFilters lists what must be heard besides the values. Which device is a bound one's root is only known from its
// description, and a root's last will is the only word of its children's loss: so the states of all are heard.
func (b *Bindings) homieFilters() []filter {
	all := map[string]bool{}
	for base, d := range b.homie {
		if d.four {
			all[base+"/$state"] = true
			for i := range d.about {
				all[d.about[i].ref.Topic()+"/$unit"] = true
			}
			continue
		}
		all[base+"/$description"] = true
		all[homie.Topic(d.about[0].ref.Domain, "+", "$state")] = true
	}
	var list []filter
	for _, name := range slices.Sorted(maps.Keys(all)) {
		list = append(list, filter{name, 1})
	}
	return list
}

// homieWatch is what one session knows of Homie devices. It belongs to the goroutine that takes messages.
type homieWatch struct {
	b      *Bindings
	states map[string]string // by device
	roots  map[string]string // by bound device, where it has one
	units  map[string]string // by property
}

func newHomieWatch(b *Bindings) homieWatch {
	return homieWatch{b: b, states: map[string]string{}, roots: map[string]string{}, units: map[string]string{}}
}

// take looks whether a message is about a device rather than a value, and what it means for the sensors bound.
func (w *homieWatch) take(m *message, sink Sink, doubt func(u *homieUse, cause, detail string)) (known bool) {
	if len(w.b.homie) == 0 || len(m.payload) > homie.MaxDescription {
		return false
	}
	base, attribute := cutLast(m.topic)
	switch attribute {
	case "$state":
		w.state(base, string(m.payload), sink)
	case "$description":
		d := w.b.homie[base]
		if d == nil || len(m.payload) == 0 {
			return d != nil
		}
		w.describe(d, m.payload, sink, doubt)
	case "$unit":
		if len(m.payload) < 32 && w.b.routes[base] != nil {
			w.units[base] = string(m.payload)
		}
	default:
		return false
	}
	return true
}

func cutLast(topic string) (base, last string) {
	i := strings.LastIndexByte(topic, '/')
	if i < 0 {
		return "", topic
	}
	return topic[:i], topic[i+1:]
}

func (w *homieWatch) state(base, state string, sink Sink) {
	if _, there := w.states[base]; !there && w.b.homie[base] == nil && (len(w.states) >= mostStates || len(base) > longestBase) {
		return
	}
	w.states[base] = strings.Clone(state[:min(len(state), longestState)])
	for bound, d := range w.b.homie {
		if bound == base || w.roots[bound] == base {
			w.report(d, sink)
		}
	}
}

// report says of a device's sensors whether they live: a device is lost when it or its root is ("Device hierarchy").
func (w *homieWatch) report(d *homieDevice, sink Sink) {
	state, said := w.states[d.base]
	if root := w.roots[d.base]; root != "" && w.states[root] == homie.Lost {
		state, said = homie.Lost, true
	}
	if !said {
		return
	}
	for i := range d.about {
		if u := &d.about[i]; u.sensor >= 0 {
			sink.Liveness(u.chamber, chamber.Liveness{Sensor: u.sensor, Alive: homie.Alive(state)})
		}
	}
}

func (w *homieWatch) describe(d *homieDevice, payload []byte, sink Sink, doubt func(u *homieUse, cause, detail string)) {
	delete(w.roots, d.base)
	for i := range d.about {
		delete(w.units, d.about[i].ref.Topic())
	}
	doc, err := homie.ParseDescription(payload)
	for i := range d.about {
		u := &d.about[i]
		if err != nil {
			doubt(u, "its device's description cannot be read", err.Error())
			continue
		}
		p, ok := doc.Property(u.ref.Node, u.ref.Property)
		switch {
		case !ok:
			doubt(u, "its device describes no such property", "")
		case u.switched && (!p.Settable || p.Datatype != homie.Boolean && p.Datatype != homie.Enum):
			doubt(u, "its device says that it is no switch that can be set", "")
		case u.leveled && (!p.Settable || p.Datatype != homie.Number && p.Datatype != homie.Integer):
			doubt(u, "its device says that it is not a number that can be set", "")
		case u.sensor >= 0 && p.Datatype != homie.Number && p.Datatype != homie.Integer:
			doubt(u, "its device says that it is not a number", "")
		}
		w.units[u.ref.Topic()] = p.Unit
	}
	if err == nil && doc.Root != "" {
		ref := *d.about[0].ref
		ref.Device = doc.Root
		w.roots[d.base] = ref.Base()
	}
	w.report(d, sink)
}

type homieUnit struct {
	quantity chamber.Quantity
	unit     string
}

// homieUnits says what the convention's units are in the configuration's words.
var homieUnits = map[homieUnit]config.Unit{
	{chamber.RelativeHumidity, homie.Percent}:     config.Percent,
	{chamber.Temperature, homie.DegreeCelsius}:    config.Celsius,
	{chamber.Temperature, homie.DegreeFahrenheit}: config.Fahrenheit,
	{chamber.Temperature, homie.Kelvin}:           config.Kelvin,
	{chamber.CO2, homie.PPM}:                      config.PPM,
	{chamber.Illuminance, homie.Lux}:              config.Lux,
}

// unit is the unit of a sensor's number: the file's where it names one, else the Homie device's.
func (s *sensor) unit(m *message) (config.Unit, *fault) {
	if s.binding.Homie == nil || s.binding.Homie.UnitGiven || m.unit == "" {
		return s.binding.Unit, nil
	}
	u, ok := homieUnits[homieUnit{s.quantity, m.unit}]
	if !ok {
		return 0, bad("a Homie unit that does not fit", "%s in %s; write unit in the configuration if the device is wrong", s.quantity, excerpt(m.unit))
	}
	return u, nil
}

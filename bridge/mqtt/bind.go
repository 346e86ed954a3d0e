package mqtt

import (
	"slices"
	"strings"

	"gillkeeper/bridge/config"
	"gillkeeper/policy/chamber"
)

// Bindings is what a configuration says of topics: who speaks where, and how. It is compiled once and never written
// after; it holds no connection and may be used by several sessions.
type Bindings struct {
	routes   map[string]*route
	chambers []bound
	homie    map[string]*homieDevice // by topic
}

// bound is what sending commands needs of one chamber.
type bound struct {
	name  string
	plugs []config.PlugBinding
}

// route is one topic. Most topics concern one chamber; a room's sensor may concern all.
type route struct {
	topic   string
	qos     byte
	targets []target
}

// target is what one chamber reads from a topic.
type target struct {
	chamber int
	name    string
	sensors []sensor
	alive   []liveness
	plugs   []plug
}

type liveness struct {
	sensor  int
	payload string
}

// Bind compiles the bindings of chambers. Indexes are those of the list.
func Bind(chambers []config.Chamber) *Bindings {
	b := &Bindings{routes: map[string]*route{}, homie: map[string]*homieDevice{}}
	for i, c := range chambers {
		b.chambers = append(b.chambers, bound{name: c.Spec.Name, plugs: c.Plugs})
		b.bindHomie(i, &c)
		at := func(topic string, qos byte) *target { return b.target(topic, qos, i, c.Spec.Name) }
		for j, s := range c.Sensors {
			// A reading that is lost is followed by the next, and QoS 0 reaches us sooner.
			t := at(s.Topic, 0)
			t.sensors = append(t.sensors, newSensor(j, c.Spec, s))
			if s.AliveTopic != "" {
				t := at(s.AliveTopic, 1)
				t.alive = append(t.alive, liveness{sensor: j, payload: s.AlivePayload})
			}
		}
		for j, p := range c.Plugs {
			d := plug{index: j, name: c.Spec.Plugs[j].Name, binding: p}
			if p.StateTopic != "" {
				// What a plug says when it is switched may be all that it says for hours.
				t := at(p.StateTopic, 1)
				state := d
				state.state, state.power = true, p.PowerTopic == p.StateTopic
				t.plugs = append(t.plugs, state)
			}
			if p.PowerTopic != "" && p.PowerTopic != p.StateTopic {
				t := at(p.PowerTopic, 0)
				power := d
				power.power = true
				t.plugs = append(t.plugs, power)
			}
		}
	}
	return b
}

// target finds or makes the entry of one chamber at one topic. The pointer is good until the next call.
func (b *Bindings) target(topic string, qos byte, chamber int, name string) *target {
	r := b.routes[topic]
	if r == nil {
		r = &route{topic: topic}
		b.routes[topic] = r
	}
	r.qos = max(r.qos, qos)
	if n := len(r.targets); n == 0 || r.targets[n-1].chamber != chamber {
		r.targets = append(r.targets, target{chamber: chamber, name: name})
	}
	return &r.targets[len(r.targets)-1]
}

// Topics lists the topics to subscribe to, sorted.
func (b *Bindings) Topics() []string {
	topics := make([]string, 0, len(b.routes))
	for t := range b.routes {
		topics = append(topics, t)
	}
	slices.SortFunc(topics, strings.Compare)
	return topics
}

// refusal is a fault with whom it concerns.
type refusal struct {
	who   string // sensor or plug
	fault *fault
}

// deliver hands over what the message says to one chamber, tells what became of it, and reports each refusal.
// A document that is sound but says nothing of a sensor is no fault where it says something to another.
func (t *target) deliver(m *message, sink Sink, refused func(refusal)) Result {
	took, result := false, OK
	var absent refusal
	fail := func(who string, f *fault) {
		switch {
		case f.absent:
			absent = refusal{who, f}
			return
		case result == OK || result == Retained:
			result = f.result
		}
		refused(refusal{who, f})
	}
	for i := range t.sensors {
		s := &t.sensors[i]
		r, f := s.decode(m)
		if f != nil {
			fail(s.name, f)
			if !f.absent && !m.retained {
				sink.Refusal(t.chamber, chamber.Refusal{Sensor: s.index, Old: f.result == Retained})
			}
		}
		if f == nil || f.result == Retained {
			took = true
			sink.Reading(t.chamber, r)
		}
	}
	for i := range t.plugs {
		p := &t.plugs[i]
		r, f := p.decode(m)
		if f != nil {
			fail(p.name, f)
		}
		if r.HasOn || r.HasWatts {
			took = true
			sink.Report(t.chamber, r)
		}
	}
	for _, a := range t.alive {
		took = true
		sink.Liveness(t.chamber, chamber.Liveness{Sensor: a.sensor, Alive: string(m.payload) == a.payload})
	}
	switch {
	case result != OK:
		return result
	case !took && absent.fault != nil:
		refused(absent)
		if m.retained {
			return absent.fault.result
		}
		for i := range t.sensors {
			sink.Refusal(t.chamber, chamber.Refusal{Sensor: t.sensors[i].index})
		}
		return absent.fault.result
	case m.retained:
		return Retained
	}
	return OK
}

package config

import (
	"fmt"

	"gillkeeper/policy/chamber"
)

// traffic is who speaks and listens on which topic, over all chambers.
type traffic struct {
	commands []use
	states   []use // state topics with their pointer
	powers   []use
	sensors  []use // sensor topics with pointer or SenML name
	reports  []use // every topic that is listened to
}

// use is one key that names a topic.
type use struct {
	table  *table
	key    string
	topic  string
	part   string // which part of the payload
	inside bool   // a sensor in the chamber, not in the room
	owner  *table // the chamber
}

func (tr *traffic) add(t *table, c *Chamber) {
	for i, st := range t.tables["sensor"] {
		b := &c.Sensors[i]
		u := use{table: st, key: keyOf(st, "topic", "homie"), topic: b.Topic, part: "pointer " + b.Pointer.String(), owner: t,
			inside: c.Spec.Sensors[i].Place != chamber.Room}
		if b.SenMLName != "" {
			u.part = "senml " + b.SenMLName
		}
		tr.sensors = append(tr.sensors, u)
		tr.reports = append(tr.reports, u, use{table: st, key: "alive_topic", topic: b.AliveTopic})
	}
	for i, pt := range t.tables["plug"] {
		b := &c.Plugs[i]
		tr.commands = append(tr.commands, use{table: pt, key: keyOf(pt, "command_topic", "homie"), topic: b.CommandTopic})
		state := use{table: pt, key: keyOf(pt, "state_topic", "homie"), topic: b.StateTopic, part: b.StatePointer.String()}
		power := use{table: pt, key: keyOf(pt, "power_topic", "homie_power"), topic: b.PowerTopic, part: b.PowerPointer.String()}
		tr.states, tr.powers = append(tr.states, state), append(tr.powers, power)
		tr.reports = append(tr.reports, state, power)
	}
}

// keyOf gives the key by which a topic came into the file.
func keyOf(t *table, key, otherwise string) string {
	if _, ok := t.leaves[otherwise]; ok {
		return otherwise
	}
	return key
}

// place names a use for a fault about another.
func (u use) place() string {
	line := u.table.line
	if l, ok := u.table.leaves[u.key]; ok {
		line = l.line
	}
	return fmt.Sprintf("%s on line %d", u.table.where, line)
}

// crossings complains of topics that meet where they must not.
func (r *reader) crossings(tr *traffic) {
	commands := r.meetings(tr.commands, Fault{What: "also commands %s", Allowed: "each plug has a command topic of its own"})
	r.meetings(tr.states, Fault{What: "names the state of %s", Allowed: "each plug tells its own state"})
	r.meetings(tr.powers, Fault{What: "names the meter of %s", Allowed: "two plugs on one meter can't be told apart", Warning: true})
	for _, u := range tr.reports {
		if first, ok := commands[u.topic]; ok && u.topic != "" {
			r.fault(u.table, u.key, Fault{What: "is the command topic of " + first.place(),
				Allowed: "the daemon would hear itself and take it for an answer: name the topic that the device reports on"})
		}
	}
	r.sharedSensors(tr.sensors)
}

// meetings complains of every use of a topic, and the same part of its payload, after the first. It gives the first
// use of each topic.
func (r *reader) meetings(uses []use, f Fault) map[string]use {
	type part struct{ topic, part string }
	first := map[part]use{}
	byTopic := map[string]use{}
	for _, u := range uses {
		if u.topic == "" {
			continue
		}
		k := part{u.topic, u.part}
		if other, ok := first[k]; ok {
			g := f
			g.What = fmt.Sprintf(f.What, other.place())
			r.fault(u.table, u.key, g)
			continue
		}
		first[k] = u
		if _, ok := byTopic[u.topic]; !ok {
			byTopic[u.topic] = u
		}
	}
	return byTopic
}

// sharedSensors complains of one measured value that is given as two. A room sensor may serve several chambers.
func (r *reader) sharedSensors(uses []use) {
	type part struct{ topic, part string }
	first := map[part]use{}
	for _, u := range uses {
		if u.topic == "" {
			continue
		}
		k := part{u.topic, u.part}
		other, ok := first[k]
		switch {
		case !ok:
			first[k] = u
		case other.owner == u.owner:
			r.fault(u.table, u.key, Fault{What: "names the same value as " + other.place(),
				Allowed: "one value counted twice would outvote an honest sensor: remove one, or give it its pointer"})
		case u.inside || other.inside:
			r.fault(u.table, u.key, Fault{What: "names the same value as " + other.place(),
				Allowed: `one sensor can't hang in two chambers; if it hangs in the room, write place = "room"`, Warning: true})
		}
	}
}

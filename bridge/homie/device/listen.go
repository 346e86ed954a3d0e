package device

import (
	"slices"
	"strings"

	"gillkeeper/bridge/homie"
	"gillkeeper/bridge/mqtt"
	"gillkeeper/policy/alarm"
)

// mostWaiting bounds what controllers can make wait; a person sets one thing at a time.
const mostWaiting = 64

// set is a command of a controller.
type set struct {
	device, node, property string
	payload                string
}

// leftover is a retained message of an earlier run: a description, or an alert.
type leftover struct {
	device      string
	description *homie.Description
	alert       string
}

// Listeners is what a session must hear for the publisher: commands for the chambers, and what an earlier run left.
func (p *Publisher) Listeners() []mqtt.Listener {
	list := []mqtt.Listener{
		{Filter: homie.Topic(p.o.Domain, "+", "$description"), Handle: p.heardDescription},
		{Filter: homie.Topic(p.o.Domain, "+", "$alert", "+"), Handle: p.heardAlert},
	}
	if p.o.Settable {
		for _, s := range p.o.Snapshots() {
			list = append(list, mqtt.Listener{Filter: homie.Topic(p.o.Domain, p.render.deviceID(s.Spec.Name), "+", "+", "set"), Handle: p.heardSet})
		}
	}
	return list
}

// Rights are what showing the chambers needs at the broker.
func (p *Publisher) Rights() mqtt.Rights {
	r := mqtt.Rights{
		Read:  []string{homie.Topic(p.o.Domain, p.o.Root, "$state")}, // what its will may have said
		Write: []string{homie.Topic(p.o.Domain, p.o.Root, "#")},
	}
	for _, l := range p.Listeners() {
		r.Read = append(r.Read, l.Filter)
	}
	for _, s := range p.o.Snapshots() {
		r.Write = append(r.Write, homie.Topic(p.o.Domain, p.render.deviceID(s.Spec.Name), "#"))
	}
	return r
}

// levels gives the levels below the domain and version.
func (p *Publisher) levels(topic string) []string {
	return strings.Split(strings.TrimPrefix(topic, p.o.Domain+"/5/"), "/")
}

// heardSet takes a command in. A retained one was meant for somebody at some time: it is not obeyed.
func (p *Publisher) heardSet(topic string, payload []byte, retained bool) {
	l := p.levels(topic)
	if len(l) != 4 || len(payload) == 0 {
		return // an empty payload removes a retained command
	}
	chamber := strings.TrimPrefix(l[0], p.o.Root+"-")
	if retained {
		p.o.Counter.Message(chamber, mqtt.Retained)
		p.o.Log.Warn("a retained command is not obeyed; publish commands without retaining them", "topic", topic)
		return
	}
	select {
	case p.sets <- set{l[0], l[1], l[2], string(payload)}:
	default:
		p.o.Counter.Message(chamber, mqtt.BadPayload)
		p.dropped.Do(func() { p.o.Log.Warn("commands come faster than they can be done; some are dropped", "topic", topic) })
	}
}

// heardDescription notes which topics an earlier run may have left.
func (p *Publisher) heardDescription(topic string, payload []byte, retained bool) {
	l := p.levels(topic)
	if !retained || len(l) != 2 || l[0] != p.o.Root && !strings.HasPrefix(l[0], p.o.Root+"-") {
		return
	}
	d, err := homie.ParseDescription(payload)
	if err != nil || l[0] != p.o.Root && d.Root != p.o.Root {
		return // somebody else's
	}
	p.remember(leftover{device: l[0], description: d})
}

func (p *Publisher) heardAlert(topic string, payload []byte, retained bool) {
	l := p.levels(topic)
	if retained && len(payload) > 0 && len(l) == 3 && strings.HasPrefix(l[0], p.o.Root+"-") {
		p.remember(leftover{device: l[0], alert: l[2]})
	}
}

// remember keeps what was left until it can be looked at. What does not fit is found at the next connection.
func (p *Publisher) remember(l leftover) {
	select {
	case p.left <- l:
	default:
	}
}

// clearLeftovers removes what an earlier run left of chambers, plugs, batches and alarms that are no more.
func (p *Publisher) clearLeftovers(out publish, budget *int) error {
	for *budget > 0 {
		var l leftover
		select {
		case l = <-p.left:
		default:
			return nil
		}
		for _, topic := range p.stale(l) {
			if err := out(topic, nil, true); err != nil {
				return err
			}
		}
	}
	return nil
}

// stale lists the topics of a leftover that no present device has: of a device that is gone $state first, as the
// convention has it.
func (p *Publisher) stale(l leftover) []string {
	x := p.shown[l.device]
	var list []string
	if l.description == nil {
		topic := homie.Topic(p.o.Domain, l.device, "$alert", l.alert)
		if x == nil {
			return nil // its description comes too
		}
		if _, stands := x.sent[topic]; !stands {
			list = append(list, topic)
		}
		return list
	}
	if x == nil {
		list = append(list, homie.Topic(p.o.Domain, l.device, "$state"))
		for _, n := range alarm.Names() {
			list = append(list, homie.Topic(p.o.Domain, l.device, "$alert", homie.ID(string(n))))
		}
		list = append(list, topicsOf(p.o.Domain, l.device, l.description)...)
		// Last, so that what an end in between leaves is found again.
		return append(list, homie.Topic(p.o.Domain, l.device, "$description"))
	}
	still := topicsOf(p.o.Domain, l.device, &x.described)
	return slices.DeleteFunc(topicsOf(p.o.Domain, l.device, l.description), func(t string) bool {
		_, found := slices.BinarySearch(still, t)
		return found
	})
}

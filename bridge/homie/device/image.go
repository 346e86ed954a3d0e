// Package device shows chambers as devices of the Homie convention: one root for the daemon, a child for each chamber
// with its air, target, plugs, water, batches and alarms. It keeps what the broker retains equal to what it was shown,
// and takes what controllers set to the chambers' owner.
//
// It must never decide anything or open a connection, and never take a retained command. Start reading at [New]; what a
// chamber looks like is in [render].
package device

import (
	"maps"
	"slices"
	"strings"

	"gillkeeper/bridge/homie"
)

// image is one device as it should be on the broker. Keys of values and targets are node/property.
type image struct {
	id          string
	description homie.Description // its version is given by whoever publishes it
	values      map[string]string
	targets     map[string]string // of properties that have one
	alerts      map[string]string // by id
	slow        map[string]bool   // values that may wait: numbers that move all the time
}

func newImage(id string) *image {
	return &image{id: id, description: homie.Description{Homie: "5.0", Nodes: map[string]homie.Node{}},
		values: map[string]string{}, targets: map[string]string{}, alerts: map[string]string{}, slow: map[string]bool{}}
}

// node begins a node. It is dropped by [image.trim] when it gets no property.
func (m *image) node(id, name, kind string) part {
	m.description.Nodes[id] = homie.Node{Name: name, Type: kind, Properties: map[string]homie.Property{}}
	return part{m, id}
}

// part is a node that is being filled.
type part struct {
	image *image
	node  string
}

// show adds a property with its value.
func (p part) show(id string, prop homie.Property, value string) {
	p.image.description.Nodes[p.node].Properties[id] = prop
	key := p.node + "/" + id
	p.image.values[key] = value
	p.image.slow[key] = prop.Datatype == homie.Number || prop.Datatype == homie.Integer
}

// aim adds a property with its value and what it is on its way to.
func (p part) aim(id string, prop homie.Property, value, target string) {
	p.show(id, prop, value)
	p.image.targets[p.node+"/"+id] = target
}

// event adds a property that is not retained: it has no value between events.
func (p part) event(id string, prop homie.Property) {
	prop.Retained = new(false)
	p.image.description.Nodes[p.node].Properties[id] = prop
}

// trim drops nodes without properties.
func (m *image) trim() {
	maps.DeleteFunc(m.description.Nodes, func(_ string, n homie.Node) bool { return len(n.Properties) == 0 })
}

// message is one retained message of a device.
type message struct {
	topic   string
	payload string
	slow    bool
}

// retained lists what the broker should hold of the device besides $state and $description: targets before the values
// that move towards them, then alerts.
func (m *image) retained(domain string) []message {
	var list []message
	add := func(of map[string]string, topic func(key string) string) {
		for _, key := range slices.Sorted(maps.Keys(of)) {
			list = append(list, message{topic(key), of[key], m.slow[key]})
		}
	}
	base := homie.Topic(domain, m.id) + "/"
	add(m.targets, func(key string) string { return base + key + "/$target" })
	add(m.values, func(key string) string { return base + key })
	add(m.alerts, func(id string) string { return base + "$alert/" + id })
	return list
}

// topicsOf lists what a device with that description may have left on the broker besides $state and $description.
func topicsOf(domain, id string, d *homie.Description) []string {
	var list []string
	for node, n := range d.Nodes {
		for prop := range n.Properties {
			t := homie.Topic(domain, id, node, prop)
			list = append(list, t, t+"/$target")
		}
	}
	slices.SortFunc(list, strings.Compare)
	return list
}

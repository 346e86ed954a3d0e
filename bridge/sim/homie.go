package sim

import (
	"maps"
	"slices"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/homie"
)

// homieUnits says the configuration's units in the convention's words; a ratio has none there.
var homieUnits = map[config.Unit]string{config.Percent: homie.Percent, config.Celsius: homie.DegreeCelsius, config.Fahrenheit: homie.DegreeFahrenheit,
	config.Kelvin: homie.Kelvin, config.PPM: homie.PPM, config.Lux: homie.Lux}

// introduce says of devices that the configuration names by the Homie convention what they are, as they would.
func (h *House) introduce(c paho.Client) {
	devices := map[string]*homie.Description{}
	for _, s := range h.chambers {
		describe := func(ref *config.HomieRef, p homie.Property) {
			switch {
			case ref == nil:
				return
			case ref.Four:
				introduceFour(c, ref, p)
				return
			}
			d := devices[ref.Base()]
			if d == nil {
				d = &homie.Description{Homie: "5.0", Version: 1, Name: ref.Device, Nodes: map[string]homie.Node{}}
				devices[ref.Base()] = d
			}
			if d.Nodes[ref.Node].Properties == nil {
				d.Nodes[ref.Node] = homie.Node{Properties: map[string]homie.Property{}}
			}
			d.Nodes[ref.Node].Properties[ref.Property] = p
		}
		for _, b := range s.config.Sensors {
			describe(b.Homie, homie.Property{Datatype: homie.Number, Unit: homieUnits[b.Unit]})
		}
		for _, b := range s.config.Plugs {
			describe(b.Homie, homie.Property{Datatype: homie.Boolean, Settable: true})
			describe(b.HomiePower, homie.Property{Datatype: homie.Number, Unit: homie.Watt})
		}
	}
	for _, base := range slices.Sorted(maps.Keys(devices)) {
		c.Publish(base+"/$state", 1, true, homie.Init)
		c.Publish(base+"/$description", 1, true, devices[base].Marshal())
		c.Publish(base+"/$state", 1, true, homie.Ready)
	}
}

// introduceFour does so in version 4, where each word has a topic.
func introduceFour(c paho.Client, ref *config.HomieRef, p homie.Property) {
	for _, x := range []struct{ topic, payload string }{
		{ref.Base() + "/$homie", "4.0.0"}, {ref.Base() + "/$state", homie.Ready},
		{ref.Topic() + "/$datatype", p.Datatype}, {ref.Topic() + "/$settable", homie.Bool(p.Settable)}, {ref.Topic() + "/$unit", p.Unit},
	} {
		if x.payload != "" {
			c.Publish(x.topic, 1, true, x.payload)
		}
	}
}

package mqtt_test

import (
	"slices"
	"testing"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/config"
	"gillkeeper/bridge/mqtt"
	"gillkeeper/policy/chamber"
)

// homieDevices: a sensor and a plug named as Homie properties work on a real broker: what the broker retained is last
// known, what comes live is fresh, a command goes to set, and a lost device is told of.
func homieDevices(t *testing.T, kind brokertest.Kind) {
	s := brokertest.Start(t, kind)
	w := watch(t, s, "witness")
	ref := func(node, property string) *config.HomieRef {
		return &config.HomieRef{Domain: "homie", Device: "tent", Node: node, Property: property}
	}
	w.say(t, "homie/5/tent/$description", `{"homie":"5.0","version":3,"nodes":{"air":{"properties":{"t":{"datatype":"float","unit":"°F"}}},`+
		`"lamp":{"properties":{"on":{"datatype":"boolean","settable":true}}}}}`, true)
	w.say(t, "homie/5/tent/air/t", "50", true)
	w.say(t, "homie/5/tent/lamp/on", "false", true)
	w.say(t, "homie/5/tent/$state", "ready", true)
	session, k := begin(t, s, s.Addr, func(o *mqtt.Options) {
		o.Bindings = mqtt.Bind([]config.Chamber{{
			Spec: &chamber.Spec{Name: "loft", Sensors: []chamber.Sensor{{Name: "t", Quantity: chamber.Temperature}},
				Plugs: []chamber.Plug{{Name: "lamp", Role: chamber.Lamp, Reports: true}}},
			Sensors: []config.SensorBinding{{Topic: "homie/5/tent/air/t", Unit: config.Celsius, Homie: ref("air", "t")}},
			Plugs: []config.PlugBinding{{CommandTopic: "homie/5/tent/lamp/on/set", OnPayload: "true", OffPayload: "false",
				StateTopic: "homie/5/tent/lamp/on", StateOn: "true", StateOff: "false", Homie: ref("lamp", "on")}},
		}})
	})
	alive := func() (l []chamber.Liveness) { k.locked(func() { l = slices.Clone(k.liveness) }); return }
	until(t, "the device is known", func() bool { return session.Up() && len(alive()) > 0 && len(k.took()) > 0 && len(k.heard()) > 0 })
	if !alive()[0].Alive || !k.took()[0].Retained {
		t.Errorf("liveness %+v, reading %+v; want alive, and the reading as last known", alive(), k.took())
	}
	w.say(t, "homie/5/tent/air/t", "68", true) // live to whoever listens already
	until(t, "a fresh reading", func() bool { return len(k.took()) > 1 })
	if r := k.took()[len(k.took())-1]; r.Retained || r.Value != 20 {
		t.Errorf("reading %+v, want a fresh 20 °C", r)
	}
	if err := session.Send(t.Context(), 0, 0, chamber.Order{On: true}); err != nil {
		t.Fatal(err)
	}
	until(t, "the command arrives", func() bool { return w.saw("homie/5/tent/lamp/on/set true") })
	w.say(t, "homie/5/tent/$state", "lost", true)
	until(t, "the loss is told", func() bool { l := alive(); return !l[len(l)-1].Alive })
}

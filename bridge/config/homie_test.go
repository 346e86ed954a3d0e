package config

import "testing"

// Where a Homie property is named, topics follow from the convention: homie/5/device/node/property, with /set for
// commands, and base/device/node/property in version 4.
func TestHomieBindings(t *testing.T) {
	c, warnings, err := Parse("f", []byte(`
[broker]
url = "mqtt://broker.lan"
homie.domain = "farm"
[[chamber]]
name = "loft"
volume_m3 = 1
[[chamber.sensor]]
quantity = "relative_humidity"
homie = "air/climate/humidity"
[[chamber.sensor]]
quantity = "temperature"
homie = "homie/old-air/climate/temperature"
unit = "fahrenheit"
[[chamber.plug]]
role = "lamp"
homie = "other/5/lamp/switch/on"
homie_power = "lamp/meter/power"
[[chamber.plug]]
role = "exhaust_fan"
homie = "fan/switch/state"
on_payload = "running"
off_payload = "still"
`), Env{Dir: "."})
	if err != nil {
		t.Fatal(err, warnings)
	}
	s, p := c.Chambers[0].Sensors, c.Chambers[0].Plugs
	for _, x := range []struct{ is, want string }{
		{s[0].Topic, "farm/5/air/climate/humidity"}, {s[0].Homie.Base(), "farm/5/air"},
		{s[1].Topic, "homie/old-air/climate/temperature"}, {s[1].Homie.Base(), "homie/old-air"},
		{p[0].CommandTopic, "other/5/lamp/switch/on/set"}, {p[0].StateTopic, "other/5/lamp/switch/on"},
		{p[0].OnPayload, "true"}, {p[0].OffPayload, "false"}, {p[0].StateOn, "true"}, {p[0].PowerTopic, "farm/5/lamp/meter/power"},
		{p[1].OnPayload, "running"}, {p[1].StateOff, "still"},
	} {
		if x.is != x.want {
			t.Errorf("%q, want %q", x.is, x.want)
		}
	}
	if s[0].Homie.UnitGiven || !s[1].Homie.UnitGiven || !s[1].Homie.Four || s[0].Homie.Four {
		t.Errorf("%+v, %+v", s[0].Homie, s[1].Homie)
	}
	spec := c.Chambers[0].Spec.Plugs
	if !spec[0].Reports || !spec[0].Meters || !spec[1].Reports || spec[1].Meters {
		t.Errorf("%+v", spec)
	}
	if h := c.Broker.Homie; !h.Publish || !h.Settable || h.Domain != "farm" {
		t.Errorf("%+v", h)
	}
}

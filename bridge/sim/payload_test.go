package sim

import (
	"testing"
	"time"

	"gillkeeper/bridge/config"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/plant"
)

const formsTOML = `
[broker]
url = "mqtt://127.0.0.1:1883"

[[chamber]]
name = "loft"
volume_m3 = 0.56

  [[chamber.sensor]]
  quantity = "temperature"
  topic = "a/plain"
  unit = "fahrenheit"

  [[chamber.sensor]]
  name = "json-rh"
  quantity = "relative_humidity"
  topic = "a/json"
  pointer = "/air/humidity"
  unit = "percent"
  alive_topic = "a/alive"
  alive_payload = "up"

  [[chamber.sensor]]
  name = "json-t"
  quantity = "temperature"
  topic = "a/json"
  pointer = "/air/a~1b"
  unit = "kelvin"

  [[chamber.sensor]]
  name = "pack-rh"
  quantity = "relative_humidity"
  topic = "a/senml"
  senml_name = "urn:dev:1:rh"
  unit = "percent"

  [[chamber.sensor]]
  name = "pack-co2"
  quantity = "co2"
  topic = "a/senml"
  senml_name = "urn:dev:1:co2"

  [[chamber.plug]]
  role = "humidifier"
  name = "mister"
  command_topic = "a/mister/set"
  state_topic = "a/mister"
  state_pointer = "/state"
  power_topic = "a/mister"
  power_pointer = "/power"
  output_g_per_h = 150
  min_on = "10s"
  min_off = "10s"
  max_on = "30m"
  timed_on_payload = '{"on":{seconds}}'

  [[chamber.plug]]
  role = "exhaust_fan"
  name = "fan"
  command_topic = "a/fan/set"
  on_payload = "1"
  off_payload = "0"
  state_topic = "a/fan/state"
  power_topic = "a/fan/power"
  flow_m3_per_h = 40
  min_on = "10s"
  min_off = "10s"
`

// forms is the chamber of formsTOML, which speaks in every form there is.
func forms(t testing.TB) config.Chamber {
	t.Helper()
	c, faults, err := config.Parse("forms.toml", []byte(formsTOML), config.EnvOf("forms.toml"))
	if err != nil {
		t.Fatalf("%v\n%v", err, faults)
	}
	return c.Chambers[0]
}

func TestPayloads(t *testing.T) {
	c := forms(t)
	all := pages(&c, false, func(string) bool { return false })
	samples := []plant.Sample{{Sensor: 0, Value: 18.5}, {Sensor: 1, Value: 0.934}, {Sensor: 2, Value: 18.5}, {Sensor: 3, Value: 0.934}, {Sensor: 4, Value: 845}}
	reports := []plant.Report{{Outlet: 0, HasOn: true, On: true, HasWatts: true, Watts: 28.1}, {Outlet: 1, HasOn: true}}
	got := map[string]letter{}
	for _, p := range all {
		if p.note(samples, reports) {
			got[p.topic] = p.letter()
		}
	}
	for topic, want := range map[string]string{
		"a/plain":     `65.3`,
		"a/json":      `{"air":{"a/b":291.65,"humidity":93.4}}`,
		"a/senml":     `[{"n":"urn:dev:1:rh","u":"%RH","v":93.4},{"n":"urn:dev:1:co2","u":"/","v":0.000845}]`,
		"a/mister":    `{"power":28.1,"state":"ON"}`,
		"a/fan/state": `0`,
	} {
		if s := string(got[topic].payload); s != want {
			t.Errorf("%s: %s, want %s", topic, s, want)
		}
	}
	if len(got) != 5 {
		t.Errorf("%d topics have news, want 5: the fan's power has none", len(got))
	}
	if !got["a/mister"].retain || got["a/json"].retain {
		t.Error("plugs retain their state, sensors do not")
	}
}

// A value that is not known yet is left out, and one that was said before is said again with the rest.
func TestPartialDocument(t *testing.T) {
	c := forms(t)
	all := pages(&c, false, func(string) bool { return false })
	said := func(s ...plant.Sample) string {
		for _, p := range all {
			if p.topic == "a/json" && p.note(s, nil) {
				return string(p.letter().payload)
			}
		}
		return ""
	}
	if s := said(plant.Sample{Sensor: 1, Value: 0.9}); s != `{"air":{"humidity":90}}` {
		t.Error(s)
	}
	if s := said(plant.Sample{Sensor: 2, Value: 20}); s != `{"air":{"a/b":293.15,"humidity":90}}` {
		t.Error(s)
	}
	if s := said(); s != "" {
		t.Errorf("%s without news", s)
	}
}

func TestParseCommand(t *testing.T) {
	c := forms(t)
	for _, x := range []struct {
		payload string
		on      bool
		lease   time.Duration
		ok      bool
	}{
		{"ON", true, 0, true}, {"OFF", false, 0, true}, {`{"on":45}`, true, 45 * time.Second, true},
		{`{"on":0}`, false, 0, false}, {`{"on":x}`, false, 0, false}, {"on", false, 0, false}, {"", false, 0, false}, {`{"on":}`, false, 0, false},
	} {
		if o, ok := parseCommand(&c.Plugs[0], x.payload); o.On != x.on || o.For != x.lease || o.Level != 0 || ok != x.ok {
			t.Errorf("%q: %+v %v", x.payload, o, ok)
		}
	}
	if _, ok := parseCommand(&c.Plugs[1], "{seconds}"); ok {
		t.Error("a plug without a timer took a timed command")
	}
}

// TestParseLevel reads what a plug that can be dimmed is told.
func TestParseLevel(t *testing.T) {
	plain := config.PlugBinding{LevelPayload: "{level}", LevelFull: 255}
	timed := config.PlugBinding{LevelPayload: `{"speed":{level},"for":{seconds}}`, LevelFull: 100, OffPayload: "stop"}
	for _, x := range []struct {
		p       *config.PlugBinding
		payload string
		want    chamber.Order
		ok      bool
	}{
		{&plain, "51", chamber.Order{On: true, Level: 0.2}, true}, {&plain, "0", chamber.Order{}, true}, {&plain, "256", chamber.Order{}, false},
		{&plain, "", chamber.Order{}, false}, {&plain, "ON", chamber.Order{}, false}, {&plain, "1.2.3", chamber.Order{}, false},
		{&timed, `{"speed":30,"for":45}`, chamber.Order{On: true, Level: 0.3, For: 45 * time.Second}, true},
		{&timed, "stop", chamber.Order{}, true}, {&timed, `{"speed":30}`, chamber.Order{}, false},
	} {
		if o, ok := parseCommand(x.p, x.payload); o != x.want || ok != x.ok {
			t.Errorf("%q: %+v %v", x.payload, o, ok)
		}
	}
}

package daemon

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"testing"
	"time"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/sim"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// TestDimmedPlugs keeps a simulated chamber whose fan has three speeds and whose humidifier can be dimmed, over the
// embedded broker: what is told is a number that the plug knows, what it says is read back, and the air is what a fan
// and a humidifier at part of their output make of it.
func TestDimmedPlugs(t *testing.T) {
	const pace = 120
	c, faults, err := config.Parse("dimmed.toml", fmt.Appendf(nil, `
[broker]
url = "embedded"
[broker.embedded]
listen = "127.0.0.1:0"
[http]
listen = "127.0.0.1:0"
[journal]
path = %q
[[chamber]]
name = "loft"
volume_m3 = 0.56
  [[chamber.sensor]]
  quantity = "relative_humidity"
  topic = "loft/rh"
  [[chamber.sensor]]
  quantity = "temperature"
  topic = "loft/t"
  [[chamber.sensor]]
  quantity = "co2"
  topic = "loft/co2"
  [[chamber.plug]]
  role = "humidifier"
  command_topic = "loft/mist/set"
  level_payload = '{"output":{level}}'
  level_full = 255
  min_level = 51
  state_topic = "loft/mist"
  state_pointer = "/output"
  output_g_per_h = 300
  [[chamber.plug]]
  role = "exhaust_fan"
  command_topic = "loft/fan/set"
  level_payload = "{level}"
  levels = [0, 33, 66, 100]
  off_payload = "stop"
  state_topic = "loft/fan"
  flow_m3_per_h = 60
`, t.TempDir()+"/j.db"), config.EnvOf("dimmed.toml"))
	if err != nil {
		t.Fatal(err, faults)
	}
	d, _ := keep(t, Options{Config: c, Pace: pace})
	target := crop.Target{OK: true, Stage: species.Fruiting, RelativeHumidity: chamber.Band{Low: 0.85, Aim: 0.9, High: 0.95}, CO2MaxPPM: 1000}
	k := rehearse.ForSpec(c.Chambers[0].Spec, rehearse.Load{SubstrateKg: 12, Stage: species.Fruiting}, target, 3)
	for i := range k.Outlets { // the clock runs so fast that the network takes a second of it
		k.Outlets[i].MinOnS, k.Outlets[i].MinOffS = k.Outlets[i].MinOnS-10, k.Outlets[i].MinOffS-10
	}
	u, err := url.Parse(d.Broker())
	if err != nil {
		t.Fatal(err)
	}
	house, err := sim.New(sim.Options{URL: u, Clock: d.Clock(), Chambers: []sim.Chamber{{Config: c.Chambers[0], Case: k}}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- house.Run(ctx) }()
	defer func() { cancel(); <-done }()
	plant(t, d, "loft", "b1")

	seen := map[string]bool{}
	until(t, 60*time.Second, "both plugs are told a level between off and full, say so, and do so", func() bool {
		told, said := levelsOf(t, d.Web())
		for i, name := range []string{"humidifier", "exhaust_fan"} {
			out := house.Look(0).Output[i]
			if part := told[name]; part > 0 && part < 1 && said[name] > part-0.01 && said[name] < part+0.01 && out > part-0.01 && out < part+0.01 {
				seen[name] = true
			}
		}
		return len(seen) == 2
	})
	for _, x := range house.Commands() {
		if x.Plug == 1 && x.On && x.Level != 0.33 && x.Level != 0.66 && x.Level != 1 {
			t.Errorf("the fan was told %v, which is none of its speeds", x.Level)
		}
		if x.Plug == 0 && x.On && (x.Level < 0.199 || x.Level > 1) {
			t.Errorf("the humidifier was told %v, below its lowest", x.Level)
		}
	}
	if v := house.Violations(0); len(v) > 0 {
		t.Errorf("switched too soon: %+v", v)
	}
}

var levelLine = regexp.MustCompile(`(?m)^gillkeeper_plug_(commanded|reported)_level_ratio\{chamber="loft",plug="([a-z_]+)",role="[a-z_]+"\} ([0-9.e+-]+)$`)

// levelsOf reads what plugs were told, and say, from the metrics.
func levelsOf(t *testing.T, addr string) (told, said map[string]float64) {
	t.Helper()
	r, err := http.Get("http://" + addr + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	told, said = map[string]float64{}, map[string]float64{}
	for _, m := range levelLine.FindAllStringSubmatch(string(text), -1) {
		v, err := strconv.ParseFloat(m[3], 64)
		if err != nil {
			t.Fatal(err)
		}
		if m[1] == "commanded" {
			told[m[2]] = v
		} else {
			said[m[2]] = v
		}
	}
	return told, said
}

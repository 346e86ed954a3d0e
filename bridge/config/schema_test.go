package config

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"

	"gillkeeper/policy/nearest"
)

// everyKey uses every key of the file once. The first broker is elsewhere; the embedded one's listen is its default.
const everyKey = `
[site]
name = "North shed"
timezone = "Europe/Madrid"
altitude_m = 620
display_temperature = "fahrenheit"
display_clock = "12h"
[broker]
url = "wss://broker.lan/mqtt"
client_id = "north"
username = "u"
password_file = "password"
ca_file = "ca"
cert_file = "cert"
key_file = "key"
embedded.listen = "127.0.0.1:1883"
homie.publish = true
homie.domain = "homie"
homie.settable = false
[http]
listen = "0.0.0.0:9420"
token_file = "token"
read_token_file = "read-token"
hosts = ["grow.lan", "10.0.0.7"]
base_path = "/grow"
[journal]
minutes_days = 20
ten_minutes_days = 300
hours_days = 2000
events_days = 200
path = "/var/lib/north.db"
[[notify]]
url_file = "address"
min_priority = "urgent"
quiet = ["22:00", "07:00"]
daily = "08:30"
[[chamber]]
name = "loft"
auto_advance = true
volume_m3 = 2
[[chamber.sensor]]
name = "air"
quantity = "co2"
place = "room"
topic = "a"
pointer = "/a"
unit = "ppm"
max_age = "1m"
alive_topic = "b"
alive_payload = "yes"
compensates_pressure = false
[[chamber.sensor]]
quantity = "relative_humidity"
topic = "c"
senml_name = "urn:dev:rh"
[[chamber.plug]]
role = "humidifier"
name = "mister"
command_topic = "d"
on_payload = "1"
off_payload = "0"
timed_on_payload = '{"for":{seconds}}'
state_topic = "e"
state_pointer = "/s"
state_on = "true"
state_off = "false"
power_topic = "f"
power_pointer = "/p"
output_g_per_h = 300
reservoir_liters = 5
warn_before = "36h"
clean_after = "72h"
clean_after_liters = 6
min_on = "10s"
min_off = "10s"
max_on = "10m"
[[chamber.plug]]
role = "exhaust_fan"
command_topic = "g"
flow_m3_per_h = 60
switchings_per_day = 600
[[chamber.plug]]
role = "circulation_fan"
command_topic = "h"
level_payload = "{level}"
level_full = 255
levels = [85, 170, 255]
[[chamber.plug]]
role = "cooler"
command_topic = "i"
level_payload = "{level}"
min_level = 30
[[chamber.sensor]]
quantity = "temperature"
homie = "loft-air/climate/temperature"
[[chamber.plug]]
role = "lamp"
homie = "homie/5/lamp/switch/on"
homie_power = "homie/lamp/meter/power"
[[climate]]
species = "pleurotus-ostreatus"
stage = "pinning"
relative_humidity = [0.9, 0.95]
temperature_c = [10, 15]
co2_min_ppm = 0
co2_max_ppm = 900
fae_per_hour = [4, 8]
light_hours = 12
lights_on = "08:30"
days = [3, 5]
`

// The list of keys, the reader and the file can't drift apart: each key of the list can be written, is accepted, and
// is used; and the reader asks for no key that is not in the list (it would panic).
func TestEveryKeyIsRead(t *testing.T) {
	raw, x, syntax := read("f", everyKey)
	if len(syntax) > 0 {
		t.Fatal(syntax)
	}
	r := &reader{file: "f", env: ordinary.env(), asked: map[string]bool{}}
	top := r.table("", "", raw, &x.root, 1)
	cfg := &Config{}
	r.build(cfg, top)
	for _, f := range r.faults {
		if !strings.Contains(f.What, "file that is not there") { // certificates have a test of their own
			t.Error(f)
		}
	}
	meta, err := toml.Decode(everyKey, new(map[string]any))
	if err != nil {
		t.Fatal(err)
	}
	var written []string
	for _, k := range meta.Keys() {
		written = append(written, strings.Join(k, "."))
	}
	for _, k := range Keys() {
		if !slices.Contains(written, k.Name) {
			t.Errorf("%s is not in the test's file", k.Name)
		}
		if !r.asked[k.Name] {
			t.Errorf("%s is never used", k.Name)
		}
		if k.Type == "" || k.Allowed == "" || k.Meaning == "" {
			t.Errorf("%s is not described: %+v", k.Name, k)
		}
		if k.Required && k.Default != "" {
			t.Errorf("%s is required and has a default", k.Name)
		}
	}
	if got := cfg.Chambers[0].Plugs[0].StateOn; got != "true" {
		t.Errorf("state_on became %q", got)
	}
}

// Each default, written into a file, reads as itself.
func TestDefaultsReadAsThemselves(t *testing.T) {
	n := 0
	for i := range entries {
		e := &entries[i]
		if e.def == nil || e.defWords != "" {
			continue
		}
		n++
		var file struct{ V any }
		if _, err := toml.Decode("v = "+e.defaultText(), &file); err != nil {
			t.Errorf("%s: default %s: %v", e.name, e.defaultText(), err)
			continue
		}
		if v, c := e.kind.read(file.V); c != nil || fmt.Sprint(v) != fmt.Sprint(e.def) {
			t.Errorf("%s: default %s reads as %v, %v", e.name, e.defaultText(), v, c)
		}
	}
	if n < 10 {
		t.Errorf("only %d defaults", n)
	}
}

// A key with a letter too many, two letters swapped or in capitals leads back to itself.
func TestMistypedKeysAreRecognized(t *testing.T) {
	for above, keys := range keysOf {
		for _, key := range keys {
			if len(key) < 4 {
				continue
			}
			for _, typo := range []string{key + "s", key[:1] + key[2:3] + key[1:2] + key[3:], strings.ToUpper(key)} {
				if got := nearest.Word(typo, keys); got != key && typo != key && !slices.Contains(keys, typo) {
					t.Errorf("%s.%s leads to %q", above, typo, got)
				}
			}
		}
	}
}

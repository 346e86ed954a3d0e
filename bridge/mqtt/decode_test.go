package mqtt

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/pointer"
	"gillkeeper/policy/chamber"
)

// record keeps what a sink was given.
type record struct {
	readings []chamber.Reading
	liveness []chamber.Liveness
	refusals []chamber.Refusal
	reports  []chamber.PlugReport
	chambers []int
	refused  []string
}

func (r *record) Reading(c int, v chamber.Reading) {
	r.readings, r.chambers = append(r.readings, v), append(r.chambers, c)
}
func (r *record) Liveness(c int, v chamber.Liveness) {
	r.liveness, r.chambers = append(r.liveness, v), append(r.chambers, c)
}
func (r *record) Refusal(_ int, v chamber.Refusal) { r.refusals = append(r.refusals, v) }
func (r *record) Report(c int, v chamber.PlugReport) {
	r.reports, r.chambers = append(r.reports, v), append(r.chambers, c)
}

// arrive delivers one message to everything that its topic concerns and gives the result for each chamber.
func (r *record) arrive(b *Bindings, topic, payload string, retained bool) []Result {
	m := message{topic: topic, payload: []byte(payload), retained: retained, wall: wall}
	var results []Result
	for i := range b.routes[topic].targets {
		t := &b.routes[topic].targets[i]
		results = append(results, t.deliver(&m, r, func(f refusal) {
			r.refused = append(r.refused, f.who+": "+f.fault.cause)
		}))
	}
	return results
}

var wall = time.Date(2026, 2, 3, 4, 5, 6, 0, time.UTC)

func at(t testing.TB, s string) pointer.Pointer {
	t.Helper()
	p, err := pointer.Compile(s)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// one makes the bindings of a chamber with one sensor on the topic "s".
func one(q chamber.Quantity, b config.SensorBinding, altitude float64, compensates bool) *Bindings {
	b.Topic = "s"
	return Bind([]config.Chamber{{
		Spec: &chamber.Spec{Name: "loft", AltitudeM: altitude, Sensors: []chamber.Sensor{
			{Name: "probe", Quantity: q, Place: chamber.Inside, MaxAge: 5 * time.Minute, CompensatesPressure: compensates}}},
		Sensors: []config.SensorBinding{b},
	}})
}

func TestSensorPayloads(t *testing.T) {
	const rh, temp, co2, light = chamber.RelativeHumidity, chamber.Temperature, chamber.CO2, chamber.Illuminance
	percent := config.SensorBinding{Unit: config.Percent}
	json := config.SensorBinding{Unit: config.Percent, HasPointer: true, Pointer: at(t, "/air/humidity")}
	pack := func(u config.Unit) config.SensorBinding {
		return config.SensorBinding{SenMLName: "urn:x:air", Unit: u}
	}
	for _, tc := range []struct {
		name     string
		quantity chamber.Quantity
		binding  config.SensorBinding
		payload  string
		want     float64
		result   Result
		cause    string
	}{
		{"plain number", rh, percent, "93.4", 0.934, OK, ""},
		{"blanks around it", rh, percent, " 93.4\r\n", 0.934, OK, ""},
		{"exponent", rh, percent, "9.34e1", 0.934, OK, ""},
		{"sign", rh, percent, "+93.4", 0.934, OK, ""},
		{"underflow is zero", temp, config.SensorBinding{Unit: config.Celsius}, "1e-999", 0, OK, ""},
		{"a little above saturation", rh, percent, "103.7", 1, OK, ""},
		{"at the limit", rh, percent, "105", 1, OK, ""},
		{"above the limit", rh, percent, "105.1", 0, Implausible, "implausible"},
		{"below zero", rh, percent, "-0.1", 0, Implausible, "implausible"},
		{"a dead sensor", rh, percent, "0.0", 0, Implausible, "implausible"},
		{"a ratio where percent is configured", rh, percent, "0.93", 0, Implausible, "implausible"},
		{"saturation as a ratio where percent is configured", rh, percent, "1.00", 0, Implausible, "implausible"},
		{"a desert", rh, percent, "5", 0.05, OK, ""},
		{"percent where a ratio is configured", rh, config.SensorBinding{Unit: config.Ratio}, "93.4", 0, Implausible, "implausible"},
		{"ratio", rh, config.SensorBinding{Unit: config.Ratio}, "0.934", 0.934, OK, ""},
		{"celsius", temp, config.SensorBinding{Unit: config.Celsius}, "18.2", 18.2, OK, ""},
		{"fahrenheit", temp, config.SensorBinding{Unit: config.Fahrenheit}, "68", 20, OK, ""},         // 68 °F is 20 °C exactly
		{"fahrenheit, cold", temp, config.SensorBinding{Unit: config.Fahrenheit}, "-40", -40, OK, ""}, // where the scales meet
		{"kelvin", temp, config.SensorBinding{Unit: config.Kelvin}, "293.15", 20, OK, ""},
		{"kelvin sent as celsius", temp, config.SensorBinding{Unit: config.Celsius}, "293.15", 0, Implausible, "implausible"},
		{"a thermometer before its first measurement", temp, config.SensorBinding{Unit: config.Celsius}, "85.0", 0, Implausible, "implausible"},
		{"the value of a sensor that broke", temp, config.SensorBinding{Unit: config.Celsius}, "-127", 0, Implausible, "implausible"},
		{"ppm", co2, config.SensorBinding{Unit: config.PPM}, "845", 845, OK, ""},
		{"no CO2 at all", co2, config.SensorBinding{Unit: config.PPM}, "0", 0, Implausible, "implausible"},
		{"lux", light, config.SensorBinding{Unit: config.Lux}, "0", 0, OK, ""},
		{"nothing", rh, percent, "", 0, BadPayload, "no number"},
		{"NaN", rh, percent, "NaN", 0, BadPayload, "no number"},
		{"infinite", rh, percent, "inf", 0, BadPayload, "no number"},
		{"overflow", rh, percent, "1e999", 0, Implausible, "out of range"},
		{"hexadecimal", rh, percent, "0x5d", 0, BadPayload, "no number"},
		{"underscore", rh, percent, "9_3", 0, BadPayload, "no number"},
		{"decimal comma", rh, percent, "93,4", 0, BadPayload, "no number"},
		{"unit behind it", rh, percent, "93.4 %", 0, BadPayload, "no number"},
		{"two numbers", rh, percent, "93.4 94", 0, BadPayload, "no number"},
		{"a word", rh, percent, "unavailable", 0, BadPayload, "no number"},
		{"JSON where a number is configured", rh, percent, `{"humidity":93.4}`, 0, BadPayload, "no number"},

		{"JSON", rh, json, `{"air":{"humidity":93.4}}`, 0.934, OK, ""},
		{"JSON, number in quotes", rh, json, `{"air":{"humidity":"93.4"}}`, 0.934, OK, ""},
		{"JSON, null", rh, json, `{"air":{"humidity":null}}`, 0, BadPayload, "no number where the pointer points"},
		{"JSON, true", rh, json, `{"air":{"humidity":true}}`, 0, BadPayload, "no number where the pointer points"},
		{"JSON, NaN in quotes", rh, json, `{"air":{"humidity":"nan"}}`, 0, BadPayload, "no number"},
		{"JSON, overflow", rh, json, `{"air":{"humidity":1e999}}`, 0, Implausible, "out of range"},
		{"JSON, member missing", rh, json, `{"air":{"temperature":18}}`, 0, BadPayload, "nothing where the pointer points"},
		{"JSON, member twice", rh, json, `{"air":{"humidity":1,"humidity":2}}`, 0, BadPayload, "no JSON document"},
		{"JSON, cut off", rh, json, `{"air":{"humidity":93.4`, 0, BadPayload, "no JSON document"},
		{"JSON, a plain number", rh, json, `93.4`, 0, BadPayload, "nothing where the pointer points"},

		{"SenML %RH", rh, pack(config.Percent), `[{"n":"urn:x:air","u":"%RH","v":93.4}]`, 0.934, OK, ""},
		{"SenML ratio", rh, pack(config.Percent), `[{"n":"urn:x:air","u":"/","v":0.934}]`, 0.934, OK, ""},
		{"SenML secondary percent", rh, pack(config.Percent), `[{"bver":26,"n":"urn:x:air","u":"/100","v":93.4}]`, 0.934, OK, ""},
		{"SenML % is a ratio by the registry", rh, pack(config.Percent), `[{"n":"urn:x:air","u":"%","v":0.934}]`, 0.934, OK, ""},
		{"SenML % that means percent", rh, pack(config.Percent), `[{"n":"urn:x:air","u":"%","v":93.4}]`, 0, Implausible, "implausible"},
		{"SenML, base value 0 in force", rh, pack(config.Percent), `[{"bn":"urn:x:","bu":"%RH","bv":80,"n":"wall","v":1},{"bv":0,"n":"air","v":93.4}]`, 0.934, OK, ""},
		{"SenML, within its update time", rh, pack(config.Percent), `[{"n":"urn:x:air","u":"%RH","t":-59,"ut":60,"v":93.4}]`, 0.934, OK, ""},
		{"SenML without a unit", rh, pack(config.Percent), `[{"n":"urn:x:air","v":93.4}]`, 0.934, OK, ""},
		{"SenML kelvin", temp, pack(config.Celsius), `[{"n":"urn:x:air","u":"K","v":293.15}]`, 20, OK, ""},
		{"SenML celsius", temp, pack(config.Fahrenheit), `[{"n":"urn:x:air","u":"Cel","v":20}]`, 20, OK, ""},
		{"SenML CO2 share", co2, pack(config.PPM), `[{"n":"urn:x:air","u":"/","v":0.000845}]`, 845, OK, ""},
		{"SenML ppm", co2, pack(config.PPM), `[{"n":"urn:x:air","u":"ppm","v":845}]`, 845, OK, ""},
		{"SenML lux", light, pack(config.Lux), `[{"n":"urn:x:air","u":"lx","v":300}]`, 300, OK, ""},
		{"SenML, another quantity's unit", temp, pack(config.Celsius), `[{"n":"urn:x:air","u":"%RH","v":20}]`, 0, BadPayload, "a SenML unit that does not fit"},
		{"SenML, the newest of the name", rh, pack(config.Percent),
			`[{"bn":"urn:x:","bu":"%RH","n":"air","t":-10,"v":90},{"n":"air","t":-60,"v":80},{"n":"other","v":70}]`, 0.90, OK, ""},
		{"SenML, no such name", rh, pack(config.Percent), `[{"n":"urn:x:other","v":93.4}]`, 0, BadPayload, "no number of that name in the SenML pack"},
		{"SenML, a string of that name", rh, pack(config.Percent), `[{"n":"urn:x:air","vs":"93.4"}]`, 0, BadPayload, "no number of that name in the SenML pack"},
		{"SenML, broken", rh, pack(config.Percent), `[{"n":"urn:x:air","v":93.4,"must_":1}]`, 0, BadPayload, "no SenML pack"},
		{"SenML, measured just within max_age", rh, pack(config.Percent), `[{"n":"urn:x:air","u":"%RH","t":-299,"v":93.4}]`, 0.934, OK, ""},
		{"SenML, from a clock that runs ahead", rh, pack(config.Percent), `[{"n":"urn:x:air","u":"%RH","t":3600,"v":93.4}]`, 0.934, OK, ""},
	} {
		b := one(tc.quantity, tc.binding, 0, true)
		for _, retained := range []bool{false, true} {
			var got record
			results := got.arrive(b, "s", tc.payload, retained)
			want := tc.result
			if want == OK && retained {
				want = Retained
			}
			if len(results) != 1 || results[0] != want {
				t.Errorf("%s: results %v, want %v", tc.name, results, want)
			}
			if tc.result == OK {
				if len(got.readings) != 1 || math.Abs(got.readings[0].Value-tc.want) > 1e-9 || got.readings[0].Retained != retained {
					t.Errorf("%s: readings %+v, want %v with retained %v", tc.name, got.readings, tc.want, retained)
				}
			} else if len(got.readings) != 0 {
				t.Errorf("%s: handed over %+v, want nothing", tc.name, got.readings)
			}
			if cause := strings.Join(got.refused, ","); tc.cause == "" && cause != "" || tc.cause != "" && cause != "probe: "+tc.cause {
				t.Errorf("%s: refused %q, want %q", tc.name, cause, tc.cause)
			}
		}
	}
}

// TestLateTimeStamp: what a sender itself says is older than max_age comes as last known, never as fresh.
func TestLateTimeStamp(t *testing.T) {
	b := one(chamber.RelativeHumidity, config.SensorBinding{SenMLName: "a", Unit: config.Percent}, 0, true)
	for _, stamp := range []string{"-300", "-86400", fmt.Sprint(wall.Add(-2 * time.Hour).Unix())} {
		var got record
		results := got.arrive(b, "s", `[{"n":"a","u":"%RH","t":`+stamp+`,"v":90}]`, false)
		if len(got.readings) != 1 || !got.readings[0].Retained || results[0] != Retained {
			t.Errorf("time %s: %+v, result %v; want it as last known", stamp, got.readings, results)
		}
	}
}

// TestUpdateTime: a sender that says when its next value is due at the latest (ut, RFC 8428 §4.2) says by that which
// value is out of date.
func TestUpdateTime(t *testing.T) {
	b := one(chamber.RelativeHumidity, config.SensorBinding{SenMLName: "a", Unit: config.Percent}, 0, true)
	var got record
	results := got.arrive(b, "s", `[{"n":"a","u":"%RH","t":-60,"ut":60,"v":90}]`, false)
	if len(got.readings) != 1 || !got.readings[0].Retained || results[0] != Retained {
		t.Errorf("%+v, result %v; want it as last known", got.readings, results)
	}
}

// TestCO2AtAltitude: an infrared sensor that takes every pressure for that of sea level shows too little up high. At
// 1500 m the standard atmosphere has 84.556 kPa (ICAO Doc 7488, table of the standard atmosphere, from memory), so a
// true 1000 ppm shows as 834.5.
func TestCO2AtAltitude(t *testing.T) {
	for _, tc := range []struct {
		altitude    float64
		compensates bool
		want        float64
	}{{1500, false, 1000}, {1500, true, 834.5}, {0, false, 834.5}} {
		var got record
		got.arrive(one(chamber.CO2, config.SensorBinding{Unit: config.PPM}, tc.altitude, tc.compensates), "s", "834.5", false)
		if len(got.readings) != 1 || math.Abs(got.readings[0].Value-tc.want) > 0.5 {
			t.Errorf("at %v m, compensates %v: %+v, want %v ppm", tc.altitude, tc.compensates, got.readings, tc.want)
		}
	}
	// A sensor in the room breathes the same pressure.
	room := Bind([]config.Chamber{{
		Spec: &chamber.Spec{Name: "loft", AltitudeM: 1500, Sensors: []chamber.Sensor{
			{Name: "room", Quantity: chamber.CO2, Place: chamber.Room, MaxAge: 5 * time.Minute}}},
		Sensors: []config.SensorBinding{{Topic: "s", Unit: config.PPM}},
	}})
	var got record
	got.arrive(room, "s", "834.5", false)
	if len(got.readings) != 1 || math.Abs(got.readings[0].Value-1000) > 0.5 {
		t.Errorf("in the room: %+v, want 1000 ppm", got.readings)
	}
}

func TestPlugPayloads(t *testing.T) {
	word := config.PlugBinding{StateTopic: "p", StateOn: "ON", StateOff: "OFF"}
	json := word
	json.HasStatePointer, json.StatePointer = true, at(t, "/state")
	numeric := json
	numeric.StateOn, numeric.StateOff = "1", "2"
	inverted := json
	inverted.StateOn, inverted.StateOff = "false", "true"
	letters := config.PlugBinding{StateTopic: "p", StateOn: "a", StateOff: "A"}
	both := json
	both.PowerTopic, both.HasPowerPointer, both.PowerPointer = "p", true, at(t, "/power")
	watts := config.PlugBinding{PowerTopic: "p"}
	for _, tc := range []struct {
		name    string
		binding config.PlugBinding
		payload string
		want    string // state, watts
		result  Result
	}{
		{"on", word, "ON", "on -", OK},
		{"off", word, "OFF", "off -", OK},
		{"another case", word, "on", "on -", OK},
		{"blanks", word, " Off\n", "off -", OK},
		{"another word", word, "TOGGLE", "- -", BadPayload},
		{"nothing", word, "", "- -", BadPayload},
		{"a number that the file does not name", word, "1", "- -", BadPayload},
		{"true outside JSON", word, "true", "- -", BadPayload},
		{"words that differ in case only", letters, "A", "off -", OK},
		{"words that differ in case only, with a blank", letters, "A ", "- -", BadPayload},
		{"JSON word", json, `{"state":"on"}`, "on -", OK},
		{"JSON true", json, `{"state":true}`, "on -", OK},
		{"JSON false", json, `{"state":false}`, "off -", OK},
		{"JSON 1", json, `{"state":1}`, "on -", OK},
		{"JSON 0", json, `{"state":0}`, "off -", OK},
		{"JSON 2", json, `{"state":2}`, "- -", BadPayload},
		{"JSON null", json, `{"state":null}`, "- -", BadPayload},
		{"JSON true in quotes", json, `{"state":"true"}`, "- -", BadPayload},
		{"numbers of the file", numeric, `{"state":2}`, "off -", OK},
		{"numbers of the file leave 0 without a meaning", numeric, `{"state":0}`, "- -", BadPayload},
		{"numbers of the file leave true without a meaning", numeric, `{"state":true}`, "- -", BadPayload},
		{"inverted", inverted, `{"state":false}`, "on -", OK},
		{"inverted leaves 0 without a meaning", inverted, `{"state":0}`, "- -", BadPayload},
		{"state and power", both, `{"state":"ON","power":38.5}`, "on 38.5", OK},
		{"power alone", both, `{"power":38.5}`, "- 38.5", OK},
		{"state alone", both, `{"state":"OFF"}`, "off -", OK},
		{"neither", both, `{"voltage":230}`, "- -", BadPayload},
		{"state sound, power not", both, `{"state":"OFF","power":-3}`, "off -", Implausible},
		{"power sound, state not", both, `{"state":"MAYBE","power":3}`, "- 3", BadPayload},
		{"watts", watts, "0", "- 0", OK},
		{"watts, negative zero", watts, "-0", "- 0", OK},
		{"watts, more than any outlet", watts, "1e6", "- -", Implausible},
		{"watts, negative", watts, "-1", "- -", Implausible},
		{"watts, NaN", watts, "NaN", "- -", BadPayload},
	} {
		b := Bind([]config.Chamber{{
			Spec:  &chamber.Spec{Name: "loft", Plugs: []chamber.Plug{{Name: "mister", Role: chamber.Humidifier}}},
			Plugs: []config.PlugBinding{tc.binding},
		}})
		var got record
		results := got.arrive(b, "p", tc.payload, false)
		said := "- -"
		if len(got.reports) == 1 {
			r := got.reports[0]
			said = map[bool]string{true: map[bool]string{true: "on", false: "off"}[r.On], false: "-"}[r.HasOn]
			said += map[bool]string{true: fmt.Sprint(" ", r.Watts), false: " -"}[r.HasWatts]
		}
		if said != tc.want || len(results) != 1 || results[0] != tc.result {
			t.Errorf("%s: %q, result %v; want %q, %v", tc.name, said, results, tc.want, tc.result)
		}
		if (tc.result != OK) != (len(got.refused) == 1) {
			t.Errorf("%s: refused %q", tc.name, got.refused)
		}
	}
}

// TestSharedTopics: two sensors and a plug in one payload, a room's sensor for two chambers, a liveness topic.
func TestSharedTopics(t *testing.T) {
	spec := func(name string) *chamber.Spec {
		return &chamber.Spec{Name: name, Sensors: []chamber.Sensor{
			{Name: "rh", Quantity: chamber.RelativeHumidity}, {Name: "t", Quantity: chamber.Temperature}, {Name: "room", Quantity: chamber.CO2, CompensatesPressure: true}}}
	}
	sensors := func(topic string) []config.SensorBinding {
		return []config.SensorBinding{
			{Topic: topic, HasPointer: true, Pointer: at(t, "/h"), Unit: config.Percent, AliveTopic: topic + "/alive", AlivePayload: "online"},
			{Topic: topic, HasPointer: true, Pointer: at(t, "/t"), Unit: config.Celsius},
			{Topic: "room", Unit: config.PPM},
		}
	}
	b := Bind([]config.Chamber{{Spec: spec("a"), Sensors: sensors("a")}, {Spec: spec("b"), Sensors: sensors("b")}})
	if got, want := strings.Join(b.Topics(), " "), "a a/alive b b/alive room"; got != want {
		t.Errorf("topics %q, want %q", got, want)
	}
	if b.routes["a"].qos != 0 || b.routes["a/alive"].qos != 1 {
		t.Errorf("QoS %d and %d, want readings at 0 and liveness at 1", b.routes["a"].qos, b.routes["a/alive"].qos)
	}
	for _, tc := range []struct {
		topic, payload string
		readings       int
		chambers       []int
		results        []Result
		refused        int
	}{
		{"a", `{"h":90,"t":18}`, 2, []int{0, 0}, []Result{OK}, 0},
		{"b", `{"t":18}`, 1, []int{1}, []Result{OK}, 0}, // it is about the other sensor only
		{"b", `{"battery":80}`, 0, nil, []Result{BadPayload}, 1},
		{"b", `{"h":300,"t":18}`, 1, []int{1}, []Result{Implausible}, 1},
		{"room", "450", 2, []int{0, 1}, []Result{OK, OK}, 0},
		{"room", "x", 0, nil, []Result{BadPayload, BadPayload}, 2},
	} {
		var got record
		results := got.arrive(b, tc.topic, tc.payload, false)
		if len(got.readings) != tc.readings || fmt.Sprint(got.chambers) != fmt.Sprint(tc.chambers) ||
			fmt.Sprint(results) != fmt.Sprint(tc.results) || len(got.refused) != tc.refused {
			t.Errorf("%s %s: %+v for chambers %v, results %v, refused %q", tc.topic, tc.payload, got.readings, got.chambers, results, got.refused)
		}
	}
	for payload, want := range map[string]bool{"online": true, "offline": false, "Online": false, "": false} {
		var got record
		got.arrive(b, "b/alive", payload, true)
		if len(got.liveness) != 1 || got.liveness[0] != (chamber.Liveness{Sensor: 0, Alive: want}) || got.chambers[0] != 1 {
			t.Errorf("liveness %q: %+v, want alive %v", payload, got.liveness, want)
		}
	}
}

// everything binds each payload form that there is to one topic.
func everything(t testing.TB) *Bindings {
	spec := &chamber.Spec{Name: "loft", AltitudeM: 620}
	c := config.Chamber{Spec: spec}
	for _, q := range chamber.Quantities() {
		units := map[chamber.Quantity][]config.Unit{
			chamber.RelativeHumidity: {config.Percent, config.Ratio}, chamber.Temperature: {config.Celsius, config.Fahrenheit, config.Kelvin},
			chamber.CO2: {config.PPM}, chamber.Illuminance: {config.Lux},
		}[q]
		for _, u := range units {
			for _, b := range []config.SensorBinding{
				{Unit: u}, {Unit: u, HasPointer: true}, {Unit: u, HasPointer: true, Pointer: at(t, "/a")}, {Unit: u, HasPointer: true, Pointer: at(t, "/a/0")}, {Unit: u, SenMLName: "a"},
			} {
				b.Topic = "x"
				c.Sensors = append(c.Sensors, b)
				spec.Sensors = append(spec.Sensors, chamber.Sensor{Name: fmt.Sprint(q, u, b.SenMLName, b.Pointer), Quantity: q, MaxAge: time.Minute})
			}
		}
	}
	for _, words := range [][2]string{{"ON", "OFF"}, {"1", "0"}, {"true", "false"}, {"a", "A"}} {
		for _, pointed := range []bool{false, true} {
			p := config.PlugBinding{StateTopic: "x", PowerTopic: "x", StateOn: words[0], StateOff: words[1], HasStatePointer: pointed, HasPowerPointer: pointed}
			if pointed {
				p.StatePointer, p.PowerPointer = at(t, "/a"), at(t, "/b")
			}
			c.Plugs = append(c.Plugs, p)
			spec.Plugs = append(spec.Plugs, chamber.Plug{Name: fmt.Sprint(words, pointed)})
		}
	}
	return Bind([]config.Chamber{c})
}

// checkSound: whatever arrives, what is handed over can be.
func checkSound(t interface{ Fatalf(string, ...any) }, b *Bindings, payload string) {
	var got record
	got.arrive(b, "x", payload, false)
	quantities := b.routes["x"].targets[0].sensors
	for _, r := range got.readings {
		q := quantities[r.Sensor].quantity
		low, high := q.Bounds()
		if q == chamber.RelativeHumidity {
			high = 1
		}
		if !(r.Value >= low && r.Value <= high) {
			t.Fatalf("payload %q: handed over %s of %v", payload, q, r.Value)
		}
	}
	for _, r := range got.reports {
		if r.HasWatts && !(r.Watts >= 0 && r.Watts <= maxWatts) || !r.HasWatts && !r.HasOn {
			t.Fatalf("payload %q: handed over %+v", payload, r)
		}
	}
	for _, s := range got.refused {
		if len(s) > 100 || strings.ContainsAny(s, "\n\r") {
			t.Fatalf("payload %q: the cause %q is not one of few words", payload, s)
		}
	}
}

// TestWhatCannotBeUsedIsHandedOn: that a sensor speaks and is not understood is another thing than that it is silent. What the broker kept
// is of unknown age and says nothing of today, and a document about one sensor alone nothing against the other.
func TestWhatCannotBeUsedIsHandedOn(t *testing.T) {
	spec := &chamber.Spec{Name: "a", Sensors: []chamber.Sensor{
		{Name: "rh", Quantity: chamber.RelativeHumidity, MaxAge: 5 * time.Minute}, {Name: "t", Quantity: chamber.Temperature}}}
	bind := func(of config.SensorBinding) []config.SensorBinding {
		of.Topic = "a"
		return []config.SensorBinding{of, {Topic: "a", HasPointer: true, Pointer: at(t, "/t"), Unit: config.Celsius}}
	}
	h, pack := config.SensorBinding{HasPointer: true, Pointer: at(t, "/h"), Unit: config.Percent}, config.SensorBinding{SenMLName: "h", Unit: config.Percent}
	for _, tc := range []struct {
		payload  string
		binding  config.SensorBinding
		retained bool
		want     []chamber.Refusal
	}{
		{`{"h":90,"t":18}`, h, false, nil},
		{`{"t":18}`, h, false, nil},
		{`{"h":0.9,"t":18}`, h, false, []chamber.Refusal{{Sensor: 0}}},
		{`{"h":"wet","t":18}`, h, false, []chamber.Refusal{{Sensor: 0}}},
		{`{"humidity":90,"temperature":18}`, h, false, []chamber.Refusal{{Sensor: 0}, {Sensor: 1}}},
		{`{"h":0.9,"t":18}`, h, true, nil},
		{`[{"n":"h","u":"%RH","t":-3600,"v":90}]`, pack, false, []chamber.Refusal{{Sensor: 0, Old: true}}},
	} {
		var got record
		got.arrive(Bind([]config.Chamber{{Spec: spec, Sensors: bind(tc.binding)}}), "a", tc.payload, tc.retained)
		if !slices.Equal(got.refusals, tc.want) {
			t.Errorf("%s, retained %v: %+v, want %+v", tc.payload, tc.retained, got.refusals, tc.want)
		}
	}
}

func TestNumbersHandedOverArePlausible(t *testing.T) {
	b := everything(t)
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-1000, 200000)).Draw(t, "v")
		form := rapid.SampledFrom([]string{"%v", `{"a":%v}`, `{"a":[%v],"b":1}`, `[{"n":"a","v":%v}]`, `[{"n":"a","bv":%v,"u":"%%RH"}]`, `{"a":"%v"}`}).Draw(t, "form")
		checkSound(t, b, fmt.Sprintf(form, v))
	})
}

func FuzzNumber(f *testing.F) {
	for _, s := range []string{"93.4", " 93.4\n", "NaN", "-inf", "1e999", "0x1p-2", "1_0", "93,4", "", "+", "1e", "-0"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if v, fault := parseNumber(s); fault == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
			t.Fatalf("%q gives %v", s, v)
		}
		checkSound(t, one(chamber.RelativeHumidity, config.SensorBinding{Unit: config.Percent}, 0, true).named("x"), s)
	})
}

// named moves the sensor of one to another topic.
func (b *Bindings) named(topic string) *Bindings {
	b.routes[topic] = b.routes["s"]
	return b
}

func FuzzJSON(f *testing.F) {
	for _, s := range []string{`{"a":93.4,"b":12}`, `{"a":"ON","b":"12"}`, `{"a":[1,2]}`, `{"a":true}`, `{"a":1e400}`, `{"a":1,"a":2}`, `[[[[`, `"x"`, `null`, "{\"a\":\"\xff\"}"} {
		f.Add(s)
	}
	b := everything(f)
	f.Fuzz(func(t *testing.T, s string) { checkSound(t, b, s) })
}

func FuzzSenML(f *testing.F) {
	for _, s := range []string{`[{"n":"a","u":"%RH","v":93.4}]`, `[{"bn":"a","bt":1770091506,"bu":"Cel","v":20},{"t":-5,"v":19}]`, `[{"n":"a","u":"/","v":0.0008}]`, `[{"n":"a","bv":1e308,"v":1e308}]`, `[{"n":"a","t":-1e300,"v":1}]`} {
		f.Add(s)
	}
	b := everything(f)
	f.Fuzz(func(t *testing.T, s string) { checkSound(t, b, s) })
}

func FuzzStateWord(f *testing.F) {
	f.Add("ON", "ON", "OFF", byte('w'))
	f.Add("true", "on", "off", byte('b'))
	f.Add("0", "1", "0", byte('n'))
	f.Add(" a ", "A", "a", byte('w'))
	f.Fuzz(func(t *testing.T, s, on, off string, kind byte) {
		got, ok := stateWord(s, kind, on, off)
		if !ok {
			return
		}
		if s == off && s != on && got || s == on && s != off && !got {
			t.Fatalf("%q with the words %q and %q means %v", s, on, off, got)
		}
		if other, both := stateWord(s, kind, off, on); both && other == got && kind == 'w' {
			t.Fatalf("%q means %v whichever of %q and %q is on", s, got, on, off)
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	bindings := Bind([]config.Chamber{{
		Spec: &chamber.Spec{Name: "loft", Sensors: []chamber.Sensor{
			{Name: "n", Quantity: chamber.RelativeHumidity}, {Name: "j", Quantity: chamber.RelativeHumidity}, {Name: "s", Quantity: chamber.RelativeHumidity}}},
		Sensors: []config.SensorBinding{
			{Topic: "number", Unit: config.Percent},
			{Topic: "json", Unit: config.Percent, HasPointer: true, Pointer: at(b, "/humidity")},
			{Topic: "senml", Unit: config.Percent, SenMLName: "urn:x:humidity"},
		},
	}})
	for _, tc := range []struct{ topic, payload string }{
		{"number", "93.4"},
		{"json", `{"temperature":18.2,"humidity":93.4,"co2":845}`},
		{"senml", `[{"bn":"urn:x:","n":"temperature","u":"Cel","v":18.2},{"n":"humidity","u":"%RH","v":93.4}]`},
	} {
		b.Run(tc.topic, func(b *testing.B) {
			t := &bindings.routes[tc.topic].targets[0]
			for b.Loop() {
				m := message{topic: tc.topic, payload: []byte(tc.payload), wall: wall}
				if t.deliver(&m, nowhere{}, func(refusal) {}) != OK {
					b.Fatal("refused")
				}
			}
		})
	}
}

// What stands where a number should is said in words of JSON, not of this program.
func TestWrongKindIsSaid(t *testing.T) {
	for payload, want := range map[string]string{`{"x":null}`: "it is null", `{"x":true}`: "it is true or false", `{"x":[1]}`: "it is an array", `{"x":{}}`: "it is an object"} {
		p, err := pointer.Compile("/x")
		if err != nil {
			t.Fatal(err)
		}
		m := message{payload: []byte(payload)}
		if _, f := m.number(true, p); f == nil || f.detail != want {
			t.Errorf("%s: %+v", payload, f)
		}
	}
}

// TestUnitIsGuessed: a value that cannot be, and can in another unit, is most often that.
func TestUnitIsGuessed(t *testing.T) {
	for _, tc := range []struct {
		quantity chamber.Quantity
		unit     config.Unit
		payload  string
		want     string // of the detail; "": no guess
	}{
		{chamber.RelativeHumidity, config.Percent, "0.93", `"ratio"`},
		{chamber.RelativeHumidity, config.Percent, "1", `"ratio"`},
		{chamber.RelativeHumidity, config.Percent, "0", ""},
		{chamber.RelativeHumidity, config.Percent, "-5", ""},
		{chamber.RelativeHumidity, config.Ratio, "93.4", `"percent"`},
		{chamber.RelativeHumidity, config.Ratio, "930", ""},
		{chamber.CO2, config.PPM, "0.5", ""},
		{chamber.Temperature, config.Celsius, "64.4", `"fahrenheit"`},
		{chamber.Temperature, config.Celsius, "-127", ""},
		{chamber.Temperature, config.Celsius, "291.5", ""},
	} {
		s := newSensor(0, &chamber.Spec{Sensors: []chamber.Sensor{{Quantity: tc.quantity, CompensatesPressure: true}}}, config.SensorBinding{Unit: tc.unit})
		_, f := s.decode(&message{payload: []byte(tc.payload)})
		if f == nil || !strings.Contains(f.detail, tc.want) || tc.want == "" && strings.Contains(f.detail, "is it") {
			t.Errorf("%s of %s: %+v, want %q", tc.quantity, tc.payload, f, tc.want)
		}
	}
}

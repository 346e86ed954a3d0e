package survey

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
)

// talker is one topic of a made-up house: how often it speaks, and what it says at a second.
type talker struct {
	topic    string
	every    float64 // seconds; 0: once, retained
	retained bool
	say      func(r *rand.Rand, at float64) string
}

// drift walks slowly, as air does.
func drift(mid, swing, noise float64, digits int) func(*rand.Rand, float64) string {
	phase := mid // differs from one to the next
	return func(r *rand.Rand, at float64) string {
		return fmt.Sprintf("%.*f", digits, mid+swing*math.Sin(at/500+phase)+noise*r.NormFloat64())
	}
}

func fixed(words ...string) func(*rand.Rand, float64) string {
	return func(r *rand.Rand, _ float64) string { return words[r.IntN(len(words))] }
}

func counter(step float64) func(*rand.Rand, float64) string {
	return func(_ *rand.Rand, at float64) string { return fmt.Sprintf("%.0f", 1000+step*at) }
}

func jumpy(low, high float64, digits int) func(*rand.Rand, float64) string {
	return func(r *rand.Rand, _ float64) string {
		return fmt.Sprintf("%.*f", digits, low+(high-low)*r.Float64())
	}
}

func doc(format string, parts ...func(*rand.Rand, float64) string) func(*rand.Rand, float64) string {
	return func(r *rand.Rand, at float64) string {
		var list []any
		for _, p := range parts {
			list = append(list, p(r, at))
		}
		return fmt.Sprintf(format, list...)
	}
}

// onAt is a plug that runs a minute in three.
func onAt(at float64) bool { return math.Mod(at, 90) < 30 }

func state(on, off string) func(*rand.Rand, float64) string {
	return func(_ *rand.Rand, at float64) string {
		if onAt(at) {
			return on
		}
		return off
	}
}

func watts(on float64) func(*rand.Rand, float64) string {
	return func(r *rand.Rand, at float64) string {
		if onAt(at) {
			return fmt.Sprintf("%.1f", on+r.NormFloat64()*0.3)
		}
		return "0.4"
	}
}

// wanted is what a survey of the made-up house should find: by topic and pointer, record or property.
var wanted = map[string]string{
	"shed/loft/air-upper /humidity":                    "humidity",
	"shed/loft/air-upper /temperature":                 "temperature",
	"shed/loft/air-upper /co2":                         "CO2",
	"shed/loft/air-lower/rh":                           "humidity",
	"shed/loft/air-low /humidity":                      "humidity",
	"shed/loft/air-high/humidity":                      "humidity",
	"shed/loft/air-lower/temp_f":                       "temperature",
	"shed/cellar/sniffer urn:dev:ow:cellar:rh":         "humidity",
	"shed/cellar/sniffer urn:dev:ow:cellar:t":          "temperature",
	"shed/cellar/co2":                                  "CO2",
	"homie/5/attic-air/climate/humidity":               "humidity",
	"homie/5/attic-air/climate/temperature":            "temperature",
	"homie/old-hygro/air/humidity":                     "humidity",
	"shed/room/air /relative_humidity":                 "humidity",
	"shed/room/air /temp":                              "temperature",
	"shed/loft/light-meter/lux":                        "light",
	"plug shed/loft/mister /state":                     "humidifier",
	"plug shed/loft/fan/state":                         "exhaust_fan",
	"plug shed/cellar/fogger":                          "humidifier",
	"plug homie/5/attic-plug/switch/on":                "lamp",
	"power of shed/loft/mister /power":                 "",
	"power of homie/5/attic-plug/meter/power":          "",
	"command of shed/loft/mister /state":               "shed/loft/mister/set",
	"command of shed/loft/fan/state":                   "shed/loft/fan/set",
	"command of shed/cellar/fogger":                    "shed/cellar/fogger/set",
	"command of homie/5/attic-plug/switch/on":          "homie/5/attic-plug/switch/on/set",
	"on payload of shed/loft/mister /state":            `{"state":"ON"}`,
	"off payload of shed/cellar/fogger":                "0",
	"unit of shed/loft/air-lower/temp_f":               "fahrenheit",
	"unit of shed/cellar/sniffer urn:dev:ow:cellar:rh": "percent",
}

// right are the topics that belong to chambers.
func right() []talker {
	five := `{"homie":"5.0","version":1,"name":"Attic %s","nodes":{%s}}`
	return []talker{
		{"shed/loft/air-upper", 10, false, doc(`{"humidity":%s,"temperature":%s,"co2":%s,"battery":%s,"linkquality":%s}`,
			drift(91, 2, 0.2, 1), drift(17.5, 0.5, 0.05, 2), drift(820, 60, 6, 0), fixed("97"), jumpy(40, 120, 0))},
		{"shed/loft/air-lower/rh", 12, false, drift(93, 2, 0.3, 1)},
		{"shed/loft/air-low", 12, false, doc(`{"humidity":%s,"battery":%s}`, drift(94, 2, 0.3, 1), fixed("81"))},
		{"shed/loft/air-high/humidity", 12, false, drift(89, 2, 0.3, 1)},
		{"shed/loft/air-lower/temp_f", 12, false, drift(63, 1, 0.1, 1)},
		{"shed/cellar/sniffer", 15, false, doc(`[{"bn":"urn:dev:ow:cellar:","n":"rh","u":"%%RH","v":%s},{"n":"t","u":"Cel","v":%s},{"n":"batt","u":"%%EL","v":%s}]`,
			drift(88, 3, 0.3, 1), drift(14, 0.4, 0.05, 2), fixed("80"))},
		{"shed/cellar/co2", 15, false, drift(1100, 90, 8, 0)},
		{"homie/5/attic-air/$state", 0, true, fixed("ready")},
		{"homie/5/attic-air/$description", 0, true, func(*rand.Rand, float64) string {
			return fmt.Sprintf(five, "air", `"climate":{"properties":{"humidity":{"datatype":"float","unit":"%"},"temperature":{"datatype":"float","unit":"°C"}}},"system":{"properties":{"battery":{"datatype":"integer","unit":"%"}}}`)
		}},
		{"homie/5/attic-air/climate/humidity", 20, true, drift(90, 2, 0.2, 1)},
		{"homie/5/attic-air/climate/temperature", 20, true, drift(18, 0.5, 0.05, 1)},
		{"homie/5/attic-air/system/battery", 20, true, fixed("77")},
		{"homie/5/attic-plug/$description", 0, true, func(*rand.Rand, float64) string {
			return fmt.Sprintf(five, "lamp", `"switch":{"properties":{"on":{"datatype":"boolean","settable":true,"name":"Lamp"}}},"meter":{"properties":{"power":{"datatype":"float","unit":"W"}}}`)
		}},
		{"homie/5/attic-plug/switch/on", 30, true, state("true", "false")},
		{"homie/5/attic-plug/meter/power", 10, true, watts(40)},
		{"homie/old-hygro/air/humidity/$datatype", 0, true, fixed("float")},
		{"homie/old-hygro/air/humidity/$unit", 0, true, fixed("%")},
		{"homie/old-hygro/air/humidity", 20, true, drift(85, 2, 0.2, 1)},
		{"shed/room/air", 15, false, doc(`{"relative_humidity":%s,"temp":%s}`, drift(52, 3, 0.3, 1), drift(19, 0.4, 0.05, 1))},
		{"shed/loft/light-meter/lux", 10, false, drift(450, 30, 5, 0)},
		{"shed/loft/mister", 10, false, doc(`{"state":"%s","power":%s}`, state("ON", "OFF"), watts(28))},
		{"shed/loft/mister/set", 30, false, doc(`{"state":"%s"}`, state("ON", "OFF"))},
		{"shed/loft/fan/set", 30, false, state("on", "off")},
		{"shed/loft/fan/state", 30, false, state("on", "off")},
		{"shed/cellar/fogger", 10, true, state("1", "0")},
		{"shed/cellar/fogger/set", 30, false, state("1", "0")},
	}
}

// unrelated are 300 topics of a household, a workshop and its machines: hard ones among them, such as other devices'
// temperatures, batteries in percent, soil moisture, forecasts, thermostats and counters.
func unrelated() []talker {
	kinds := []struct {
		topic string
		say   func(*rand.Rand, float64) string
	}{
		{"house/kitchen-%d/fridge/temperature", drift(4, 1, 0.1, 1)}, {"house/router-%d/cpu/temp", drift(52, 3, 1, 1)},
		{"weather/%d/forecast/humidity", drift(60, 5, 1, 0)}, {"weather/%d/outdoor/temperature", drift(9, 2, 0.1, 1)},
		{"garden/bed-%d/soil_moisture", drift(34, 2, 0.3, 1)}, {"house/door-%d/battery", fixed("88")},
		{"house/door-%d/contact", fixed("true", "false")}, {"house/hall-%d/motion/occupancy", fixed("on", "off")},
		{"house/dryer-%d/humidity_high", fixed("70")}, {"house/dryer-%d/limits", doc(`{"humidity":{"low":%s}}`, fixed("40"))},
		{"house/thermostat-%d/setpoint", fixed("21.5")}, {"house/thermostat-%d/target_temperature", fixed("19")},
		{"energy/meter-%d/total", counter(0.3)}, {"energy/meter-%d/voltage", jumpy(228, 234, 1)}, {"energy/meter-%d/frequency", jumpy(49.9, 50.1, 2)},
		{"energy/phase-%d/current", jumpy(1, 9, 2)}, {"devices/node%d/uptime", counter(1)}, {"devices/node%d/rssi", jumpy(-80, -50, 0)},
		{"devices/node%d/availability", fixed("online")}, {"devices/node%d/heap", jumpy(20000, 40000, 0)}, {"devices/node%d/version", fixed("1.14.2", "1.14.2")},
		{"car/%d/speed", jumpy(0, 120, 0)}, {"car/%d/gps", doc(`{"lat":%s,"lon":%s,"alt":%s}`, jumpy(40, 41, 5), jumpy(-4, -3, 5), jumpy(600, 700, 0))},
		{"phone/%d/battery_level", fixed("61")}, {"media/player-%d/volume", jumpy(0, 100, 0)}, {"media/player-%d/state", fixed("playing", "paused")},
		{"printer/%d/nozzle/temperature", drift(55, 1, 0.5, 1)}, {"pool/%d/water_temperature", drift(24, 1, 0.1, 1)},
		{"aquarium/%d/ph", drift(7, 0.1, 0.02, 2)}, {"lab/%d/pressure", drift(948, 1, 0.2, 1)}, {"garage/%d/lock/state", fixed("locked")},
		{"alarm/%d/status", fixed("armed", "disarmed")}, {"stock/%d/price", jumpy(400, 900, 2)}, {"house/tv-%d/online", fixed("true", "false")},
	}
	var list []talker
	r := rand.New(rand.NewPCG(7, 7))
	for i := 0; len(list) < 300; i++ {
		k := kinds[i%len(kinds)]
		list = append(list, talker{topic: fmt.Sprintf(k.topic, i/len(kinds)), every: 5 + 20*r.Float64(), retained: r.IntN(2) == 0, say: k.say})
	}
	return list
}

// house plays the stream for a while, in the order of time: what is retained first, as a broker does.
func house(s *Survey, talkers []talker, length time.Duration, seed uint64) {
	type utterance struct {
		at float64
		t  *talker
	}
	r := rand.New(rand.NewPCG(seed, 1))
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	var all []utterance
	for i := range talkers {
		t := &talkers[i]
		if t.retained {
			s.Hear(Message{Topic: t.topic, Payload: []byte(t.say(r, 0)), Retained: true, At: start})
		}
		offset := 0.0
		if !strings.HasSuffix(t.topic, "/set") {
			offset = 0.5 // a plug answers what it was told
		}
		for at := offset; t.every > 0 && at < length.Seconds(); at += t.every {
			all = append(all, utterance{at, t})
		}
	}
	slices.SortStableFunc(all, func(a, b utterance) int { return int(math.Copysign(1, a.at-b.at)) })
	for _, u := range all {
		s.Hear(Message{Topic: u.t.topic, Payload: []byte(u.t.say(r, u.at)), At: start.Add(time.Duration(u.at * float64(time.Second)))})
	}
}

// TestHouse: among 300 unrelated topics the survey finds the right ones and is sure of them; of the others it is sure
// of none.
func TestHouse(t *testing.T) {
	for _, length := range []time.Duration{time.Minute, 5 * time.Minute} {
		for seed := range uint64(2) {
			s := New()
			house(s, slices.Concat(right(), unrelated()), length, seed)
			f := s.Find()
			got := map[string]string{}
			for _, x := range f.Sensors {
				at := x.Topic
				if x.Pointer+x.SenML != "" {
					at += " " + x.Pointer + x.SenML
				}
				if wanted[at] == "" && x.Sure >= 0.5 {
					t.Errorf("%v: %s as %s, %.0f %% sure: %v", length, at, x.Measures, 100*x.Sure, x.Because)
				}
				if wanted[at] != "" && x.Sure < Sure {
					t.Errorf("%v: %s is %s with only %.0f %%: %v", length, at, x.Measures, 100*x.Sure, x.Because)
				}
				got[at], got["unit of "+at] = x.Measures, x.UnitWord
			}
			for _, p := range f.Plugs {
				at := strings.TrimSpace(p.State.Topic + " " + p.State.Pointer)
				if _, ok := wanted["plug "+at]; !ok && p.Sure >= 0.5 {
					t.Errorf("%v: plug %s, %.0f %% sure: %v", length, at, 100*p.Sure, p.Because)
				} else if ok && p.Sure < Sure {
					t.Errorf("%v: plug %s with only %.0f %%: %v", length, at, 100*p.Sure, p.Because)
				}
				got["plug "+at], got["command of "+at] = p.Role.String(), p.Command.Topic
				got["on payload of "+at], got["off payload of "+at] = p.Command.On, p.Command.Off
				if p.Power != nil {
					got["power of "+strings.TrimSpace(p.Power.Topic+" "+p.Power.Pointer)] = ""
				}
			}
			for k, want := range wanted {
				if is, there := got[k]; is != want || !there {
					t.Errorf("%v, seed %d: %s is %q, want %q", length, seed, k, is, want)
				}
			}
		}
	}
}

// TestOtherHouses: other manners of naming. What nothing names is told apart by range and movement, and is not sure.
func TestOtherHouses(t *testing.T) {
	for _, tc := range []struct {
		name     string
		talkers  []talker
		measures map[string]string // by topic and pointer
		sure     bool
	}{
		{"one letter each", []talker{{"tent/1", 5, false, doc(`{"t":%s,"h":%s}`, drift(18, 0.5, 0.05, 1), drift(91, 2, 0.2, 1))}},
			map[string]string{"tent/1 /t": "temperature", "tent/1 /h": "humidity"}, true},
		{"German", []talker{{"keller/zelt/luftfeuchte", 5, false, drift(91, 2, 0.2, 1)}, {"keller/zelt/temperatur", 5, false, drift(18, 0.5, 0.05, 1)}},
			map[string]string{"keller/zelt/luftfeuchte": "humidity", "keller/zelt/temperatur": "temperature"}, true},
		{"Spanish, camel case", []talker{{"seta/carpa/humedadAire", 5, false, drift(91, 2, 0.2, 1)}, {"seta/carpa/nivelCO2", 5, false, drift(900, 60, 5, 0)}},
			map[string]string{"seta/carpa/humedadAire": "humidity", "seta/carpa/nivelCO2": "CO2"}, true},
		{"a ratio", []talker{{"tent/rh_ratio", 5, false, drift(0.91, 0.02, 0.002, 3)}}, map[string]string{"tent/rh_ratio": "humidity"}, true},
		{"value and unit side by side", []talker{{"tent/s1", 5, false, doc(`{"readings":[{"value":%s,"unit":"°C"},{"value":%s,"unit":"ppm"}]}`,
			drift(18, 0.5, 0.05, 1), drift(900, 60, 5, 0))}}, map[string]string{"tent/s1 /readings/0/value": "temperature", "tent/s1 /readings/1/value": "CO2"}, true},
		{"kelvin", []talker{{"tent/temperature", 5, false, drift(291, 0.5, 0.05, 2)}}, map[string]string{"tent/temperature": "temperature"}, true},
		{"nothing but numbers", []talker{{"a/1", 5, false, drift(91, 2, 0.2, 1)}, {"a/2", 5, false, drift(17.4, 0.5, 0.05, 2)}, {"a/3", 5, false, drift(900, 60, 5, 0)}},
			map[string]string{"a/1": "humidity", "a/2": "temperature", "a/3": "CO2"}, false},
	} {
		s := New()
		house(s, tc.talkers, 5*time.Minute, 1)
		got := map[string]float64{}
		for _, x := range s.Find().Sensors {
			at := strings.TrimSpace(x.Topic + " " + x.Pointer)
			if tc.measures[at] != x.Measures {
				t.Errorf("%s: %s is taken for %s: %v", tc.name, at, x.Measures, x.Because)
			}
			got[at] = x.Sure
		}
		for at, want := range tc.measures {
			if sure, there := got[at]; !there || (sure >= Sure) != tc.sure {
				t.Errorf("%s: %s is %s, found with %.2f", tc.name, at, want, sure)
			}
		}
	}
}

// home is one where nothing grows: thermometers, lamps and fans that somebody switches while the survey listens.
func home() []talker {
	air := func(t, h float64) func(*rand.Rand, float64) string {
		return doc(`{"temperature":%s,"humidity":%s,"battery":%s}`, drift(t, 0.4, 0.05, 1), drift(h, 2, 0.3, 1), fixed("88"))
	}
	list := []talker{
		{"home/livingroom/climate", 10, true, air(21.4, 44)}, {"home/bathroom/climate", 12, true, air(23, 66)},
		{"home/Wohnzimmer/Klima", 12, true, air(21, 47)}, {"home/dining_table/climate", 11, true, air(21, 45)},
		{"home/office/climate", 12, true, air(20.5, 41)}, {"home/kitchen/climate", 12, true, air(22, 49)},
	}
	for _, plug := range []string{"home/livingroom/lamp", "home/Wohnzimmer/Licht", "home/bathroom/fan", "home/office/heater", "home/kitchen/coffee"} {
		list = append(list, talker{plug, 10, true, state("ON", "OFF")}, talker{plug + "/set", 30, false, state("ON", "OFF")})
	}
	return list
}

// standing gives the lines of a configuration that are no comments.
func standing(text string) string {
	var b strings.Builder
	for l := range strings.Lines(text) {
		if !strings.HasPrefix(strings.TrimSpace(l), "#") {
			b.WriteString(l)
		}
	}
	return b.String()
}

// TestDwelling: of a home's own thermometers, lamps and fans none gets into a configuration as a setting, with a tent in it or not.
// Where the tent stands in one of its rooms, it is the tent's all the same.
func TestDwelling(t *testing.T) {
	s := New()
	house(s, home(), 10*time.Minute, 3)
	if text := standing(s.Find().Config(&Broker{URL: "mqtt://broker"})); strings.Contains(text, "topic") {
		t.Errorf("a home without a chamber becomes:\n%s", text)
	}
	for _, tent := range []string{"grow/tent", "home/bedroom/tent", "home/bathroom/growbox"} {
		s := New()
		house(s, append(home(),
			talker{tent + "/air", 10, false, doc(`{"humidity":%s,"temperature":%s,"co2":%s}`, drift(91, 2, 0.2, 1), drift(17.5, 0.5, 0.05, 2), drift(820, 60, 6, 0))},
			// A second home's thermometer that nothing tells from a chamber's.
			talker{"home/cellar/climate", 12, true, doc(`{"temperature":%s,"humidity":%s}`, drift(15, 0.4, 0.05, 1), drift(71, 2, 0.3, 1))},
			talker{tent + "/mister", 10, true, state("ON", "OFF")}, talker{tent + "/mister/set", 30, false, state("ON", "OFF")},
			talker{tent + "/exhaust", 10, true, state("ON", "OFF")}, talker{tent + "/exhaust/set", 30, false, state("ON", "OFF")}), 10*time.Minute, 3)
		f := s.Find()
		text := standing(f.Config(&Broker{URL: "mqtt://broker"}))
		for l := range strings.Lines(text) {
			if strings.Contains(l, "topic") && !strings.Contains(l, tent) {
				t.Errorf("with %s, this stands in the configuration: %s", tent, l)
			}
		}
		if n := strings.Count(text, "[[chamber]]"); n != 1 {
			t.Errorf("with %s there are %d chambers: %q", tent, n, f.Chambers)
		}
		for _, want := range []string{"relative_humidity", `"temperature"`, "co2", "humidifier", "exhaust_fan", tent + "/mister/set", tent + "/exhaust/set"} {
			if !strings.Contains(text, want) {
				t.Errorf("with %s, %s is missing:\n%s", tent, want, text)
			}
		}
	}
}

package survey

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode"

	"gillkeeper/bridge/config"
	"gillkeeper/policy/chamber"
)

// sound checks that a written configuration passes, whatever was heard, and gives it.
func sound(t interface {
	Helper()
	Fatalf(string, ...any)
}, f *Findings) *config.Config {
	t.Helper()
	text := f.Config(&Broker{URL: "mqtt://broker.lan:1883"})
	c, _, err := config.Parse("found.toml", []byte(text), config.Env{Dir: "."})
	if err != nil {
		t.Fatalf("it does not pass:\n%v\n%s", err, text)
	}
	return c
}

// TestConfig: the configuration of the made-up house passes its check, its chambers are those that the topics name, and
// sensors and plugs speak as the house does.
func TestConfig(t *testing.T) {
	s := New()
	house(s, slices.Concat(right(), unrelated()), 5*time.Minute, 1)
	f := s.Find()
	c := sound(t, f)
	var names []string
	for i := range c.Chambers {
		names = append(names, c.Chambers[i].Spec.Name)
	}
	if !slices.Equal(names, []string{"attic", "cellar", "loft"}) {
		t.Errorf("chambers %v", names)
	}
	loft := c.Chambers[slices.Index(names, "loft")]
	count := map[string]int{}
	for _, x := range loft.Spec.Sensors {
		count[x.Quantity.String()+" "+x.Place.String()]++
	}
	for what, want := range map[string]int{"relative_humidity chamber": 4, "temperature chamber": 2, "co2 chamber": 1, "illuminance chamber": 1,
		"relative_humidity room": 1, "temperature room": 1} {
		if count[what] != want {
			t.Errorf("loft has %d %s, want %d", count[what], what, want)
		}
	}
	i := loft.Spec.Plug(chamber.Humidifier)
	if i < 0 || loft.Plugs[i].CommandTopic != "shed/loft/mister/set" || loft.Plugs[i].OnPayload != `{"state":"ON"}` || loft.Plugs[i].StateOn != "ON" ||
		loft.Plugs[i].StatePointer.String() != "/state" || loft.Plugs[i].PowerPointer.String() != "/power" {
		t.Errorf("loft's humidifier: %+v", loft.Plugs)
	}
	attic := c.Chambers[slices.Index(names, "attic")]
	if i := attic.Spec.Plug(chamber.Lamp); i < 0 || attic.Plugs[i].Homie == nil || attic.Plugs[i].HomiePower == nil {
		t.Errorf("attic's lamp: %+v", attic.Plugs)
	}
	text := f.Config(&Broker{URL: "mqtts://broker.lan:8883", Username: "grower", PasswordFile: "pw", CAFile: "ca.pem"})
	for _, want := range []string{"MEASURE", `username = "grower"`, `password_file = "pw"`, `ca_file = "ca.pem"`, "% sure"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
}

// TestNothingFound: of a silent broker the configuration still passes, and says what to fill in.
func TestNothingFound(t *testing.T) {
	c := sound(t, New().Find())
	if len(c.Chambers) != 1 || len(c.Chambers[0].Sensors) != 0 {
		t.Errorf("%+v", c.Chambers)
	}
}

// TestPlugsThatDoNotStand: a plug that nobody was heard telling anything, that has no role, or that nothing could tell to
// stop, stands as a comment only.
func TestPlugsThatDoNotStand(t *testing.T) {
	air := talker{"tent/air/humidity", 5, false, drift(91, 2, 0.2, 1)}
	for _, tc := range []struct {
		name    string
		talkers []talker
		why     string
	}{
		{"never told", []talker{air, {"tent/humidifier/state", 10, true, state("ON", "OFF")}}, "command_topic is a guess"},
		{"no role", []talker{air, {"tent/plug3/state", 10, true, state("ON", "OFF")}, {"tent/plug3/set", 10, false, state("ON", "OFF")}}, "set role"},
		{"no humidity sensor", []talker{{"tent/humidifier/state", 10, true, state("ON", "OFF")}, {"tent/humidifier/set", 10, false, state("ON", "OFF")}}, "needs a humidity sensor"},
		{"no temperature sensor", []talker{air, {"tent/heater/state", 10, true, state("ON", "OFF")}, {"tent/heater/set", 10, false, state("ON", "OFF")}}, "needs a temperature sensor"},
	} {
		s := New()
		house(s, tc.talkers, 3*time.Minute, 1)
		f := s.Find()
		c := sound(t, f)
		if text := f.Config(&Broker{URL: "mqtt://x"}); len(c.Chambers[0].Plugs) != 0 || !strings.Contains(text, tc.why) || !strings.Contains(text, "# [[chamber.plug]]") {
			t.Errorf("%s: want it as a comment with %q:\n%s", tc.name, tc.why, text)
		}
	}
}

// TestOwnDevicesAreNotFound: what gillkeeper itself shows on the broker is not taken for sensors.
func TestOwnDevicesAreNotFound(t *testing.T) {
	s := New()
	house(s, []talker{
		{"homie/5/gk-loft/$description", 0, true, fixed(`{"homie":"5.0","version":1,"type":"fruiting-chamber","root":"gk","nodes":{"air":{"properties":{"humidity":{"datatype":"float","unit":"%"}}}}}`)},
		{"homie/5/gk-loft/air/humidity", 10, true, drift(91, 2, 0.2, 1)},
	}, time.Minute, 1)
	if f := s.Find(); len(f.Sensors)+len(f.Plugs) > 0 {
		t.Errorf("%+v", f.Sensors[0])
	}
}

// hostile are payloads and topics that somebody could send to do harm.
var hostile = []Message{
	{Topic: "a\"b\\/humidity", Payload: []byte("91")}, {Topic: "x/]\u2028[[chamber]]/humidity", Payload: []byte("92")},
	{Topic: "homie/5/Bad_Id/$description", Payload: []byte(`{"homie":"5.0","version":1,"nodes":{"a":{"properties":{"b":{"datatype":"boolean","settable":true}}}}}`)},
	{Topic: "homie/5/Bad_Id/a/b", Payload: []byte("true")},
	{Topic: "t/humidity", Payload: []byte(`{"~1/":91,"":92,"a\"b":93,"\u0000":94,"01":95}`)},
	{Topic: "t/fan", Payload: []byte(`{"state":"ON"}`)}, {Topic: "t/fan/set", Payload: []byte("{\"state\":\"ON\",\"x\":\"\\n\\u0000'''\"}")},
	{Topic: "n/humidity", Payload: []byte("NaN")}, {Topic: "n/humidity", Payload: []byte("1e999")}, {Topic: "n/humidity", Payload: []byte("\xff\xfe")},
	{Topic: "n/humidity", Payload: []byte(strings.Repeat("9", 70000))}, {Topic: strings.Repeat("h/", 300) + "humidity", Payload: []byte("91")},
	{Topic: "d/humidity", Payload: []byte(strings.Repeat("[", 5000))}, {Topic: "+/#", Payload: []byte("91")}, {Topic: "", Payload: []byte("1")},
	{Topic: "homie/x/y/z/$datatype", Payload: []byte("float")}, {Topic: "homie/x/y/z", Payload: []byte("91")},
}

func TestHostile(t *testing.T) {
	s := New()
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	for round := range 12 {
		for _, m := range hostile {
			m.At = start.Add(time.Duration(round) * 10 * time.Second)
			s.Hear(m)
		}
	}
	sound(t, s.Find())
}

// TestInvisible: a topic with characters that cannot be seen, or that turn the direction of writing, is written so that it can be seen,
// and is the same topic when it is read.
func TestInvisible(t *testing.T) {
	const topic, fan = "shed/\u202elo\u2066ft\u200f/a\u200bir\U000e0041\u3164\u00a0\\u202e/humidity", "shed/lo\u202eft/fan"
	s := New()
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	for round := range 12 {
		at := start.Add(time.Duration(round) * 10 * time.Second)
		s.Hear(Message{Topic: topic, Payload: []byte(strconv.Itoa(88 + round%3)), At: at})
		s.Hear(Message{Topic: fan, Payload: []byte([]string{"ON", "OFF"}[round%2]), At: at})
		s.Hear(Message{Topic: fan + "/set", Payload: []byte([]string{"OFF", "ON"}[round%2]), At: at.Add(time.Second)})
	}
	f := s.Find()
	written := f.Config(&Broker{URL: "mqtt://broker.lan:1883"})
	for _, want := range []string{`\u202Elo\u2066ft\u200F/a\u200Bir\U000E0041\u3164\u00A0\\u202e/humidity`, `lo\u202Eft/fan`} {
		if !strings.Contains(written, want) {
			t.Errorf("no %s in\n%q", want, written)
		}
	}
	if i := strings.IndexFunc(written, func(r rune) bool { return r != '\n' && !unicode.IsPrint(r) }); i >= 0 {
		t.Errorf("what cannot be seen is there: %q", written[i:min(len(written), i+40)])
	}
	var topics []string
	for _, c := range sound(t, f).Chambers {
		for _, x := range c.Sensors {
			topics = append(topics, x.Topic)
		}
	}
	if !slices.Equal(topics, []string{topic}) {
		t.Errorf("read back %q", topics)
	}
}

// TestFlood: however many topics and fields are sent, memory stays bounded and what came first is still followed.
func TestFlood(t *testing.T) {
	s := New()
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	s.Hear(Message{Topic: "tent/humidity", Payload: []byte("91"), At: at})
	for i := range 30_000 {
		name := strings.Repeat("x", i%5) + time.Duration(i).String()
		s.Hear(Message{Topic: name, Payload: []byte(`{"a":1,"b":2,"c":3}`), At: at})
		s.Hear(Message{Topic: "homie/a/b/" + name + "/$unit", Payload: []byte("%"), At: at})
	}
	s.Hear(Message{Topic: "tent/humidity", Payload: []byte("92"), At: at})
	if c := s.Counts(); c.Topics > maxTopics || c.Series > maxSeries || c.Skipped == 0 {
		t.Errorf("%+v", c)
	}
	if x := s.series[key{topic: "tent/humidity"}]; x == nil || x.n != 2 {
		t.Errorf("%+v", x)
	}
}

// TestFloodOfDevices: what Homie devices say of themselves is bounded too, be it many of them or one that says it again and again.
func TestFloodOfDevices(t *testing.T) {
	s := New()
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	long := `{"homie":"5.0","version":1,"name":"` + strings.Repeat("x", 60<<10) + `"}`
	const devices = 1000
	for i := range devices {
		s.Hear(Message{Topic: fmt.Sprintf("homie/5/d%d/$description", i), Payload: []byte(long), At: at})
		s.Hear(Message{Topic: "homie/5/gk-loft/$description", Payload: []byte(`{"homie":"5.0","version":1,"type":"fruiting-chamber"}`), At: at})
	}
	sum := 0
	for _, d := range s.homie5 {
		sum += len(d.Name)
	}
	if sum > maxDescribed || sum < maxDescribed/2 {
		t.Errorf("%d bytes of %d devices are kept", sum, devices)
	}
	if len(s.ours) > 1 {
		t.Errorf("one device of gillkeeper's own is remembered %d times", len(s.ours))
	}
	if s.Counts().Skipped == 0 {
		t.Error("nobody is told that something was passed over")
	}
}

// FuzzSurvey: whatever is said, on two topics in turn, a configuration can be written of it that passes its check.
func FuzzSurvey(f *testing.F) {
	for _, m := range hostile {
		if len(m.Payload) < 1000 && len(m.Topic) < 100 {
			f.Add(m.Topic, m.Payload, "tent/air", []byte(`{"humidity":91.5,"temperature":18}`))
		}
	}
	f.Add("tent/fan", []byte(`{"state":"ON","power":30}`), "tent/fan/set", []byte("ON"))
	f.Add("homie/5/a/$description", []byte(`{"homie":"5.0","version":1,"nodes":{"n":{"properties":{"p":{"datatype":"boolean","settable":true}}}}}`), "homie/5/a/n/p", []byte("true"))
	f.Add("tent/s", []byte(`[{"bn":"urn:x:","n":"rh","u":"%RH","v":91}]`), "homie/a/n/p/$unit", []byte("%"))
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	f.Fuzz(func(t *testing.T, topic1 string, payload1 []byte, topic2 string, payload2 []byte) {
		s := New()
		for i := range 4 {
			at := start.Add(time.Duration(i) * 10 * time.Second)
			s.Hear(Message{Topic: topic1, Payload: payload1, At: at})
			s.Hear(Message{Topic: topic2, Payload: payload2, Retained: i == 0, At: at.Add(time.Second)})
			s.Hear(Message{Topic: "tent/humidity", Payload: []byte("91.5"), At: at})
		}
		sound(t, s.Find())
	})
}

package config

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"strings"
	"testing"
	"time"

	"gillkeeper/policy/chamber"
)

func TestCheckTopic(t *testing.T) {
	// Accepted: OASIS MQTT 3.1.1 section 4.7.3 and 4.7.1.1.
	for _, s := range []string{"a", "/", "/finance", "Accounts payable", "sport/tennis/player1", "a//b", "$SYS/x", "ä/温度", strings.Repeat("a", maxTopic)} {
		if err := checkTopic(s); err != nil {
			t.Errorf("%.20q: %v", s, err)
		}
	}
	for _, s := range []string{
		"",                                    // [MQTT-4.7.3-1]
		"a\x00b",                              // [MQTT-4.7.3-2]
		strings.Repeat("a", maxTopic+1),       // [MQTT-4.7.3-3]
		strings.Repeat("é", maxTopic/2) + "é", // counted in bytes, not letters
		"a/+/b", "+", "a/#", "#", "a+", "b#",  // [MQTT-3.3.2-2]
		"a\xffb", "\xed\xa0\x80", // no UTF-8, and a surrogate [MQTT-1.5.3-1]
		"a\nb", "a\x7f", "a\u0085", "\ufffe", "\U0001ffff", "\ufdd0", // section 1.5.3
		"$share/group/a", // MQTT 5 §4.8.2, and common practice before: messages of it come as "a"
	} {
		if err := checkTopic(s); err == nil {
			t.Errorf("%.20q was accepted", s)
		}
	}
	if checkCommandTopic("$SYS/x") == nil || checkCommandTopic("a/+") == nil || checkCommandTopic("a/$b") != nil {
		t.Error("command topics: only a leading $ is the broker's own")
	}
}

func TestTimedOn(t *testing.T) {
	p := PlugBinding{OnPayload: "ON", TimedOnPayload: `{"on":true,"for":{seconds},"again":{seconds}}`}
	for d, want := range map[time.Duration]string{
		20 * time.Second: "20", time.Second: "1", 1001 * time.Millisecond: "2", 90 * time.Minute: "5400",
	} {
		if got := p.Payload(chamber.Order{On: true, For: d}); got != `{"on":true,"for":`+want+`,"again":`+want+`}` {
			t.Errorf("%v gives %s", d, got)
		}
	}
}

func TestPayloads(t *testing.T) {
	third := chamber.Order{On: true, Level: 1.0 / 3, For: 30 * time.Second}
	for _, c := range []struct {
		p    PlugBinding
		o    chamber.Order
		want string
	}{
		{PlugBinding{OnPayload: "ON", OffPayload: "OFF"}, third, "ON"},
		{PlugBinding{OnPayload: "ON", OffPayload: "OFF"}, chamber.Order{}, "OFF"},
		{PlugBinding{LevelPayload: "{level}", LevelFull: 100}, third, "33"},
		{PlugBinding{LevelPayload: "{level}", LevelFull: 100}, chamber.Order{On: true}, "100"},
		{PlugBinding{LevelPayload: "{level}", LevelFull: 100}, chamber.Order{}, "0"},
		{PlugBinding{LevelPayload: "{level}", LevelFull: 100, OffPayload: "stop"}, chamber.Order{}, "stop"},
		{PlugBinding{LevelPayload: `[{level},{seconds}]`, LevelFull: 255}, third, "[85,30]"},
		{PlugBinding{LevelPayload: "{level}", LevelFull: 1}, third, "0.333"},
	} {
		if got := c.p.Payload(c.o); got != c.want {
			t.Errorf("%+v of %+v gives %s, want %s", c.o, c.p, got, c.want)
		}
	}
}

// However a secret is printed, it stays one.
func TestSecretsStaySecret(t *testing.T) {
	s := NewSecret("hunter2")
	holder := struct {
		S Secret
		P *Secret
	}{s, &s}
	var out strings.Builder
	for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%q", "%x", "%X", "%d"} {
		fmt.Fprintf(&out, verb+" "+verb+"\n", s, holder)
	}
	slog.New(slog.NewTextHandler(&out, nil)).Info("m", "s", s, "holder", holder)
	slog.New(slog.NewJSONHandler(&out, nil)).Info("m", "s", s, "holder", holder)
	j, err := json.Marshal(holder)
	if err != nil {
		t.Fatal(err)
	}
	out.Write(j)
	out.WriteString(fmt.Sprint(errors.New(s.String())))
	if text := out.String(); strings.Contains(text, "hunter2") || strings.Contains(text, "68756e74657232") || !strings.Contains(text, redacted) {
		t.Errorf("the secret shows: %s", text)
	}
	if s.Reveal() != "hunter2" || s.Empty() || !(Secret{}).Empty() {
		t.Error("the secret is lost")
	}
}

// Fixed points of the temperature scales, and what a percentage is.
func TestUnits(t *testing.T) {
	for _, c := range []struct {
		unit    Unit
		v, want float64
	}{
		{Percent, 91.3, 0.913}, {Ratio, 0.913, 0.913}, {Celsius, 18, 18}, {PPM, 800, 800}, {Lux, 500, 500},
		{Fahrenheit, 32, 0}, {Fahrenheit, 212, 100}, {Fahrenheit, -40, -40}, {Kelvin, 273.15, 0}, {Kelvin, 373.15, 100},
	} {
		if got := c.unit.Convert(c.v); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%v %v is %v, want %v", c.v, c.unit, got, c.want)
		}
	}
}

// The water that saturates air at 18 °C: 15.4 g/m³ in the usual tables of absolute humidity (from memory), to their
// rounding.
func TestSaturation(t *testing.T) {
	if got := saturation(); math.Abs(got-15.4) > 0.06 {
		t.Errorf("saturation at 18 °C is %v g/m³, want 15.4", got)
	}
}

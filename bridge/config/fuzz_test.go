package config

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gillkeeper/policy/chamber"
)

// FuzzLoad reads what anybody may have typed. It must never panic; what it refuses it refuses with faults that have a
// line of the text and are one line each; and what it accepts holds all that later packages rely on.
func FuzzLoad(f *testing.F) {
	for _, pattern := range []string{"faults/*.toml", "example/*.toml"} {
		files, err := filepath.Glob(filepath.Join("testdata", pattern))
		if err != nil {
			f.Fatal(err)
		}
		for _, file := range files {
			text, err := os.ReadFile(file)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(string(text))
		}
	}
	f.Add(everyKey)
	f.Add(least)
	f.Fuzz(func(t *testing.T, text string) {
		c, warnings, err := Parse("f", []byte(text), ordinary.env())
		if err == nil {
			valid(t, c)
			checkLines(t, text, warnings)
			return
		}
		faults, ok := errors.AsType[Faults](err)
		if n, _ := faults.Count(); !ok || n == 0 {
			t.Fatalf("refused without a fault: %v", err)
		}
		checkLines(t, text, faults)
	})
}

func checkLines(t *testing.T, text string, faults Faults) {
	last := 1
	for _, f := range faults {
		if f.Line < last || f.Line > strings.Count(text, "\n")+1 {
			t.Fatalf("line %d after %d of %d: %v", f.Line, last, strings.Count(text, "\n")+1, f)
		}
		last = f.Line
		if strings.ContainsAny(f.Error(), "\n\r\x00") || f.What == "" {
			t.Fatalf("not one line: %q", f.Error())
		}
	}
}

// valid checks, written apart from the reader, what an accepted configuration promises.
func valid(t *testing.T, c *Config) {
	t.Helper()
	must := func(ok bool, what string) {
		t.Helper()
		if !ok {
			t.Fatalf("accepted without %s:\n%s", what, c.Text)
		}
	}
	must(c.Site.Zone != nil && c.Table != nil && len(c.Hash) == 64, "zone, table or hash")
	must(c.Broker.Embedded == (c.Broker.URL == nil), "a broker")
	must(c.HTTP.Token.Reveal() != "" || strings.HasPrefix(c.HTTP.Listen, "127.") || strings.HasPrefix(c.HTTP.Listen, "[") || strings.HasPrefix(c.HTTP.Listen, "localhost:"), "a token")
	must(len(c.Chambers) > 0, "a chamber")
	for _, n := range c.Notify {
		must(!n.URL.Empty(), "an address")
	}
	chambers, commands, heard := map[string]bool{}, map[string]bool{}, map[string]bool{}
	for i := range c.Chambers {
		ch := &c.Chambers[i]
		s := ch.Spec
		must(s.Name != "" && !chambers[s.Name], "a name of its own")
		chambers[s.Name] = true
		must(s.VolumeM3 >= 0.02 && s.VolumeM3 <= 200, "a volume")
		must(s.AltitudeM >= -430 && s.AltitudeM <= 5000, "an altitude")
		must(len(ch.Sensors) == len(s.Sensors) && len(ch.Plugs) == len(s.Plugs), "aligned bindings")
		names := map[string]bool{}
		for k, sensor := range s.Sensors {
			b := ch.Sensors[k]
			must(sensor.Name != "" && !names[sensor.Name], "sensor names of their own")
			names[sensor.Name] = true
			must(sensor.Quantity >= chamber.RelativeHumidity && sensor.Quantity <= chamber.Illuminance && (sensor.Place == chamber.Inside || sensor.Place == chamber.Room), "quantity and place")
			must(sensor.MaxAge >= 10e9 && units[b.Unit].quantity == sensor.Quantity, "age and unit")
			must(checkTopic(b.Topic) == nil && (b.AliveTopic == "" || checkTopic(b.AliveTopic) == nil), "legal sensor topics")
			must(!b.HasPointer || b.SenMLName == "", "one payload form")
			heard[b.Topic], heard[b.AliveTopic] = true, true
		}
		clear(names)
		for k, p := range s.Plugs {
			b := ch.Plugs[k]
			must(p.Name != "" && !names[p.Name], "plug names of their own")
			names[p.Name] = true
			must(p.Role >= chamber.Humidifier && p.Role <= chamber.Cooler, "a role")
			must(p.MinOn >= 1e9 && p.MinOff >= 1e9 && (p.MaxOn == 0 || p.MaxOn > p.MinOn), "times")
			must(p.MaxOn > 0 || p.Role != chamber.Humidifier && p.Role != chamber.Heater, "a longest run")
			must(p.Role != chamber.Humidifier || s.Has(chamber.RelativeHumidity, chamber.Inside), "a humidity sensor")
			must(p.Role != chamber.Heater || s.Has(chamber.Temperature, chamber.Inside), "a temperature sensor")
			must(checkCommandTopic(b.CommandTopic) == nil && !commands[b.CommandTopic], "a command topic of its own")
			commands[b.CommandTopic] = true
			must(b.OnPayload != b.OffPayload && b.StateOn != b.StateOff && b.OnPayload != "", "payloads that differ")
			must(p.Reports == (b.StateTopic != "") && p.Meters == (b.PowerTopic != "") && p.Timed == (b.TimedOnPayload != ""), "facts that follow the topics")
			heard[b.StateTopic], heard[b.PowerTopic] = true, true
		}
	}
	delete(heard, "")
	for topic := range heard {
		must(!commands[topic], "commands apart from reports")
	}
}

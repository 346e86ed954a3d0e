package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gillkeeper/bridge/broker"
	"gillkeeper/bridge/config"
	"gillkeeper/bridge/survey"
)

// tent is a broker with two sensors and a fan that obeys. It gives the broker's address and what the fan was told.
func tent(t *testing.T) (url string, told func() []string) {
	t.Helper()
	b, err := broker.Start(broker.Options{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	var mu sync.Mutex
	var said []string
	o := paho.NewClientOptions().AddBroker(strings.Replace(b.URL(), "mqtt://", "tcp://", 1)).SetClientID("tent")
	c := paho.NewClient(o)
	wait := func(token paho.Token) {
		t.Helper()
		if !token.WaitTimeout(20*time.Second) || token.Error() != nil {
			t.Fatal(token.Error())
		}
	}
	wait(c.Connect())
	t.Cleanup(func() { c.Disconnect(20) })
	wait(c.Subscribe("tent/fan/set", 1, func(c paho.Client, m paho.Message) {
		mu.Lock()
		said = append(said, string(m.Payload()))
		mu.Unlock()
		go c.Publish("tent/fan/state", 1, true, m.Payload())
	}))
	for topic, payload := range map[string]string{"tent/air": `{"humidity":91.5,"temperature":17.8,"battery":88}`, "tent/fan/state": "OFF", "house/door/contact": "true"} {
		wait(c.Publish(topic, 1, true, payload))
	}
	return b.URL(), func() []string {
		mu.Lock()
		defer mu.Unlock()
		return slices.Clone(said)
	}
}

// runSurvey runs the command in this process.
func runSurvey(t *testing.T, answers string, args ...string) (stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	a := newApp(strings.NewReader(answers), &out, &errs, func(string) string { return "" })
	if code := a.run(t.Context(), append([]string{"survey", "--for", "1s"}, args...)); code != exitDone {
		t.Fatalf("exit status %d: %s", code, errs.String())
	}
	return out.String(), errs.String()
}

// TestSurvey: the command finds the tent, switches nothing, and writes a configuration that passes its check.
func TestSurvey(t *testing.T) {
	t.Parallel()
	url, told := tent(t)
	path := filepath.Join(t.TempDir(), "found.toml")
	stdout, stderr := runSurvey(t, "", "--broker", url, "--out", path)
	for _, want := range []string{"humidity", "temperature", "tent/air /humidity", "plug, exhaust_fan", "(a guess)", "gillkeeper check"} {
		if !strings.Contains(stdout, want) {
			t.Errorf("no %q in\n%s", want, stdout)
		}
	}
	if strings.Contains(stdout, "door") || !strings.Contains(stderr, "nothing is published") || len(told()) > 0 {
		t.Errorf("told %q:\n%s\n%s", told(), stdout, stderr)
	}
	c, _, err := config.Load(path)
	if err != nil || len(c.Chambers) != 1 || len(c.Chambers[0].Sensors) != 2 || len(c.Chambers[0].Plugs) != 0 {
		text, _ := os.ReadFile(path)
		t.Errorf("%v:\n%s", err, text)
	}
	stdout, _ = runSurvey(t, "", "--broker", url, "--json")
	var got surveyJSON
	if err := json.Unmarshal([]byte(stdout), &got); err != nil || len(got.Findings.Sensors) != 2 || got.Heard.Topics == 0 || !strings.Contains(got.Configuration, "[[chamber]]") {
		t.Errorf("%v: %s", err, stdout)
	}
}

// TestSurveyNamesFilesFromWhereItWrites: a flag names a file from where the command runs, and a configuration from where it lies.
func TestSurveyNamesFilesFromWhereItWrites(t *testing.T) {
	t.Parallel()
	url, _ := tent(t)
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "secrets"), 0o700); err != nil {
		t.Fatal(err)
	}
	word, path := filepath.Join(dir, "secrets", "word"), filepath.Join(dir, "found.toml")
	if err := os.WriteFile(word, []byte("a-word"), 0o600); err != nil {
		t.Fatal(err)
	}
	here, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	fromHere, err := filepath.Rel(here, word)
	if err != nil {
		t.Fatal(err)
	}
	runSurvey(t, "", "--broker", url, "--username", "grower", "--password-file", fromHere, "--out", path)
	text, err := os.ReadFile(path)
	if err != nil || !strings.Contains(string(text), `password_file = "secrets/word"`) {
		t.Errorf("%v:\n%s", err, text)
	}
	if c, _, err := config.Load(path); err != nil || c.Broker.Password.Reveal() != "a-word" {
		t.Errorf("%v", err)
	}
}

// TestSurveyTry: only yes switches a plug, which ends as it was; what obeyed stands in the configuration, with the role
// that the person named.
func TestSurveyTry(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name, answers string
		told          []string
		stands        string
	}{
		{"no answer", "", nil, ""}, {"y", "y\n", nil, ""}, {"YES", "YES\n", nil, ""},
		{"yes, as guessed", "yes\n\n", []string{"ON", "OFF"}, "exhaust_fan"},
		{"yes, something else hangs on it", "yes\ncirculation\ncirculation_fan\n", []string{"ON", "OFF"}, "circulation_fan"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			url, told := tent(t)
			path := filepath.Join(t.TempDir(), "found.toml")
			_, stderr := runSurvey(t, tc.answers, "--broker", url, "--out", path, "--try")
			for end := time.Now().Add(20 * time.Second); len(told()) < len(tc.told) && time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
			}
			if !slices.Equal(told(), tc.told) || !strings.Contains(stderr, "Type yes") {
				t.Errorf("told %q, want %q:\n%s", told(), tc.told, stderr)
			}
			c, _, err := config.Load(path)
			if err != nil {
				t.Fatal(err)
			}
			stands := ""
			for _, p := range c.Chambers[0].Spec.Plugs {
				stands += p.Role.String()
			}
			if stands != tc.stands {
				t.Errorf("the configuration has %q, want %q", stands, tc.stands)
			}
		})
	}
}

// Topics of strangers show every character that they are made of, in the list and in the question before a plug is switched.
func TestSurveyShowsTopicsAsTheyAre(t *testing.T) {
	t.Parallel()
	var out, errs bytes.Buffer
	a := newApp(strings.NewReader("no\n"), &out, &errs, func(string) string { return "" })
	const topic, seen = "lo\u202eft\u200b/fan", `lo\u202Eft\u200B/fan`
	plug := &survey.Plug{State: survey.Place{Topic: topic}, Command: survey.Command{Topic: topic + "/set", Heard: true}, Because: []string{topic}}
	found := &survey.Findings{Sensors: []*survey.Sensor{{Place: survey.Place{Topic: topic}, Because: []string{topic}}}, Plugs: []*survey.Plug{plug}}
	a.printFound(found)
	if err := a.tryPlugs(t.Context(), nil, found); err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(out.String(), seen); n != 5 || strings.Count(errs.String(), seen) != 2 {
		t.Errorf("shown %d times in\n%q\n%q", n, &out, &errs)
	}
}

// A broker on which nothing is recognized is an answer of no, in whatever form it is printed.
func TestSurveyOfNothing(t *testing.T) {
	t.Parallel()
	b, err := broker.Start(broker.Options{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Stop()
	for _, args := range [][]string{nil, {"--json"}} {
		code, stdout, stderr := invoke(t, nil, append([]string{"survey", "--broker", b.URL(), "--for", "1s"}, args...)...)
		if code != exitNo || !strings.Contains(stderr, "nothing was recognized") || args != nil && !json.Valid([]byte(stdout)) {
			t.Errorf("%v: exit status %d, %q", args, code, stderr)
		}
	}
}

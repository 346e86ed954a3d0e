package dashboard

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/broker/realpart"
)

const (
	scraped  = 3 * time.Hour // simulated
	pace     = 900
	deadline = 4 * time.Minute // for all of it, on a busy machine: what is learned must be known at the moment that it is asked for
)

// TestScrapedHours lets a real Prometheus, with the configuration and the rules that ship, scrape the daemon over simulated
// chambers for hours of theirs, and asks everything that the dashboard asks. Only the pace is another: scrapes and rules
// come as much more often.
func TestScrapedHours(t *testing.T) {
	t.Parallel()
	server := realpart.Prometheus(t)
	dir := t.TempDir()
	program := filepath.Join(dir, "gillkeeper")
	realpart.Program(t, program)
	daemon := brokertest.FreeAddr(t)
	demo := exec.Command(program, "demo", "--listen", daemon, "--pace", fmt.Sprint(pace))
	log, err := os.Create(filepath.Join(dir, "said"))
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	said := func() []byte { // while it goes on writing, too
		text, err := os.ReadFile(log.Name())
		if err != nil {
			return []byte(err.Error())
		}
		return text
	}
	demo.Stdout, demo.Stderr = log, log
	if err := demo.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = demo.Process.Signal(syscall.SIGTERM)
		if err := demo.Wait(); err != nil {
			t.Errorf("the demonstration: %v\n%s", err, said())
		}
	})

	rules := filepath.Join(dir, "rules")
	if err := os.Mkdir(rules, 0o755); err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob("../prometheus/*.rules.yml")
	if err != nil || len(files) == 0 {
		t.Fatalf("rules %v: %v", files, err)
	}
	groups := 0
	for _, f := range files {
		text := faster(t, f, "interval: 1m", "interval: 1s", "interval: 15m", "interval: 2s")
		groups += strings.Count(text, "- name: ")
		if err := os.WriteFile(filepath.Join(rules, filepath.Base(f)), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	config := faster(t, "../prometheus/prometheus.yml", "_interval: 30s", "_interval: 500ms", "/etc/prometheus/gillkeeper", rules, "127.0.0.1:9420", daemon)
	base := serve(t, server, dir, filepath.Join(dir, "data"), config)

	until := time.Now().Add(deadline)
	wait := func(what, expr string) {
		t.Helper()
		for ask(t, base, expr, time.Now()) == 0 {
			if time.Now().After(until) {
				t.Fatalf("%s has not come within %v:\n%s", what, deadline, said())
			}
			time.Sleep(200 * time.Millisecond)
		}
	}
	hours := func(d time.Duration) string {
		const at = "gillkeeper_last_decision_timestamp_seconds"
		return fmt.Sprintf("max(max_over_time(%s[1h]) - min_over_time(%s[1h])) >= %v", at, at, d.Seconds())
	}
	wait("an hour", hours(time.Hour))
	pick(t, daemon)
	wait("the end", hours(scraped))
	wait("the harvest in the rules", `batch_stage:gillkeeper_harvest_fresh:grams60d > 0`)

	for _, r := range Rows() {
		for _, p := range r.Panels {
			for _, q := range p.Queries {
				// A filling is not seen to its end within these hours, and of the room's air the demonstration measures CO2: without its
				// humidity it takes days, if not forever, until it is sure how much of the mist becomes vapor.
				may := p.Title == "Water drawn, g/h of on-time" || p.Title == "Mist that becomes vapor, g/h of on-time" || strings.Contains(q.Expr, `place="room"`) && !strings.Contains(q.Expr, "co2")
				if may {
					_ = ask(t, base, q.Expr, time.Now()) // it must parse
					continue
				}
				// What is learned comes and goes in the first hours, the more so on a machine too busy for the pace.
				wait(fmt.Sprintf("%s: an answer to %q", p.Title, q.Expr), q.Expr)
			}
		}
	}
	for _, m := range Marks()[:2] {
		if ask(t, base, "max_over_time(("+m.Expr+")[2m:1s])", time.Now()) == 0 {
			t.Errorf("nothing is marked by %q", m.Expr)
		}
	}
	healthy(t, base, groups)
}

// faster reads a file with words replaced, each of which must be in it or in another that is read.
func faster(t *testing.T, path string, words ...string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return strings.NewReplacer(words...).Replace(string(text))
}

// pick harvests of the first batch in fruiting, as a person does over the API.
func pick(t *testing.T, daemon string) {
	t.Helper()
	var all struct {
		Batches []struct{ Name, Stage string }
	}
	get(t, "http://"+daemon+"/api/v1/batches", &all)
	for _, b := range all.Batches {
		if b.Stage != "fruiting" {
			continue
		}
		r, err := http.Post("http://"+daemon+"/api/v1/batches/"+b.Name+"/harvest", "application/json", strings.NewReader(`{"fresh_g": 840}`))
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		if text, _ := io.ReadAll(r.Body); r.StatusCode != http.StatusOK {
			t.Fatalf("harvest of %+v: %s %s", b, r.Status, text)
		}
		return
	}
	t.Fatalf("no batch is in fruiting: %+v", all)
}

// healthy asks what became of the rules: each group is there, and none of its rules failed.
func healthy(t *testing.T, base string, groups int) {
	t.Helper()
	var all struct {
		Data struct {
			Groups []struct {
				Name  string
				Rules []struct{ Name, Health, LastError string }
			}
		}
	}
	get(t, base+"/api/v1/rules", &all)
	if len(all.Data.Groups) != groups || groups < 3 {
		t.Errorf("%d groups of rules are loaded of %d", len(all.Data.Groups), groups)
	}
	for _, g := range all.Data.Groups {
		for _, r := range g.Rules {
			if r.Health != "ok" {
				t.Errorf("%s: %s is %s: %s", g.Name, r.Name, r.Health, r.LastError)
			}
		}
	}
}

func get(t *testing.T, from string, into any) {
	t.Helper()
	r, err := http.Get(from)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	if err := json.NewDecoder(r.Body).Decode(into); err != nil {
		t.Fatal(err)
	}
}

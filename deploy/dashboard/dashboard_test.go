package dashboard

import (
	"bytes"
	"flag"
	"os"
	"regexp"
	"strings"
	"testing"

	"gillkeeper/metrics"
)

var update = flag.Bool("update", false, "write gillkeeper.json anew")

func TestFileIsWhatBuildGives(t *testing.T) {
	want, err := Build()
	if err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.WriteFile("gillkeeper.json", want, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile("gillkeeper.json")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Error("gillkeeper.json is not what Build gives; run go test ./deploy/dashboard -update")
	}
}

var (
	metricName = regexp.MustCompile(`gillkeeper_[a-z0-9_]+`)
	recordName = regexp.MustCompile(`[a-z_]+:[a-z0-9_]+:[a-z0-9_]+`)
)

// questions are all expressions of the dashboard.
func questions() []Query {
	all := Marks()
	for _, r := range Rows() {
		for _, p := range r.Panels {
			all = append(all, p.Queries...)
		}
	}
	return all
}

// TestMetricsExist holds every question against the table from which the program makes its metrics.
func TestMetricsExist(t *testing.T) {
	known := map[string]bool{}
	for _, f := range metrics.Families() {
		known[f.Name] = true
		if f.Kind == metrics.Histogram {
			known[f.Name+"_bucket"] = true
		}
	}
	rules, err := os.ReadFile("../prometheus/yield.rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	used := map[string]bool{}
	for _, q := range questions() {
		records := recordName.FindAllString(q.Expr, -1)
		for _, n := range records {
			if !bytes.Contains(rules, []byte("- record: "+n+"\n")) {
				t.Errorf("%q asks for %s, which no rule records", q.Expr, n)
			}
		}
		names := metricName.FindAllString(recordName.ReplaceAllString(q.Expr, ""), -1)
		if len(names)+len(records) == 0 {
			t.Errorf("%q asks for nothing of the program's", q.Expr)
		}
		for _, n := range names {
			used[n] = true
			if !known[n] {
				t.Errorf("%q asks for %s, which the program does not have", q.Expr, n)
			}
		}
	}
	// What a grower watches daily must be on it.
	for _, n := range []string{"gillkeeper_air_relative_humidity_ratio", "gillkeeper_air_co2_ppm", "gillkeeper_target", "gillkeeper_reservoir_empty_in_seconds", "gillkeeper_alarm_active"} {
		if !used[n] {
			t.Errorf("%s is not on the dashboard", n)
		}
	}
}

// TestTitlesAreUnique: two panels of one name in one row cannot be told apart.
func TestTitlesAreUnique(t *testing.T) {
	for _, r := range Rows() {
		seen := map[string]bool{}
		width := uint32(0)
		for _, p := range r.Panels {
			if seen[p.Title] {
				t.Errorf("%s has two panels named %s", r.Title, p.Title)
			}
			seen[p.Title] = true
			width += p.span
			if (p.Kind == columns || p.Kind == scatter) && len(p.units) != len(p.Queries) {
				t.Errorf("%s has %d units for %d queries", p.Title, len(p.units), len(p.Queries))
			}
			for _, q := range p.Queries {
				joined := p.Kind == columns || p.Kind == scatter // a column has a name of its own, and the chamber another
				if q.Legend == "" || !joined && strings.Contains(q.Expr, "by (chamber") && !strings.Contains(q.Legend, "{{chamber}}") {
					t.Errorf("%s: %q is not named by its chamber", p.Title, q.Expr)
				}
			}
		}
		if width%24 != 0 {
			t.Errorf("the row %s is %d wide, want whole lines of 24", r.Title, width)
		}
	}
}

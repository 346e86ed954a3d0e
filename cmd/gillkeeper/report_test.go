package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/species"
)

// The limits of a year's report, on a machine that does nothing else.
const (
	yearTime   = 5 * time.Second
	yearMemory = 200 << 20 // bytes resident
)

// TestReportOfAYear makes the report of a year of three chambers from a journal as an untouched configuration keeps it:
// thirty days by the minute, the rest by ten. It takes minutes to write such a journal: only with GILLKEEPER_YEAR=1.
// GILLKEEPER_YEAR_FILE keeps it for the next run.
func TestReportOfAYear(t *testing.T) {
	if os.Getenv("GILLKEEPER_YEAR") == "" {
		t.Skip("runs for minutes: set GILLKEEPER_YEAR=1")
	}
	path := os.Getenv("GILLKEEPER_YEAR_FILE")
	if path == "" {
		path = filepath.Join(t.TempDir(), "year.db")
	}
	if _, err := os.Stat(path); err != nil {
		writeYear(t, path, 365, 30*24*time.Hour, "cellar", "loft", "nursery")
	}
	dir := t.TempDir()
	build := exec.CommandContext(t.Context(), "go", "build", "-o", filepath.Join(dir, "gillkeeper"), ".")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	cmd := exec.CommandContext(t.Context(), filepath.Join(dir, "gillkeeper"), "report", "--journal", path, "--out", filepath.Join(dir, "season.html"))
	began := time.Now()
	out, err := cmd.CombinedOutput()
	took := time.Since(began)
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	usage := cmd.ProcessState.SysUsage().(*syscall.Rusage)
	cpu := cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
	page, err := os.ReadFile(filepath.Join(dir, "season.html"))
	if err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%s", bytes.TrimSpace(out))
	t.Logf("a year of three chambers: %v (%v of processor time), %d MB resident, page %d kB, journal %d MB",
		took.Round(10*time.Millisecond), cpu.Round(10*time.Millisecond), usage.Maxrss>>10, len(page)>>10, info.Size()>>20)
	// On a machine that does other things too, the clock on the wall says little: histories are read by two at a time.
	if alone := cpu / time.Duration(min(2, runtime.NumCPU())); alone > yearTime {
		t.Errorf("the report takes %v on a machine of its own, more than %v", alone, yearTime)
	}
	if usage.Maxrss<<10 > yearMemory {
		t.Errorf("the report takes %d MB, more than %d", usage.Maxrss>>10, yearMemory>>20)
	}
	if n := strings.Count(string(page), `aria-label="Climate of flush`); n < 60 {
		t.Errorf("the page shows %d flushes only", n)
	}
}

// TestReportOfAJournal makes a report of some days beside the journal's owner, and finds in it what was written.
func TestReportOfAJournal(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "j.db")
	writeYear(t, path, 10, 6*time.Hour, "cellar")
	writeYear(t, path, 1, 6*time.Hour, "loft")
	var out, errs bytes.Buffer
	a := newApp(strings.NewReader(""), &out, &errs, func(string) string { return "" })
	if code := a.run(context.Background(), []string{"report", "--journal", path, "--json"}); code != exitDone {
		t.Fatal(errs.String())
	}
	var r struct {
		Chambers []struct {
			Chamber string
			WaterL  float64 `json:"water_l"`
			Energy  float64 `json:"energy_kwh"`
			Mist    float64 `json:"humidifier_hours"`
		}
		Flushes []struct {
			Batch      string
			FreshG     float64 `json:"fresh_g"`
			Conditions []struct {
				Stage      string
				MeanC      float64 `json:"mean_temperature_c"`
				Above      float64 `json:"co2_above_limit"`
				AirPerHour float64 `json:"air_changes_per_hour"`
				Light      float64 `json:"light_hours_per_day"`
			}
		}
	}
	if err := json.Unmarshal(out.Bytes(), &r); err != nil {
		t.Fatal(err)
	}
	if len(r.Chambers) != 2 || len(r.Flushes) == 0 {
		t.Fatalf("%d chambers, %d flushes", len(r.Chambers), len(r.Flushes))
	}
	// By hand: the humidifier is on for a tenth of 10 days, 24 h, and draws 280 g/h: 6.72 L. It takes 3 W all the time:
	// 0.72 kWh. The fan is on for a tenth of the time, with 10 air changes per hour on and 1 off: 1.9. The lamp is on half
	// of the time.
	c := r.Chambers[0]
	for _, x := range []struct {
		name      string
		got, want float64
	}{{"humidifier hours", c.Mist, 24}, {"water", c.WaterL, 6.72}, {"energy", c.Energy, 0.72}} {
		if x.got < x.want*0.99 || x.got > x.want*1.01 {
			t.Errorf("%s is %g, want %g", x.name, x.got, x.want)
		}
	}
	f := r.Flushes[0]
	if f.FreshG != 1500 || len(f.Conditions) == 0 {
		t.Fatalf("the first flush is %+v", f)
	}
	if s := f.Conditions[0]; s.MeanC < 15.9 || s.MeanC > 16.3 || s.Above != 0 || s.AirPerHour < 1.85 || s.AirPerHour > 1.95 || s.Light < 11.5 || s.Light > 12.5 {
		t.Errorf("the conditions are %+v", s)
	}
}

// writeYear writes into a journal so many days of these chambers, the end of it by the minute and the rest by ten, each with a
// batch of oyster mushrooms every 40 days.
func writeYear(t *testing.T, path string, days int, byTheMinute time.Duration, chambers ...string) {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	j, _, err := journal.Open(t.Context(), path)
	must(err)
	defer func() { must(j.Close()) }()
	end := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	start := end.AddDate(0, 0, -days)
	fine := end.Add(-byTheMinute)
	for _, name := range chambers {
		var ms []journal.Minute
		for at := start; at.Before(end); {
			span := 10 * time.Minute
			if !at.Before(fine) {
				span = time.Minute
			}
			ms = append(ms, aggregates(name, at, span)...)
			if at = at.Add(span); len(ms) > 20_000 || !at.Before(end) {
				must(j.Minutes(t.Context(), ms))
				ms = ms[:0]
			}
		}
		writeBatches(t, j, name, start, days)
		state, err := json.Marshal(policy.State{Now: end, Plugs: []guard.Plug{{Name: "mister", Role: chamber.Humidifier},
			{Name: "fan", Role: chamber.ExhaustFan}, {Name: "lamp", Role: chamber.Lamp}}})
		must(err)
		must(j.Save(t.Context(), []journal.Saved{{Chamber: name, At: end, State: state}}))
	}
}

// aggregates are those of one moment: all series, or by the minute those that are kept so.
func aggregates(name string, at time.Time, span time.Duration) []journal.Minute {
	wobble := float64(at.Unix()/600%17) / 100
	lamp := 0.0
	if h := at.Hour(); h >= 8 && h < 20 {
		lamp = 1
	}
	n := int(span / time.Second)
	ms := []journal.Minute{
		{Place: "chamber", Quantity: "relative_humidity", Mean: 0.86 + wobble/5}, {Place: "chamber", Quantity: "temperature", Mean: 16 + wobble},
		{Place: "chamber", Quantity: "co2", Mean: 800 + 100*wobble}, {Place: "room", Quantity: "relative_humidity", Mean: 0.45},
		{Place: "room", Quantity: "temperature", Mean: 18}, {Place: "mister", Quantity: journal.PlugOn, Mean: 0.1, Seconds: 0.1 * span.Seconds()},
		{Place: "fan", Quantity: journal.PlugOn, Mean: 0.1, Seconds: 0.1 * span.Seconds()}, {Place: "lamp", Quantity: journal.PlugOn, Mean: lamp, Seconds: lamp * span.Seconds()},
	}
	if at.Truncate(journal.SlowSpan).Equal(at) {
		n0 := len(ms)
		ms = append(ms,
			journal.Minute{Place: "chamber", Quantity: journal.VaporDeficit, Mean: 200 + 100*wobble}, journal.Minute{Place: journal.PlaceTarget, Quantity: "relative_humidity", Mean: 0.87},
			journal.Minute{Place: journal.PlaceTarget, Quantity: "temperature", Mean: 15}, journal.Minute{Place: journal.PlaceTarget, Quantity: "co2", Mean: 1000},
			journal.Minute{Place: journal.PlaceLearned, Quantity: journal.AirChangesFanOn, Mean: 10}, journal.Minute{Place: journal.PlaceLearned, Quantity: journal.AirChangesFanOff, Mean: 1},
			journal.Minute{Place: journal.PlaceLearned, Quantity: journal.CO2Generation, Mean: 1.4}, journal.Minute{Place: journal.PlaceLearned, Quantity: journal.MistDrawn, Mean: 280},
			journal.Minute{Place: journal.PlaceLearned, Quantity: journal.MistEvaporated, Mean: 240}, journal.Minute{Place: journal.PlaceLearned, Quantity: journal.ReservoirLiters, Mean: 3},
			journal.Minute{Place: "mister", Quantity: journal.PlugPower, Mean: 3, Seconds: journal.SlowSpan.Seconds()})
		for i := n0; i < len(ms); i++ {
			ms[i].Span = journal.SlowSpan
		}
	}
	for i := range ms {
		m := &ms[i]
		m.Chamber, m.Start, m.Min, m.Max, m.N = name, at, m.Mean, m.Mean*1.01, n
		if m.Span == 0 {
			m.Span = span
		}
	}
	return ms
}

// writeBatches writes what a grower tells: a batch, its stages, three flushes of two pickings each.
func writeBatches(t *testing.T, j journal.Journal, name string, start time.Time, days int) {
	t.Helper()
	n := 0
	tell := func(day float64, a policy.Action) {
		if day >= float64(days) {
			return
		}
		n++
		a.ID, a.At = fmt.Sprint(name, n), start.Add(time.Duration(day*24*float64(time.Hour)))
		if _, err := j.Act(t.Context(), name, a); err != nil {
			t.Fatal(err)
		}
	}
	for b := 0; 40*b < days; b++ {
		batch, day := fmt.Sprintf("%s-%d", name, b+1), float64(40*b)
		tell(day, policy.Action{Kind: policy.BatchAdd, Batch: batch, Species: "pleurotus-ostreatus", SubstrateKg: 12, DryKg: 4.2, Stage: species.Pinning})
		for f := range 3 {
			tell(day+4, policy.Action{Kind: policy.StageSet, Batch: batch, Stage: species.Fruiting})
			tell(day+8, policy.Action{Kind: policy.HarvestDone, Batch: batch, FreshG: float64(1000 - 300*f + 10*b)})
			tell(day+9, policy.Action{Kind: policy.HarvestDone, Batch: batch, FreshG: float64(500 - 150*f), Done: true})
			day += 13
			if f < 2 {
				tell(day, policy.Action{Kind: policy.StageSet, Batch: batch, Stage: species.Pinning})
			}
		}
		tell(day, policy.Action{Kind: policy.BatchRetire, Batch: batch})
	}
}

// TestReportMomentsAreTheDaemons: what `report` takes with the daemon it takes of a journal too, and reads alike. On 25 October 2026
// Madrid's clocks went from 03:00 CEST (UTC+2) back to 02:00 CET (UTC+1).
func TestReportMomentsAreTheDaemons(t *testing.T) {
	t.Parallel()
	zone, err := time.LoadLocation("Europe/Madrid")
	if err != nil {
		t.Fatal(err)
	}
	end := time.Date(2026, 10, 25, 20, 0, 0, 0, time.UTC)
	for text, want := range map[string]string{
		"2026-10-01":          "2026-09-30T22:00:00Z",
		"2026-10-01T08:15":    "2026-10-01T06:15:00Z",
		"2026-10-01 08:15:30": "2026-10-01T06:15:30Z",
		"2026-10-25 02:30":    "2026-10-25T01:30:00Z", // the later one
		"22:00":               "2026-10-24T20:00:00Z", // the last before the end, which is at 21:00
		"-48h":                "2026-10-23T20:00:00Z",
	} {
		if got, err := reportMoment("--from", text, end, zone); err != nil || got.UTC().Format(time.RFC3339) != want {
			t.Errorf("%s: %v, %v; want %s", text, got.UTC(), err, want)
		}
	}
	if _, err := reportMoment("--from", "9999-01-01", end, zone); err == nil || !strings.Contains(err.Error(), "--from") {
		t.Errorf("a moment that no journal can hold gives %v, want it refused by its flag", err)
	}
}

package journal

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gillkeeper/policy"
)

// day writes one day of one chamber as it usually is: a humidifier that runs 20 times an hour and a fan that runs 6
// times an hour, a lamp, alarms now and then, and the minutes of eight series.
func day(t testing.TB, j Journal, chamber string, start time.Time) { dayIn(t, j, chamber, start, 8) }

// dayIn is day with so many minutes written at a time.
func dayIn(t testing.TB, j Journal, chamber string, start time.Time, at1 int) {
	t.Helper()
	var ns []Noted
	var ms []Minute
	for i := range 24 * 60 {
		at := start.Add(time.Duration(i) * time.Minute)
		if i%3 == 0 {
			ns = append(ns, Noted{chamber, switchEvent("mister", true, at.Add(7*time.Second+123456789))},
				Noted{chamber, switchEvent("mister", false, at.Add(30*time.Second+987654321))})
		}
		if i%10 == 0 {
			ns = append(ns, Noted{chamber, switchEvent("fan", true, at)}, Noted{chamber, switchEvent("fan", false, at.Add(time.Minute))})
		}
		if i%720 == 0 {
			ns = append(ns, Noted{chamber, switchEvent("lamp", i == 0, at)})
		}
		wobble := float64(i%17) / 100
		for _, s := range []struct {
			place, quantity string
			value           float64
		}{{"chamber", "relative_humidity", 0.89}, {"chamber", "temperature", 16.3}, {"chamber", "co2", 812}, {"room", "relative_humidity", 0.45},
			{"room", "temperature", 18.2}, {"mister", PlugOn, 0.11}, {"fan", PlugOn, 0.09}, {"lamp", PlugOn, 1}} {
			ms = append(ms, Minute{chamber, s.place, s.quantity, at, 0, s.value + wobble/10, s.value, s.value + wobble, 12, 55.5})
		}
	}
	for c := range slices.Chunk(ns, 50) {
		_, err := j.Note(t.Context(), c)
		must(t, err)
	}
	// Once in ten minutes: three targets, six learned values, the deficit and the power of one plug.
	for i := range 24 * 6 {
		at := start.Add(time.Duration(i) * SlowSpan)
		for _, s := range []struct {
			place, quantity string
			value           float64
		}{{PlaceTarget, "relative_humidity", 0.875}, {PlaceTarget, "temperature", 15.5}, {PlaceTarget, "co2", 1000},
			{PlaceLearned, AirChangesFanOn, 18.23}, {PlaceLearned, AirChangesFanOff, 0.71}, {PlaceLearned, FanFlow, 9.8},
			{PlaceLearned, CO2Generation, 1.5}, {PlaceLearned, MistOutput, 283}, {PlaceLearned, ReservoirLiters, 3.1},
			{"chamber", VaporDeficit, 203}, {"mister", PlugPower, 3.2}} {
			v := s.value * (1 + float64(i%17)/1000)
			ms = append(ms, Minute{chamber, s.place, s.quantity, at, SlowSpan, v, 0.9 * v, 1.1 * v, 60, 0})
		}
	}
	for c := range slices.Chunk(ms, at1) {
		must(t, j.Minutes(t.Context(), c))
	}
}

// TestAYear writes a year of three chambers, with the retention of an untouched configuration, and measures the file and
// what questions take. It runs for minutes: only with GILLKEEPER_YEAR=1.
func TestAYear(t *testing.T) {
	if os.Getenv("GILLKEEPER_YEAR") == "" {
		t.Skip("runs for minutes: set GILLKEEPER_YEAR=1")
	}
	path := filepath.Join(t.TempDir(), "j.db")
	j := openAt(t, path)
	defer j.Close()
	start := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
	names := []string{"cellar", "loft", "nursery"}
	for d := range 365 {
		for _, n := range names {
			dayIn(t, j, n, start.AddDate(0, 0, d), 2000)
		}
		now := start.AddDate(0, 0, d+1)
		_, err := j.Prune(t.Context(), Retention{Events: now.AddDate(0, 0, -200), Minutes: now.AddDate(0, 0, -3650), ByTen: now.AddDate(0, 0, -30), ByHour: now.AddDate(0, 0, -400)})
		must(t, err)
	}
	mb := float64(size(path)) / 1e6
	t.Logf("a year of three chambers: %.0f MB, %.3f MB a chamber-day", mb, mb/3/365)
	end := start.AddDate(1, 0, 0)
	for _, q := range []struct {
		name string
		q    HistoryQuery
	}{{"a day by the minute", HistoryQuery{Chamber: "loft", From: end.AddDate(0, 0, -1)}},
		{"ten days by ten minutes", HistoryQuery{Chamber: "loft", From: end.AddDate(0, 0, -10), Step: 10 * time.Minute}},
		{"the year by the day", HistoryQuery{Chamber: "loft", Step: 24 * time.Hour}},
		{"the year by the hour", HistoryQuery{Chamber: "loft", Step: time.Hour}}} {
		began := time.Now()
		n := len(all(t, j.History(t.Context(), q.q)))
		t.Logf("%s: %d rows in %v", q.name, n, time.Since(began).Round(time.Millisecond))
	}
	began := time.Now()
	why, err := j.LastSwitches(t.Context(), "loft", start.AddDate(0, 5, 3))
	must(t, err)
	t.Logf("why at a past moment: %d plugs in %v", len(why), time.Since(began).Round(time.Microsecond))
	if mb > 400 {
		t.Errorf("the year takes %.0f MB: more than stated", mb)
	}
}

// TestSizeOfADay holds the figures that doc.go states.
func TestSizeOfADay(t *testing.T) {
	if testing.Short() || raced {
		t.Skip("writes days of minutes: run without -short and -race")
	}
	path := filepath.Join(t.TempDir(), "j.db")
	start := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	sizes := [5]float64{} // after so many days
	for d := 1; d < len(sizes); d++ {
		j := openAt(t, path)
		day(t, j, "loft", start.AddDate(0, 0, d))
		must(t, j.Close())
		sizes[d] = float64(size(path))
	}
	j := openAt(t, path)
	_, err := j.Prune(t.Context(), Retention{Events: start.AddDate(1, 0, 0)})
	must(t, err)
	bare := openAt(t, filepath.Join(t.TempDir(), "bare.db"))
	empty := inUse(t, bare)
	must(t, bare.Close())
	all, minutes := (sizes[4]-sizes[1])/3, (inUse(t, j)-empty)/4
	end := start.AddDate(0, 0, 5)
	_, err = j.Prune(t.Context(), Retention{ByTen: end})
	must(t, err)
	tens := (inUse(t, j) - empty) / 4
	_, err = j.Prune(t.Context(), Retention{ByHour: end})
	must(t, err)
	hours := (inUse(t, j) - empty) / 4
	must(t, j.Close())
	t.Logf("a day of one chamber: %.0f bytes in all, %.0f of them history; by ten minutes %.0f, by the hour %.0f", all, minutes, tens, hours)
	if all > 720_000 || minutes > 450_000 || tens > 110_000 || hours > 30_000 {
		t.Error("a day of one chamber takes more than stated")
	}
}

// inUse is how many bytes of the file hold something.
func inUse(t testing.TB, j *SQLite) float64 {
	t.Helper()
	var free, pages float64
	must(t, j.f.quick.conn.QueryRowContext(t.Context(), "PRAGMA freelist_count").Scan(&free))
	must(t, j.f.quick.conn.QueryRowContext(t.Context(), "PRAGMA page_count").Scan(&pages))
	return (pages - free) * 4096
}

// TestSwitchDoesNotWait: a command is stored quickly while a thousand chambers are saved and events are noted.
func TestSwitchDoesNotWait(t *testing.T) {
	j := openAt(t, filepath.Join(t.TempDir(), "j.db"))
	defer j.Close()
	state := json.RawMessage(`"` + strings.Repeat("x", 4000) + `"`)
	var snaps []Saved
	for i := range 300 {
		snaps = append(snaps, Saved{fmt.Sprint("c", i), 0, t0, state})
	}
	stop, done := make(chan struct{}), make(chan error, 1)
	go func() {
		for {
			select {
			case <-stop:
				done <- nil
				return
			default:
			}
			if err := j.Save(t.Context(), snaps); err != nil {
				done <- err
				return
			}
		}
	}()
	var took []time.Duration
	for i := range 300 {
		start := time.Now()
		must(t, j.Switch(t.Context(), []Switched{{"c1", "fan", i%2 == 0, t0}}))
		took = append(took, time.Since(start))
	}
	close(stop)
	must(t, <-done)
	slices.Sort(took)
	t.Logf("a switch beside telemetry: median %v, 99 %% %v, longest %v", took[150], took[297], took[299])
	if took[150] > 50*time.Millisecond { // on a machine that does other things too
		t.Errorf("half of the switches took longer than %v", took[150])
	}
}

func BenchmarkSwitch(b *testing.B) {
	j := openAt(b, filepath.Join(b.TempDir(), "j.db"))
	defer j.Close()
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		must(b, j.Switch(b.Context(), []Switched{{"loft", "fan", i%2 == 0, t0}}))
	}
}

func BenchmarkAct(b *testing.B) {
	j := openAt(b, filepath.Join(b.TempDir(), "j.db"))
	defer j.Close()
	for i := 0; b.Loop(); i++ {
		_, err := j.Act(b.Context(), "loft", act(fmt.Sprint(i), policy.Refilled, "", t0))
		must(b, err)
	}
}

// BenchmarkSave1000 saves a thousand chambers with four kilobytes of state each, and says what that writes.
func BenchmarkSave1000(b *testing.B) {
	path := filepath.Join(b.TempDir(), "j.db")
	j := openAt(b, path)
	defer j.Close()
	state := json.RawMessage(`"` + strings.Repeat("x", 4000) + `"`)
	var snaps []Saved
	for i := range 1000 {
		snaps = append(snaps, Saved{fmt.Sprint("c", i), 0, t0, state})
	}
	for b.Loop() {
		must(b, j.Save(b.Context(), snaps))
	}
	info, err := os.Stat(path + "-wal")
	must(b, err)
	b.ReportMetric(float64(info.Size())/1e6, "MB-log")
}

// TestWear holds what doc.go says of the bytes that a saved chamber writes into the log.
func TestWear(t *testing.T) {
	j := openAt(t, filepath.Join(t.TempDir(), "j.db"))
	defer j.Close()
	frames := func() (n float64) {
		var busy, moved int
		must(t, j.f.check.QueryRowContext(t.Context(), "PRAGMA wal_checkpoint(PASSIVE)").Scan(&busy, &n, &moved))
		return n
	}
	save := func(i int) {
		at := t0.Add(time.Duration(i) * time.Second)
		must(t, j.Save(t.Context(), []Saved{{"loft", 0, at, json.RawMessage(`"` + strings.Repeat("x", 4000) + `"`)}}))
	}
	save(0)
	frames()
	const n = 100
	for i := range n {
		save(i + 1)
	}
	each := frames() * (4096 + 24) / n // page and frame header: https://www.sqlite.org/fileformat2.html §4.1
	t.Logf("a snapshot of 4 kB writes %.0f bytes into the log, each second %.2f GB a day", each, each*86400/1e9)
	if each > 4200 {
		t.Errorf("a snapshot of 4 kB writes %.0f bytes: more than stated", each)
	}
}

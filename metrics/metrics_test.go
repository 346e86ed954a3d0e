package metrics

import (
	"bytes"
	"flag"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"gillkeeper/bridge/broker/realpart"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/calibration"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/species"
)

var update = flag.Bool("update", false, "write the golden page anew")

var wall = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

// loft is a chamber with everything, made by hand.
func loft() *policy.Snapshot {
	ok := func(v float64) chamber.Estimate { return chamber.Estimate{Value: v, OK: true, At: wall, Used: 1} }
	s := &policy.Snapshot{Spec: &chamber.Spec{Name: "loft", VolumeM3: 0.56}, Wall: wall}
	now := wall.Add(-time.Minute) // the keeper's clock is a minute behind the calendar's
	s.State = policy.State{
		Now: now,
		Air: chamber.Air{
			Inside: chamber.Measured{RelativeHumidity: ok(0.5), Temperature: ok(25), CO2: ok(850.5), Illuminance: ok(600)},
			Room:   chamber.Measured{Temperature: ok(18), RelativeHumidity: chamber.Estimate{Value: 0.44, Used: 1}, CO2: ok(440)},
		},
		Sensors: []policy.SensorState{
			{Name: "air-upper", Value: 0.5, At: now.Add(-10 * time.Second), Known: true, Live: true, Calibration: calibration.Correction{
				Quantity: chamber.RelativeHumidity, At: time.Date(2026, 2, 1, 0, 0, 0, 0, time.UTC), Slope: 0.98, Offset: -0.015}},
			{Name: "co2", Value: 850, At: now.Add(-time.Hour), Known: true, Live: true, Silent: true},
			{Name: "lux", Value: 600, At: now, Known: true, Live: true, Suspect: "constant"},
			{Name: "room-co2"},
		},
		Plugs: []guard.Plug{
			{Name: "mister", Role: chamber.Humidifier, Told: true, HasTold: true, Reported: true, HasReported: true, Synced: true,
				Watts: 23.5, HasWatts: true, Metered: true, OnSeconds: 5400.25, Switches: 212},
			{Name: "fan", Role: chamber.ExhaustFan, HasTold: true, Reported: true, HasReported: true, Hand: guard.Hand{Active: true}, OnSeconds: 100, Switches: 3},
			{Name: "lamp", Role: chamber.Lamp},
		},
		Target: crop.Target{OK: true, Stage: species.Fruiting, RelativeHumidity: chamber.Band{Low: 0.86, Aim: 0.89, High: 0.92},
			TemperatureC: chamber.Band{Low: 13, Aim: 16, High: 19}, CO2MaxPPM: 900},
		Crop: crop.State{Batches: []crop.Batch{
			{Name: "b1", Species: "pleurotus-ostreatus", DryKg: 4.2, Stage: species.Fruiting, Flush: 2, Flushes: []crop.Flush{
				{Number: 1, Pickings: []crop.Picking{{FreshG: 840}, {FreshG: 1260}}}, {Number: 2, Pickings: []crop.Picking{{FreshG: 420}}}}},
			{Name: "b2", Species: "lentinula-edodes", Stage: species.Rest, Flush: 1, Flushes: []crop.Flush{{Number: 1, Pickings: []crop.Picking{{FreshG: 100}}}}},
			{Name: "b0", Species: "lentinula-edodes", DryKg: 1, Stage: species.Rest, Flush: 3, Retired: wall},
		}},
		Reservoir: alarm.Reservoir{Known: true, Liters: 3.2, EmptyOK: true, EmptyIn: 36 * time.Hour, Balance: alarm.Balance{Cycles: 1, Rate: 287, Spread: 0.03, Full: 0.9}},
		Totals: policy.Totals{
			InRange: []policy.RangeTotal{{Quantity: chamber.RelativeHumidity, Stage: species.Fruiting, ObservedSeconds: 1000, InRangeSeconds: 950}},
			Harvests: []policy.HarvestTotal{
				{Batch: "b1", Species: "pleurotus-ostreatus", Flush: 2, FreshG: 500},
				{Batch: "b0", Species: "lentinula-edodes", Flush: 1, FreshG: 70},
				{Batch: "b9", Species: "lentinula-edodes", Flush: 1, FreshG: 30},    // taken back altogether
				{Batch: "b2", Species: "pleurotus-ostreatus", Flush: 1, FreshG: 90}, // of another species since
			},
			Stages: []policy.StageTotal{{Batch: "b1", Species: "pleurotus-ostreatus", Stage: species.Pinning, Flush: 1, Seconds: 86400}},
		},
	}
	s.State.Alarms.Of(alarm.HumidityLow).Phase = alarm.Unacknowledged
	weak := s.State.Alarms.Of(alarm.HumidifierWeak)
	weak.Phase, weak.Condition.Worse = alarm.Acknowledged, true
	s.State.Alarms.Of(alarm.CO2High).Phase = alarm.Shelved
	return s
}

// bare is a chamber of which nothing is known yet.
func bare() *policy.Snapshot {
	return &policy.Snapshot{Spec: &chamber.Spec{Name: "attic"}, Wall: wall, State: policy.State{Now: wall, LinkLost: wall,
		Plugs: []guard.Plug{{Name: "mister", Role: chamber.Humidifier, HasReported: true, Synced: true, HasWatts: true}}}}
}

func newSet(snaps ...*policy.Snapshot) *Set {
	s := New(Info{Version: "1.2.3", Revision: "abc", Go: "go1.26"}, func() []*policy.Snapshot { return snaps })
	s.Expect([]string{"ok", "retained"}, "loft")
	s.Count("loft", "ok")
	s.Count("", "unknown_topic")
	s.Decided(40 * time.Microsecond)
	s.Connected(true)
	s.JournalFailing(false)
	s.Reloaded(true, wall)
	s.Reloaded(false, wall.Add(time.Hour))
	return s
}

// scrape reads the page over HTTP.
func scrape(t testing.TB, s *Set, accept string) string {
	t.Helper()
	req := httptest.NewRequest(http.MethodGet, "/metrics", nil)
	req.Header.Set("Accept", accept)
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, req)
	if w.Code != http.StatusOK {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	return w.Body.String()
}

// own leaves out what the library says of the process.
func own(page string) string {
	var out strings.Builder
	for line := range strings.Lines(page) {
		name := strings.TrimPrefix(strings.TrimPrefix(line, "# HELP "), "# TYPE ")
		if strings.HasPrefix(name, "gillkeeper_") {
			out.WriteString(line)
		}
	}
	return out.String()
}

func TestWholePage(t *testing.T) {
	got := own(scrape(t, newSet(loft(), bare()), "text/plain"))
	path := filepath.Join("testdata", "metrics.golden")
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("the page differs from %s (run with -update and read the difference):\n%s", path, difference(string(want), got))
	}
}

// TestPowerOfBeforeIsNotShown: after a restart or an outage nobody knows what a plug draws until it says so again.
func TestPowerOfBeforeIsNotShown(t *testing.T) {
	s := loft()
	s.State.Plugs[0].Unsync()
	for name := range values(t, newSet(s)) {
		if strings.HasPrefix(name, "gillkeeper_plug_power_watts") || strings.HasPrefix(name, "gillkeeper_plug_reported_on") {
			t.Errorf("%s is shown, and was told before the broker was last reached", name)
		}
	}
}

func difference(want, got string) string {
	w, g := strings.Split(want, "\n"), strings.Split(got, "\n")
	var out []string
	for _, l := range w {
		if !slices.Contains(g, l) {
			out = append(out, "-"+l)
		}
	}
	for _, l := range g {
		if !slices.Contains(w, l) {
			out = append(out, "+"+l)
		}
	}
	return strings.Join(out, "\n")
}

// TestByHand checks lines whose values come from outside of this program. The derived values of the air: saturation
// pressure at 25 °C is 3169 Pa (ASHRAE Handbook, Fundamentals, ch. 1, table of thermodynamic properties of water at
// saturation: 3.1693 kPa), so at half of it the deficit is 1585 Pa; the humidity ratio at 101.325 kPa is
// 0.62198·1584.6/(101325−1584.6) = 0.00988; the dew point of 25 °C, 50 % is 13.9 °C (psychrometric chart).
func TestByHand(t *testing.T) {
	got := values(t, newSet(loft()))
	for series, want := range map[string][2]float64{ // value, tolerance
		`gillkeeper_air_vapor_pressure_deficit_pascals{chamber="loft",place="chamber"}`:                                        {1585, 2},
		`gillkeeper_air_humidity_ratio{chamber="loft",place="chamber"}`:                                                        {0.00988, 0.00002},
		`gillkeeper_air_dew_point_celsius{chamber="loft",place="chamber"}`:                                                     {13.9, 0.1},
		`gillkeeper_target{bound="high",chamber="loft",quantity="co2"}`:                                                        {900, 0},
		`gillkeeper_target{bound="aim",chamber="loft",quantity="relative_humidity"}`:                                           {0.89, 0},
		`gillkeeper_reservoir_empty_in_seconds{chamber="loft"}`:                                                                {36 * 3600, 0},
		`gillkeeper_harvest_fresh_grams_total{batch="b1",chamber="loft",flush="1",species="pleurotus-ostreatus"}`:              {2100, 0},
		`gillkeeper_flush_fresh_grams{batch="b1",chamber="loft",flush="1",species="pleurotus-ostreatus"}`:                      {2100, 0},
		`gillkeeper_harvest_fresh_grams_total{batch="b1",chamber="loft",flush="2",species="pleurotus-ostreatus"}`:              {500, 0}, // once; 80 g were undone
		`gillkeeper_flush_fresh_grams{batch="b1",chamber="loft",flush="2",species="pleurotus-ostreatus"}`:                      {420, 0},
		`gillkeeper_harvest_fresh_grams_total{batch="b0",chamber="loft",flush="1",species="lentinula-edodes"}`:                 {70, 0}, // all of it was undone
		`gillkeeper_flush_fresh_grams{batch="b0",chamber="loft",flush="1",species="lentinula-edodes"}`:                         {0, 0},
		`gillkeeper_biological_efficiency_ratio{batch="b1",chamber="loft",flush="1",species="pleurotus-ostreatus"}`:            {0.5, 1e-12}, // 2.1 kg / 4.2 kg
		`gillkeeper_alarm_active{alarm="humidity_low",chamber="loft",priority="` + priority(alarm.HumidityLow, 0) + `"}`:       {1, 0},
		`gillkeeper_alarm_active{alarm="humidifier_weak",chamber="loft",priority="` + priority(alarm.HumidifierWeak, 0) + `"}`: {0, 0},
		`gillkeeper_alarm_active{alarm="humidifier_weak",chamber="loft",priority="` + priority(alarm.HumidifierWeak, 1) + `"}`: {1, 0},
		`gillkeeper_alarm_active{alarm="co2_high",chamber="loft",priority="` + priority(alarm.CO2High, 0) + `"}`:               {0, 0}, // shelved
		`gillkeeper_sensor_last_reading_timestamp_seconds{chamber="loft",sensor="air-upper"}`:                                  {float64(wall.Unix() - 10), 0},
		`gillkeeper_sensor_fresh{chamber="loft",sensor="air-upper"}`:                                                           {1, 0},
		`gillkeeper_sensor_fresh{chamber="loft",sensor="co2"}`:                                                                 {0, 0},
		`gillkeeper_sensor_fresh{chamber="loft",sensor="lux"}`:                                                                 {0, 0},
		`gillkeeper_sensor_fresh{chamber="loft",sensor="room-co2"}`:                                                            {0, 0},
		`gillkeeper_config_last_reload_successful{}`:                                                                           {0, 0},
		`gillkeeper_config_last_reload_success_timestamp_seconds{}`:                                                            {float64(wall.Unix()), 0},
	} {
		v, ok := got[series]
		if !ok || v < want[0]-want[1] || v > want[0]+want[1] {
			t.Errorf("%s is %v (there: %v), want %v ± %v", series, v, ok, want[0], want[1])
		}
	}
	for _, absent := range []string{
		`gillkeeper_air_relative_humidity_ratio{chamber="loft",place="room"}`,
		`gillkeeper_air_dew_point_celsius{chamber="loft",place="room"}`,
		`gillkeeper_plug_reported_on{chamber="loft",plug="fan",role="exhaust_fan"}`, // not since the broker came back
		`gillkeeper_plug_commanded_on{chamber="loft",plug="lamp",role="lamp"}`,
		`gillkeeper_biological_efficiency_ratio{batch="b2",chamber="loft",flush="1",species="lentinula-edodes"}`,
		`gillkeeper_harvest_fresh_grams_total{batch="b9",chamber="loft",flush="1",species="lentinula-edodes"}`,
		`gillkeeper_flush_fresh_grams{batch="b2",chamber="loft",flush="1",species="pleurotus-ostreatus"}`,
		`gillkeeper_batch_info{batch="b0",chamber="loft",flush="3",species="lentinula-edodes",stage="rest"}`,
		`gillkeeper_sensor_last_reading_timestamp_seconds{chamber="loft",sensor="room-co2"}`,
	} {
		if v, ok := got[absent]; ok {
			t.Errorf("%s is there: %v", absent, v)
		}
	}
}

func priority(n alarm.Name, more alarm.Priority) string {
	return (alarm.Of(n).Priority + more).String()
}

// values reads every sample by its series.
func values(t testing.TB, s *Set) map[string]float64 {
	t.Helper()
	fams, err := s.Gather()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]float64{}
	for _, f := range fams {
		for _, m := range f.Metric {
			var labels []string
			for _, l := range m.Label {
				labels = append(labels, fmt.Sprintf("%s=%q", l.GetName(), l.GetValue()))
			}
			out[f.GetName()+"{"+strings.Join(labels, ",")+"}"] = m.GetGauge().GetValue() + m.GetCounter().GetValue()
		}
	}
	return out
}

// TestEveryAlarmIsThere holds the list that the program's interface promises, also for a chamber of which nothing is
// known.
func TestEveryAlarmIsThere(t *testing.T) {
	got := values(t, newSet(bare()))
	for _, n := range []string{"humidity_low", "humidity_high", "co2_high", "temperature_low", "temperature_high", "reservoir_low",
		"reservoir_dry", "humidifier_weak", "fan_failed", "filter_clogged", "plug_disobeys", "sensor_silent", "sensor_stuck",
		"sensor_disagrees", "chamber_open", "room_co2_unsafe", "harvest_due", "stage_overdue", "broker_lost", "fallback_active",
		"journal_failing", "cleaning_due"} {
		found := 0
		for series, v := range got {
			if strings.HasPrefix(series, `gillkeeper_alarm_active{alarm="`+n+`",chamber="attic",priority="`) && v == 0 {
				found++
			}
		}
		if found != 1 {
			t.Errorf("%s has %d series", n, found)
		}
	}
}

// TestNames holds the names that dashboards and rules rest on: name, type, labels.
func TestNames(t *testing.T) {
	have := map[string]bool{}
	for _, f := range Families() {
		have[fmt.Sprintf("%s %s %s", f.Name, f.Kind, strings.Join(f.Labels, ","))] = true
		if f.Help == "" || !strings.HasSuffix(f.Help, ".") {
			t.Errorf("%s has the help text %q", f.Name, f.Help)
		}
	}
	for _, want := range []string{
		"gillkeeper_air_temperature_celsius gauge chamber,place",
		"gillkeeper_air_relative_humidity_ratio gauge chamber,place",
		"gillkeeper_air_co2_ppm gauge chamber,place",
		"gillkeeper_air_dew_point_celsius gauge chamber,place",
		"gillkeeper_air_vapor_pressure_deficit_pascals gauge chamber,place",
		"gillkeeper_air_humidity_ratio gauge chamber,place",
		"gillkeeper_target gauge chamber,quantity,bound",
		"gillkeeper_plug_commanded_on gauge chamber,plug,role",
		"gillkeeper_plug_reported_on gauge chamber,plug,role",
		"gillkeeper_plug_power_watts gauge chamber,plug,role",
		"gillkeeper_plug_on_seconds_total counter chamber,plug,role",
		"gillkeeper_plug_switches_total counter chamber,plug,role",
		"gillkeeper_reservoir_liters gauge chamber",
		"gillkeeper_reservoir_empty_in_seconds gauge chamber",
		"gillkeeper_air_changes_per_hour gauge chamber,state",
		"gillkeeper_co2_generation_grams_per_hour gauge chamber",
		"gillkeeper_humidifier_output_grams_per_hour gauge chamber",
		"gillkeeper_humidifier_evaporated_grams_per_hour gauge chamber",
		"gillkeeper_stage_seconds_total counter chamber,batch,species,stage,flush",
		"gillkeeper_in_range_seconds_total counter chamber,quantity,stage",
		"gillkeeper_observed_seconds_total counter chamber,quantity,stage",
		"gillkeeper_batch_info gauge chamber,batch,species,stage,flush",
		"gillkeeper_harvest_fresh_grams_total counter chamber,batch,species,flush",
		"gillkeeper_flush_fresh_grams gauge chamber,batch,species,flush",
		"gillkeeper_biological_efficiency_ratio gauge chamber,batch,species,flush",
		"gillkeeper_alarm_active gauge chamber,alarm,priority",
		"gillkeeper_broker_connected gauge ",
		"gillkeeper_messages_total counter chamber,result",
		"gillkeeper_decision_duration_seconds histogram ",
		"gillkeeper_build_info gauge version,revision,goversion",
	} {
		if !have[want] {
			t.Errorf("missing: %s", want)
		}
	}
}

// TestPageMatchesTable: what is served has the types, help texts and labels of the table.
func TestPageMatchesTable(t *testing.T) {
	fams, err := newSet(loft(), bare()).Gather()
	if err != nil {
		t.Fatal(err)
	}
	table := map[string]Family{}
	for _, f := range Families() {
		table[f.Name] = f
	}
	for _, f := range fams {
		want, ours := table[f.GetName()]
		if !ours {
			if strings.HasPrefix(f.GetName(), "gillkeeper_") {
				t.Errorf("%s is not in the table", f.GetName())
			}
			continue
		}
		if strings.ToLower(f.GetType().String()) != string(want.Kind) || f.GetHelp() != want.Help {
			t.Errorf("%s is a %s: %s", f.GetName(), f.GetType(), f.GetHelp())
		}
		for _, m := range f.Metric {
			var names []string
			for _, l := range m.Label {
				names = append(names, l.GetName())
			}
			if !slices.Equal(names, slices.Sorted(slices.Values(want.Labels))) {
				t.Errorf("%s has the labels %v, want %v", f.GetName(), names, want.Labels)
			}
		}
	}
}

// lintExceptions are the names that the linter would have otherwise, with the reason.
var lintExceptions = map[string]string{}

func TestLint(t *testing.T) {
	problems, err := testutil.GatherAndLint(newSet(loft(), bare()))
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, p := range problems {
		seen[p.Metric] = true
		if lintExceptions[p.Metric] == "" {
			t.Errorf("%s: %s", p.Metric, p.Text)
		}
	}
	for name := range lintExceptions {
		if !seen[name] {
			t.Errorf("%s is excepted but has no problem", name)
		}
	}
}

func TestPromtool(t *testing.T) {
	tool := realpart.Promtool(t)
	cmd := exec.CommandContext(t.Context(), tool, "check", "metrics")
	cmd.Stdin = strings.NewReader(scrape(t, newSet(loft(), bare()), "text/plain"))
	out, err := cmd.CombinedOutput()
	var bad []string
	for line := range strings.Lines(string(out)) {
		name, _, _ := strings.Cut(line, " ")
		if lintExceptions[name] == "" {
			bad = append(bad, line)
		}
	}
	if len(bad) > 0 || err != nil && len(out) == 0 {
		t.Errorf("%v:\n%s", err, strings.Join(bad, ""))
	}
}

func TestOpenMetrics(t *testing.T) {
	page := scrape(t, newSet(loft()), "application/openmetrics-text; version=1.0.0")
	if !strings.HasSuffix(page, "# EOF\n") || !strings.Contains(page, "# TYPE gillkeeper_plug_switches counter\n") {
		t.Errorf("no OpenMetrics page:\n%.500s", page)
	}
}

// BenchmarkScrape makes the page of a thousand chambers.
func BenchmarkScrape(b *testing.B) {
	var snaps []*policy.Snapshot
	for i := range 1000 {
		s := loft()
		s.Spec = &chamber.Spec{Name: fmt.Sprintf("chamber-%04d", i)}
		snaps = append(snaps, s)
	}
	h := newSet(snaps...).Handler()
	b.ReportAllocs()
	for b.Loop() {
		w := httptest.NewRecorder()
		var page bytes.Buffer
		w.Body = &page
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
		if page.Len() < 1e6 {
			b.Fatal(page.Len())
		}
		b.ReportMetric(float64(page.Len()), "bytes/page")
		_, _ = io.Discard.Write(page.Bytes())
	}
}

func BenchmarkCount(b *testing.B) {
	s := newSet()
	for b.Loop() {
		s.Count("loft", "ok")
	}
}

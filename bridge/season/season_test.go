package season

import (
	"fmt"
	"math"
	"testing"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/metrics/yield"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/species"
)

var start = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func read(t *testing.T, j *journal.Memory) *yield.Season {
	t.Helper()
	s, err := Read(t.Context(), j, Query{Site: "shed", Table: species.Builtin(), From: start, To: start.AddDate(0, 0, 2),
		Chambers: []Chamber{{Name: "loft", VolumeM3: 0.5, Plugs: []chamber.Plug{{Name: "mister", Role: chamber.Humidifier, OutputGPerH: 300}, {Name: "fan", Role: chamber.ExhaustFan}}}}})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Check(); err != nil {
		t.Fatal(err)
	}
	return s
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// TestAlarmsStand: from raised to returned; acknowledging changes nothing, shelving ends it, what is left ends with the
// season.
func TestAlarmsStand(t *testing.T) {
	j := journal.NewMemory()
	at := func(h float64) time.Time { return start.Add(time.Duration(h * float64(time.Hour))) }
	for _, e := range []struct {
		hour  float64
		name  alarm.Name
		phase alarm.Phase
	}{{1, alarm.HumidityLow, alarm.Unacknowledged}, {2, alarm.HumidityLow, alarm.Acknowledged}, {3, alarm.CO2High, alarm.Unacknowledged},
		{4, alarm.HumidityLow, alarm.Normal}, {5, alarm.CO2High, alarm.Shelved}, {40, alarm.HumidityLow, alarm.Unacknowledged}} {
		_, err := j.Note(t.Context(), []journal.Noted{{Chamber: "loft", Event: policy.Event{At: at(e.hour), Kind: policy.AlarmChanged, Alarm: e.name, Phase: e.phase.String(), Priority: "medium"}}})
		must(t, err)
	}
	want := []yield.Alarm{{Chamber: "loft", Alarm: "humidity_low", Priority: "medium", From: at(1), To: at(4)},
		{Chamber: "loft", Alarm: "co2_high", Priority: "medium", From: at(3), To: at(5)},
		{Chamber: "loft", Alarm: "humidity_low", Priority: "medium", From: at(40), To: at(48)}}
	got := read(t, j).Alarms
	if len(got) != len(want) {
		t.Fatalf("%d alarms: %+v", len(got), got)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("alarm %d is %+v, want %+v", i, got[i], want[i])
		}
	}
}

// TestWhatCameAfterTheSeason: a season that is over stays as it was at its end, whatever is written down later.
func TestWhatCameAfterTheSeason(t *testing.T) {
	j := journal.NewMemory()
	end := start.AddDate(0, 0, 2)
	for i, a := range []policy.Action{
		{Kind: policy.BatchAdd, Batch: "b1", Species: "pleurotus-ostreatus", Stage: species.Fruiting, SubstrateKg: 3, DryKg: 1, At: start.Add(time.Hour)},
		{Kind: policy.HarvestDone, Batch: "b1", FreshG: 500, At: start.Add(30 * time.Hour)},
		{Kind: policy.LossSeen, Batch: "b1", Cause: crop.Aborted, Grams: 20, At: start.Add(31 * time.Hour)},
		{Kind: policy.NoteMade, Batch: "b1", Note: "pale caps", At: start.Add(32 * time.Hour)},
		{Kind: policy.HarvestDone, Batch: "b1", FreshG: 70, At: end.Add(time.Hour)},
		{Kind: policy.LossSeen, Batch: "b1", Cause: crop.Spoiled, Grams: 90, At: end.Add(2 * time.Hour)},
		{Kind: policy.NoteMade, Batch: "b1", Note: "thrown away", At: end.Add(3 * time.Hour)},
	} {
		a.ID = fmt.Sprint("a", i)
		_, err := j.Act(t.Context(), "loft", a)
		must(t, err)
	}
	b := read(t, j).Batches[0]
	if len(b.Flushes) != 1 || len(b.Flushes[0].Pickings) != 1 || b.Flushes[0].Pickings[0].FreshG != 500 {
		t.Errorf("flushes %+v, want the one picking of the season", b.Flushes)
	}
	if len(b.Losses) != 1 || b.Losses[0].Grams != 20 {
		t.Errorf("losses %+v, want the one of the season", b.Losses)
	}
	if b.Note != "pale caps" {
		t.Errorf("notes %q, want the one of the season", b.Note)
	}
}

// TestAnHourByHand: ten minutes of minutes, with what was learned before; then a record that was put together to hours.
func TestAnHourByHand(t *testing.T) {
	j := journal.NewMemory()
	var ms []journal.Minute
	add := func(at time.Time, span time.Duration, place, quantity string, mean, seconds float64) {
		ms = append(ms, journal.Minute{Chamber: "loft", Place: place, Quantity: quantity, Start: at, Span: span, Mean: mean, Min: mean, Max: mean, N: 6, Seconds: seconds})
	}
	for i := range 10 {
		at := start.Add(time.Duration(i) * time.Minute)
		add(at, time.Minute, "chamber", "relative_humidity", 0.85+0.01*float64(i), 60) // mean 0.895
		add(at, time.Minute, "chamber", "temperature", 18, 60)
		add(at, time.Minute, "mister", journal.PlugOn, 0.5, 30) // 300 s in all: at 300 g/h, as rated, 25 g
		add(at, time.Minute, "fan", journal.PlugOn, 0.2, 12)
		add(at, time.Minute, "room", "co2", 450, 60)
	}
	add(start, journal.SlowSpan, journal.PlaceLearned, journal.AirChangesFanOn, 11, 0)
	add(start, journal.SlowSpan, journal.PlaceLearned, journal.AirChangesFanOff, 1, 0)
	add(start, journal.SlowSpan, "mister", journal.PlugPower, 24, 600) // 4 Wh
	must(t, j.Minutes(t.Context(), ms))
	c := &read(t, j).Chambers[0].Climate
	if len(c.Start) != 1 || c.Seconds[0] != 600 {
		t.Fatalf("%d aggregates of %v s", len(c.Start), c.Seconds)
	}
	// The deficit at 18 °C and 89.5 %: saturation is 2,064.7 Pa (ASHRAE Fundamentals, from memory), a tenth of it and a
	// little more.
	for _, x := range []struct {
		name           string
		got, want, tol float64
	}{{"humidity", c.RH[0], 0.895, 1e-9}, {"lowest", c.RHMin[0], 0.85, 1e-9}, {"highest", c.RHMax[0], 0.94, 1e-9}, {"deficit", c.VPD[0], 216.8, 0.5},
		{"water", c.WaterG[0], 25, 1e-9}, {"energy", c.EnergyWh[0], 4, 1e-9}, {"air changes", c.AirChanges[0], 3, 1e-9}, {"mist", c.Mist[0], 0.5, 1e-9}} {
		if !(math.Abs(x.got-x.want) <= x.tol) {
			t.Errorf("%s is %g, want %g", x.name, x.got, x.want)
		}
	}
	if !math.IsNaN(c.CO2[0]) || !math.IsNaN(c.Light[0]) {
		t.Errorf("what was not measured is there: CO2 %g, light %g", c.CO2[0], c.Light[0])
	}
	add(start.Add(5*time.Hour), time.Hour, "chamber", "relative_humidity", 0.9, 3600)
	must(t, j.Minutes(t.Context(), ms))
	c = &read(t, j).Chambers[0].Climate
	if len(c.Start) != 2 || c.Seconds[0] != 3600 || c.Seconds[1] != 3600 || math.Abs(c.RH[0]-0.895) > 1e-9 {
		t.Errorf("with hours in the record there are %d aggregates of %v s", len(c.Start), c.Seconds)
	}
}

// TestSeasonsThatAreNone are refused in one line.
func TestSeasonsThatAreNone(t *testing.T) {
	for _, to := range []time.Time{start, start.Add(-time.Hour), start.AddDate(10, 0, 0)} {
		if _, err := Read(t.Context(), journal.NewMemory(), Query{Table: species.Builtin(), From: start, To: to}); err == nil {
			t.Errorf("a season until %s was taken", to)
		}
	}
}

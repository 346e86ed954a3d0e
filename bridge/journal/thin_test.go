package journal

import (
	"math"
	"reflect"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestThinning: minutes become tens and hours, with the means, extremes and seconds that hand work gives, and a question
// over a wide step is answered as before.
func TestThinning(t *testing.T) {
	each(t, func(t *testing.T, j Journal) {
		ctx := t.Context()
		start := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
		var ms []Minute
		for i := range 6 * 60 {
			at := start.Add(time.Duration(i) * time.Minute)
			ms = append(ms, Minute{"loft", "chamber", "co2", at, time.Minute, 800 + float64(i%10), 790, 900.5, 6, 60},
				Minute{"loft", "mister", PlugOn, at, time.Minute, float64(i % 2), 0, 1, 60, float64(60 * (i % 2))})
			if i%10 == 0 {
				ms = append(ms, Minute{"loft", PlaceTarget, "co2", at, SlowSpan, 1000, 0, 1000, 1, 0})
			}
		}
		must(t, j.Minutes(ctx, ms))
		must(t, j.Minutes(ctx, []Minute{{Chamber: "shed", Place: "room", Quantity: "co2", Start: start, Mean: 420}}))
		wide := HistoryQuery{Chamber: "loft", Step: 2 * time.Hour}
		before := all(t, j.History(ctx, wide))
		prune := func(r Retention, want int64) {
			t.Helper()
			gone, err := j.Prune(ctx, r)
			must(t, err)
			if gone != want {
				t.Fatalf("%d fewer, want %d", gone, want)
			}
		}
		// Of the first four hours 480 minutes of two series become 48 tens; 24 targets stay.
		prune(Retention{ByTen: start.Add(4*time.Hour + 29*time.Minute)}, 480-48)
		prune(Retention{ByTen: start.Add(4*time.Hour + 29*time.Minute)}, 0)
		same(t, "ten minutes", all(t, j.History(ctx, HistoryQuery{Chamber: "loft", Quantity: "co2", Place: "chamber", From: start, To: start.Add(20 * time.Minute)})), []Minute{
			{"loft", "chamber", "co2", start, 10 * time.Minute, 804.5, 790, 900.5, 60, 600}, // mean of 800 to 809
			{"loft", "chamber", "co2", start.Add(10 * time.Minute), 10 * time.Minute, 804.5, 790, 900.5, 60, 600}})
		// Of the first two hours 3·12 tens become 3·2 hours.
		prune(Retention{ByTen: start.Add(4 * time.Hour), ByHour: start.Add(3 * time.Hour)}, 36-6)
		same(t, "hour", all(t, j.History(ctx, HistoryQuery{Chamber: "loft", To: start.Add(time.Hour)})), []Minute{
			{"loft", "chamber", "co2", start, time.Hour, 804.5, 790, 900.5, 360, 3600},
			{"loft", "mister", PlugOn, start, time.Hour, 0.5, 0, 1, 3600, 1800},
			{"loft", PlaceTarget, "co2", start, time.Hour, 1000, 0, 1000, 6, 0}})
		same(t, "over two hours", all(t, j.History(ctx, wide)), before)
		if left := len(all(t, j.History(ctx, HistoryQuery{Chamber: "loft"}))); left != 6+36+240+12 {
			t.Errorf("%d aggregates are left", left)
		}
		same(t, "another chamber", len(all(t, j.History(ctx, HistoryQuery{Chamber: "shed"}))), 1)
	})
}

// TestThinningChangesNoSum: whatever was written, what a day gives is the same before and after, to the grain.
func TestThinningChangesNoSum(t *testing.T) {
	start := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	rapid.Check(t, func(rt *rapid.T) {
		j := NewMemory()
		var ms []Minute
		for range rapid.IntRange(1, 60).Draw(rt, "n") {
			at := start.Add(time.Duration(rapid.IntRange(0, 400).Draw(rt, "minute")) * time.Minute)
			v := float64(rapid.IntRange(300, 3000).Draw(rt, "ppm"))
			ms = append(ms, Minute{"loft", "chamber", "co2", at, time.Minute, v, v, v, rapid.IntRange(1, 20).Draw(rt, "count"), float64(rapid.IntRange(0, 60).Draw(rt, "s"))})
		}
		if err := j.Minutes(t.Context(), ms); err != nil {
			rt.Fatal(err)
		}
		day := HistoryQuery{Chamber: "loft", Step: 24 * time.Hour}
		before := all(t, j.History(t.Context(), day))
		for range 2 {
			hours := rapid.IntRange(0, 8).Draw(rt, "hours")
			if _, err := j.Prune(t.Context(), Retention{ByTen: start.Add(8 * time.Hour), ByHour: start.Add(time.Duration(hours) * time.Hour)}); err != nil {
				rt.Fatal(err)
			}
		}
		after := all(t, j.History(t.Context(), day))
		if len(before) != 1 || len(after) != 1 || math.Abs(before[0].Mean-after[0].Mean) > 0.2 {
			rt.Fatalf("before %+v, after %+v", before, after)
		}
		before[0].Mean, after[0].Mean = 0, 0
		if !reflect.DeepEqual(before, after) {
			rt.Fatalf("before %+v, after %+v", before, after)
		}
	})
}

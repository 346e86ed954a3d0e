package journal

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"gillkeeper/policy"
)

func TestMinutes(t *testing.T) {
	each(t, func(t *testing.T, j Journal) {
		ctx := t.Context()
		start := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
		var ms []Minute
		for i := range 600 {
			at := start.Add(time.Duration(i) * time.Minute)
			ms = append(ms,
				Minute{"loft", "chamber", "co2", at, time.Minute, 800 + float64(i), 790, 900.5, 6, 60},
				Minute{"loft", "chamber", "relative_humidity", at, time.Minute, 0.9012, 0.88, 0.9234, 12, 48.5},
				Minute{"loft", "mister", PlugOn, at, time.Minute, 0.25, 0, 1, 2, 15})
		}
		must(t, j.Minutes(ctx, ms))
		must(t, j.Minutes(ctx, ms[:30])) // a repeated batch changes nothing
		must(t, j.Minutes(ctx, []Minute{{Chamber: "shed", Place: "room", Quantity: "co2", Start: start, Mean: 420}}))
		same(t, "as stored", all(t, j.History(ctx, HistoryQuery{Chamber: "loft"})), ms)
		got := all(t, j.History(ctx, HistoryQuery{Chamber: "loft", Quantity: "co2", From: start.Add(5 * time.Minute), To: start.Add(35 * time.Minute), Step: 10 * time.Minute}))
		same(t, "by ten minutes", got, []Minute{ // means by hand: of 805…809, 810…819, 820…829, 830…834
			{"loft", "chamber", "co2", start, 10 * time.Minute, 807, 790, 900.5, 30, 300},
			{"loft", "chamber", "co2", start.Add(10 * time.Minute), 10 * time.Minute, 814.5, 790, 900.5, 60, 600},
			{"loft", "chamber", "co2", start.Add(20 * time.Minute), 10 * time.Minute, 824.5, 790, 900.5, 60, 600},
			{"loft", "chamber", "co2", start.Add(30 * time.Minute), 10 * time.Minute, 832, 790, 900.5, 30, 300}})
		got = all(t, j.History(ctx, HistoryQuery{Chamber: "loft", Place: "mister", Step: 24 * time.Hour}))
		same(t, "the plug's day", got, []Minute{{"loft", "mister", PlugOn, start, 24 * time.Hour, 0.25, 0, 1, 1200, 9000}})
		got = all(t, j.History(ctx, HistoryQuery{Chamber: "loft", From: start.Add(1), To: start.Add(time.Minute + 1)}))
		same(t, "bounds that are no whole second", got, ms[3:6])
		if got := all(t, j.History(ctx, HistoryQuery{Chamber: "attic"})); got != nil {
			t.Errorf("history of a chamber that does not exist: %v", got)
		}
		for _, q := range []HistoryQuery{{}, {Chamber: "loft", Step: -time.Second}, {Chamber: "loft", Step: time.Millisecond}} {
			if firstError(j.History(ctx, q)) == nil {
				t.Errorf("%+v was taken", q)
			}
		}
		for _, bad := range []Minute{{}, {Chamber: "a", Place: "b", Quantity: "c"},
			{Chamber: "a", Place: "b", Quantity: "c", Start: start, Mean: math.NaN()},
			{Chamber: "a", Place: "b", Quantity: "c", Start: start, Max: math.Inf(1)},
			{Chamber: "a", Place: "b", Quantity: "c", Start: start.Add(1)},
			{Chamber: "a", Place: "b", Quantity: "c", Start: start, N: -1}} {
			if j.Minutes(ctx, []Minute{bad}) == nil {
				t.Errorf("%+v was taken", bad)
			}
		}
	})
}

func TestMinutesAreWeighted(t *testing.T) {
	each(t, func(t *testing.T, j Journal) {
		start := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
		must(t, j.Minutes(t.Context(), []Minute{
			{"loft", "chamber", "temperature", start, 0, 10, 9, 11, 1, 60},
			{"loft", "chamber", "temperature", start.Add(time.Minute), 0, 20, 12, 21.25, 3, 0},
			{"loft", "learned", "air_changes", start, 0, 2, 2, 2, 0, 0},
			{"loft", "learned", "air_changes", start.Add(time.Minute), 0, 4, 4, 4, 0, 0}}))
		same(t, "hour", all(t, j.History(t.Context(), HistoryQuery{Chamber: "loft", Step: time.Hour})), []Minute{
			{"loft", "chamber", "temperature", start, time.Hour, 17.5, 9, 21.25, 4, 60}, // (10·1 + 20·3)/4
			{"loft", "learned", "air_changes", start, time.Hour, 3, 2, 4, 0, 0}})
	})
}

func TestLatest(t *testing.T) {
	each(t, func(t *testing.T, j Journal) {
		ctx := t.Context()
		expect := func(want time.Time) {
			t.Helper()
			got, err := j.Latest(ctx)
			must(t, err)
			same(t, "latest", got, want)
		}
		expect(time.Time{})
		must(t, j.Switch(ctx, []Switched{{"loft", "fan", true, t0}}))
		expect(t0)
		_, err := j.Note(ctx, []Noted{{"shed", switchEvent("fan", true, t0.Add(1))}})
		must(t, err)
		expect(t0.Add(1))
		_, err = j.Act(ctx, "attic", act("a", policy.Refilled, "", t0.Add(2)))
		must(t, err)
		expect(t0.Add(2))
		must(t, j.Save(ctx, []Saved{{"loft", 0, t0.Add(3), json.RawMessage(`{}`)}}))
		expect(t0.Add(3))
		m := t0.Add(time.Hour).Truncate(time.Minute)
		must(t, j.Minutes(ctx, []Minute{{Chamber: "cellar", Place: "room", Quantity: "co2", Start: m}}))
		expect(m)
		must(t, j.Save(ctx, []Saved{{"loft", 0, t0, json.RawMessage(`{}`)}}))
		expect(m)
	})
}

func TestPrune(t *testing.T) {
	each(t, func(t *testing.T, j Journal) {
		ctx := t.Context()
		start := t0.Truncate(time.Minute)
		var ns []Noted
		var ms []Minute
		for i := range 450 {
			at := start.Add(time.Duration(i) * time.Minute)
			ns = append(ns, Noted{"loft", switchEvent("fan", i%2 == 0, at)})
			ms = append(ms, Minute{Chamber: []string{"loft", "shed"}[i%2], Place: "chamber", Quantity: "co2", Start: at, N: 1})
		}
		_, err := j.Note(ctx, ns)
		must(t, err)
		must(t, j.Minutes(ctx, ms))
		_, err = j.Act(ctx, "loft", act("a", policy.Refilled, "", start))
		must(t, err)
		expect := func(r Retention, want int64) {
			t.Helper()
			gone, err := j.Prune(ctx, r)
			must(t, err)
			if gone != want {
				t.Fatalf("%d went, want %d", gone, want)
			}
		}
		expect(Retention{}, 0)
		expect(Retention{Events: start.Add(401 * time.Minute)}, 401)
		expect(Retention{Minutes: start.Add(301 * time.Minute)}, 301)
		expect(Retention{Events: start.Add(401 * time.Minute), Minutes: start.Add(301 * time.Minute)}, 0)
		same(t, "events left", all(t, j.Events(ctx, EventQuery{Chamber: "loft"})), ns[401:])
		if left := len(all(t, j.History(ctx, HistoryQuery{Chamber: "loft"}))) + len(all(t, j.History(ctx, HistoryQuery{Chamber: "shed"}))); left != 149 {
			t.Fatalf("%d aggregates left, want 149", left)
		}
		if l, err := j.Load(ctx, "loft"); err != nil || len(l.Actions) != 1 {
			t.Fatalf("the action went: %+v %v", l, err)
		}
	})
}

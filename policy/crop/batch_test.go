package crop_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gillkeeper/policy/crop"
	"gillkeeper/policy/species"
)

var (
	table = species.Builtin()
	start = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
)

// oyster is a batch of the size that a shelf tent holds.
func oyster(name string, stage species.Stage) crop.Batch {
	return crop.Batch{Name: name, Species: "pleurotus-ostreatus", SubstrateKg: 12, DryKg: 4.2, Stage: stage}
}

func add(t testing.TB, s crop.State, b crop.Batch, now time.Time) crop.State {
	t.Helper()
	s, err := s.AddBatch(table, b, now)
	if err != nil {
		t.Fatalf("add %s: %v", b.Name, err)
	}
	return s
}

func must(t testing.TB) func(crop.State, error) crop.State {
	return func(s crop.State, err error) crop.State {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
}

// TestAFlushFromPinsToPins follows a batch through two crops. Biological efficiency is fresh harvest by dry substrate:
// 2100 g of 4.2 kg are 50 %, 1260 g are 30 %.
func TestAFlushFromPinsToPins(t *testing.T) {
	ok := must(t)
	s := add(t, crop.State{}, oyster("a", species.Colonization), start)
	s = ok(s.SetStage("a", species.Pinning, start.Add(14*24*time.Hour)))
	s = ok(s.SetStage("a", species.Fruiting, start.Add(18*24*time.Hour)))
	s = ok(s.Harvest("a", 1500, false, start.Add(23*24*time.Hour)))
	s = ok(s.Harvest("a", 600, true, start.Add(24*24*time.Hour)))
	b, _ := s.Find("a")
	if b.Stage != species.Rest || b.Flush != 1 || !b.Since.Equal(start.Add(24*24*time.Hour)) || b.Flushes[0].Closed.IsZero() {
		t.Fatalf("after done: %+v", b)
	}
	s = ok(s.SetStage("a", species.Pinning, start.Add(32*24*time.Hour)))
	if b, _ = s.Find("a"); b.Flush != 2 {
		t.Fatalf("pins after rest are flush %d, want 2", b.Flush)
	}
	s = ok(s.SetStage("a", species.Fruiting, start.Add(35*24*time.Hour)))
	s = ok(s.Harvest("a", 1260, false, start.Add(40*24*time.Hour)))
	s = ok(s.Retire("a", start.Add(41*24*time.Hour)))
	b, _ = s.Find("a")
	for i, want := range []float64{0.5, 0.3} {
		if got := b.FlushEfficiency(&b.Flushes[i]); math.Abs(got-want) > 1e-12 {
			t.Errorf("flush %d: biological efficiency %v, want %v", i+1, got, want)
		}
	}
	if got := b.BiologicalEfficiency(); math.Abs(got-0.8) > 1e-12 {
		t.Errorf("biological efficiency %v, want 0.8", got)
	}
	if b.FreshG() != 3360 || b.Flushes[1].Closed.IsZero() {
		t.Errorf("retired as %+v", b)
	}
}

func TestWhichMovesBeginAFlush(t *testing.T) {
	for _, c := range []struct {
		name  string
		moves string // stages, or a number of grams to pick
		want  int
	}{
		{"straight through", "pinning fruiting rest", 1},
		{"pins after a rest", "pinning fruiting rest pinning", 2},
		{"fruit after a rest", "pinning fruiting rest fruiting", 2},
		{"the same stage again", "pinning pinning fruiting fruiting", 1},
		{"a correction", "pinning fruiting pinning fruiting", 1},
		{"pins again after picking", "pinning fruiting 500 pinning", 2},
		{"rest set back to colonization", "pinning fruiting rest colonization pinning", 1},
		{"done, then back to colonization", "pinning fruiting done colonization pinning", 2},
		{"three crops", "pinning fruiting done pinning fruiting done pinning fruiting done", 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			ok := must(t)
			s := add(t, crop.State{}, oyster("a", species.Colonization), start)
			now := start
			for word := range strings.FieldsSeq(c.moves) {
				now = now.Add(24 * time.Hour)
				var stage species.Stage
				switch {
				case word == "done":
					s = ok(s.Harvest("a", 100, true, now))
				case stage.UnmarshalText([]byte(word)) == nil:
					s = ok(s.SetStage("a", stage, now))
				default:
					s = ok(s.Harvest("a", 500, false, now))
				}
			}
			if b, _ := s.Find("a"); b.Flush != c.want {
				t.Errorf("flush %d, want %d", b.Flush, c.want)
			}
		})
	}
}

// TestALatePickingCountsForItsFlush: what is picked during the rest belongs to the crop before it.
func TestALatePickingCountsForItsFlush(t *testing.T) {
	ok := must(t)
	s := add(t, crop.State{}, oyster("a", species.Fruiting), start)
	s = ok(s.Harvest("a", 700, true, start.Add(time.Hour)))
	s = ok(s.Harvest("a", 50, false, start.Add(2*time.Hour)))
	b, _ := s.Find("a")
	if len(b.Flushes) != 1 || b.Flushes[0].FreshG() != 750 || b.Stage != species.Rest {
		t.Errorf("got %+v", b)
	}
}

func TestRefusals(t *testing.T) {
	ok := must(t)
	s := add(t, crop.State{}, oyster("there", species.Colonization), start)
	s = add(t, s, oyster("gone", species.Fruiting), start)
	s = ok(s.Retire("gone", start.Add(time.Hour)))
	with := func(change func(*crop.Batch)) func() (crop.State, error) {
		b := oyster("new", species.Pinning)
		change(&b)
		return func() (crop.State, error) { return s.AddBatch(table, b, start) }
	}
	for name, c := range map[string]struct {
		do      func() (crop.State, error)
		field   string
		missing bool
	}{
		"no name":            {with(func(b *crop.Batch) { b.Name = "" }), "batch", false},
		"capitals":           {with(func(b *crop.Batch) { b.Name = "New" }), "batch", false},
		"a slash":            {with(func(b *crop.Batch) { b.Name = "a/b" }), "batch", false},
		"a leading hyphen":   {with(func(b *crop.Batch) { b.Name = "-a" }), "batch", false},
		"64 letters":         {with(func(b *crop.Batch) { b.Name = strings.Repeat("a", 64) }), "batch", false},
		"name in use":        {with(func(b *crop.Batch) { b.Name = "there" }), "batch", false},
		"name of a retired":  {with(func(b *crop.Batch) { b.Name = "gone" }), "batch", false},
		"unknown species":    {with(func(b *crop.Batch) { b.Species = "pleurotus-ostraetus" }), "species", true},
		"no stage":           {with(func(b *crop.Batch) { b.Stage = 0 }), "stage", false},
		"a line break":       {with(func(b *crop.Batch) { b.Strain = "a\nb" }), "strain", false},
		"broken UTF-8":       {with(func(b *crop.Batch) { b.Strain = "\xff" }), "strain", false},
		"no substrate":       {with(func(b *crop.Batch) { b.SubstrateKg = 0 }), "substrate_kg", false},
		"NaN":                {with(func(b *crop.Batch) { b.SubstrateKg = math.NaN() }), "substrate_kg", false},
		"infinite":           {with(func(b *crop.Batch) { b.SubstrateKg = math.Inf(1) }), "substrate_kg", false},
		"drier than dry":     {with(func(b *crop.Batch) { b.DryKg = 13 }), "dry_kg", false},
		"negative dry":       {with(func(b *crop.Batch) { b.DryKg = -1 }), "dry_kg", false},
		"stage of nobody":    {func() (crop.State, error) { return s.SetStage("nobody", species.Rest, start) }, "batch", true},
		"stage of a retired": {func() (crop.State, error) { return s.SetStage("gone", species.Rest, start) }, "batch", false},
		"stage 9":            {func() (crop.State, error) { return s.SetStage("there", 9, start) }, "stage", false},
		"retired twice":      {func() (crop.State, error) { return s.Retire("gone", start) }, "batch", false},
		"picked too early":   {func() (crop.State, error) { return s.Harvest("there", 10, false, start) }, "batch", false},
	} {
		next, err := c.do()
		r, isRefusal := errors.AsType[*crop.Refused](err)
		if !isRefusal || r.Field != c.field || r.Missing != c.missing || r.Allowed == "" || strings.Contains(r.Error(), "\n") {
			t.Errorf("%s: got %v, want a refusal of %s", name, err, c.field)
		}
		if !reflect.DeepEqual(next, s) {
			t.Errorf("%s: a refusal changed the state", name)
		}
	}
	_, err := with(func(b *crop.Batch) { b.Species = "shitake" })()
	if err == nil || !strings.Contains(err.Error(), "did you mean lentinula-edodes?") {
		t.Errorf("the nearest species is not named: %v", err)
	}
}

func TestImplausibleWeighings(t *testing.T) {
	s := add(t, crop.State{}, oyster("a", species.Fruiting), start)
	for _, g := range []float64{0, -1, math.NaN(), math.Inf(1), 24_001} {
		if _, err := s.Harvest("a", g, false, start); err == nil {
			t.Errorf("%v g of a 12 kg batch is accepted", g)
		}
	}
	for _, g := range []float64{0.1, 840, 24_000} {
		if _, err := s.Harvest("a", g, false, start); err != nil {
			t.Errorf("%v g: %v", g, err)
		}
	}
	if _, err := s.Harvest("a", 0, true, start); err != nil {
		t.Errorf("a flush that gave nothing can't be closed: %v", err)
	}
	if _, err := s.Harvest("a", math.NaN(), true, start); err == nil {
		t.Error("NaN g with done is accepted")
	}
}

func TestAChamberIsFull(t *testing.T) {
	s := crop.State{}
	for i := range crop.MostBatches {
		s = add(t, s, oyster(fmt.Sprintf("b%d", i), species.Fruiting), start)
	}
	if _, err := s.AddBatch(table, oyster("one-more", species.Fruiting), start); err == nil {
		t.Error("one batch too many was accepted")
	}
	s = must(t)(s.Retire("b7", start))
	add(t, s, oyster("one-more", species.Fruiting), start)
}

func TestOnlySoManyRetiredAreKept(t *testing.T) {
	ok := must(t)
	s := add(t, crop.State{}, oyster("stays", species.Fruiting), start)
	for i := range crop.RetiredKept + 3 {
		name := fmt.Sprintf("b%d", i)
		s = add(t, s, oyster(name, species.Fruiting), start)
		s = ok(s.Retire(name, start.Add(time.Duration(i)*time.Minute)))
	}
	if len(s.Batches) != crop.RetiredKept+1 {
		t.Errorf("%d batches are kept, want %d", len(s.Batches), crop.RetiredKept+1)
	}
	for name, want := range map[string]bool{"stays": true, "b0": false, "b2": false, "b3": true} {
		if _, got := s.Find(name); got != want {
			t.Errorf("%s is kept: %v, want %v", name, got, want)
		}
	}
}

// TestLifeOfAChamber does random things to a chamber and checks what must hold after each: the state before it is
// untouched, JSON keeps the state, flushes only grow, weights only add up, and the target is in order.
func TestLifeOfAChamber(t *testing.T) {
	names := rapid.SampledFrom([]string{"a", "b", "c"})
	stages := rapid.SampledFrom(species.Stages())
	rapid.Check(t, func(t *rapid.T) {
		s, now := crop.State{}, start
		for range rapid.IntRange(1, 25).Draw(t, "steps") {
			now = now.Add(time.Duration(rapid.Int64Range(0, int64(200*time.Hour)).Draw(t, "wait")))
			before, text := s, encode(t, s)
			next := act(t, s, names.Draw(t, "name"), stages.Draw(t, "stage"), now)
			target, next := next.Aim(table, now)
			if encode(t, before) != text {
				t.Fatal("the state before was written to")
			}
			checkGrowth(t, before, next)
			checkTarget(t, target)
			var back crop.State
			if err := json.Unmarshal([]byte(encode(t, next)), &back); err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(back, next) {
				t.Fatalf("JSON lost something:\n%+v\n%+v", back, next)
			}
			s = next
		}
	})
}

func act(t *rapid.T, s crop.State, name string, stage species.Stage, now time.Time) crop.State {
	var err error
	next := s
	switch rapid.IntRange(0, 3).Draw(t, "action") {
	case 0:
		next, err = s.AddBatch(table, crop.Batch{Name: name, Species: rapid.SampledFrom(table.Species()).Draw(t, "species"),
			SubstrateKg: 10, DryKg: 4, Stage: stage}, now)
	case 1:
		next, err = s.SetStage(name, stage, now)
	case 2:
		next, err = s.Harvest(name, rapid.Float64Range(0, 3000).Draw(t, "g"), rapid.Bool().Draw(t, "done"), now)
	case 3:
		next, err = s.Retire(name, now)
	}
	if _, refused := errors.AsType[*crop.Refused](err); err != nil && !refused {
		t.Fatalf("%T: %v", err, err)
	}
	return next
}

func encode(t *rapid.T, s crop.State) string {
	b, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func checkGrowth(t *rapid.T, before, after crop.State) {
	for _, old := range before.Batches {
		b, ok := after.Find(old.Name)
		if !ok || b.Flush < old.Flush || b.Flush > old.Flush+1 || b.FreshG() < old.FreshG() || len(b.Flushes) < len(old.Flushes) {
			t.Fatalf("%+v became %+v", old, b)
		}
		for i, f := range b.Flushes {
			if f.Number > b.Flush || i > 0 && f.Number <= b.Flushes[i-1].Number {
				t.Fatalf("flushes out of order: %+v", b.Flushes)
			}
		}
	}
}

func checkTarget(t *rapid.T, x crop.Target) {
	if !x.OK {
		return
	}
	rh, c := x.RelativeHumidity, x.TemperatureC
	switch {
	case !(rh.Low <= rh.Aim && rh.Aim <= rh.High && rh.Low > 0.5 && rh.High <= 1 && rh.Aim <= 0.95):
		t.Fatalf("humidity %+v", rh)
	case !(c.Low <= c.Aim && c.Aim <= c.High && c.Low > 0 && c.High < 35):
		t.Fatalf("temperature %+v", c)
	case x.CO2MaxPPM != 0 && !(x.CO2MinPPM < x.CO2MaxPPM) || x.CO2MinPPM < 0 || x.CO2MaxPPM < 0:
		t.Fatalf("CO2 %v to %v", x.CO2MinPPM, x.CO2MaxPPM)
	case !(x.LightHours >= 0 && x.LightHours <= 24) || !(x.FAEPerHour >= 0 && x.FAEPerHour <= 8):
		t.Fatalf("light %v, air changes %v", x.LightHours, x.FAEPerHour)
	}
}

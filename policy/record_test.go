package policy_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"pgregory.net/rapid"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/species"
)

// book is a chamber in which people write: a state and the entries of its journal.
type book struct {
	t     testing.TB
	p     *policy.Policy
	state policy.State
	past  []policy.Entry
	now   time.Time
	seq   int64
}

var bookStart = time.Date(2026, 2, 1, 8, 0, 0, 0, time.UTC)

func newBook(t testing.TB) *book {
	p := &policy.Policy{Spec: &chamber.Spec{Name: "loft", VolumeM3: 0.56}, Climates: species.Builtin()}
	return &book{t: t, p: p, state: p.Fresh(bookStart), now: bookStart}
}

// do does an action as the keeper does: settled, checked, written down, done.
func (b *book) do(a policy.Action) error {
	b.now = b.now.Add(time.Hour)
	a.ID, a.At = fmt.Sprintf("id-%d", b.seq+1), b.now
	if err := b.p.Settle(b.past, &a, b.now); err != nil {
		return err
	}
	if err := b.p.Check(&b.state, &a); err != nil {
		return err
	}
	b.seq++
	b.past = append(b.past, policy.Entries(b.seq, a)...)
	b.state, _ = b.p.Step(b.state, policy.Input{Now: b.now, Wall: b.now, Actions: []policy.Action{a}})
	return nil
}

func (b *book) must(a policy.Action) string {
	b.t.Helper()
	if err := b.do(a); err != nil {
		b.t.Fatalf("%s: %v", a.Kind, err)
	}
	return fmt.Sprintf("id-%d", b.seq)
}

func (b *book) refused(a policy.Action, want string) {
	b.t.Helper()
	err := b.do(a)
	if _, ok := errors.AsType[*policy.Refusal](err); !ok || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
		b.t.Errorf("%s gave %v; want a refusal with %q", a.Kind, err, want)
	}
}

func (b *book) record(name string) crop.Record {
	b.t.Helper()
	for _, r := range policy.Records("loft", b.past) {
		if r.Batch == name {
			return r
		}
	}
	b.t.Fatalf("there is no record of %s", name)
	return crop.Record{}
}

func added(name string) policy.Action {
	return policy.Action{Kind: policy.BatchAdd, Batch: name, Species: "pleurotus-ostreatus", Strain: "grey", Supplements: "5 % bran",
		Position: "top shelf", SubstrateKg: 10, DryKg: 3.5, Stage: species.Pinning}
}

// TestGramsForKilograms: 0.56 m³ of water weigh 560 kg, and no substrate that is put into such a chamber weighs more.
func TestGramsForKilograms(t *testing.T) {
	b := newBook(t)
	heavy := added("oyster")
	heavy.SubstrateKg, heavy.DryKg = 12000, 4200
	const want = "give the wet weight in kg: a chamber of 0.56 m³ cannot hold more than 560"
	b.refused(heavy, want)
	heavy.ID = "other"
	if _, err := b.p.Preview(&b.state, heavy, b.now); err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("looked at beforehand: %v", err)
	}
	add := b.must(added("oyster"))
	b.refused(policy.Action{Kind: policy.Correct, Of: add, Amended: &policy.Action{Species: "pleurotus-ostreatus", SubstrateKg: 12000, DryKg: 4200}}, want)
	b.must(policy.Action{Kind: policy.Correct, Of: add, Amended: &policy.Action{Species: "pleurotus-ostreatus", SubstrateKg: 560, DryKg: 200}})
	if redone := b.p.Redo(b.p.Fresh(bookStart), heavy); len(redone.Crop.Batches) != 1 {
		t.Error("what was taken once is refused after a restart")
	}
}

// TestRecordOfABatch tells two flushes and compares the record with what was told, by hand.
func TestRecordOfABatch(t *testing.T) {
	b := newBook(t)
	hour := func(n int) time.Time { return bookStart.Add(time.Duration(n) * time.Hour) }
	b.must(added("oyster"))                                                                                                            // 9:00, the 1st hour
	b.must(policy.Action{Kind: policy.StageSet, Batch: "oyster", Stage: species.Fruiting})                                             // 2
	b.must(policy.Action{Kind: policy.HarvestDone, Batch: "oyster", FreshG: 500, Marks: []string{"first"}, Photos: []string{"a.jpg"}}) // 3
	b.must(policy.Action{Kind: policy.LossSeen, Batch: "oyster", Cause: crop.Aborted, Grams: 40})                                      // 4
	b.must(policy.Action{Kind: policy.HarvestDone, Batch: "oyster", FreshG: 200, Done: true})                                          // 5
	b.must(policy.Action{Kind: policy.StageSet, Batch: "oyster", Stage: species.Pinning})                                              // 6
	b.must(policy.Action{Kind: policy.NoteMade, Batch: "oyster", Note: "soaked over night"})                                           // 7
	b.must(policy.Action{Kind: policy.BatchRetire, Batch: "oyster"})                                                                   // 8
	want := crop.Record{
		Chamber: "loft", Batch: "oyster", Species: "pleurotus-ostreatus", Strain: "grey", Supplements: "5 % bran", Position: "top shelf",
		SubstrateKg: 10, DryKg: 3.5, Added: hour(1), Retired: hour(8),
		Stages: []crop.Period{{Stage: species.Pinning, Flush: 1, From: hour(1), To: hour(2)}, {Stage: species.Fruiting, Flush: 1, From: hour(2), To: hour(5)},
			{Stage: species.Rest, Flush: 1, From: hour(5), To: hour(6)}, {Stage: species.Pinning, Flush: 2, From: hour(6), To: hour(8)}},
		Flushes: []crop.FlushRecord{{Number: 1, Closed: hour(5), Pickings: []crop.PickingRecord{
			{Entry: "3", At: hour(3), FreshG: 500, Marks: []string{"first"}, Photos: []string{"a.jpg"}}, {Entry: "5", At: hour(5), FreshG: 200}}},
			{Number: 2, Closed: hour(8)}},
		Losses: []crop.Loss{{Entry: "4", At: hour(4), Flush: 1, Cause: crop.Aborted, Grams: 40}},
		Notes:  []crop.Note{{Entry: "7", At: hour(7), Text: "soaked over night"}},
	}
	got := b.record("oyster")
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	if e := got.BiologicalEfficiency(); e != 0.2 { // 700 g of 3.5 kg
		t.Errorf("biological efficiency %v, want 0.2", e)
	}
}

// TestUndoAndCorrect: what an entry said is changed or taken back, in the record and in the chamber; the old value
// stays among the entries.
func TestUndoAndCorrect(t *testing.T) {
	b := newBook(t)
	add := b.must(added("oyster"))
	fruit := b.must(policy.Action{Kind: policy.StageSet, Batch: "oyster", Stage: species.Fruiting})
	pick := b.must(policy.Action{Kind: policy.HarvestDone, Batch: "oyster", FreshG: 4200, Done: true}) // 420 was meant
	fix := b.must(policy.Action{Kind: policy.Correct, Of: pick, Amended: &policy.Action{FreshG: 420, Done: true}})
	if r := b.record("oyster"); r.FreshG() != 420 {
		t.Errorf("the record has %v g after the correction", r.FreshG())
	}
	if x, _ := b.state.Crop.Find("oyster"); x.FreshG() != 420 || x.Stage != species.Rest {
		t.Errorf("the chamber has %v g, %v", x.FreshG(), x.Stage)
	}
	if a := b.past[2].Action; a.FreshG != 4200 {
		t.Errorf("the old value became %v", a.FreshG)
	}
	b.must(policy.Action{Kind: policy.Undo, Of: fix})
	if r := b.record("oyster"); r.FreshG() != 4200 {
		t.Errorf("%v g with the correction undone", r.FreshG())
	}
	gone := b.must(policy.Action{Kind: policy.Undo, Of: pick})
	if x, _ := b.state.Crop.Find("oyster"); x.FreshG() != 0 || x.Stage != species.Fruiting || len(x.Flushes) != 0 {
		t.Errorf("with the harvest undone: %+v", x)
	}
	b.refused(policy.Action{Kind: policy.Undo, Of: pick}, `entry "3": it is undone already; to have it back, undo entry 6, which undid it`)
	b.refused(policy.Action{Kind: policy.Correct, Of: pick, Amended: &policy.Action{FreshG: 5}}, `entry "3": it is undone already; to have it back, undo entry 6`)
	b.must(policy.Action{Kind: policy.Undo, Of: gone})
	if x, _ := b.state.Crop.Find("oyster"); x.FreshG() != 4200 || x.Stage != species.Rest {
		t.Errorf("with the undo undone: %+v", x)
	}
	b.refused(policy.Action{Kind: policy.Undo, Of: add}, "entry 2")
	b.refused(policy.Action{Kind: policy.Undo, Of: "nothing"}, "does not exist")
	b.refused(policy.Action{Kind: policy.Correct, Of: fix, Amended: &policy.Action{FreshG: 1}}, `entry "4": only an entry itself can be corrected, not a correction, an undo or an import; undo it instead`)
	b.refused(policy.Action{Kind: policy.Correct, Of: pick, Amended: &policy.Action{FreshG: -5}}, "fresh_g")
	b.refused(policy.Action{Kind: policy.Correct, Of: add, Amended: &policy.Action{Species: "pleurotus-ostreatos", SubstrateKg: 10, DryKg: 3}}, "did you mean pleurotus-ostreatus")
	b.must(policy.Action{Kind: policy.Undo, Of: pick})
	b.must(policy.Action{Kind: policy.Undo, Of: fruit})
	b.must(policy.Action{Kind: policy.Undo, Of: add})
	if _, ok := b.state.Crop.Find("oyster"); ok || len(policy.Records("loft", b.past)) != 0 {
		t.Error("a batch that was undone is still there")
	}
}

// TestNoMoreIsContaminatedThanThereWas: the batch has 10 kg of substrate.
func TestNoMoreIsContaminatedThanThereWas(t *testing.T) {
	b := newBook(t)
	b.must(added("oyster"))
	b.refused(policy.Action{Kind: policy.LossSeen, Batch: "oyster", Cause: crop.Contaminated, Grams: 10_001}, "10000 g")
	lost := b.must(policy.Action{Kind: policy.LossSeen, Batch: "oyster", Cause: crop.Contaminated, Grams: 10_000})
	b.refused(policy.Action{Kind: policy.Correct, Of: lost, Amended: &policy.Action{Cause: crop.Contaminated, Grams: 900_000}}, "10000 g")
	b.must(policy.Action{Kind: policy.Correct, Of: lost, Amended: &policy.Action{Cause: crop.Contaminated, Grams: 900}})
	b.must(policy.Action{Kind: policy.LossSeen, Batch: "oyster", Cause: crop.Spoiled, Grams: 12_000}) // of fruit, which takes up water
}

// TestThePast: an entry for an earlier moment falls into its place.
func TestThePast(t *testing.T) {
	b := newBook(t)
	b.must(added("oyster")) // 9:00
	for range 48 {
		b.now = b.now.Add(time.Hour)
	}
	yesterday := b.now.Add(-24 * time.Hour)
	b.must(policy.Action{Kind: policy.StageSet, Batch: "oyster", Stage: species.Fruiting, When: yesterday})
	if x, _ := b.state.Crop.Find("oyster"); x.Stage != species.Fruiting || !x.Since.Equal(yesterday) {
		t.Errorf("moved as of yesterday: %v since %v", x.Stage, x.Since)
	}
	b.must(policy.Action{Kind: policy.HarvestDone, Batch: "oyster", Done: true})
	b.must(policy.Action{Kind: policy.HarvestDone, Batch: "oyster", FreshG: 300, When: yesterday.Add(time.Hour)})
	r := b.record("oyster")
	if len(r.Flushes) != 1 || r.Flushes[0].FreshG() != 300 || r.Stages[len(r.Stages)-1].Stage != species.Rest {
		t.Errorf("a picking weighed late: %+v", r)
	}
	b.refused(policy.Action{Kind: policy.StageSet, Batch: "oyster", Stage: species.Rest, When: bookStart.Add(-time.Hour)}, "came in later")
	b.refused(policy.Action{Kind: policy.StageSet, Batch: "oyster", Stage: species.Rest, When: b.now.Add(9 * time.Hour)}, "has passed")
}

// TestUndoIsAnInverse: whatever was written, undoing the last entry leaves record and chamber as they were before it, and
// a chamber that does all of it again from the journal stands where it stood.
func TestUndoIsAnInverse(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := newBook(t)
		n := rapid.IntRange(1, 12).Draw(rt, "n")
		for range n {
			before, was := policy.Records("loft", b.past), b.state.Crop.Batches
			if err := b.do(anything(rt, b)); err != nil {
				continue
			}
			if rapid.IntRange(0, 2).Draw(rt, "undo") > 0 {
				continue
			}
			if err := b.do(policy.Action{Kind: policy.Undo, Of: fmt.Sprintf("id-%d", b.seq)}); err != nil {
				rt.Fatalf("the last entry cannot be undone: %v", err)
			}
			if after := policy.Records("loft", b.past); len(before)+len(after) > 0 && !reflect.DeepEqual(before, after) {
				rt.Fatalf("before %+v\nafter  %+v", before, after)
			}
			sameBatches(rt, was, b.state.Crop.Batches)
		}
		again := b.p.Fresh(bookStart.AddDate(3, 0, 0))
		none := *b.p
		none.Climates = &species.Table{} // the species have left the table since
		for _, e := range b.past {
			body, err := json.Marshal(e.Action)
			if err != nil {
				rt.Fatal(err)
			}
			var a policy.Action
			if err := json.Unmarshal(body, &a); err != nil {
				rt.Fatal(err)
			}
			again = none.Redo(again, a)
		}
		sameBatches(rt, b.state.Crop.Batches, again.Crop.Batches)
	})
}

func sameBatches(rt *rapid.T, a, b []crop.Batch) {
	if len(a)+len(b) > 0 && !reflect.DeepEqual(a, b) {
		rt.Fatalf("batches were %+v\nare %+v", a, b)
	}
}

func anything(rt *rapid.T, b *book) policy.Action {
	name := rapid.SampledFrom([]string{"one", "two"}).Draw(rt, "batch")
	var when time.Time
	if rapid.IntRange(0, 3).Draw(rt, "late") == 0 {
		when = b.now.Add(-time.Duration(rapid.IntRange(0, 10).Draw(rt, "hours")) * time.Hour)
	}
	switch rapid.IntRange(0, 6).Draw(rt, "what") {
	case 0, 1:
		a := added(name)
		a.When = when
		return a
	case 2:
		return policy.Action{Kind: policy.StageSet, Batch: name, When: when, Stage: rapid.SampledFrom(species.Stages()).Draw(rt, "stage")}
	case 3:
		return policy.Action{Kind: policy.HarvestDone, Batch: name, When: when, FreshG: float64(rapid.IntRange(0, 900).Draw(rt, "g")), Done: rapid.Bool().Draw(rt, "done")}
	case 4:
		return policy.Action{Kind: policy.LossSeen, Batch: name, When: when, Cause: crop.Contaminated, Grams: 100}
	case 5:
		return policy.Action{Kind: policy.NoteMade, Batch: name, Note: "seen"}
	}
	return policy.Action{Kind: policy.BatchRetire, Batch: name, When: when}
}

// TestRefusalsCutNoLetter: what is too long is repeated in part, and is still text.
func TestRefusalsCutNoLetter(t *testing.T) {
	b := newBook(t)
	b.must(added("b1"))
	for _, a := range []policy.Action{
		{Kind: policy.NoteMade, Batch: "b1", Note: "a" + strings.Repeat("é", 300)},
		{Kind: policy.NoteMade, Batch: "b1", Photos: []string{"a" + strings.Repeat("é", 300)}},
		{Kind: policy.LossSeen, Batch: "b1", Cause: crop.LossCause("a" + strings.Repeat("é", 300))},
	} {
		refusal, ok := errors.AsType[*policy.Refusal](b.do(a))
		if !ok || !utf8.ValidString(refusal.Value) || !strings.HasSuffix(refusal.Value, "é…") || len(refusal.Value) > 70 {
			t.Errorf("%s gave %+v", a.Kind, refusal)
		}
	}
}

// TestYearsOldActions: what was asked for a quarter of an hour is not done again years later, when the state was lost and
// only people's actions are left. A batch keeps its dates, and what an older program did not write is nothing.
func TestYearsOldActions(t *testing.T) {
	p := &policy.Policy{Climates: species.Builtin(), Spec: &chamber.Spec{Name: "loft", VolumeM3: 0.56, Plugs: []chamber.Plug{
		{Name: "mister", Role: chamber.Humidifier, MaxOn: time.Hour, ReservoirLiters: 5, OutputGPerH: 300}}}}
	s := p.Fresh(bookStart.AddDate(3, 0, 0))
	for _, body := range []string{
		`{"id":"1","kind":"batch_add","at":"2026-02-01T08:00:00Z","batch":"oyster","species":"pleurotus-ostreatus","substrate_kg":10,"dry_kg":3.5,"stage":"fruiting"}`,
		`{"id":"2","kind":"hand","at":"2026-02-01T09:00:00Z","plug":"mister","hand":"on","for":900000000000}`,
		`{"id":"3","kind":"harvest","at":"2026-02-05T09:00:00Z","batch":"oyster","fresh_g":500,"done":true}`,
		`{"id":"4","kind":"alarm_shelve","at":"2026-02-05T09:00:00Z","alarm":"humidity_low","for":3600000000000}`,
		`{"id":"5","kind":"moon_phase","at":"2026-02-05T09:00:00Z"}`,
	} {
		var a policy.Action
		if err := json.Unmarshal([]byte(body), &a); err != nil {
			t.Fatal(err)
		}
		s = p.Redo(s, a)
	}
	if s.Plugs[0].Hand.Active {
		t.Error("a hand of three years ago holds the humidifier")
	}
	b, ok := s.Crop.Find("oyster")
	if !ok || !b.Added.Equal(bookStart) || b.Stage != species.Rest || b.Since.Year() != 2026 || b.FreshG() != 500 {
		t.Errorf("the batch became %+v", b)
	}
	if err := p.Check(&s, &policy.Action{ID: "2", Kind: policy.HandSet}); err != nil {
		t.Errorf("the old hand's id is not remembered: %v", err)
	}
}

// spent gives the hours counted for a batch in a stage of its first flush.
func (b *book) spent(batch, kind string, stage species.Stage) float64 {
	for _, x := range b.state.Totals.Stages {
		if x.Batch == batch && x.Species == kind && x.Stage == stage && x.Flush == 1 {
			return x.Seconds / 3600
		}
	}
	return 0
}

// TestWhatIsWrittenLateIsCounted: the book's hours are 9:00 for the first entry, 10:00 for the second and so on. What was counted
// for the stage before does not fall.
func TestWhatIsWrittenLateIsCounted(t *testing.T) {
	const oyster, lion = "pleurotus-ostreatus", "hericium-erinaceus"
	b := newBook(t)
	expect := func(kind string, stage species.Stage, hours float64) {
		t.Helper()
		if got := b.spent("oyster", kind, stage); got != hours {
			t.Errorf("%v of %s: %v h, want %v", stage, kind, got, hours)
		}
	}
	a := added("oyster")
	a.When = bookStart.Add(-119 * time.Hour) // 120 h before 9:00
	b.must(a)
	expect(oyster, species.Pinning, 120)
	b.must(policy.Action{Kind: policy.StageSet, Batch: "oyster", Stage: species.Fruiting, When: bookStart.Add(-46 * time.Hour)}) // 48 h before 10:00
	expect(oyster, species.Pinning, 121)                                                                                         // until 10:00, as counted; the record has 73
	expect(oyster, species.Fruiting, 48)
	moved := b.must(policy.Action{Kind: policy.StageSet, Batch: "oyster", Stage: species.Rest, When: b.now.Add(-9 * time.Hour)}) // 1:00; it is 11:00 now
	expect(oyster, species.Fruiting, 49)                                                                                         // until 11:00, as counted
	expect(oyster, species.Rest, 10)
	b.must(policy.Action{Kind: policy.Undo, Of: moved}) // at 12:00 it has fruited for 50 h after all
	expect(oyster, species.Fruiting, 50)
	expect(oyster, species.Rest, 11)
	b.must(policy.Action{Kind: policy.Correct, Of: "id-1", Amended: &policy.Action{Species: lion, SubstrateKg: 10, DryKg: 3.5, Stage: species.Pinning}})
	expect(lion, species.Pinning, 73) // 13:00: the labels are those of the other species from here on
	expect(lion, species.Fruiting, 51)
	b.must(policy.Action{Kind: policy.NoteMade, Batch: "oyster", Note: "so it is"})
	expect(lion, species.Fruiting, 52)
	expect(oyster, species.Fruiting, 51)
}

// TestWhatWasBroughtInIsCounted: an import of a batch that grows, and of one that was taken out before. Of thousands of the latter nothing
// is kept in the state.
func TestWhatWasBroughtInIsCounted(t *testing.T) {
	b := newBook(t)
	entry := func(id string, hours int, a policy.Action) policy.Action {
		a.ID, a.When = id, bookStart.Add(time.Duration(hours)*time.Hour)
		return a
	}
	grows, gone := added("oyster"), added("old")
	b.must(policy.Action{Kind: policy.Import, Entries: []policy.Action{
		entry("1", -99, grows), entry("2", -39, policy.Action{Kind: policy.StageSet, Batch: "oyster", Stage: species.Fruiting}),
		entry("3", -999, gone), entry("4", -900, policy.Action{Kind: policy.BatchRetire, Batch: "old"})}})
	if pins, fruits := b.spent("oyster", "pleurotus-ostreatus", species.Pinning), b.spent("oyster", "pleurotus-ostreatus", species.Fruiting); pins != 60 || fruits != 40 {
		t.Errorf("%v h of pinning and %v of fruiting, want 60 and, at 9:00, 40", pins, fruits)
	}
	for _, x := range b.state.Totals.Stages {
		if x.Batch == "old" {
			t.Errorf("%+v", x)
		}
	}
}

// TestHarvestCounterNeverFalls: 840 g are written down, undone and written down again as 480; then another 400 g come. The counter
// stands at 840 until 880 are on record, after a restart from the journal too.
func TestHarvestCounterNeverFalls(t *testing.T) {
	b := newBook(t)
	most := func(s *policy.State) float64 {
		x := 0.0
		if c, ok := s.Crop.Find("oyster"); ok {
			x = c.FreshG()
		}
		for _, m := range s.Totals.Harvests {
			if m.Batch == "oyster" && m.Species == "pleurotus-ostreatus" && m.Flush == 1 {
				x = max(x, m.FreshG)
			}
		}
		return x
	}
	b.must(added("oyster"))
	b.must(policy.Action{Kind: policy.StageSet, Batch: "oyster", Stage: species.Fruiting})
	first := b.must(policy.Action{Kind: policy.HarvestDone, Batch: "oyster", FreshG: 840})
	undone := b.must(policy.Action{Kind: policy.Undo, Of: first})
	for _, c := range []struct {
		do   policy.Action
		want float64
	}{
		{policy.Action{Kind: policy.NoteMade, Batch: "oyster", Note: "not weighed right"}, 840},
		{policy.Action{Kind: policy.HarvestDone, Batch: "oyster", FreshG: 480}, 840},
		{policy.Action{Kind: policy.HarvestDone, Batch: "oyster", FreshG: 400}, 880},
		{policy.Action{Kind: policy.Undo, Of: undone}, 1720},
		{policy.Action{Kind: policy.Correct, Of: first, Amended: &policy.Action{FreshG: 84}}, 1720},
	} {
		b.must(c.do)
		if got := most(&b.state); got != c.want {
			t.Errorf("after %s: %v g, want %v", c.do.Kind, got, c.want)
		}
	}
	again := b.p.Fresh(bookStart)
	for _, e := range b.past {
		again = b.p.Redo(again, e.Action)
	}
	if got := most(&again); got != 1720 {
		t.Errorf("after a restart: %v g, want 1720", got)
	}
	stored := b.p.Fresh(bookStart) // saved before any of it was
	shown := b.state.WithCounters(&stored)
	if got := most(&shown); got != 1720 {
		t.Errorf("shown: %v g, want 1720", got)
	}
}

package keeper

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/species"
)

// TestHistoryHoldsTargets: an hour at 90 % and 700 ppm beside an oyster in fruiting (85 to 90 %, at most 1000 ppm) leaves
// minutes, and what was aimed at and the deficit once in ten of them.
func TestHistoryHoldsTargets(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		j := journal.NewMemory()
		h := open(t, j, tent("loft"))
		h.act(addBatch)
		for range 2 * 60 {
			h.air(0.88, 700)
			time.Sleep(30 * time.Second)
		}
		h.close()
		sums := map[string]journal.Minute{}
		rows := map[string]int{}
		for m, err := range j.History(t.Context(), journal.HistoryQuery{Chamber: "loft"}) {
			if err != nil {
				t.Fatal(err)
			}
			key := m.Place + " " + m.Quantity
			rows[key]++
			x := sums[key]
			x.Mean, x.Min, x.Max, x.Span = m.Mean, m.Min, m.Max, m.Span
			x.Seconds += m.Seconds
			x.N += m.N
			sums[key] = x
		}
		// At 18 °C air holds 2064 Pa of vapor when it is full (2063.9 by Hyland & Wexler), so at 88 % 248 Pa are missing.
		if x := sums["chamber "+journal.VaporDeficit]; math.Abs(x.Mean-248) > 1 || x.Span != 10*time.Minute {
			t.Errorf("deficit %+v", x)
		}
		if x := sums["target relative_humidity"]; x.Min != 0.85 || x.Mean != 0.875 || x.Max != 0.9 || rows["target relative_humidity"] != 6 {
			t.Errorf("target of humidity %+v, %d rows", x, rows["target relative_humidity"])
		}
		if x := sums["target co2"]; x.Min != 0 || x.Mean != 1000 || x.Max != 1000 {
			t.Errorf("target of CO2 %+v", x)
		}
		if x := sums["chamber co2"]; rows["chamber co2"] < 60 || x.Seconds < 3590 || x.Seconds > 3600 {
			t.Errorf("an hour of CO2 in range: %+v in %d minutes", x, rows["chamber co2"])
		}
		if x := sums["fan "+journal.PlugOn]; x.N < 3590 || x.N > 3600 {
			t.Errorf("an hour of the fan rests on %d s", x.N)
		}
	})
}

// TestAdvanceByItself: a batch that pins for longer than the handbook's longest is moved where the configuration asks for
// it, once, and not again after a person took it back.
func TestAdvanceByItself(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(6 * 24 * time.Hour) // of the bubble's calendar
		p := tent("loft")
		p.Spec.AutoAdvance = true
		h := open(t, journal.NewMemory(), p, tent("shed"))
		defer h.close()
		for i, name := range []string{"loft", "shed"} {
			a := addBatch
			a.ID, a.Batch, a.Stage, a.When = name, name, species.Pinning, time.Now().Add(-6*24*time.Hour+time.Minute) // 3 to 5 days are usual
			if _, err := h.k.Act(t.Context(), name, a); err != nil {
				t.Fatal(i, err)
			}
		}
		stage := func(name string) species.Stage {
			s, _ := h.k.Snapshot(name)
			b, _ := s.State.Crop.Find(name)
			return b.Stage
		}
		time.Sleep(3 * time.Minute)
		if stage("loft") != species.Fruiting || stage("shed") != species.Pinning {
			t.Fatalf("loft is in %v, shed in %v", stage("loft"), stage("shed"))
		}
		past, err := h.k.entries(t.Context(), "loft")
		if err != nil || len(past) != 2 || past[1].Action.By != "auto_advance" || past[1].Action.Note == "" {
			t.Fatalf("the record: %+v %v", past, err)
		}
		h.act(policy.Action{ID: "no", Kind: policy.Undo, Of: past[1].Action.ID})
		if stage("loft") != species.Pinning {
			t.Fatal("it was not taken back")
		}
		time.Sleep(3 * time.Minute)
		if stage("loft") != species.Pinning {
			t.Error("what a person took back was done again")
		}
	})
}

// TestImport: entries for two chambers come in together or not at all.
func TestImport(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		j := journal.NewMemory()
		h := open(t, j, tent("loft"), tent("shed"))
		imports := func(id string, second policy.Action) []journal.Acted {
			first := policy.Action{ID: id + ".1", Kind: policy.BatchAdd, Batch: "old-" + id, Species: "pleurotus-ostreatus", SubstrateKg: 5, DryKg: 2,
				Stage: species.Fruiting, When: time.Now().Add(-time.Hour)}
			second.ID, second.When = id+".2", time.Now().Add(-time.Minute)
			return []journal.Acted{{Chamber: "loft", Action: policy.Action{ID: id + ".loft", Kind: policy.Import, Entries: []policy.Action{first}}},
				{Chamber: "shed", Action: policy.Action{ID: id + ".shed", Kind: policy.Import, Entries: []policy.Action{second}}}}
		}
		err := h.k.ImportAll(t.Context(), imports("a", policy.Action{Kind: policy.HarvestDone, Batch: "none", FreshG: 10}))
		if bad, ok := errors.AsType[*policy.Rejected](err); !ok || len(bad.Chambers) != 1 || bad.Chambers[0].Chamber != "shed" || bad.Chambers[0].List[0].Index != 0 {
			t.Fatalf("an import with a fault gave %v", err)
		}
		if past, _ := h.k.entries(t.Context(), ""); len(past) != 0 {
			t.Fatalf("half of it is there: %+v", past)
		}
		good := imports("b", policy.Action{Kind: policy.BatchAdd, Batch: "old-c", Species: "pleurotus-eryngii", SubstrateKg: 5, DryKg: 2, Stage: species.Rest})
		for range 2 { // the second time nothing happens
			if err := h.k.ImportAll(t.Context(), good); err != nil {
				t.Fatal(err)
			}
		}
		other := imports("b", policy.Action{Kind: policy.BatchAdd, Batch: "old-c", Species: "pleurotus-eryngii", SubstrateKg: 50, DryKg: 2, Stage: species.Rest})
		other[0].Action.Entries[0].FreshG = 12
		if err := h.k.ImportAll(t.Context(), other); !strings.Contains(fmt.Sprint(err), "another action") {
			t.Errorf("other entries under the id of the import gave %v, and are not in the record", err)
		}
		h.close()
		again := open(t, j, tent("loft"), tent("shed"))
		defer again.close()
		for name, batch := range map[string]string{"loft": "old-b", "shed": "old-c"} {
			s, _ := again.k.Snapshot(name)
			if b, ok := s.State.Crop.Find(batch); !ok || len(s.State.Crop.Batches) != 1 || b.Added.IsZero() {
				t.Errorf("%s has %+v", name, s.State.Crop.Batches)
			}
		}
	})
}

// TestTheUndoneStaysUndone over a restart that redoes everything.
func TestTheUndoneStaysUndone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		j := journal.NewMemory()
		h := open(t, j, tent("loft"))
		h.act(addBatch)
		time.Sleep(time.Hour)
		h.act(policy.Action{ID: "h", Kind: policy.HarvestDone, Batch: "b1", FreshG: 900, Done: true})
		time.Sleep(time.Minute)
		h.act(policy.Action{ID: "u", Kind: policy.Undo, Of: "h"})
		h.act(policy.Action{ID: "u", Kind: policy.Undo, Of: "h"}) // sent twice
		h.close()
		fresh := journal.NewMemory() // the file was damaged: only people's actions are left
		for a, err := range j.Actions(t.Context(), journal.ActionQuery{}) {
			if err != nil {
				t.Fatal(err)
			}
			if _, err := fresh.Act(t.Context(), a.Chamber, a.Action); err != nil {
				t.Fatal(err)
			}
		}
		time.Sleep(24 * time.Hour)
		again := open(t, fresh, tent("loft"))
		defer again.close()
		s, _ := again.k.Snapshot("loft")
		b, _ := s.State.Crop.Find("b1")
		if b.Stage != species.Fruiting || b.FreshG() != 0 || time.Since(b.Since) < 24*time.Hour {
			t.Errorf("after all: %+v", b)
		}
	})
}

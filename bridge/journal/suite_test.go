package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/reason"
)

var t0 = time.Date(2026, 3, 1, 6, 0, 0, 123456789, time.UTC)

// each runs a test on every implementation.
func each(t *testing.T, test func(t *testing.T, j Journal)) {
	t.Run("memory", func(t *testing.T) {
		j := NewMemory()
		test(t, j)
		must(t, j.Close())
	})
	t.Run("sqlite", func(t *testing.T) {
		defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
		j := openAt(t, filepath.Join(t.TempDir(), "j.db"))
		test(t, j)
		must(t, j.Close())
	})
}

// openAt opens a journal that must be good.
func openAt(t testing.TB, path string) *SQLite {
	t.Helper()
	j, opened, err := Open(t.Context(), path)
	must(t, err)
	if opened != (Opened{}) {
		t.Fatalf("opening a good file said %+v", opened)
	}
	return j
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func act(id string, kind policy.ActionKind, batch string, at time.Time) policy.Action {
	return policy.Action{ID: id, Kind: kind, Batch: batch, At: at, FreshG: 123.456, For: 15 * time.Minute, Note: "ünï\x00\n\"code"}
}

func all[T any](t testing.TB, seq iter.Seq2[T, error]) []T {
	t.Helper()
	var out []T
	for v, err := range seq {
		must(t, err)
		out = append(out, v)
	}
	return out
}

func firstError[T any](seq iter.Seq2[T, error]) error {
	for _, err := range seq {
		if err != nil {
			return err
		}
	}
	return nil
}

func same(t testing.TB, what string, got, want any) {
	t.Helper()
	if !reflect.DeepEqual(got, want) {
		t.Fatalf("%s:\n got %+v\nwant %+v", what, got, want)
	}
}

func TestActionsAreStoredOnce(t *testing.T) {
	each(t, func(t *testing.T, j Journal) {
		a := act("a", policy.HarvestDone, "b1", t0)
		first, err := j.Act(t.Context(), "loft", a)
		must(t, err)
		second, err := j.Act(t.Context(), "shed", act("b", policy.HarvestDone, "b2", t0))
		must(t, err)
		if second <= first || first < 1 {
			t.Fatalf("seq %d then %d", first, second)
		}
		again, err := j.Act(t.Context(), "loft", act("a", policy.HarvestDone, "b1", t0.Add(time.Hour)))
		must(t, err)
		if again != first {
			t.Fatalf("the same action got %d, then %d", first, again)
		}
		l, err := j.Load(t.Context(), "loft")
		must(t, err)
		same(t, "actions of loft", l.Actions, []Acted{{Seq: first, Chamber: "loft", Action: a}})
		more := a
		more.FreshG++
		for _, wrong := range []struct {
			chamber string
			a       policy.Action
		}{{"shed", a}, {"loft", act("a", policy.Refilled, "", t0)}, {"loft", act("a", policy.HarvestDone, "b2", t0)}, {"loft", more}} {
			if _, err := j.Act(t.Context(), wrong.chamber, wrong.a); !errors.Is(err, ErrIDTaken) {
				t.Errorf("an id used for something else gave %v", err)
			}
		}
		for _, wrong := range []struct {
			chamber string
			a       policy.Action
		}{{"loft", policy.Action{}}, {"", a}, {"loft", policy.Action{ID: "x", At: time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)}}} {
			if _, err := j.Act(t.Context(), wrong.chamber, wrong.a); err == nil {
				t.Errorf("%q %+v was taken", wrong.chamber, wrong.a)
			}
		}
	})
}

func TestLoadGivesWhatCameAfterTheSnapshot(t *testing.T) {
	each(t, func(t *testing.T, j Journal) {
		ctx := t.Context()
		l, err := j.Load(ctx, "loft")
		must(t, err)
		same(t, "an unknown chamber", l, Loaded{})
		var seqs []int64
		for i := range 4 {
			seq, err := j.Act(ctx, "loft", act(fmt.Sprint("a", i), policy.Refilled, "", t0))
			must(t, err)
			seqs = append(seqs, seq)
		}
		at := func(i int) time.Time { return t0.Add(time.Duration(i) * time.Second) }
		sw := []Switched{{"loft", "mister", true, at(1)}, {"loft", "mister", false, at(2)}, {"loft", "fan", true, at(2)}, {"loft", "fan", false, at(3)}}
		must(t, j.Switch(ctx, sw[:1]))
		must(t, j.Switch(ctx, sw[1:]))
		must(t, j.Switch(ctx, []Switched{{"shed", "fan", true, at(9)}}))
		must(t, j.Switch(ctx, nil))
		l, err = j.Load(ctx, "loft")
		must(t, err)
		if l.OK || len(l.Actions) != 4 {
			t.Fatalf("without a snapshot: %+v", l)
		}
		same(t, "switches without a snapshot", l.Switches, sw)
		snap := Saved{Chamber: "loft", Seq: seqs[1], At: at(2), State: json.RawMessage(`{"schema":1}`)}
		must(t, j.Save(ctx, []Saved{snap, {Chamber: "shed", At: t0, State: json.RawMessage(`{}`)}}))
		l, err = j.Load(ctx, "loft")
		must(t, err)
		if !l.OK || len(l.Actions) != 2 || l.Actions[0].Seq != seqs[2] || l.Actions[1].Seq != seqs[3] {
			t.Fatalf("loaded %+v", l)
		}
		same(t, "the snapshot", l.Saved, snap)
		same(t, "switches after it", l.Switches, sw[1:])
		snap.State = json.RawMessage(`{"schema":2}`)
		snap.At, snap.Seq = at(4), seqs[3]
		must(t, j.Save(ctx, []Saved{snap}))
		l, err = j.Load(ctx, "loft")
		must(t, err)
		same(t, "after the next snapshot", l, Loaded{OK: true, Saved: snap})
		l, err = j.Load(ctx, "shed")
		must(t, err)
		if len(l.Switches) != 1 {
			t.Fatalf("the other chamber lost its switch: %+v", l)
		}
	})
}

func TestSaveRefusesToForgetActions(t *testing.T) {
	each(t, func(t *testing.T, j Journal) {
		ctx := t.Context()
		good := Saved{Chamber: "loft", Seq: 41, At: t0, State: json.RawMessage(`{}`)}
		must(t, j.Save(ctx, []Saved{good}))
		err := j.Save(ctx, []Saved{{Chamber: "loft", Seq: 40, At: t0.Add(time.Second), State: json.RawMessage(`{"lost":1}`)},
			{Chamber: "shed", Seq: 0, At: t0, State: json.RawMessage(`{}`)}})
		if !errors.Is(err, ErrBehind) || !strings.Contains(err.Error(), "loft") || strings.Contains(err.Error(), "shed") {
			t.Fatalf("got %v", err)
		}
		l, err := j.Load(ctx, "loft")
		must(t, err)
		same(t, "kept", l.Saved, good)
		if l, err = j.Load(ctx, "shed"); err != nil || !l.OK {
			t.Fatalf("the other chamber was not saved: %v", err)
		}
		seq, err := j.Act(ctx, "loft", act("a", policy.Refilled, "", t0))
		must(t, err)
		if seq <= 41 {
			t.Fatalf("an action got seq %d, which a snapshot claims to have applied", seq)
		}
	})
}

func switchEvent(plug string, on bool, at time.Time) policy.Event {
	return policy.Event{At: at, Kind: policy.PlugSwitched, Plug: plug, On: on, Reasons: []reason.Reason{
		{Code: reason.BelowAim, Quantity: chamber.RelativeHumidity, Value: 0.871, Bound: 0.88},
		{Code: reason.Pulse, For: 22 * time.Second, Predicted: 0.903}}}
}

func TestEvents(t *testing.T) {
	each(t, func(t *testing.T, j Journal) {
		ctx := t.Context()
		at := func(i int) time.Time { return t0.Add(time.Duration(i) * time.Second) }
		var want []Noted
		for i := range 1203 { // more than two pages
			e := switchEvent([]string{"mister", "fan"}[i%2], i%4 < 2, at(i/3)) // several at the same time
			if i%10 == 0 {
				e = policy.Event{At: at(i / 3), Kind: policy.AlarmChanged, Alarm: "humidity_low", Phase: "active"}
			}
			want = append(want, Noted{"loft", e})
		}
		n, err := j.Note(ctx, want)
		must(t, err)
		if n != len(want) {
			t.Fatalf("%d stored of %d", n, len(want))
		}
		_, err = j.Note(ctx, []Noted{{"shed", switchEvent("fan", true, at(5))}})
		must(t, err)
		same(t, "all", all(t, j.Events(ctx, EventQuery{Chamber: "loft"})), want)
		pick := func(keep func(e policy.Event) bool) (out []Noted) {
			for _, n := range want {
				if keep(n.Event) {
					out = append(out, n)
				}
			}
			return out
		}
		same(t, "between", all(t, j.Events(ctx, EventQuery{Chamber: "loft", From: at(10), To: at(20)})),
			pick(func(e policy.Event) bool { return !e.At.Before(at(10)) && e.At.Before(at(20)) }))
		same(t, "alarms", all(t, j.Events(ctx, EventQuery{Chamber: "loft", Kinds: []policy.EventKind{policy.AlarmChanged, policy.RefillSeen}})),
			pick(func(e policy.Event) bool { return e.Kind == policy.AlarmChanged }))
		same(t, "fan", all(t, j.Events(ctx, EventQuery{Chamber: "loft", Plug: "fan"})),
			pick(func(e policy.Event) bool { return e.Plug == "fan" }))
		same(t, "newest", all(t, j.Events(ctx, EventQuery{Chamber: "loft", Newest: 7})), want[len(want)-7:])
		if got := all(t, j.Events(ctx, EventQuery{Chamber: "attic"})); got != nil {
			t.Errorf("events of a chamber that does not exist: %v", got)
		}
		if err := firstError(j.Events(ctx, EventQuery{})); err == nil {
			t.Error("a query without a chamber was taken")
		}
		for range j.Events(ctx, EventQuery{Chamber: "loft"}) { // to stop early and write while reading must do no harm
			must(t, j.Switch(ctx, []Switched{{"loft", "fan", true, t0}}))
			break
		}
	})
}

func TestLastSwitches(t *testing.T) {
	each(t, func(t *testing.T, j Journal) {
		ctx := t.Context()
		at := func(i int) time.Time { return t0.Add(time.Duration(i) * time.Second) }
		e := []policy.Event{switchEvent("mister", true, at(1)), switchEvent("fan", true, at(2)), switchEvent("mister", false, at(3)),
			switchEvent("lamp", true, at(4)), switchEvent("mister", true, at(5)), switchEvent("mister", false, at(5))}
		var ns []Noted
		for _, e := range e {
			ns = append(ns, Noted{"loft", e}, Noted{"shed", switchEvent("heater", true, e.At)})
		}
		ns = append(ns, Noted{"loft", policy.Event{At: at(4), Kind: policy.PlugByHand, Plug: "mister", On: true}})
		_, err := j.Note(ctx, ns)
		must(t, err)
		for _, c := range []struct {
			at   time.Time
			want []policy.Event
		}{
			{at(1).Add(-1), nil},
			{at(1), []policy.Event{e[0]}},
			{at(3), []policy.Event{e[1], e[2]}},
			{at(4), []policy.Event{e[1], e[3], e[2]}},
			{at(5), []policy.Event{e[1], e[3], e[5]}}, // of two at the same moment the later written
		} {
			got, err := j.LastSwitches(ctx, "loft", c.at)
			must(t, err)
			same(t, c.at.String(), got, c.want)
		}
	})
}

func TestHistoryOfABatch(t *testing.T) {
	each(t, func(t *testing.T, j Journal) {
		ctx := t.Context()
		var want []Acted
		for i := range 1100 {
			a := act(fmt.Sprint(i), policy.HarvestDone, []string{"b1", "b2"}[i%2], t0.Add(time.Duration(i)*time.Minute))
			if i%5 == 0 {
				a.Kind = policy.StageSet
			}
			if i > 40 && i < 1090 { // many of one, so that paging shows
				a.Batch = "b1"
			}
			if _, isFile := j.(*SQLite); isFile && i >= 60 && i < 1040 {
				continue // each costs an fsync
			}
			seq, err := j.Act(ctx, "loft", a)
			must(t, err)
			want = append(want, Acted{seq, "loft", a})
		}
		same(t, "all", all(t, j.Actions(ctx, ActionQuery{})), want)
		pick := func(keep func(a policy.Action) bool) (out []Acted) {
			for _, n := range want {
				if keep(n.Action) {
					out = append(out, n)
				}
			}
			return out
		}
		same(t, "b2", all(t, j.Actions(ctx, ActionQuery{Chamber: "loft", Batch: "b2"})),
			pick(func(a policy.Action) bool { return a.Batch == "b2" }))
		same(t, "stages between", all(t, j.Actions(ctx, ActionQuery{Kinds: []policy.ActionKind{policy.StageSet}, From: t0.Add(5 * time.Minute), To: t0.Add(50 * time.Minute)})),
			pick(func(a policy.Action) bool {
				return a.Kind == policy.StageSet && !a.At.Before(t0.Add(5*time.Minute)) && a.At.Before(t0.Add(50*time.Minute))
			}))
	})
}

func TestClosedAndCanceled(t *testing.T) {
	each(t, func(t *testing.T, j Journal) {
		ops := func(ctx context.Context) map[string]error {
			_, actErr := j.Act(ctx, "loft", act("z", policy.Refilled, "", t0))
			_, noteErr := j.Note(ctx, []Noted{{"loft", switchEvent("fan", true, t0)}})
			_, loadErr := j.Load(ctx, "loft")
			_, lastErr := j.LastSwitches(ctx, "loft", t0)
			_, latestErr := j.Latest(ctx)
			_, pruneErr := j.Prune(ctx, Retention{Events: t0, Minutes: t0})
			return map[string]error{"act": actErr, "note": noteErr, "load": loadErr, "last": lastErr, "latest": latestErr, "prune": pruneErr,
				"switch":  j.Switch(ctx, []Switched{{"loft", "fan", true, t0}}),
				"save":    j.Save(ctx, []Saved{{"loft", 0, t0, json.RawMessage(`{}`)}}),
				"minutes": j.Minutes(ctx, []Minute{{Chamber: "a", Place: "b", Quantity: "c", Start: t0.Truncate(time.Minute)}}),
				"events":  firstError(j.Events(ctx, EventQuery{Chamber: "loft"})),
				"actions": firstError(j.Actions(ctx, ActionQuery{})),
				"history": firstError(j.History(ctx, HistoryQuery{Chamber: "loft"}))}
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		for op, err := range ops(ctx) {
			if !errors.Is(err, context.Canceled) {
				t.Errorf("%s with a canceled context: %v", op, err)
			}
		}
		if l, err := j.Load(t.Context(), "loft"); err != nil || !reflect.DeepEqual(l, Loaded{}) {
			t.Errorf("something was stored with a canceled context: %+v %v", l, err)
		}
		must(t, j.Close())
		must(t, j.Close())
		for op, err := range ops(t.Context()) {
			if !errors.Is(err, ErrClosed) {
				t.Errorf("%s after Close: %v", op, err)
			}
		}
	})
}

// TestManyAtOnce lets everybody write and read at once; the race detector and the counts at the end judge.
func TestManyAtOnce(t *testing.T) {
	each(t, func(t *testing.T, j Journal) {
		ctx := t.Context()
		var wg sync.WaitGroup
		fail := func(err error) {
			if err != nil {
				t.Error(err)
			}
		}
		for w := range 4 {
			name := fmt.Sprint("c", w)
			wg.Go(func() {
				for i := range 10 {
					_, err := j.Act(ctx, name, act(fmt.Sprint(w, "-", i), policy.Refilled, "", t0))
					fail(err)
				}
			})
			wg.Go(func() {
				for i := range 100 {
					fail(j.Switch(ctx, []Switched{{name, "fan", i%2 == 0, t0.Add(time.Duration(i))}}))
				}
			})
			wg.Go(func() {
				for i := range 20 {
					fail(j.Save(ctx, []Saved{{name, 0, t0.Add(-time.Duration(i)), json.RawMessage(`{}`)}}))
					_, err := j.Note(ctx, []Noted{{name, switchEvent("fan", true, t0)}, {name, switchEvent("fan", false, t0)}})
					fail(err)
				}
			})
			wg.Go(func() {
				for range 20 {
					_, err := j.Load(ctx, name)
					fail(err)
					fail(firstError(j.Events(ctx, EventQuery{Chamber: name})))
				}
			})
		}
		wg.Wait()
		seqs := map[int64]bool{}
		for w := range 4 {
			name := fmt.Sprint("c", w)
			l, err := j.Load(ctx, name)
			must(t, err)
			if len(l.Actions) != 10 || len(l.Switches) != 100 || len(all(t, j.Events(ctx, EventQuery{Chamber: name}))) != 40 {
				t.Errorf("%s: %d actions, %d switches", name, len(l.Actions), len(l.Switches))
			}
			for _, a := range l.Actions {
				seqs[a.Seq] = true
			}
		}
		if len(seqs) != 40 {
			t.Errorf("%d different seqs for 40 actions", len(seqs))
		}
	})
}

package keeper

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"gillkeeper/bridge/clock"
	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// wire is a small broker: it takes commands and answers as plugs do.
type wire struct {
	mu    sync.Mutex
	sent  []string
	fails bool
	in    *Inlet
}

func (w *wire) Send(_ context.Context, i, plug int, o chamber.Order) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.fails {
		return errors.New("the wire is cut")
	}
	w.sent = append(w.sent, fmt.Sprintf("%d/%d=%v", i, plug, o.On))
	if w.in != nil {
		w.in.Report(i, chamber.PlugReport{Plug: plug, HasOn: true, On: o.On, Level: o.Level})
	}
	return nil
}

func (w *wire) take() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	s := w.sent
	w.sent = nil
	return s
}

func tent(name string) *policy.Policy {
	return &policy.Policy{Climates: species.Builtin(), Spec: &chamber.Spec{
		Name: name, VolumeM3: 0.56, Zone: time.UTC,
		Sensors: []chamber.Sensor{
			{Name: "rh", Quantity: chamber.RelativeHumidity, Place: chamber.Inside, MaxAge: 5 * time.Minute},
			{Name: "co2", Quantity: chamber.CO2, Place: chamber.Inside, MaxAge: 5 * time.Minute},
			{Name: "t", Quantity: chamber.Temperature, Place: chamber.Inside, MaxAge: 5 * time.Minute},
		},
		Plugs: []chamber.Plug{
			{Name: "mister", Role: chamber.Humidifier, MinOn: 20 * time.Second, MinOff: 30 * time.Second, MaxOn: 30 * time.Minute, OutputGPerH: 300, Reports: true, ReservoirLiters: 5},
			{Name: "fan", Role: chamber.ExhaustFan, MinOn: 20 * time.Second, MinOff: 20 * time.Second, FlowM3PerH: 60, Reports: true},
		},
	}}
}

// house is a keeper at work in a synctest bubble.
type house struct {
	t      *testing.T
	k      *Keeper
	wire   *wire
	in     *Inlet
	cancel context.CancelFunc
	done   chan error
}

func open(t *testing.T, j journal.Journal, policies ...*policy.Policy) *house {
	t.Helper()
	return openWith(t, Options{Clock: clock.System(), Journal: j}, policies...)
}

func openWith(t *testing.T, o Options, policies ...*policy.Policy) *house {
	t.Helper()
	o.Workers = 2
	k, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := k.Adopt(t.Context(), policies); err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, p := range policies {
		names = append(names, p.Spec.Name)
	}
	in, err := k.Inlet(names)
	if err != nil {
		t.Fatal(err)
	}
	h := &house{t: t, k: k, wire: &wire{in: in}, in: in, done: make(chan error, 1)}
	k.Connect(in, h.wire)
	ctx, cancel := context.WithCancel(context.Background())
	h.cancel = cancel
	go func() { h.done <- k.Run(ctx) }()
	return h
}

func (h *house) close() {
	h.t.Helper()
	h.cancel()
	if err := <-h.done; err != nil {
		h.t.Error(err)
	}
}

func (h *house) air(rh, co2 float64) {
	h.in.Reading(0, chamber.Reading{Sensor: 0, Value: rh})
	h.in.Reading(0, chamber.Reading{Sensor: 1, Value: co2})
	h.in.Reading(0, chamber.Reading{Sensor: 2, Value: 18})
}

func (h *house) act(a policy.Action) *policy.Snapshot {
	h.t.Helper()
	s, err := h.k.Act(h.t.Context(), "loft", a)
	if err != nil {
		h.t.Fatal(err)
	}
	return s
}

var addBatch = policy.Action{ID: "a1", Kind: policy.BatchAdd, Batch: "b1", Species: "pleurotus-ostreatus", Stage: species.Fruiting, SubstrateKg: 12, DryKg: 4}

func TestAReadingBecomesACommand(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := open(t, journal.NewMemory(), tent("loft"))
		defer h.close()
		h.k.Link(true)
		h.act(addBatch)
		time.Sleep(time.Minute) // both plugs have been told to rest
		h.wire.take()
		h.air(0.6, 700)
		time.Sleep(time.Second)
		got := h.wire.take()
		if len(got) != 1 || got[0] != "0/0=true" {
			t.Errorf("dry air gave the commands %q, want the humidifier on alone", got)
		}
	})
}

func TestNothingLeavesWithoutALinkAndNothingLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := open(t, journal.NewMemory(), tent("loft"))
		defer h.close()
		h.k.Link(true)
		h.act(addBatch)
		time.Sleep(time.Minute)
		h.k.Link(false)
		h.air(0.6, 700)
		time.Sleep(time.Second)
		h.wire.take()
		time.Sleep(30 * time.Second)
		if got := h.wire.take(); len(got) > 0 {
			t.Fatalf("sent without a link: %q", got)
		}
		h.air(0.99, 700) // meanwhile the air has become wet
		h.k.Link(true)
		h.in.Report(0, chamber.PlugReport{Plug: 0, HasOn: true, Retained: true})
		h.in.Report(0, chamber.PlugReport{Plug: 1, HasOn: true, Retained: true})
		time.Sleep(10 * time.Second)
		for _, c := range h.wire.take() {
			if c == "0/0=true" {
				t.Error("the mist that was wanted before the outage was sent after it")
			}
		}
	})
}

func TestACommandThatDidNotLeaveIsDecidedAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := open(t, journal.NewMemory(), tent("loft"))
		defer h.close()
		h.k.Link(true)
		h.act(addBatch)
		time.Sleep(time.Minute)
		h.wire.mu.Lock()
		h.wire.fails = true
		h.wire.mu.Unlock()
		h.air(0.6, 700)
		time.Sleep(5 * time.Second)
		h.wire.mu.Lock()
		h.wire.fails, h.wire.sent = false, nil
		h.wire.mu.Unlock()
		h.air(0.6, 700)
		time.Sleep(5 * time.Second)
		if got := h.wire.take(); len(got) == 0 || got[0] != "0/0=true" {
			t.Errorf("after a failed send the wire saw %q, want the humidifier on", got)
		}
	})
}

func TestAnActionIsRefusedWhenTheJournalCannotKeepIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		j := &brittle{Memory: journal.NewMemory()}
		h := open(t, j, tent("loft"))
		defer h.close()
		h.k.Link(true)
		j.set(true)
		if _, err := h.k.Act(t.Context(), "loft", addBatch); err == nil {
			t.Fatal("an action was acknowledged that the journal does not hold")
		}
		if s, _ := h.k.Snapshot("loft"); len(s.State.Crop.Batches) != 0 {
			t.Fatal("an action was done that the journal does not hold")
		}
		h.air(0.6, 700)
		time.Sleep(2 * time.Minute)
		s, _ := h.k.Snapshot("loft")
		if !s.State.Alarms.Active("journal_failing") {
			t.Error("journal_failing is not raised")
		}
		j.set(false)
		h.act(addBatch)
		time.Sleep(3 * time.Minute)
		if s, _ := h.k.Snapshot("loft"); s.State.Alarms.Active("journal_failing") {
			t.Error("journal_failing still stands after the journal works again")
		}
	})
}

// brittle is a journal whose disk can be full.
type brittle struct {
	*journal.Memory
	mu   sync.Mutex
	full bool
}

func (b *brittle) set(full bool) { b.mu.Lock(); b.full = full; b.mu.Unlock() }

func (b *brittle) err() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.full {
		return errors.New("no space left on the device")
	}
	return nil
}

func (b *brittle) Act(ctx context.Context, c string, a policy.Action) (int64, error) {
	if err := b.err(); err != nil {
		return 0, err
	}
	return b.Memory.Act(ctx, c, a)
}

func (b *brittle) Save(ctx context.Context, s []journal.Saved) error {
	if err := b.err(); err != nil {
		return err
	}
	return b.Memory.Save(ctx, s)
}

func (b *brittle) Load(ctx context.Context, c string) (journal.Loaded, error) {
	if err := b.err(); err != nil {
		return journal.Loaded{}, err
	}
	return b.Memory.Load(ctx, c)
}

// TestAnActionThatFailsIsNoPassingFault: the disk is full while nothing but counters of the chamber is to be saved. The journal counts
// as failing from the first action that it refuses until it has taken something, and not until there was nothing to write.
func TestAnActionThatFailsIsNoPassingFault(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		j := &brittle{Memory: journal.NewMemory()}
		p := tent("loft")
		p.Spec.Plugs = nil // a switching would be an event to be saved
		h := openWith(t, Options{Clock: clock.System(), Journal: j}, p)
		defer h.close()
		h.k.Link(true)
		h.act(addBatch)
		time.Sleep(3 * time.Second) // saved
		j.set(true)
		if _, err := h.k.Act(t.Context(), "loft", policy.Action{ID: "s", Kind: policy.StageSet, Batch: "b1", Stage: species.Pinning}); err == nil {
			t.Fatal("the test shows nothing: the action was taken")
		}
		for s := range 45 {
			time.Sleep(time.Second)
			if !h.k.Failing() {
				t.Fatalf("%d s after it refused an action the journal counts as working", s+1)
			}
		}
		if snap, _ := h.k.Snapshot("loft"); !snap.State.Alarms.Active(alarm.JournalFailing) {
			t.Error("no alarm after 45 s")
		}
		j.set(false)
		time.Sleep(15 * time.Second) // a chamber is decided on every 10 s
		if h.k.Failing() {
			t.Error("it works, and still counts as failing")
		}
	})
}

// TestWhoHangsUpBreaksNoJournal: a caller who does not wait any more is no fault of the disk. What was asked for is not done.
func TestWhoHangsUpBreaksNoJournal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := open(t, journal.NewMemory(), tent("loft"))
		defer h.close()
		h.act(addBatch)
		gone, hangUp := context.WithCancel(t.Context())
		hangUp()
		stage := policy.Action{ID: "s", Kind: policy.StageSet, Batch: "b1", Stage: species.Pinning}
		if _, err := h.k.Act(gone, "loft", stage); !errors.Is(err, context.Canceled) {
			t.Errorf("the action gives %v", err)
		}
		err := h.k.ImportAll(gone, []journal.Acted{{Chamber: "loft", Action: policy.Action{ID: "i", Kind: policy.Import, Entries: []policy.Action{
			{ID: "i.1", Kind: policy.NoteMade, Batch: "b1", When: time.Now(), Note: "seen"}}}}})
		if !errors.Is(err, context.Canceled) {
			t.Errorf("the import gives %v", err)
		}
		if h.k.Failing() {
			t.Error("the journal counts as failing")
		}
		if snap, _ := h.k.Snapshot("loft"); snap.State.Crop.Batches[0].Stage != species.Fruiting {
			t.Error("the stage is set")
		}
	})
}

// TestCountersOfADrillKeepUp: in a chamber where nothing happens, what is counted is not far behind the drill's own clock.
func TestCountersOfADrillKeepUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := tent("loft")
		p.Spec.Plugs = nil // a switching would have all saved
		h := openWith(t, Options{Clock: clock.Pace(60), Journal: journal.NewMemory()}, p)
		defer h.close()
		h.k.Link(true)
		h.act(addBatch)
		for range 10 {
			h.air(0.9, 700)
			time.Sleep(time.Second)
		}
		stages := h.k.Counted()[0].State.Totals.Stages
		if len(stages) != 1 || stages[0].Seconds < 8*60 || stages[0].Seconds > 10*60 {
			t.Errorf("after ten minutes of the drill the stages are counted as %+v", stages)
		}
	})
}

// TestAJournalThatFailsIsObserved: what is counted of the journal follows it, both ways.
func TestAJournalThatFailsIsObserved(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		j, seen := &brittle{Memory: journal.NewMemory()}, &onlooker{}
		h := openWith(t, Options{Clock: clock.System(), Journal: j, Observer: seen}, tent("loft"))
		defer h.close()
		h.k.Link(true)
		h.act(addBatch)
		for _, fails := range []bool{false, true, false} {
			j.set(fails)
			for range 6 {
				h.air(0.6, 1200)
				time.Sleep(10 * time.Second)
			}
			if got := seen.failing.Load(); got != fails {
				t.Errorf("the journal fails: %v; the observer was told %v", fails, got)
			}
		}
	})
}

// onlooker remembers what it was told last.
type onlooker struct{ failing atomic.Bool }

func (*onlooker) Decided(time.Duration)     {}
func (o *onlooker) JournalFailing(yes bool) { o.failing.Store(yes) }

// TestAJournalReadLateIsJoinedNotOverwritten starts on a journal that cannot be read at first. Control goes on with what
// the sensors say, nothing is written over what is stored, and once it can be read, crop, counters and corrections are
// as they were.
func TestAJournalReadLateIsJoinedNotOverwritten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		j := &brittle{Memory: journal.NewMemory()}
		h := open(t, j, tent("loft"))
		h.k.Link(true)
		h.act(addBatch)
		for range 30 {
			h.air(0.6, 1200)
			time.Sleep(10 * time.Second)
		}
		before, _ := h.k.Snapshot("loft")
		h.close()

		j.set(true)
		h = open(t, j, tent("loft"))
		defer h.close()
		h.k.Link(true)
		for range 10 {
			h.air(0.6, 1200)
			time.Sleep(10 * time.Second)
		}
		during, _ := h.k.Snapshot("loft")
		if len(during.State.Crop.Batches) != 0 || !h.k.Failing() {
			t.Fatal("the test shows nothing: the journal was read")
		}
		j.set(false)
		h.air(0.61, 1200)
		time.Sleep(5 * time.Second)
		after, _ := h.k.Snapshot("loft")
		if len(after.State.Crop.Batches) != 1 {
			t.Fatal("the batch did not come back")
		}
		if v := after.State.Air.Inside.RelativeHumidity; !v.OK || v.Value < 0.6 || v.Value > 0.62 {
			t.Errorf("the air is %+v, want what the sensor said last", v)
		}
		for i := range before.State.Plugs {
			b, a := before.State.Plugs[i], after.State.Plugs[i]
			if a.OnSeconds < b.OnSeconds || a.Switches < b.Switches {
				t.Errorf("plug %s: %.0f s, %d switches; before %.0f s, %d", a.Name, a.OnSeconds, a.Switches, b.OnSeconds, b.Switches)
			}
		}
		if got, was := after.State.Totals.Stages[0].Seconds, before.State.Totals.Stages[0].Seconds; got < was || got > was+60 {
			t.Errorf("%.0f s in the stage, want the %.0f s of before and a few", got, was)
		}
		if h.k.Failing() {
			t.Error("the journal still counts as failing")
		}
		loaded, err := j.Load(t.Context(), "loft")
		if err != nil || !loaded.OK {
			t.Fatal(err, loaded.OK)
		}
		s, err := decodeState(loaded.Saved.State)
		if err != nil || len(s.Crop.Batches) != 1 {
			t.Errorf("the journal now holds %d batches, %v; want the one", len(s.Crop.Batches), err)
		}
	})
}

func TestARestartContinuesWhereItStopped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		j := journal.NewMemory()
		h := open(t, j, tent("loft"))
		h.k.Link(true)
		h.act(addBatch)
		for range 30 {
			h.air(0.6, 1200)
			time.Sleep(10 * time.Second)
		}
		before, _ := h.k.Snapshot("loft")
		h.close()
		h = open(t, j, tent("loft"))
		defer h.close()
		after, _ := h.k.Snapshot("loft")
		if len(after.State.Crop.Batches) != 1 {
			t.Fatal("the batch is gone")
		}
		for i := range before.State.Plugs {
			b, a := before.State.Plugs[i], after.State.Plugs[i]
			if a.OnSeconds < b.OnSeconds || a.Switches < b.Switches || !a.TurnedAt.Equal(b.TurnedAt) {
				t.Errorf("plug %s: %.0f s, %d switches, turned %s; before the restart %.0f s, %d, %s", a.Name, a.OnSeconds, a.Switches, a.TurnedAt, b.OnSeconds, b.Switches, b.TurnedAt)
			}
			if b.OnSeconds == 0 {
				t.Errorf("plug %s never ran: the test shows nothing", b.Name)
			}
		}
	})
}

// TestACommandIsWrittenAheadOfItsLeaving kills the keeper right after a command left, before anything was saved, and
// resumes: the plug's minimum times count from that command.
func TestACommandIsWrittenAheadOfItsLeaving(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		j := &brittle{Memory: journal.NewMemory()}
		h := open(t, j, tent("loft"))
		h.k.Link(true)
		h.act(addBatch)
		time.Sleep(time.Minute)
		j.set(true) // from now on no snapshot is kept: as if the process had died
		h.air(0.6, 700)
		time.Sleep(100 * time.Millisecond)
		turned := time.Now()
		h.cancel()
		<-h.done
		j.set(false)
		h = open(t, j, tent("loft"))
		defer h.close()
		s, _ := h.k.Snapshot("loft")
		p := s.State.Plugs[0]
		if !p.Told || turned.Sub(p.TurnedAt) > time.Second {
			t.Fatalf("the command that left just before the end is forgotten: told %v at %s, it was %s", p.Told, p.TurnedAt, turned)
		}
	})
}

func TestTheSameActionTwiceIsDoneOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := open(t, journal.NewMemory(), tent("loft"))
		defer h.close()
		h.act(addBatch)
		pick := policy.Action{ID: "h1", Kind: policy.HarvestDone, Batch: "b1", FreshG: 400}
		h.act(pick)
		s := h.act(pick)
		if g := s.State.Crop.Batches[0].FreshG(); g != 400 {
			t.Errorf("400 g picked once and said twice count as %g g", g)
		}
		pick.FreshG = 600
		if _, err := h.k.Act(t.Context(), "loft", pick); !strings.Contains(fmt.Sprint(err), "another action") {
			t.Errorf("600 g under the id of 400 g gave %v, and are not in the record", err)
		}
		held := policy.Action{ID: "h2", Kind: policy.HandSet, Plug: "fan", Hand: policy.HandOn, For: time.Minute}
		h.act(held)
		h.act(held)
		held.Hand = policy.HandOff
		if _, err := h.k.Act(t.Context(), "loft", held); !strings.Contains(fmt.Sprint(err), "another action") {
			t.Errorf("off under the id of on gave %v, and the fan stays on", err)
		}
	})
}

func TestBatchNamesAreUniqueAtTheSite(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := open(t, journal.NewMemory(), tent("loft"), tent("cellar"))
		defer h.close()
		h.act(addBatch)
		again := addBatch
		again.ID = "a2"
		_, err := h.k.Act(t.Context(), "cellar", again)
		if _, ok := errors.AsType[*policy.Refusal](err); !ok {
			t.Errorf("a second batch b1 gave %v, want a refusal", err)
		}
		h.act(policy.Action{ID: "u1", Kind: policy.Undo, Of: "a1"})
		if _, err := h.k.Act(t.Context(), "cellar", again); err != nil {
			t.Errorf("the name is free again, and gave %v", err)
		}
		_, err = h.k.Act(t.Context(), "loft", policy.Action{ID: "u2", Kind: policy.Undo, Of: "u1"})
		if !strings.Contains(fmt.Sprint(err), "chamber cellar has a batch of that name") {
			t.Errorf("b1 is had back beside that of the cellar: %v", err)
		}
	})
}

// TestOneNameAtOnceInTwoChambers: two people put a batch of the same name in at the same moment. One of them is refused.
func TestOneNameAtOnceInTwoChambers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := open(t, journal.NewMemory(), tent("loft"), tent("cellar"))
		defer h.close()
		for i := range 100 {
			taken := make(chan bool, 2)
			for _, chamber := range []string{"loft", "cellar"} {
				a := addBatch
				a.ID, a.Batch = fmt.Sprintf("%s-%d", chamber, i), fmt.Sprintf("b-%d", i)
				go func() {
					_, err := h.k.Act(t.Context(), chamber, a)
					taken <- err == nil
				}()
			}
			if one, other := <-taken, <-taken; one == other {
				t.Fatalf("batch %d: both were taken or none: %v", i, one)
			}
		}
	})
}

func TestAdoptKeepsTheStateOfChambersThatStay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := open(t, journal.NewMemory(), tent("loft"), tent("cellar"))
		defer h.close()
		h.k.Link(true)
		h.act(addBatch)
		changed := tent("loft")
		spec := *changed.Spec
		spec.VolumeM3 = 1
		changed.Spec = &spec
		if err := h.k.Adopt(t.Context(), []*policy.Policy{changed, tent("attic")}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		s, ok := h.k.Snapshot("loft")
		if !ok || s.Spec.VolumeM3 != 1 || len(s.State.Crop.Batches) != 1 {
			t.Errorf("after the change: there %v, volume %g, %d batches", ok, s.Spec.VolumeM3, len(s.State.Crop.Batches))
		}
		if _, ok := h.k.Snapshot("cellar"); ok {
			t.Error("a chamber that was taken out is still there")
		}
		if _, ok := h.k.Snapshot("attic"); !ok {
			t.Error("a new chamber is not there")
		}
	})
}

// TestChambersInTheOrderOfTheirNumbers: every list of chambers goes by the keeper's, whatever order the file has.
func TestChambersInTheOrderOfTheirNumbers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := open(t, journal.NewMemory(), tent("tent-10"), tent("tent-2"), tent("loft"), tent("tent-1"))
		defer h.close()
		for _, all := range [][]*policy.Snapshot{h.k.Snapshots(), h.k.Counted()} {
			var got []string
			for _, s := range all {
				got = append(got, s.Spec.Name)
			}
			if want := []string{"loft", "tent-1", "tent-2", "tent-10"}; !slices.Equal(got, want) {
				t.Errorf("%v, want %v", got, want)
			}
		}
	})
}

// TestLaggingWorkersCollapseReadings floods a chamber before its worker runs: readings collapse to the newest of each
// sensor, actions do not.
func TestLaggingWorkersCollapseReadings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, err := New(Options{Clock: clock.System(), Journal: journal.NewMemory(), Workers: 1})
		if err != nil {
			t.Fatal(err)
		}
		if err := k.Adopt(t.Context(), []*policy.Policy{tent("loft")}); err != nil {
			t.Fatal(err)
		}
		in, _ := k.Inlet([]string{"loft"})
		for i := range 100_000 {
			in.Reading(0, chamber.Reading{Sensor: i % 3, Value: float64(i)})
			in.Report(0, chamber.PlugReport{Plug: 0, HasOn: true, On: i%2 == 0})
		}
		u := k.unit("loft")
		if n := len(u.in.Readings); n != 3 {
			t.Errorf("%d readings wait, want the newest of each of 3 sensors", n)
		}
		if n := len(u.in.Reports); n != mostReports {
			t.Errorf("%d reports wait, want %d", n, mostReports)
		}
	})
}

// TestAHangingWorkerIsSeen lets the journal hang in the middle of a command: the worker that waits for it turns no more.
func TestAHangingWorkerIsSeen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, j := onBadDisk(t)
		defer h.close()
		time.Sleep(time.Hour)
		if h.k.Stalled(2 * time.Minute) {
			t.Fatal("an idle keeper counts as stalled")
		}
		j.hangs.Store(true)
		h.air(0.5, 3000)
		time.Sleep(3 * time.Minute)
		if !h.k.Stalled(2 * time.Minute) {
			t.Error("a worker hangs in the journal, and nobody sees it")
		}
		close(j.until)
		time.Sleep(2 * time.Minute)
		if h.k.Stalled(2 * time.Minute) {
			t.Error("the worker goes on and still counts as stalled")
		}
	})
}

// hanging is a journal whose disk does not answer.
type hanging struct {
	*journal.Memory
	hangs atomic.Bool
	until chan struct{}
}

// onBadDisk opens the loft with a batch on such a journal, with the link up.
func onBadDisk(t *testing.T) (*house, *hanging) {
	j := &hanging{Memory: journal.NewMemory(), until: make(chan struct{})}
	h := open(t, j, tent("loft"))
	h.k.Link(true)
	h.act(addBatch)
	return h, j
}

func (h *hanging) Switch(ctx context.Context, sw []journal.Switched) error {
	if h.hangs.Load() {
		<-h.until
	}
	return h.Memory.Switch(ctx, sw)
}

// TestAChamberThatCannotBeReadKeepsNoOtherFromBeingSaved: chambers are saved some at a time.
func TestAChamberThatCannotBeReadKeepsNoOtherFromBeingSaved(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		j := &unreadable{Memory: journal.NewMemory(), chamber: "cellar"}
		h := open(t, j, tent("cellar"), tent("loft"))
		h.act(addBatch)
		time.Sleep(time.Minute)
		if l, err := j.Memory.Load(t.Context(), "loft"); err != nil || !l.OK {
			t.Errorf("the chamber beside an unreadable one is not saved: %v", err)
		}
		if l, err := j.Memory.Load(t.Context(), "cellar"); err != nil || l.OK {
			t.Errorf("what could not be read was written over: %v", err)
		}
		if !h.k.Failing() {
			t.Error("the journal does not count as failing")
		}
		h.cancel()
		if err := <-h.done; err == nil {
			t.Error("the last save says nothing of what it could not save")
		}
	})
}

// TestAStateThatCannotBeWrittenKeepsNoOtherFromBeingSaved: JSON has no word for what is no number.
func TestAStateThatCannotBeWrittenKeepsNoOtherFromBeingSaved(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		j := journal.NewMemory()
		cellar := tent("cellar")
		cellar.Spec.Plugs = nil
		h := open(t, j, cellar, tent("loft"))
		h.act(addBatch)
		synctest.Wait() // both are decided on
		snap, _ := h.k.Snapshot("cellar")
		broken := *snap
		broken.State.Reservoir.Liters = math.NaN()
		h.k.unit("cellar").pending.Store(&picture{snap: &broken})
		if err := h.k.saveAll(t.Context(), true); err == nil || !strings.Contains(err.Error(), "cellar") {
			t.Errorf("the fault of one chamber is not said: %v", err)
		}
		if l, err := j.Load(t.Context(), "loft"); err != nil || !l.OK {
			t.Errorf("the chamber beside it is not saved: %v", err)
		}
		h.close()
	})
}

// unreadable is a journal that cannot give back one chamber.
type unreadable struct {
	*journal.Memory
	chamber string
}

func (u *unreadable) Load(ctx context.Context, c string) (journal.Loaded, error) {
	if c == u.chamber {
		return journal.Loaded{}, errors.New("the page is damaged")
	}
	return u.Memory.Load(ctx, c)
}

// patched is a journal whose file may be begun anew.
type patched struct {
	*journal.Memory
	mu    sync.Mutex
	times int
}

func (p *patched) BegunAnew() (int, string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.times, "/var/j.db.damaged"
}

// TestAJournalBegunAnewIsAnAlarm: before the start, and while the keeper runs. What was not acknowledged outlasts a restart, at which
// nothing new has happened.
func TestAJournalBegunAnewIsAnAlarm(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		j := &patched{Memory: journal.NewMemory(), times: 1}
		h := open(t, j, tent("loft"))
		stands := func(after string) {
			t.Helper()
			time.Sleep(45 * time.Second) // its delay is 30 s, and a chamber is decided on every 10 s
			s, _ := h.k.Snapshot("loft")
			if l := s.State.Alarms.Of(alarm.JournalFailing); !l.Phase.Active() || l.Condition.Code != alarm.SetAside || l.Condition.About != "/var/j.db.damaged" {
				t.Errorf("%s: %s, %+v", after, l.Phase, l.Condition)
			}
		}
		acknowledge := func(id string) {
			t.Helper()
			h.act(policy.Action{ID: id, Kind: policy.AlarmAck, Alarm: string(alarm.JournalFailing)})
			time.Sleep(2 * time.Minute)
			if s, _ := h.k.Snapshot("loft"); s.State.Alarms.Active(alarm.JournalFailing) {
				t.Errorf("%s: acknowledged, and it stands", id)
			}
		}
		h.k.Link(true)
		stands("damaged before the start")
		acknowledge("a")
		j.mu.Lock()
		j.times++
		j.mu.Unlock()
		time.Sleep(5 * time.Second) // killed before it is raised
		h.close()
		j.times = 0
		h = open(t, j, tent("loft"))
		defer h.close()
		h.k.Link(true)
		stands("damaged while it ran, and started again")
		acknowledge("b")
	})
}

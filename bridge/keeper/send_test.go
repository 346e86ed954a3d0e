package keeper

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"gillkeeper/bridge/clock"
	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
)

// slow is a broker that takes its time to acknowledge.
type slow struct {
	k     *Keeper
	names []string

	mu     sync.Mutex
	takes  time.Duration
	oldest time.Duration // of the commands that came, since they were decided
	on     map[int]bool  // the humidifiers that were told to run
}

func (s *slow) Send(_ context.Context, i, plug int, o chamber.Order) error {
	time.Sleep(time.Millisecond) // the picture of what was decided comes after the command
	snap, _ := s.k.Snapshot(s.names[i])
	s.mu.Lock()
	s.oldest = max(s.oldest, time.Since(snap.State.Plugs[plug].ToldAt))
	if plug == 0 && o.On {
		s.on[i] = true
	}
	takes := s.takes
	s.mu.Unlock()
	time.Sleep(takes)
	return nil
}

// TestACommandThatWaitedBehindOthersIsDecidedAnew: commands leave one after another, each once the broker has the one before. What was
// decided longer ago than an acknowledgement may take does not leave.
func TestACommandThatWaitedBehindOthersIsDecidedAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, err := New(Options{Clock: clock.System(), Journal: journal.NewMemory(), Workers: 1})
		if err != nil {
			t.Fatal(err)
		}
		s := &slow{k: k, on: map[int]bool{}}
		var policies []*policy.Policy
		for i := range 6 {
			s.names = append(s.names, fmt.Sprintf("tent-%d", i))
			policies = append(policies, tent(s.names[i]))
		}
		if err := k.Adopt(t.Context(), policies); err != nil {
			t.Fatal(err)
		}
		in, err := k.Inlet(s.names)
		if err != nil {
			t.Fatal(err)
		}
		k.Connect(in, s)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- k.Run(ctx) }()
		defer func() { cancel(); <-done }()
		k.Link(true)
		for i, name := range s.names {
			a := addBatch
			a.ID, a.Batch = name, "b-"+name
			if _, err := k.Act(ctx, name, a); err != nil {
				t.Fatal(err)
			}
			for plug := range 2 {
				in.Report(i, chamber.PlugReport{Plug: plug, HasOn: true})
			}
		}
		dry := func(during time.Duration) {
			for end := time.Now().Add(during); time.Now().Before(end); time.Sleep(time.Second) {
				for i := range s.names {
					in.Reading(i, chamber.Reading{Sensor: 0, Value: 0.6})
					in.Reading(i, chamber.Reading{Sensor: 1, Value: 700})
					in.Reading(i, chamber.Reading{Sensor: 2, Value: 18})
				}
			}
		}
		time.Sleep(time.Minute)
		s.mu.Lock()
		s.takes, s.oldest = 4*time.Second, 0
		s.mu.Unlock()
		dry(time.Minute)
		s.mu.Lock()
		if s.oldest > 5*time.Second+10*time.Millisecond {
			t.Errorf("a command left %v after it was decided", s.oldest)
		}
		s.takes = 0
		s.mu.Unlock()
		dry(time.Minute)
		s.mu.Lock()
		defer s.mu.Unlock()
		if len(s.on) != len(s.names) {
			t.Errorf("of %d humidifiers in dry air %d were told to run", len(s.names), len(s.on))
		}
	})
}

// TestACommandOfAnOldConfigurationSwitchesNoOtherPlug: the disk holds up a command while a configuration is taken in which the plugs
// stand in another order.
func TestACommandOfAnOldConfigurationSwitchesNoOtherPlug(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, j := onBadDisk(t)
		defer h.close()
		time.Sleep(time.Minute)
		j.hangs.Store(true)
		h.air(0.6, 700)
		time.Sleep(time.Second)

		h.k.Link(false) // as a reload does
		h.k.Connect(nil, nil)
		turned := tent("loft")
		slices.Reverse(turned.Spec.Plugs)
		if err := h.k.Adopt(t.Context(), []*policy.Policy{turned}); err != nil {
			t.Fatal(err)
		}
		in, err := h.k.Inlet([]string{"loft"})
		if err != nil {
			t.Fatal(err)
		}
		w := &wire{in: in}
		h.k.Connect(in, w)
		j.hangs.Store(false)
		close(j.until)
		h.in = in
		h.k.Link(true)
		for range 40 {
			h.air(0.6, 700)
			time.Sleep(time.Second)
		}
		got := w.take()
		if slices.Contains(got, "0/0=true") {
			t.Errorf("the fan was switched on in the humidifier's place: %q", got)
		}
		if !slices.Contains(got, "0/1=true") {
			t.Errorf("in dry air the humidifier was not told to run: %q", got)
		}
	})
}

// TestAnActionInAChamberThatIsTakenOutIsNotLost: it is in the journal when the configuration changes, and was not done yet. Who is told to
// do it again would have it twice.
func TestAnActionInAChamberThatIsTakenOutIsNotLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, j := onBadDisk(t)
		defer h.close()
		time.Sleep(time.Minute)
		j.hangs.Store(true)
		h.air(0.6, 700)
		time.Sleep(time.Second)
		told := make(chan error, 1)
		go func() {
			_, err := h.k.Act(t.Context(), "loft", policy.Action{ID: "h1", Kind: policy.HarvestDone, Batch: "b1", FreshG: 400})
			told <- err
		}()
		time.Sleep(1500 * time.Millisecond) // between two saves: one that waits for a breath holds up who gives chambers up
		if err := h.k.Adopt(t.Context(), []*policy.Policy{tent("attic")}); err != nil {
			t.Fatal(err)
		}
		j.hangs.Store(false)
		close(j.until)
		if err := <-told; !strings.Contains(fmt.Sprint(err), "written down") {
			t.Errorf("the grower is told %v", err)
		}
		time.Sleep(2 * time.Second)
		if err := h.k.Adopt(t.Context(), []*policy.Policy{tent("loft")}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		if s, _ := h.k.Snapshot("loft"); s.State.Crop.Batches[0].FreshG() != 400 {
			t.Errorf("%g g are in the record of the chamber that is back, want 400", s.State.Crop.Batches[0].FreshG())
		}
	})
}

// TestAConfigurationThatCannotBeTakenChangesNothing: a chamber of it was last kept by a newer program.
func TestAConfigurationThatCannotBeTakenChangesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		j := journal.NewMemory()
		if err := j.Save(t.Context(), []journal.Saved{{Chamber: "attic", At: time.Now(), State: json.RawMessage(`{"schema":99}`)}}); err != nil {
			t.Fatal(err)
		}
		h := open(t, j, tent("loft"))
		defer h.close()
		changed := tent("loft")
		changed.Spec.VolumeM3 = 1
		if err := h.k.Adopt(t.Context(), []*policy.Policy{changed, tent("attic")}); err == nil {
			t.Fatal("the test shows nothing: the configuration was taken")
		}
		time.Sleep(time.Minute)
		if s, _ := h.k.Snapshot("loft"); s.Spec.VolumeM3 != 0.56 {
			t.Errorf("the chamber has %g m³, want the 0.56 of the configuration that stays in use", s.Spec.VolumeM3)
		}
	})
}

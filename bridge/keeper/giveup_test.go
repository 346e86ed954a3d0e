package keeper

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"gillkeeper/bridge/clock"
	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
)

// TestAChamberIsGivenUpWhileOthersAreSaved: a slow disk is at work when the configuration changes. It is real locks that must not wait for
// each other, so it is real time that passes.
func TestAChamberIsGivenUpWhileOthersAreSaved(t *testing.T) {
	j := &busy{Memory: journal.NewMemory(), writing: make(chan struct{}), done: make(chan struct{})}
	h := open(t, j, tent("loft"), tent("cellar"))
	h.act(addBatch)
	select {
	case <-j.writing:
	case <-time.After(20 * time.Second):
		t.Fatal("nothing is saved")
	}
	adopted := make(chan error, 1)
	go func() { adopted <- h.k.Adopt(t.Context(), []*policy.Policy{tent("loft")}) }()
	time.Sleep(100 * time.Millisecond) // in which it is done, or waits for the disk
	close(j.done)
	select {
	case err := <-adopted:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(20 * time.Second):
		t.Fatal("the change of the configuration and the save wait for each other")
	}
	h.close()
}

// busy is a journal whose disk takes its time over the first events.
type busy struct {
	*journal.Memory
	writing, done chan struct{}
	began         bool
}

func (b *busy) Note(ctx context.Context, events []journal.Noted) (int, error) {
	if !b.began {
		b.began = true
		close(b.writing)
		<-b.done
	}
	return b.Memory.Note(ctx, events)
}

// counted keeps a chamber in which nothing happens, so that it is saved seldom, and takes it out of the configuration between two saves. It
// gives the seconds for which its air was observed until then.
func counted(t *testing.T, j journal.Journal) (h *house, seconds float64) {
	t.Helper()
	p := tent("loft")
	p.Spec.Plugs = nil
	h = openWith(t, Options{Clock: clock.System(), Journal: j}, p)
	h.k.Link(true)
	h.act(addBatch)
	for range 55 {
		h.air(0.9, 700)
		time.Sleep(time.Second)
	}
	snap, _ := h.k.Snapshot("loft")
	return h, snap.State.Totals.InRange[0].ObservedSeconds
}

func kept(t *testing.T, j journal.Journal) float64 {
	t.Helper()
	l, err := j.Load(t.Context(), "loft")
	if err != nil {
		t.Fatal(err)
	}
	state, err := decodeState(l.Saved.State)
	if err != nil {
		t.Fatal(err)
	}
	return state.Totals.InRange[0].ObservedSeconds
}

// TestAChamberThatIsGivenUpIsSaved: to the last that was counted, also where the disk has no room just then.
func TestAChamberThatIsGivenUpIsSaved(t *testing.T) {
	for _, full := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			j := &brittle{Memory: journal.NewMemory()}
			h, seconds := counted(t, j)
			defer h.close()
			if before := kept(t, j); before >= seconds {
				t.Fatalf("the test shows nothing: %g s of %g are saved already", before, seconds)
			}
			j.set(full)
			if err := h.k.Adopt(t.Context(), nil); err != nil {
				t.Fatal(err)
			}
			time.Sleep(5 * time.Second)
			j.set(false)
			time.Sleep(5 * time.Second)
			if got := kept(t, j); got != seconds {
				t.Errorf("with a full disk %v: %g s are saved of %g", full, got, seconds)
			}
		})
	}
}

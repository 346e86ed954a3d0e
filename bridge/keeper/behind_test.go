package keeper

import (
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gillkeeper/bridge/clock"
	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
)

// TestClockBehindTheJournal starts on a machine that lost its time: what was saved must not lie in the future, plugs must be decided on
// at once, and the log must say what is wrong.
func TestClockBehindTheJournal(t *testing.T) {
	for _, tc := range []struct {
		name  string
		clock func() *clock.Clock
		ahead time.Duration // of what is in the journal
		said  bool
	}{
		{"as it should be", clock.System, -time.Minute, false},
		{"saved as it stopped", clock.System, 20 * time.Second, false},
		{"a power cut", clock.System, 3 * time.Hour, true},
		{"started at the epoch", clock.System, 56 * 365 * 24 * time.Hour, true},
		{"a drill after another", func() *clock.Clock { return clock.Pace(60) }, 3 * time.Hour, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				began := time.Now()
				saved := began.Add(tc.ahead)
				j := journal.NewMemory()
				if _, err := j.Act(t.Context(), "loft", policy.Action{ID: "r", Kind: policy.Refilled, At: saved, Liters: 4}); err != nil {
					t.Fatal(err)
				}
				var log strings.Builder
				h := openWith(t, Options{Clock: tc.clock(), Journal: j, Log: slog.New(slog.NewTextHandler(&log, nil))}, tent("loft"))
				synctest.Wait()
				snap, _ := h.k.Snapshot("loft")
				if at := h.k.Now(); at.Before(saved) || at.Before(began) || snap.Decision.At.IsZero() {
					t.Errorf("the keeper's clock shows %v, %v was saved; decided at %v", at, saved, snap.Decision.At)
				}
				h.close()
				if got := strings.Contains(log.String(), "clock is behind"); got != tc.said {
					t.Errorf("said that the clock is behind: %v, want %v; the log: %s", got, tc.said, log.String())
				}
			})
		})
	}
}

package keeper

import (
	"bytes"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"gillkeeper/bridge/clock"
	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
)

// TestWhatALongFailureCostIsSaid: of more than may wait the newest are kept, and how many are not is in the log, once.
func TestWhatALongFailureCostIsSaid(t *testing.T) {
	var log bytes.Buffer
	j := journal.NewMemory()
	k, err := New(Options{Clock: clock.System(), Journal: j, Log: slog.New(slog.NewTextHandler(&log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	const came = mostNotes + 1
	begin := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	for i := range came {
		k.notes.add("loft", []policy.Event{{Kind: policy.PlugSwitched, Plug: "fan", At: begin.Add(time.Duration(i) * time.Second)}})
	}
	for range 2 {
		if err := k.saveAll(t.Context(), false); err != nil {
			t.Fatal(err)
		}
	}
	kept := 0
	var newest time.Time
	for n, err := range j.Events(t.Context(), journal.EventQuery{Chamber: "loft"}) {
		if err != nil {
			t.Fatal(err)
		}
		kept, newest = kept+1, n.Event.At
	}
	if want := begin.Add((came - 1) * time.Second); !newest.Equal(want) {
		t.Errorf("the newest event kept is of %s, want %s", newest, want)
	}
	if kept < mostNotes/2 || kept > mostNotes {
		t.Errorf("%d events are kept", kept)
	}
	if want := fmt.Sprintf("events=%d history=0", came-kept); strings.Count(log.String(), "given up") != 1 || !strings.Contains(log.String(), want) {
		t.Errorf("the log says\n%swant %q, once", log.String(), want)
	}
}

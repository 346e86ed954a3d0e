package journal

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/testdata/smalldisk"
)

// TestDiskFull: errors while there is no room, and by itself none once there is.
func TestDiskFull(t *testing.T) {
	dir := smalldisk.Mount(t, "1m")
	path := filepath.Join(dir, "j.db")
	j := openAt(t, path)
	must(t, everything(t, j, "before"))
	filler := smalldisk.Fill(t, dir)
	var acked []string
	for i := range 200 {
		id := string(rune('a'+i%26)) + strings.Repeat("z", i)
		_, err := j.Act(t.Context(), "loft", act(id, policy.Refilled, "", t0))
		if err == nil {
			acked = append(acked, id)
			continue
		}
		if !strings.Contains(err.Error(), "room") || strings.Contains(err.Error(), "\n") {
			t.Fatalf("a full disk is called: %v", err)
		}
		break
	}
	if len(acked) == 200 {
		t.Fatal("the disk did not fill up")
	}
	if err := j.Save(t.Context(), []Saved{{"shed", 0, t0, json.RawMessage(`"` + strings.Repeat("x", 60000) + `"`)}}); err == nil {
		t.Error("a snapshot was saved on a full disk")
	}
	if _, err := j.Load(t.Context(), "loft"); err != nil {
		t.Errorf("reading on a full disk: %v", err)
	}
	must(t, os.Remove(filler))
	must(t, everything(t, j, "after"))
	must(t, j.Close())
	j = openAt(t, path)
	defer j.Close()
	have := map[string]bool{}
	for _, a := range all(t, j.Actions(t.Context(), ActionQuery{})) {
		have[a.Action.ID] = true
	}
	for _, id := range append(acked, "before", "after") {
		if !have[id] {
			t.Errorf("acknowledged action %.10s is gone", id)
		}
	}
}

// TestDiskFullHalfWay: an import or a thinning for which there is no room leaves things as they were, and both work once
// there is.
func TestDiskFullHalfWay(t *testing.T) {
	dir := smalldisk.Mount(t, "1m")
	path := filepath.Join(dir, "j.db")
	j := openAt(t, path)
	start := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	var ms []Minute
	for i := range 6 * 60 {
		ms = append(ms, Minute{"loft", "chamber", "co2", start.Add(time.Duration(i) * time.Minute), time.Minute, 800, 700, 900, 1, 1})
	}
	must(t, j.Minutes(t.Context(), ms))
	must(t, everything(t, j, "before"))
	hours := func() []Minute {
		return all(t, j.History(t.Context(), HistoryQuery{Chamber: "loft", Quantity: "co2", Step: time.Hour}))
	}
	was := hours()
	acts := []Acted{}
	for _, c := range []string{"cellar", "loft"} {
		a := act("import."+c, policy.Import, "", t0)
		a.Note = strings.Repeat("x", 90_000)
		acts = append(acts, Acted{Chamber: c, Action: a})
	}
	filler := smalldisk.Fill(t, dir)
	if _, err := j.ActTogether(t.Context(), acts); err == nil {
		t.Fatal("an import was taken by a full disk")
	} else if !strings.Contains(err.Error(), "room") {
		t.Errorf("a full disk is called: %v", err)
	}
	thin := Retention{ByTen: start.Add(6 * time.Hour), ByHour: start.Add(4 * time.Hour)}
	_, thinned := j.Prune(t.Context(), thin) // there may be room for it in the log already
	for range 200 {                          // until there is none
		if thinned != nil {
			break
		}
		if err := j.Minutes(t.Context(), ms); err != nil {
			thinned = err
		}
	}
	if thinned == nil {
		t.Error("history was written for ever on a full disk")
	}
	same(t, "history on a full disk", hours(), was)
	if n := len(all(t, j.Actions(t.Context(), ActionQuery{}))); n != 1 {
		t.Errorf("%d actions are there, want the one of before", n)
	}
	must(t, os.Remove(filler))
	_, err := j.ActTogether(t.Context(), acts)
	must(t, err)
	_, err = j.Prune(t.Context(), thin)
	must(t, err)
	same(t, "history afterwards", hours(), was)
	must(t, j.Close())
	j = openAt(t, path)
	defer j.Close()
	if n := len(all(t, j.Actions(t.Context(), ActionQuery{}))); n != 3 {
		t.Errorf("%d actions are there, want 3", n)
	}
}

// TestStartOnABadDisk: a full or read-only disk at the start is said, and the journal opens by itself once it is good.
func TestStartOnABadDisk(t *testing.T) {
	for name, spoil := range map[string]func(t *testing.T, dir string) (mend func()){
		"full": func(t *testing.T, dir string) func() {
			filler := smalldisk.Fill(t, dir)
			return func() { must(t, os.Remove(filler)) }
		},
		"read-only": func(t *testing.T, dir string) func() {
			must(t, syscall.Mount("", dir, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""))
			return func() { must(t, syscall.Mount("", dir, "", syscall.MS_REMOUNT, "")) }
		},
	} {
		for _, old := range []bool{false, true} {
			t.Run(name+map[bool]string{false: " and empty", true: " with a journal"}[old], func(t *testing.T) {
				dir := smalldisk.Mount(t, "1m")
				path := filepath.Join(dir, "j.db")
				want := 1
				if old {
					j := openAt(t, path)
					must(t, everything(t, j, "old"))
					must(t, j.Close())
					want = 2
				}
				mend := spoil(t, dir)
				j, opened, err := Open(t.Context(), path)
				must(t, err)
				defer j.Close()
				if opened.Failing == nil && name == "read-only" || opened.SetAside != "" {
					t.Fatalf("said %+v", opened)
				}
				if err := everything(t, j, "lost"); err == nil && name == "read-only" {
					t.Error("everything was written")
				}
				mend()
				j.mu.Lock()
				j.tried = time.Time{} // as if a second had passed
				j.mu.Unlock()
				must(t, everything(t, j, "new"))
				got := 0
				for _, a := range all(t, j.Actions(t.Context(), ActionQuery{})) {
					if a.Action.ID != "lost" {
						got++
					}
				}
				if got != want {
					t.Errorf("%d actions, want %d", got, want)
				}
			})
		}
	}
}

// TestAReadOnlyDiskIsStillRead: a card that fails is read-only after the next start of the machine. What grows, what was learned and what waits
// to be sent is read from it, from a journal that was closed and from one that was left as by a kill; and nothing is lost when it can be written again.
func TestAReadOnlyDiskIsStillRead(t *testing.T) {
	for _, killed := range []bool{false, true} {
		t.Run(map[bool]string{false: "closed", true: "killed"}[killed], func(t *testing.T) {
			dir := smalldisk.Mount(t, "4m")
			path := filepath.Join(dir, "j.db")
			from := path
			if killed {
				from = filepath.Join(t.TempDir(), "j.db")
			}
			j := openAt(t, from)
			must(t, everything(t, j, "before"))
			_, err := j.Act(t.Context(), "loft", act("after", policy.Refilled, "", t0.Add(time.Minute)))
			must(t, err)
			must(t, j.Keep(t.Context(), "notify", []Record{{Name: "memory", Body: []byte(`{}`)}}))
			if killed { // the files as they are while it is open, with the log of writes
				for _, end := range []string{"", "-wal", "-shm", ".actions"} {
					b, err := os.ReadFile(from + end)
					must(t, err)
					must(t, os.WriteFile(path+end, b, 0o600))
				}
			}
			must(t, j.Close())
			must(t, syscall.Mount("", dir, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""))
			j, opened, err := Open(t.Context(), path)
			must(t, err)
			defer j.Close()
			if opened.Failing == nil {
				t.Fatal("the test shows nothing: the disk can be written")
			}
			l, err := j.Load(t.Context(), "loft")
			if err != nil || !l.OK || len(l.Saved.State) != 5002 || len(l.Actions) != 2 || len(l.Switches) != 1 {
				t.Errorf("%v: read %v, a state of %d bytes, %d actions, %d switches", err, l.OK, len(l.Saved.State), len(l.Actions), len(l.Switches))
			}
			if kept, err := j.Kept(t.Context(), "notify"); err != nil || len(kept) != 1 {
				t.Errorf("%v: what waits is %+v", err, kept)
			}
			if _, err := j.Act(t.Context(), "loft", act("lost", policy.Refilled, "", t0)); err == nil {
				t.Error("an action was taken on a read-only disk")
			}
			must(t, syscall.Mount("", dir, "", syscall.MS_REMOUNT, ""))
			j.mu.Lock()
			j.tried = time.Time{} // as if a second had passed
			j.mu.Unlock()
			must(t, everything(t, j, "again"))
			if got := all(t, j.Actions(t.Context(), ActionQuery{})); len(got) != 3 {
				t.Errorf("%d actions, want 3: %+v", len(got), got)
			}
		})
	}
}

// TestDiskReadOnly: who may write into the folder is not the question there, and nobody is sent to look.
func TestDiskReadOnly(t *testing.T) {
	dir := smalldisk.Mount(t, "1m")
	path := filepath.Join(dir, "j.db")
	must(t, openAt(t, path).Close())
	must(t, syscall.Mount("", dir, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""))
	j, opened, err := Open(t.Context(), path)
	must(t, err)
	if opened.Failing == nil || !strings.Contains(opened.Failing.Error(), "mount it for writing") || strings.Contains(opened.Failing.Error(), "folder") {
		t.Errorf("a disk that is mounted read-only is called: %v", opened.Failing)
	}
	must(t, j.Close())
}

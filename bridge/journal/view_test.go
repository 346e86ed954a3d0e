package journal

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gillkeeper/policy"
)

// TestLook reads a journal beside the one that has it, and changes nothing.
func TestLook(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := openAt(t, path)
	_, err := j.Act(t.Context(), "loft", act("a", policy.Refilled, "", t0))
	must(t, err)
	must(t, j.Minutes(t.Context(), []Minute{{"loft", "chamber", "co2", t0.Truncate(time.Minute), 0, 800, 700, 900, 6, 60}}))
	must(t, j.Save(t.Context(), []Saved{{"tent-10", 1, t0, []byte(`{}`)}, {"loft", 1, t0, []byte(`{}`)}, {"tent-2", 1, t0, []byte(`{}`)}}))
	v, err := Look(t.Context(), path)
	must(t, err)
	n := 0
	for m, err := range v.History(t.Context(), HistoryQuery{Chamber: "loft", Step: time.Hour}) {
		must(t, err)
		if n++; m.Mean != 800 {
			t.Errorf("the mean is %g", m.Mean)
		}
	}
	for a, err := range v.Actions(t.Context(), ActionQuery{}) {
		must(t, err)
		if n++; a.Action.ID != "a" {
			t.Errorf("the action is %+v", a)
		}
	}
	snaps, err := v.Snapshots(t.Context())
	must(t, err)
	if n != 2 || len(snaps) != 3 || snaps[0].Chamber != "loft" || snaps[1].Chamber != "tent-2" || snaps[2].Chamber != "tent-10" {
		t.Errorf("%d rows, snapshots %+v", n, snaps)
	}
	must(t, v.Close())
	must(t, j.Close())
}

// TestLookRefuses: what is no journal is said to be none, and stays as it is.
func TestLookRefuses(t *testing.T) {
	dir := t.TempDir()
	if _, err := Look(t.Context(), filepath.Join(dir, "none.db")); err == nil || !strings.Contains(err.Error(), "there is no file") {
		t.Errorf("no file: %v", err)
	}
	text := filepath.Join(dir, "text.db")
	must(t, os.WriteFile(text, []byte(strings.Repeat("not a database. ", 300)), 0o600))
	if _, err := Look(t.Context(), text); err == nil || strings.Contains(err.Error(), "\n") {
		t.Errorf("a text: %v", err)
	}
	if left, _ := os.ReadDir(dir); len(left) != 1 {
		t.Errorf("files were made or moved: %v", left)
	}
	path := filepath.Join(dir, "j.db")
	j := openAt(t, path)
	must(t, j.f.quick.exec("UPDATE meta SET value = '99' WHERE key = 'schema'"))
	must(t, j.Close())
	if _, err := Look(t.Context(), path); !errors.Is(err, ErrNewer) {
		t.Errorf("a newer one: %v", err)
	}
}

// TestLookWhereNothingCanBeWritten: a journal in somebody else's folder, or on a disk that cannot be written, can be read.
func TestLookWhereNothingCanBeWritten(t *testing.T) {
	if os.Geteuid() == 0 {
		t.Skip("root may write everywhere")
	}
	dir := t.TempDir()
	path := filepath.Join(dir, "j.db")
	j := openAt(t, path)
	must(t, j.Save(t.Context(), []Saved{{"loft", 1, t0, []byte(`{}`)}}))
	must(t, j.Close())
	must(t, os.Chmod(dir, 0o500))
	t.Cleanup(func() { must(t, os.Chmod(dir, 0o700)) })
	v, err := Look(t.Context(), path)
	must(t, err)
	snaps, err := v.Snapshots(t.Context())
	must(t, err)
	if len(snaps) != 1 {
		t.Errorf("snapshots %+v", snaps)
	}
	must(t, v.Close())
	must(t, os.Chmod(path, 0o200))
	if _, err := Look(t.Context(), path); err == nil || !strings.Contains(err.Error(), "permission denied; see who may read it") {
		t.Errorf("a file that may not be read: %v", err)
	}
}

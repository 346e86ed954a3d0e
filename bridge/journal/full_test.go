package journal

import (
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"

	"gillkeeper/policy"
)

// everything does each kind of write until one fails.
func everything(t *testing.T, j Journal, id string) error {
	t.Helper()
	if _, err := j.Act(t.Context(), "loft", act(id, policy.Refilled, "", t0)); err != nil {
		return err
	}
	if err := j.Switch(t.Context(), []Switched{{"loft", "fan", true, t0}}); err != nil {
		return err
	}
	if _, err := j.Note(t.Context(), []Noted{{"loft", switchEvent("fan", true, t0)}}); err != nil {
		return err
	}
	return j.Save(t.Context(), []Saved{{"loft", 0, t0, json.RawMessage(`"` + strings.Repeat("x", 5000) + `"`)}})
}

// TestNoRoomByLimit runs everywhere: SQLite itself is told that there is no room.
func TestNoRoomByLimit(t *testing.T) {
	j := openAt(t, filepath.Join(t.TempDir(), "j.db"))
	defer j.Close()
	must(t, everything(t, j, "before"))
	limit := func(pages string) {
		for _, w := range []*writer{&j.f.quick, &j.f.sure} {
			_, err := w.conn.ExecContext(t.Context(), "PRAGMA max_page_count = "+pages)
			must(t, err)
		}
	}
	limit("1")
	big := []Saved{{"shed", 0, t0, json.RawMessage(`"` + strings.Repeat("x", 60000) + `"`)}}
	if err := j.Save(t.Context(), big); err == nil || !strings.Contains(err.Error(), "room") {
		t.Errorf("got %v", err)
	}
	limit("1000000")
	must(t, j.Save(t.Context(), big))
}

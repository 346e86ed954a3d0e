package journal

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gillkeeper/policy"
)

// FuzzLines reads any bytes as the second copy of actions: nothing in it may do harm, and what is read is what was
// written.
func FuzzLines(f *testing.F) {
	f.Add([]byte(""))
	f.Add([]byte("00000000 {}\n"))
	f.Add([]byte("1bad\n\n\n" + strings.Repeat("f", 9)))
	f.Fuzz(func(t *testing.T, b []byte) {
		path := filepath.Join(t.TempDir(), "j.db")
		must(t, os.WriteFile(mirrorPath(path), b, 0o600))
		m, err := openMirror(path)
		must(t, err)
		defer m.close()
		lines, _, err := m.read()
		must(t, err)
		more := []mirrorLine{{Seq: m.last + 1, Chamber: "loft", Action: json.RawMessage(`{"id":"x"}`)}}
		if more[0].Seq < 1 {
			return // the greatest number there is
		}
		must(t, m.append(more))
		again, _, err := m.read()
		must(t, err)
		want, _ := json.Marshal(append(lines, more...))
		got, _ := json.Marshal(again)
		if !bytes.Equal(got, want) {
			t.Fatalf("got %s\nwant %s", got, want)
		}
	})
}

// FuzzDatabase opens any bytes as a journal.
func FuzzDatabase(f *testing.F) {
	path := filepath.Join(f.TempDir(), "j.db")
	j, _, err := Open(context.Background(), path)
	must(f, err)
	_, err = j.Act(context.Background(), "loft", act("a", policy.Refilled, "", t0))
	must(f, errors.Join(err, j.Close()))
	good, err := os.ReadFile(path)
	must(f, err)
	f.Add(good, []byte{})
	f.Add(good[:5000], []byte("x"))
	f.Add([]byte("SQLite format 3\x00"), []byte{})
	f.Fuzz(func(t *testing.T, db, wal []byte) {
		path := filepath.Join(t.TempDir(), "j.db")
		must(t, os.WriteFile(path, db, 0o600))
		must(t, os.WriteFile(path+"-wal", wal, 0o600))
		j, opened, err := Open(t.Context(), path)
		if errors.Is(err, ErrNewer) {
			return
		}
		must(t, errors.Join(err, opened.Failing))
		_, err = j.Act(t.Context(), "loft", act("new", policy.Refilled, "", t0))
		if err != nil && !strings.Contains(err.Error(), "set aside") {
			t.Fatal(err)
		}
		must(t, j.Close())
	})
}

// TestEitherCopyHeals: an action that one copy lacks comes back from the other.
func TestEitherCopyHeals(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	acts := sampleJournal(t, path, false)
	whole, err := os.ReadFile(mirrorPath(path))
	must(t, err)

	must(t, os.WriteFile(mirrorPath(path), whole[:len(whole)/2], 0o600))
	must(t, openAt(t, path).Close())
	if now, err := os.ReadFile(mirrorPath(path)); err != nil || !bytes.Equal(now, whole) {
		t.Errorf("the lines were not made up: %v", err)
	}

	for _, s := range suffixes {
		os.Remove(path + s)
	}
	j, opened, err := Open(t.Context(), path)
	must(t, err)
	defer j.Close()
	if n := missing(t, j, acts); n > 0 || opened.Actions != len(acts) {
		t.Errorf("%d actions are missing, said %+v", n, opened)
	}
	seq, err := j.Act(t.Context(), "loft", act("new", policy.Refilled, "", t0))
	must(t, err)
	if seq <= acts[len(acts)-1].Seq {
		t.Errorf("seq %d was given twice", seq)
	}
}

// TestSchemaIsAsReleased: a released schema never changes; a new version gets a file of its own here and a step in
// migrations.
func TestSchemaIsAsReleased(t *testing.T) {
	for i, step := range migrations {
		name := fmt.Sprintf("schema-%d.sql", i+1)
		want, err := os.ReadFile(filepath.Join("testdata", name))
		must(t, err)
		if strings.TrimSpace(step) != strings.TrimSpace(string(want)) {
			t.Errorf("step %d differs from testdata/%s", i+1, name)
		}
	}
}

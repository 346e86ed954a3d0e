package journal

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"gillkeeper/policy"
)

// sample makes a journal with something of everything and gives the actions that are in it. With log, the newest of
// them are only in the write-ahead log, as after a kill.
func sampleJournal(t testing.TB, path string, log bool) []Acted {
	t.Helper()
	j := openAt(t, path)
	fill := func(from, to int) {
		for i := from; i < to; i++ {
			at := t0.Add(time.Duration(i) * time.Minute)
			_, err := j.Act(t.Context(), "loft", act(fmt.Sprint("a", i), policy.HarvestDone, "b1", at))
			must(t, err)
			must(t, j.Save(t.Context(), []Saved{{"loft", int64(i), at, json.RawMessage(fmt.Sprintf(`{"schema":1,"pad":%q}`, strings.Repeat("x", 3000)))}}))
			var ns []Noted
			for range 20 {
				ns = append(ns, Noted{"loft", switchEvent("fan", true, at)})
			}
			_, err = j.Note(t.Context(), ns)
			must(t, err)
			must(t, j.Minutes(t.Context(), []Minute{{Chamber: "loft", Place: "chamber", Quantity: "co2", Start: at.Truncate(time.Minute), N: 1}}))
		}
	}
	fill(0, 6)
	acts := all(t, j.Actions(t.Context(), ActionQuery{}))
	if !log {
		must(t, j.Close())
		return acts
	}
	must(t, j.move(j.f))
	j.f.dirty.Store(moveAfter)
	must(t, j.move(j.f))
	fill(6, 12)
	acts = all(t, j.Actions(t.Context(), ActionQuery{}))
	copies := map[string][]byte{}
	for _, s := range append(suffixes, ".actions") {
		b, err := os.ReadFile(path + s)
		must(t, err)
		copies[s] = b
	}
	must(t, j.Close())
	for s, b := range copies {
		must(t, os.WriteFile(path+s, b, 0o600))
	}
	must(t, os.Remove(path+"-shm"))
	return acts
}

// missing counts the actions that a journal does not have, or has differently.
func missing(t testing.TB, j Journal, acts []Acted) (n int) {
	t.Helper()
	have := map[int64]string{}
	for _, a := range all(t, j.Actions(t.Context(), ActionQuery{})) {
		b, err := json.Marshal(a)
		must(t, err)
		have[a.Seq] = string(b)
	}
	for _, a := range acts {
		if b, _ := json.Marshal(a); have[a.Seq] != string(b) {
			n++
		}
	}
	return n
}

// TestDamage spoils one of the journal's files and opens it: no acknowledged action may be missing, and what was set
// aside must still be there byte for byte.
func TestDamage(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	master := map[bool]string{}
	acts := map[bool][]Acted{}
	for _, log := range []bool{false, true} {
		master[log] = filepath.Join(t.TempDir(), "j.db")
		acts[log] = sampleJournal(t, master[log], log)
	}
	random := rand.New(rand.NewPCG(3, 4))
	aside := 0
	times := repeats(40)
	for i := range times {
		log := i%2 == 1
		files := []string{"", ".actions"}
		if log {
			files = []string{"", "-wal", ".actions"}
		}
		file := files[i/2%len(files)]
		path := copyJournal(t, master[log])
		what := spoil(t, path+file, random)
		spoiled := readAll(path)
		j, opened, err := Open(t.Context(), path)
		if err != nil {
			t.Fatalf("%s of %q: %v", what, file, err)
		}
		if opened.Failing != nil {
			t.Fatalf("%s of %q: %v", what, file, opened.Failing)
		}
		if n := missing(t, j, acts[log]); n > 0 {
			t.Errorf("%s of %q: %d acknowledged actions are missing, said: %+v", what, file, n, opened)
		}
		if opened.LinesAside != "" {
			if got, err := os.ReadFile(opened.LinesAside); err != nil || !bytes.Equal(got, spoiled[".actions"]) {
				t.Errorf("%s of %q: lines were changed on their way aside: %v", what, file, err)
			}
		}
		if opened.SetAside != "" {
			aside++
			if opened.Why == "" {
				t.Errorf("%s of %q: set aside without a reason", what, file)
			}
			for _, s := range []string{"", "-wal"} {
				got, err := os.ReadFile(opened.SetAside + s)
				if err != nil && !errors.Is(err, fs.ErrNotExist) || !bytes.Equal(got, spoiled[s]) {
					t.Errorf("%s of %q: %q was changed on its way aside", what, file, s)
				}
			}
		}
		if _, err := j.Act(t.Context(), "loft", act("new", policy.Refilled, "", t0)); err != nil {
			t.Errorf("%s of %q: afterwards: %v", what, file, err)
		}
		must(t, j.Close())
		must(t, openAt(t, path).Close()) // and now it is good
	}
	if aside < times/20 {
		t.Errorf("only %d of %d damaged journals were set aside", aside, times)
	}
}

func copyJournal(t testing.TB, from string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "j.db")
	for s, b := range readAll(from) {
		must(t, os.WriteFile(to+s, b, 0o600))
	}
	return to
}

func readAll(path string) map[string][]byte {
	out := map[string][]byte{}
	for _, s := range []string{"", "-wal", ".actions"} {
		if b, err := os.ReadFile(path + s); err == nil {
			out[s] = b
		}
	}
	return out
}

// spoil flips bytes of a file, cuts it, or writes over a stretch of it.
func spoil(t testing.TB, path string, random *rand.Rand) string {
	t.Helper()
	b, err := os.ReadFile(path)
	must(t, err)
	at := random.IntN(len(b))
	what := ""
	switch random.IntN(3) {
	case 0:
		what = fmt.Sprintf("a flipped bit at %d", at)
		b[at] ^= 1 << random.IntN(8)
	case 1:
		what = fmt.Sprintf("a cut at %d", at)
		b = b[:at]
	default:
		end := min(len(b), at+random.IntN(5000))
		what = fmt.Sprintf("noise from %d to %d", at, end)
		for i := at; i < end; i++ {
			b[i] = byte(random.Uint32())
		}
	}
	must(t, os.WriteFile(path, b, 0o600))
	return what
}

// TestForeignFile: what is no journal is moved out of the way, never written to.
func TestForeignFile(t *testing.T) {
	other := func(t *testing.T, path string) {
		db, err := connect(path, "NORMAL", 1, "")
		must(t, err)
		_, err = db.ExecContext(t.Context(), "CREATE TABLE recipes (name TEXT)")
		must(t, errors.Join(err, db.Close()))
	}
	for name, make := range map[string]func(t *testing.T, path string){
		"text": func(t *testing.T, path string) { must(t, os.WriteFile(path, []byte("my notes\n"), 0o644)) },
		"long text": func(t *testing.T, path string) {
			must(t, os.WriteFile(path, bytes.Repeat([]byte("notes\n"), 5000), 0o644))
		},
		"another database":   other,
		"log without a file": func(t *testing.T, path string) { must(t, os.WriteFile(path+"-wal", []byte("log"), 0o644)) },
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "j.db")
			make(t, path)
			before := readAll(path)
			j, opened, err := Open(t.Context(), path)
			must(t, err)
			if opened.SetAside == "" || opened.Why == "" {
				t.Fatalf("said %+v", opened)
			}
			if times, aside := j.BegunAnew(); times != 1 || aside != opened.SetAside {
				t.Errorf("begun anew %d times, %q", times, aside)
			}
			for s, b := range before {
				if got, err := os.ReadFile(opened.SetAside + s); err != nil || !bytes.Equal(got, b) {
					t.Errorf("%q changed: %v", s, err)
				}
			}
			_, err = j.Act(t.Context(), "loft", act("a", policy.Refilled, "", t0))
			must(t, errors.Join(err, j.Close()))
			must(t, openAt(t, path).Close())
		})
	}
}

// TestDamageWhileOpen: a file that turns out damaged while it is used is set aside, actions are kept, and writing goes
// on after one error.
func TestDamageWhileOpen(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	acts := sampleJournal(t, path, false)
	j := openAt(t, path)
	defer j.Close()
	// The root page of a table, overwritten behind its back; a new connection would notice, and so do checks of rows.
	if _, err := j.f.quick.conn.ExecContext(t.Context(), "UPDATE snapshots SET state = 'x'"); err != nil {
		t.Fatal(err)
	}
	_, err := j.Load(t.Context(), "loft")
	if err == nil || !strings.Contains(err.Error(), "set aside as") || strings.Contains(err.Error(), "\n") {
		t.Fatalf("got %v", err)
	}
	if n := missing(t, j, acts); n > 0 {
		t.Errorf("%d actions are missing", n)
	}
	if times, aside := j.BegunAnew(); times != 1 || !strings.Contains(err.Error(), "set aside as "+aside+";") {
		t.Errorf("begun anew %d times, %q", times, aside)
	}
	seq, err := j.Act(t.Context(), "loft", act("new", policy.Refilled, "", t0))
	must(t, err)
	if seq <= acts[len(acts)-1].Seq {
		t.Errorf("seq went back to %d", seq)
	}
}

// TestTakenAway: somebody deletes or moves the files of a running daemon.
func TestTakenAway(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	acts := sampleJournal(t, path, false)
	j := openAt(t, path)
	defer j.Close()
	for _, s := range append(suffixes, ".actions") {
		must(t, os.Remove(path+s))
	}
	snap := []Saved{{"loft", 40, t0, json.RawMessage(`{}`)}}
	if err := j.Save(t.Context(), snap); err == nil {
		t.Error("a file that is gone was written without a word")
	}
	must(t, j.Save(t.Context(), snap))
	if times, aside := j.BegunAnew(); times != 1 || aside != "" {
		t.Errorf("begun anew %d times, %q", times, aside)
	}
	if n := missing(t, j, acts); n > 0 {
		t.Errorf("%d actions are missing", n)
	}
	must(t, j.Close())
	j = openAt(t, path)
	if times, _ := j.BegunAnew(); times != 0 {
		t.Errorf("a sound file was begun anew %d times", times)
	}
	if n := missing(t, j, acts); n > 0 {
		t.Errorf("%d actions are missing after another start", n)
	}
	if l, err := j.Load(t.Context(), "loft"); err != nil || !l.OK || l.Saved.Seq != 40 {
		t.Errorf("loaded %+v, %v", l, err)
	}
	must(t, j.Close())
}

func TestLocked(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := openAt(t, path)
	if _, _, err := Open(t.Context(), path); !errors.Is(err, ErrLocked) || strings.Count(err.Error(), path) != 1 || strings.Count(err.Error(), "journal:") != 1 {
		t.Errorf("opened twice: %v", err)
	}
	cmd := exec.CommandContext(t.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), killEnv+"="+path)
	if out, err := cmd.CombinedOutput(); err == nil || !strings.Contains(string(out), "another process") {
		t.Errorf("another process: %v %s", err, out)
	}
	other := openAt(t, filepath.Join(t.TempDir(), "other.db")) // two journals in one process
	_, err := other.Act(t.Context(), "loft", act("a", policy.Refilled, "", t0))
	must(t, err)
	if got := all(t, j.Actions(t.Context(), ActionQuery{})); got != nil {
		t.Errorf("journals share actions: %v", got)
	}
	must(t, other.Close())
	must(t, j.Close())
	must(t, openAt(t, path).Close())
}

func TestNewerFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := openAt(t, path)
	_, err := j.f.quick.conn.ExecContext(t.Context(), "UPDATE meta SET value = '99' WHERE key = 'schema'")
	must(t, errors.Join(err, j.Close()))
	before := readAll(path)
	if _, _, err := Open(t.Context(), path); !errors.Is(err, ErrNewer) {
		t.Errorf("got %v", err)
	}
	if !bytes.Equal(before[""], readAll(path)[""]) {
		t.Error("it was changed")
	}
}

func TestFilesAreOursAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j ?&#%.db") // nothing of a name may be taken for an option
	j := openAt(t, path)
	defer j.Close()
	_, err := j.Act(t.Context(), "loft", act("a", policy.Refilled, "", t0))
	must(t, err)
	for _, s := range append(suffixes, ".actions") {
		info, err := os.Stat(path + s)
		must(t, err)
		if info.Mode().Perm() != 0o600 {
			t.Errorf("%q has the mode %v", s, info.Mode())
		}
	}
	for _, bad := range []string{filepath.Join(t.TempDir(), "nowhere", "j.db"), t.TempDir()} {
		if _, _, err := Open(t.Context(), bad); err == nil || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", bad, err)
		}
	}
}

package journal

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/testdata/testend"
)

// killEnv makes the test binary a process that writes into a journal until it is killed; its value is the file. The other
// says how often tests with chance in them are repeated, for long runs.
const (
	killEnv   = "GILLKEEPER_JOURNAL_VICTIM"
	repeatEnv = "GILLKEEPER_JOURNAL_REPEATS"
)

func TestMain(m *testing.M) {
	if path := os.Getenv(killEnv); path != "" {
		fmt.Println("failed:", victim(path))
		os.Exit(1)
	}
	testend.Main(m)
}

// victim writes as a daemon does, and says on standard output what was acknowledged, each after it was.
func victim(path string) error {
	ctx := context.Background()
	j, opened, err := Open(ctx, path)
	if err != nil || opened != (Opened{}) {
		return fmt.Errorf("%+v, %w", opened, err)
	}
	var out sync.Mutex
	say := func(format string, args ...any) {
		out.Lock()
		defer out.Unlock()
		fmt.Printf(format+"\n", args...)
	}
	life := strconv.FormatInt(time.Now().UnixNano(), 36)
	failed := make(chan error, 5)
	say("ready")
	go func() { failed <- importing(ctx, j, life, say) }()
	go func() { failed <- thinningOn(ctx, j, say) }()
	go func() {
		for i := 0; ; i++ {
			id := fmt.Sprint(life, "-", i)
			seq, err := j.Act(ctx, "loft", policy.Action{ID: id, Kind: policy.HarvestDone, At: time.Now()})
			if err != nil {
				failed <- err
				return
			}
			say("act %s %d", id, seq)
		}
	}()
	go func() {
		for i := 0; ; i++ {
			at := time.Now()
			if err := j.Switch(ctx, []Switched{{"loft", "fan", i%2 == 0, at}}); err != nil {
				failed <- err
				return
			}
			say("switch %d", at.UnixNano())
			time.Sleep(time.Millisecond) // the process is real, and so is its time
		}
	}()
	go func() {
		var events []Noted
		for i := range 300 {
			events = append(events, Noted{"loft", switchEvent("fan", i%2 == 0, time.Now())})
		}
		for {
			at := time.Now()
			err := j.Save(ctx, []Saved{{"loft", 0, at, json.RawMessage(`{"schema":1}`)}})
			if err == nil {
				say("save %d", at.UnixNano())
				_, err = j.Note(ctx, events)
			}
			if err != nil {
				failed <- err
				return
			}
		}
	}()
	return <-failed
}

// importing stores actions of three chambers together, again and again.
func importing(ctx context.Context, j *SQLite, life string, say func(string, ...any)) error {
	for i := 0; ; i++ {
		id := fmt.Sprint(life, "-import-", i)
		var acts []Acted
		for _, c := range []string{"cellar", "loft", "shed"} {
			acts = append(acts, Acted{Chamber: c, Action: policy.Action{ID: id + "." + c, Kind: policy.Import, At: time.Now(),
				Entries: []policy.Action{{ID: "e", Kind: policy.HarvestDone, Batch: c, FreshG: 1}}}})
		}
		if _, err := j.ActTogether(ctx, acts); err != nil {
			return err
		}
		say("import %s", id)
	}
}

// hourEnv is the first hour, counted since 1970, that a victim writes history of.
const hourEnv = "GILLKEEPER_JOURNAL_HOUR"

// thinningOn writes an hour of minutes after the other and has them put together behind it.
func thinningOn(ctx context.Context, j *SQLite, say func(string, ...any)) error {
	hour, err := strconv.ParseInt(os.Getenv(hourEnv), 10, 64)
	if err != nil {
		return err
	}
	for ; ; hour++ {
		start := time.Unix(hour*3600, 0)
		var ms []Minute
		for i := range 60 {
			ms = append(ms, Minute{"loft", "chamber", "co2", start.Add(time.Duration(i) * time.Minute), time.Minute, 800, 700, 900, 1, 1})
		}
		if err := j.Minutes(ctx, ms); err != nil {
			return err
		}
		say("hour %d", hour)
		if _, err := j.Prune(ctx, Retention{ByTen: start.Add(-time.Hour), ByHour: start.Add(-10 * time.Hour)}); err != nil {
			return err
		}
		say("thinned %d", hour)
	}
}

// acked is what a process was told to be stored.
type acked struct {
	actions  map[string]int64
	switches []int64
	saved    int64
	imports  []string
	hours    []int64 // of minutes
	thinned  int64
}

func (a *acked) take(line string) error {
	var id string
	var n int64
	switch {
	case line == "ready":
		return nil
	case scan(line, "act %s %d", &id, &n):
		a.actions[id] = n
	case scan(line, "switch %d", &n):
		a.switches = append(a.switches, n)
	case scan(line, "save %d", &n):
		a.saved = max(a.saved, n)
	case scan(line, "import %s", &id):
		a.imports = append(a.imports, id)
	case scan(line, "hour %d", &n):
		a.hours = append(a.hours, n)
	case scan(line, "thinned %d", &n):
		a.thinned = n
	default:
		return errors.New(line)
	}
	return nil
}

func scan(line, format string, into ...any) bool {
	n, err := fmt.Sscanf(line, format, into...)
	return err == nil && n == len(into)
}

// run lets a victim write for a while after it is ready, and kills it.
func (a *acked) run(t *testing.T, path string, length time.Duration) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), os.Args[0])
	next := int64(500_000) // in 2027
	if n := len(a.hours); n > 0 {
		next = a.hours[n-1] + 2 // the one after it may be half there
	}
	cmd.Env = append(os.Environ(), killEnv+"="+path, fmt.Sprint(hourEnv, "=", next))
	out, err := cmd.StdoutPipe()
	must(t, err)
	must(t, cmd.Start())
	lines := bufio.NewScanner(out)
	if !lines.Scan() || lines.Text() != "ready" {
		rest, _ := io.ReadAll(out)
		t.Fatalf("the process did not begin: %s %s", lines.Text(), rest)
	}
	kill := time.AfterFunc(length, func() { _ = cmd.Process.Kill() }) // SIGKILL
	defer kill.Stop()
	for lines.Scan() {
		if err := a.take(lines.Text()); err != nil {
			t.Fatal(err)
		}
	}
	_ = cmd.Wait() // it was killed
}

func (a *acked) check(t *testing.T, path string) {
	t.Helper()
	j := openAt(t, path)
	defer j.Close()
	seen := map[string]int64{}
	for _, x := range all(t, j.Actions(t.Context(), ActionQuery{})) {
		if _, twice := seen[x.Action.ID]; twice {
			t.Fatalf("action %s is there twice", x.Action.ID)
		}
		seen[x.Action.ID] = x.Seq
	}
	for id, seq := range a.actions {
		if seen[id] != seq {
			t.Fatalf("acknowledged action %s has seq %d, want %d", id, seen[id], seq)
		}
	}
	a.checkImports(t, seen)
	a.checkHours(t, j)
	l, err := j.Load(t.Context(), "loft")
	must(t, err)
	if a.saved > 0 && (!l.OK || l.Saved.At.UnixNano() < a.saved) {
		t.Fatalf("the snapshot is of %v, one of %v was acknowledged", l.Saved.At, time.Unix(0, a.saved))
	}
	have := map[int64]bool{}
	for _, s := range l.Switches {
		have[s.At.UnixNano()] = true
	}
	for _, at := range a.switches {
		if at >= l.Saved.At.UnixNano() && !have[at] {
			t.Fatalf("an acknowledged switch of %v after the snapshot of %v is gone", time.Unix(0, at), l.Saved.At)
		}
	}
}

// checkImports: what was acknowledged is there, and nothing is there by halves.
func (a *acked) checkImports(t *testing.T, seen map[string]int64) {
	t.Helper()
	parts := map[string]int{}
	for id := range seen {
		if i := strings.LastIndexByte(id, '.'); i > 0 {
			parts[id[:i]]++
		}
	}
	for id, n := range parts {
		if n != 3 {
			t.Fatalf("of import %s %d of 3 actions are there", id, n)
		}
	}
	for _, id := range a.imports {
		if parts[id] == 0 {
			t.Fatalf("acknowledged import %s is gone", id)
		}
	}
}

// checkHours: every hour of minutes that was acknowledged still adds up, however far it was put together.
func (a *acked) checkHours(t *testing.T, j *SQLite) {
	t.Helper()
	sums := map[int64]Minute{}
	for _, m := range all(t, j.History(t.Context(), HistoryQuery{Chamber: "loft", Step: time.Hour})) {
		sums[m.Start.Unix()/3600] = m
	}
	for _, h := range a.hours {
		if m := sums[h]; m.N != 60 || m.Seconds != 60 || m.Mean != 800 || m.Min != 700 || m.Max != 900 {
			t.Fatalf("hour %d became %+v", h, m)
		}
	}
}

// repeats is how often a test with chance in it is repeated.
func repeats(usual int) int {
	if n, err := strconv.Atoi(os.Getenv(repeatEnv)); err == nil {
		return n
	}
	if testing.Short() || raced {
		return usual / 5
	}
	return usual
}

// TestKill kills a writing process at random moments, again and again on the same file.
func TestKill(t *testing.T) {
	times := repeats(20)
	path := filepath.Join(t.TempDir(), "j.db")
	a := &acked{actions: map[string]int64{}}
	random := rand.New(rand.NewPCG(1, 2))
	for range times {
		a.run(t, path, time.Duration(random.Int64N(int64(150*time.Millisecond))))
		a.check(t, path)
	}
	if len(a.actions) == 0 || len(a.switches) == 0 || a.saved == 0 {
		t.Fatalf("nothing happened in %d lives: %d actions, %d switches", times, len(a.actions), len(a.switches))
	}
	if times >= 10 && (len(a.imports) == 0 || len(a.hours) == 0 || a.thinned == 0) {
		t.Fatalf("in %d lives %d imports, %d hours, thinned to %d", times, len(a.imports), len(a.hours), a.thinned)
	}
	t.Logf("%d lives, %d actions, %d imports, %d switches, %d hours of minutes", times, len(a.actions), len(a.imports), len(a.switches), len(a.hours))
}

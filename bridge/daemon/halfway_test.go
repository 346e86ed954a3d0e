package daemon

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/journal"
)

// tidyEnv tells a child how soon after its start it puts its journal in order.
const tidyEnv = "GILLKEEPER_TEST_TIDY"

// book is a daemon with two chambers and a journal whose older history is still by the minute. People write into it and
// bring seasons in, while it puts that history together.
type book struct {
	scene
	written time.Time // until when there is history
	acked   int       // grams picked and acknowledged
	tried   int
	imports map[string]bool // whether it was acknowledged
}

// long ago: what lies there is put together, first to ten minutes and then to hours.
const longAgo = 500 * 24 * time.Hour

func newBook(t *testing.T, folder string) *book {
	t.Helper()
	t.Setenv(tidyEnv, "50ms")
	b := &book{scene: scene{t: t, folder: folder, http: brokertest.FreeAddr(t)}, imports: map[string]bool{},
		written: time.Now().Add(-longAgo).UTC().Truncate(24 * time.Hour)}
	text := fmt.Sprintf("[broker]\nurl = \"embedded\"\n[broker.embedded]\nlisten = %q\n[http]\nlisten = %q\n[journal]\npath = \"journal.db\"\n", brokertest.FreeAddr(t), b.http)
	for _, name := range []string{"loft", "cellar"} {
		text += fmt.Sprintf("[[chamber]]\nname = %q\nvolume_m3 = 1\n[[chamber.sensor]]\nquantity = \"co2\"\ntopic = \"%s/co2\"\n", name, name)
	}
	if err := os.WriteFile(filepath.Join(folder, "c.toml"), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return b
}

func (b *book) open() *journal.SQLite {
	b.t.Helper()
	j, opened, err := journal.Open(b.t.Context(), filepath.Join(b.folder, "journal.db"))
	if err != nil || opened.SetAside != "" || opened.Failing != nil {
		b.t.Fatalf("the journal opens with %+v, %v", opened, err)
	}
	return j
}

// remember writes hours of minutes, one after the other, as if they had been recorded then.
func (b *book) remember(hours int) {
	b.t.Helper()
	j := b.open()
	var ms []journal.Minute
	for i := range hours * 60 {
		v := 600 + float64((i*37)%400)
		ms = append(ms, journal.Minute{Chamber: "loft", Place: "chamber", Quantity: "co2", Start: b.written.Add(time.Duration(i) * time.Minute), Span: time.Minute,
			Mean: v, Min: v - 20, Max: v + 30, N: 6, Seconds: float64(i % 60)})
	}
	b.written = b.written.Add(time.Duration(hours) * time.Hour)
	if err := j.Minutes(b.t.Context(), ms); err != nil {
		b.t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		b.t.Fatal(err)
	}
}

// past gives what is recorded of the time before the daemon ran, by the hour or, with 0, as it is stored.
func (b *book) past(step time.Duration) (all []journal.Minute) {
	b.t.Helper()
	j := b.open()
	defer j.Close()
	for m, err := range j.History(b.t.Context(), journal.HistoryQuery{Chamber: "loft", Quantity: "co2", To: b.written, Step: step}) {
		if err != nil {
			b.t.Fatal(err)
		}
		all = append(all, m)
	}
	return all
}

// people write until they are stopped: a gram is picked, and a batch for each chamber is brought in with its harvest.
func (b *book) people(life int, stop <-chan struct{}) {
	for n := 0; ; n++ {
		select {
		case <-stop:
			return
		case <-time.After(5 * time.Millisecond):
		}
		b.tried++
		if b.post("/api/v1/batches/b1/harvest", map[string]any{"id": fmt.Sprintf("h%d-%d", life, n), "fresh_g": 1}) {
			b.acked++
		}
		name := fmt.Sprintf("season-%d-%d", life, n)
		b.imports[name] = b.bring(name)
	}
}

func (b *book) bring(name string) bool {
	var entries []map[string]any
	for _, c := range []string{"loft", "cellar"} {
		entries = append(entries,
			map[string]any{"chamber": c, "batch": name + "-" + c, "kind": "batch_add", "at": "2025-01-01T00:00:00Z", "species": "pleurotus-ostreatus", "substrate_kg": 6, "dry_kg": 2, "stage": "fruiting"},
			map[string]any{"chamber": c, "batch": name + "-" + c, "kind": "harvest", "at": "2025-01-05T00:00:00Z", "fresh_g": 500, "done": true},
			map[string]any{"chamber": c, "batch": name + "-" + c, "kind": "batch_retire", "at": "2025-01-09T00:00:00Z"})
	}
	return b.post("/api/v1/import", map[string]any{"id": name, "entries": entries})
}

// audit asks the running daemon what it has on record: nothing acknowledged is lost, and no import is half there.
func (b *book) audit() {
	b.t.Helper()
	resp, err := http.Get("http://" + b.http + "/api/v1/records")
	if err != nil {
		b.t.Fatal(err)
	}
	defer resp.Body.Close()
	var got struct {
		Records []struct {
			Batch  string  `json:"batch"`
			FreshG float64 `json:"fresh_g"`
		} `json:"records"`
	}
	if err := json.NewDecoder(resp.Body).Decode(&got); err != nil {
		b.t.Fatal(err)
	}
	fresh := map[string]float64{}
	for _, r := range got.Records {
		fresh[r.Batch] = r.FreshG
	}
	if g := fresh["b1"]; g < float64(b.acked) || g > float64(b.tried) {
		b.t.Errorf("%d harvests of 1 g were acknowledged (%d tried), and %g g are on record", b.acked, b.tried, g)
	}
	for name, acked := range b.imports {
		loft, cellar := fresh[name+"-loft"], fresh[name+"-cellar"]
		if whole, none := loft == 500 && cellar == 500, loft == 0 && cellar == 0; acked && !whole || !whole && !none {
			b.t.Errorf("import %s, acknowledged %v, is there with %g g in one chamber and %g g in the other", name, acked, loft, cellar)
		}
	}
}

// same compares the history by the hour with what it was, to what rounding leaves.
func (b *book) same(was []journal.Minute) {
	b.t.Helper()
	got := b.past(time.Hour)
	if len(got) != len(was) {
		b.t.Fatalf("history of %d hours became one of %d", len(was), len(got))
	}
	for i := range got {
		x, y := got[i], was[i]
		if math.Abs(x.Mean-y.Mean) <= 0.1 { // a mean is kept to a tenth of a ppm
			x.Mean = y.Mean
		}
		if x != y {
			b.t.Fatalf("the history of an hour was %+v and is %+v", was[i], got[i])
		}
	}
}

func (b *book) end() {
	if b.cmd != nil {
		b.kill()
	}
}

func (b *book) begin() {
	b.t.Helper()
	b.start()
	if !b.post("/api/v1/chambers/loft/batches", map[string]any{"id": "b", "batch": "b1", "species": "pleurotus-ostreatus", "stage": "fruiting", "substrate_kg": 12, "dry_kg": 4}) {
		b.t.Fatalf("no batch could be put in:\n%s", b.log.String())
	}
}

// TestKilledHalfWay kills the daemon again and again while harvests are entered, seasons are imported and older history is
// put together, all through its own door. GILLKEEPER_KILLS sets how often.
func TestKilledHalfWay(t *testing.T) {
	kills := 3
	if n, err := strconv.Atoi(os.Getenv("GILLKEEPER_KILLS")); err == nil {
		kills = n
	}
	b := newBook(t, t.TempDir())
	defer b.end()
	r := rand.New(rand.NewPCG(3, 4))
	var was []journal.Minute
	halfway, acked, tried := 0, 0, 0
	wait := 250.0 // ms, and less where a quick machine is done sooner than one can kill
	for i := 0; i < kills || halfway == 0 && i < 8*kills; i++ {
		tried++
		b.remember(2 * 24)
		was = b.past(time.Hour)
		if b.cmd == nil {
			b.begin()
		} else {
			b.start()
		}
		stop := make(chan struct{})
		var people sync.WaitGroup
		people.Go(func() { b.people(i, stop) })
		time.Sleep(time.Duration(wait * (0.6 + 0.8*r.Float64()) * float64(time.Millisecond)))
		b.kill()
		close(stop)
		people.Wait()
		spans := map[time.Duration]int{}
		for _, m := range b.past(0) {
			spans[m.Span]++
		}
		switch {
		case spans[time.Minute] > 0 && len(spans) > 1:
			halfway++
		case spans[time.Minute] > 0:
			wait *= 1.3
		default:
			wait *= 0.7
		}
		b.same(was)
	}
	b.start()
	b.audit()
	for _, yes := range b.imports {
		if yes {
			acked++
		}
	}
	t.Logf("%d kills, %d of them amid putting together; %d harvests acknowledged of %d, %d imports of %d", tried, halfway, b.acked, b.tried, acked, len(b.imports))
	if b.acked == 0 || acked == 0 || halfway == 0 {
		t.Error("the test shows nothing")
	}
}

// output is what a child says, and may be read while it goes on.
type output struct {
	mu   sync.Mutex
	text strings.Builder
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.text.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.text.String()
}

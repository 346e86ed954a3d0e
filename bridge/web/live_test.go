package web_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"gillkeeper/bridge/web"
	"gillkeeper/bridge/web/webtest"
	"gillkeeper/policy"
	"gillkeeper/policy/species"
)

// listener reads a stream of events.
type listener struct {
	events chan event
	bytes  atomic.Int64
	close  context.CancelFunc
	done   chan struct{}
}

type event struct{ id, kind, data string }

func listen(t testing.TB, s *served, query string, headers ...string) *listener {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	l := &listener{events: make(chan event, 1000), close: cancel, done: make(chan struct{})}
	req, err := http.NewRequestWithContext(ctx, "GET", s.url+"/live"+query, nil)
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i+1 < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	transport := &http.Transport{}
	resp, err := (&http.Client{Transport: transport}).Do(req)
	if err != nil {
		t.Fatal(err)
	}
	if resp.StatusCode != 200 || resp.Header.Get("Content-Type") != "text/event-stream; charset=utf-8" {
		t.Fatalf("the stream: %d %v", resp.StatusCode, resp.Header)
	}
	go func() {
		defer close(l.done)
		defer transport.CloseIdleConnections()
		defer resp.Body.Close()
		var e event
		for r := bufio.NewReader(resp.Body); ; {
			line, err := r.ReadString('\n')
			l.bytes.Add(int64(len(line)))
			if err != nil {
				close(l.events)
				return
			}
			name, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), ": ")
			switch name {
			case "id":
				e.id = value
			case "event":
				e.kind = value
			case "data":
				e.data = value
			case "":
				if e != (event{}) {
					l.events <- e
				}
				e = event{}
			}
		}
	}()
	t.Cleanup(func() { cancel(); <-l.done })
	return l
}

// wait gives the next event whose data holds a text.
func (l *listener) wait(t testing.TB, kind, holds string) event {
	t.Helper()
	for timeout := time.After(10 * time.Second); ; {
		select {
		case e, ok := <-l.events:
			if !ok {
				t.Fatalf("the stream ended before %q", holds)
			}
			if e.kind == kind && strings.Contains(e.data, holds) {
				return e
			}
		case <-timeout:
			t.Fatalf("no event %q with %q", kind, holds)
		}
	}
}

// moody is an owner of chambers who, when cross, panics.
type moody struct {
	*webtest.Twin
	cross atomic.Bool
}

func (m *moody) Snapshots() []*policy.Snapshot {
	if m.cross.Load() {
		panic("cross")
	}
	return m.Twin.Snapshots()
}

// TestAStreamThatPanicsEndsAlone: be it while it runs or at its begin, for which pages wait.
func TestAStreamThatPanicsEndsAlone(t *testing.T) {
	m := &moody{Twin: webtest.New()}
	s := serve(t, func(o *web.Options) { o.Backend = m })
	l := listen(t, s, "")
	m.cross.Store(true)
	select {
	case <-l.done:
	case <-time.After(10 * time.Second):
		t.Fatal("the stream goes on")
	}
	if status, _, _ := s.ask(t, "GET", "/", ""); status != http.StatusInternalServerError {
		t.Errorf("a page of a broken owner has status %d", status)
	}
	m.cross.Store(false)
	again := listen(t, s, "?since="+pageSeq(t, s, "/"))
	m.SetAir("loft", webtest.Air{RH: 0.931, TemperatureC: 16.4, CO2: 640, RoomRH: 0.45, RoomC: 18, Watts: 26})
	m.Pass(20 * time.Second)
	again.wait(t, "", "above its range")
}

var seqOf = regexp.MustCompile(`data-seq="([^"]*)"`)

func pageSeq(t testing.TB, s *served, path string) string {
	t.Helper()
	_, _, b := s.ask(t, "GET", path, "")
	m := seqOf.FindSubmatch(b)
	if m == nil {
		t.Fatalf("%s names no place in the stream", path)
	}
	return string(m[1])
}

func TestLive(t *testing.T) {
	s := serve(t, nil)
	seq := pageSeq(t, s, "/")
	l := listen(t, s, "?since="+seq)
	s.SetAir("loft", webtest.Air{RH: 0.931, TemperatureC: 16.4, CO2: 640, RoomRH: 0.45, RoomC: 18, Watts: 26})
	s.Pass(20 * time.Second)
	e := l.wait(t, "", "above its range")
	var u struct {
		T, H map[string]map[string]string
	}
	if err := json.Unmarshal([]byte(e.data), &u); err != nil {
		t.Fatalf("%v in %s", err, e.data)
	}
	if u.T["loft"]["h.k"] != "look" || u.T["loft"]["h.n"] != "above its range" {
		t.Errorf("what changed is %s", e.data)
	}
	if _, err := s.Act(t.Context(), "loft", policy.Action{ID: "x", Kind: policy.HandSet, Plug: "lamp", Hand: policy.HandOff, For: time.Hour}); err != nil {
		t.Fatal(err)
	}
	l.wait(t, "", "off, by hand")

	// Who was away for a moment gets what was missed, who was away for longer is told so.
	again := listen(t, s, "", "Last-Event-ID", e.id)
	again.wait(t, "", "off, by hand")
	listen(t, s, "?since=other.7").wait(t, "stale", "")
	listen(t, s, "").wait(t, "stale", "")
	listen(t, s, "?chamber=loft&since="+pageSeq(t, s, "/chamber/loft"))
	if status, _, _ := s.ask(t, "GET", "/live?chamber=nowhere", ""); status != 404 {
		t.Errorf("a chamber that is none: %d", status)
	}
	// A new token ends the streams of those who may not be let in any more.
	s.Adopt(web.Site{}, web.Access{Token: "a", ReadToken: "b"})
	select {
	case <-l.done:
	case <-time.After(5 * time.Second):
		t.Error("a stream outlives the token")
	}
}

// TestLiveAgrees: a value that has just been told is told again at once when it leaves its range: the page must not show 88 % as above
// 90 %.
func TestLiveAgrees(t *testing.T) {
	s := serve(t, nil)
	l := listen(t, s, "?since="+pageSeq(t, s, "/"))
	for _, c := range []struct {
		rh          float64
		value, note string
	}{{0.881, "88.1", ""}, {0.931, "93.1", "above its range"}, {0.879, "87.9", ""}} {
		s.SetAir("loft", webtest.Air{RH: c.rh, TemperatureC: 16.4, CO2: 640, RoomRH: 0.45, RoomC: 18, Watts: 26})
		s.Pass(20 * time.Second)
		e := l.wait(t, "", `"h":"`+c.value+`"`)
		if c.rh == 0.881 { // it was in its range before
			continue
		}
		var u struct{ T map[string]map[string]string }
		if err := json.Unmarshal([]byte(e.data), &u); err != nil {
			t.Fatalf("%v in %s", err, e.data)
		}
		if note, told := u.T["loft"]["h.n"]; !told || note != c.note {
			t.Errorf("beside %s it says %s", c.value, e.data)
		}
	}
}

// TestLiveOrder: the chamber that got worst comes first, and the page is told.
func TestLiveOrder(t *testing.T) {
	s := serve(t, nil)
	l := listen(t, s, "?since="+pageSeq(t, s, "/"))
	s.SetAir("loft", webtest.Air{RH: 0.5, TemperatureC: 33, CO2: 6000, RoomRH: 0.45, RoomC: 18, Watts: 0})
	s.Pass(40 * time.Minute)
	e := l.wait(t, "", `"o":["loft"`)
	if !strings.Contains(e.data, "needs you") {
		t.Errorf("the site's standing is not told: %s", e.data)
	}
}

// fifty adds chambers until there are fifty, each with a batch.
func fifty(t testing.TB, s *served) []string {
	var names []string
	for i := range 47 {
		name := fmt.Sprintf("tent-%02d", i)
		s.Add(webtest.Spec(name, time.UTC), webtest.Air{RH: 0.88, TemperatureC: 17, CO2: 800, RoomRH: 0.5, RoomC: 18, Watts: 25})
		if _, err := s.Act(context.Background(), name, policy.Action{ID: name, Kind: policy.BatchAdd, Batch: "b-" + name,
			Species: "pleurotus-ostreatus", SubstrateKg: 12, DryKg: 4, Stage: species.Fruiting}); err != nil {
			t.Fatal(err)
		}
		names = append(names, name)
	}
	return append(names, "loft", "cellar", "nursery")
}

// BenchmarkLiveMinute counts what one client takes in a minute of fifty chambers whose air moves at every reading.
func BenchmarkLiveMinute(b *testing.B) {
	s := serve(b, nil)
	names := fifty(b, s)
	for b.Loop() {
		l := listen(b, s, "?since="+pageSeq(b, s, "/"))
		start := l.bytes.Load()
		stir(s, names, time.Minute)
		b.ReportMetric(float64(l.bytes.Load()-start), "bytes/min")
		l.close()
	}
}

// stir moves the air of every chamber about every ten seconds, as sensors report, for a time.
func stir(s *served, names []string, length time.Duration) {
	r := rand.New(rand.NewPCG(1, 2))
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for i := 0; i < int(length/time.Second); i++ {
		<-tick.C
		if i%10 != 0 {
			continue
		}
		for _, n := range names {
			s.SetAir(n, webtest.Air{RH: 0.87 + 0.03*r.Float64(), TemperatureC: 16.5 + r.Float64(), CO2: 700 + 150*r.Float64(), RoomRH: 0.5, RoomC: 18, Watts: 25})
		}
		s.Pass(10 * time.Second)
	}
}

// BenchmarkSite is the first view of fifty chambers at the server.
func BenchmarkSite(b *testing.B) {
	s := serve(b, nil)
	fifty(b, s)
	s.Pass(10 * time.Second)
	size := 0
	for b.Loop() {
		_, _, body := s.ask(b, "GET", "/", "", "Accept-Encoding", "gzip")
		size = len(body)
	}
	b.ReportMetric(float64(size), "bytes")
}

// BenchmarkActBeside200 measures how long an action takes alone, and while 200 clients listen, in turn.
func BenchmarkActBeside200(b *testing.B) {
	s := serve(b, nil)
	names := fifty(b, s)
	ask := func() time.Duration {
		began := time.Now()
		if status, _, body := s.ask(b, "POST", "/api/v1/chambers/loft/hand", `{"plug":"lamp","hand":"off","for":"15m"}`); status != 200 {
			b.Fatalf("%d %s", status, body)
		}
		return time.Since(began)
	}
	for b.Loop() {
		var wg sync.WaitGroup
		ctx, stop := context.WithCancel(context.Background())
		wg.Go(func() { // the chambers' air moves in both
			for ctx.Err() == nil {
				stir(s, names, 2*time.Second)
			}
		})
		alone := median(200, ask)
		transport := &http.Transport{MaxConnsPerHost: 0}
		for range 200 {
			wg.Go(func() {
				req, _ := http.NewRequestWithContext(ctx, "GET", s.url+"/live", nil)
				resp, err := transport.RoundTrip(req)
				if err != nil {
					return
				}
				defer resp.Body.Close()
				io.Copy(io.Discard, resp.Body)
			})
		}
		time.Sleep(2 * time.Second) // until all listen
		beside := median(200, ask)
		stop()
		wg.Wait()
		transport.CloseIdleConnections()
		b.ReportMetric(float64(alone.Microseconds()), "alone-us")
		b.ReportMetric(float64(beside.Microseconds()), "beside-us")
		b.ReportMetric(float64(beside)/float64(alone), "ratio")
	}
}

func median(n int, f func() time.Duration) time.Duration {
	all := make([]time.Duration, n)
	for i := range all {
		all[i] = f()
	}
	for i := range all {
		for j := i; j > 0 && all[j] < all[j-1]; j-- {
			all[j], all[j-1] = all[j-1], all[j]
		}
	}
	return all[n/2]
}

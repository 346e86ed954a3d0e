package web

import (
	"cmp"
	"fmt"
	"net/http"
	"runtime/debug"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Pages are kept fresh by a stream of server-sent events. One feed serves all who look at the same page: it looks at the
// newest snapshots once a second, works out what changed on the page, writes that down once, and hands the same bytes to
// everybody. A feed runs while somebody looks, and for a while after, so that it remembers what pages on their way show.

// The pace and the limits of feeds.
const (
	feedTick    = time.Second
	feedLinger  = 30 * time.Second // after the last page was served and the last listener left
	feedKept    = 120              // messages remembered, for who was away for a moment
	feedBeat    = 15 * time.Second // a sign of life on a quiet stream
	mostLive    = 400              // streams open at once; beyond them a page looks again by itself
	liveBacklog = 8                // messages that may wait for one slow listener before it is cut off
	liveWithin  = 10 * time.Second // for a listener to take one message
)

// How often what changes all the time is sent. What a person must see at once (a plug that switched, an alarm) does not wait.
type paces struct{ value, text time.Duration }

var (
	sitePaces    = paces{value: 10 * time.Second, text: time.Minute}
	chamberPaces = paces{value: 2 * time.Second, text: 10 * time.Second}
)

// hub has the feeds: one for the site, under "", and one for each chamber that somebody looks at.
type hub struct {
	s       *Server
	mu      sync.Mutex
	feeds   map[string]*feed // guarded by mu
	clients int              // guarded by mu
	closed  bool             // guarded by mu
	wg      sync.WaitGroup
}

// feed is one page's stream.
type feed struct {
	name string // of the chamber; "": the site
	id   string // tells a feed from one before it, also before a restart

	mu      sync.Mutex
	n       int                      // of the last message; guarded by mu, as all below
	kept    [][]byte                 // the last ones, that of n at the end
	clients map[chan []byte]struct{} // closed to cut one off
	idle    time.Time                // since when nobody looks
	stop    chan struct{}            // closed to end it
	ready   chan struct{}            // closed once the feed knows what pages show
	stopped bool
}

// touch makes sure that a feed runs, and says up to where a page made from now on has it.
func (h *hub) touch(name string) string {
	f := h.feed(name)
	if f == nil {
		return ""
	}
	<-f.ready // a page made before would show less than the feed takes as known
	f.mu.Lock()
	defer f.mu.Unlock()
	f.idle = time.Now()
	return f.seq()
}

func (h *hub) feed(name string) *feed {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return nil
	}
	f := h.feeds[name]
	if f == nil {
		f = &feed{name: name, id: strconv.FormatInt(time.Now().UnixNano(), 36), clients: map[chan []byte]struct{}{}, idle: time.Now(), stop: make(chan struct{}), ready: make(chan struct{})}
		h.feeds[name] = f
		h.wg.Go(func() { h.run(f) })
	}
	return f
}

// close ends every stream; listeners come back by themselves.
func (h *hub) close(forGood bool) {
	h.mu.Lock()
	h.closed = h.closed || forGood
	for name, f := range h.feeds {
		f.end()
		delete(h.feeds, name)
	}
	h.mu.Unlock()
	if forGood {
		h.wg.Wait()
	}
}

func (f *feed) seq() string { return fmt.Sprintf("%s.%d", f.id, f.n) }

func (f *feed) end() {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.stopped {
		return
	}
	f.stopped = true
	close(f.stop)
	for c := range f.clients {
		close(c)
	}
	clear(f.clients)
}

// run looks at the chambers until nobody has looked at the page for a while.
func (h *hub) run(f *feed) {
	defer h.rescue(f)
	t := time.NewTicker(feedTick)
	defer t.Stop()
	p := newPainter(h.s, f.name)
	p.paint(time.Now()) // what pages show that are made from now on
	close(f.ready)
	for beat := time.Now(); ; {
		select {
		case <-f.stop:
			return
		case <-t.C:
		}
		now := time.Now()
		msg := p.paint(now)
		if msg == nil && now.Sub(beat) >= feedBeat {
			f.send([]byte("event: beat\ndata:\n\n"), false)
			beat = now
		}
		if msg != nil {
			f.send(msg, true)
			beat = now
		}
		if f.abandoned(now) && h.drop(f) {
			return
		}
	}
}

// rescue ends a feed that panicked, as a request that does is ended: whoever looks comes back, and control goes on.
func (h *hub) rescue(f *feed) {
	v := recover()
	if v == nil {
		return
	}
	h.s.log.Error("the stream of a page panicked", "chamber", f.name, "panic", fmt.Sprint(v), "stack", string(debug.Stack()))
	h.mu.Lock()
	if h.feeds[f.name] == f {
		delete(h.feeds, f.name)
	}
	h.mu.Unlock()
	f.end()
	select {
	case <-f.ready:
	default:
		close(f.ready) // a page may wait for it
	}
}

func (f *feed) abandoned(now time.Time) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.clients) > 0 {
		f.idle = now
	}
	return now.Sub(f.idle) > feedLinger
}

func (h *hub) drop(f *feed) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !f.abandoned(time.Now()) { // somebody came meanwhile
		return false
	}
	if h.feeds[f.name] == f {
		delete(h.feeds, f.name)
	}
	f.end()
	return true
}

// send hands a message to every listener; one that lags is cut off, and comes back.
func (f *feed) send(body []byte, counts bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	msg := body
	if counts {
		f.n++
		msg = fmt.Appendf(nil, "id: %s\ndata: %s\n\n", f.seq(), body)
		f.kept = append(f.kept, msg)
		if len(f.kept) > feedKept {
			f.kept = append(f.kept[:0:0], f.kept[len(f.kept)-feedKept:]...)
		}
	}
	for c := range f.clients {
		select {
		case c <- msg:
		default:
			delete(f.clients, c)
			close(c)
		}
	}
}

// join adds a listener and gives what it missed since; stale when that is not known any more.
func (f *feed) join(since string) (c chan []byte, missed [][]byte, stale, ok bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.stopped {
		return nil, nil, false, false
	}
	c = make(chan []byte, liveBacklog)
	f.clients[c] = struct{}{}
	id, number, _ := strings.Cut(since, ".")
	n, err := strconv.Atoi(number)
	back := f.n - n
	if err != nil || id != f.id || back < 0 || back > len(f.kept) {
		return c, nil, true, true
	}
	return c, append(missed, f.kept[len(f.kept)-back:]...), false, true
}

func (f *feed) leave(c chan []byte) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if _, there := f.clients[c]; there {
		delete(f.clients, c)
		f.idle = time.Now()
	}
}

func (h *hub) enter() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.clients >= mostLive {
		return false
	}
	h.clients++
	return true
}

func (h *hub) exit() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.clients--
}

// getLive is the stream itself.
func (s *Server) getLive(w http.ResponseWriter, r *http.Request) {
	err := s.mayRead(w, r)
	name := r.URL.Query().Get("chamber")
	if err == nil && name != "" {
		_, err = s.viewOf(name)
	}
	if err != nil {
		s.writeProblem(w, asProblem(err))
		return
	}
	if !s.live.enter() {
		w.Header().Set("Retry-After", "15")
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	}
	defer s.live.exit()
	f := s.live.feed(name)
	if f == nil {
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	}
	c, missed, stale, ok := f.join(cmp.Or(r.Header.Get("Last-Event-ID"), r.URL.Query().Get("since")))
	if !ok {
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	}
	defer f.leave(c)
	s.stream(w, r, c, missed, stale)
}

// stream writes messages until the listener leaves, lags, or the server stops.
func (s *Server) stream(w http.ResponseWriter, r *http.Request, c chan []byte, missed [][]byte, stale bool) {
	out := http.NewResponseController(w)
	h := w.Header()
	h.Set("Content-Type", "text/event-stream; charset=utf-8")
	h.Set("X-Accel-Buffering", "no") // asks proxies in front not to hold it back
	first := "retry: 2000\n\n"
	if stale {
		first += "event: stale\ndata:\n\n"
	}
	_ = out.SetReadDeadline(time.Time{}) // the request is read; its deadline would end the stream
	put := func(b []byte) bool {
		_ = out.SetWriteDeadline(time.Now().Add(liveWithin)) // where it cannot be set, the server's own holds
		_, err := w.Write(b)
		return err == nil && out.Flush() == nil
	}
	if !put([]byte(first)) {
		return
	}
	for _, m := range missed {
		if !put(m) {
			return
		}
	}
	for {
		select {
		case <-r.Context().Done():
			return
		case m, ok := <-c:
			if !ok || !put(m) {
				return
			}
		}
	}
}

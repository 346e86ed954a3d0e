package web

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"

	"gillkeeper/bridge/words"
	"gillkeeper/policy"
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

// painter works out what changed on a page since it looked last.
type painter struct {
	s     *Server
	name  string
	pace  paces
	cards map[string]*painted
	order string
	clock string
	set   *settings
}

// painted is one card as the stream has told it.
type painted struct {
	snap  *policy.Snapshot
	card  *card
	dirty bool
	urgent,
	told map[string]string
	at map[string]time.Time
}

func newPainter(s *Server, name string) *painter {
	p := &painter{s: s, name: name, pace: sitePaces, cards: map[string]*painted{}}
	if name != "" {
		p.pace = chamberPaces
	}
	return p
}

// update is one message: texts and parts by chamber, the order of the cards, and the line of the clock.
type update struct {
	Text  map[string]map[string]string `json:"t,omitempty"`
	HTML  map[string]map[string]string `json:"h,omitempty"`
	Order []string                     `json:"o,omitempty"`
	Clock string                       `json:"c,omitempty"`
	Whole *standing                    `json:"w,omitempty"`
}

// paint gives the message that brings a page up to date, or nil.
func (p *painter) paint(now time.Time) []byte {
	set := p.s.settings.Load()
	snaps := p.snapshots()
	first := p.set == nil
	if p.set != set {
		p.set, p.cards = set, map[string]*painted{}
	}
	u := update{}
	cards := make([]*card, 0, len(snaps))
	for _, snap := range snaps {
		c := p.cards[snap.Spec.Name]
		if c == nil {
			c = &painted{urgent: map[string]string{}, told: map[string]string{}, at: map[string]time.Time{}}
			p.cards[snap.Spec.Name] = c
		}
		if c.snap != snap {
			c.snap, c.card, c.dirty = snap, cardOf(snap, set.words), true
		}
		if c.dirty {
			p.tell(c, set.words, now, &u)
		}
		cards = append(cards, c.card)
	}
	if p.name == "" {
		p.site(cards, &u)
	}
	if clock := clockLine(set, p.s.now()); clock != p.clock {
		p.clock, u.Clock = clock, clock
	}
	if first || u.Text == nil && u.HTML == nil && u.Order == nil && u.Clock == "" {
		return nil
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false) // it is read as JSON, and signs of markup are many
	if err := e.Encode(u); err != nil {
		p.s.log.Error("a live message cannot be written", "error", err)
		return nil
	}
	return bytes.TrimSpace(b.Bytes())
}

func (p *painter) snapshots() []*policy.Snapshot {
	if p.name == "" {
		return p.s.backend.Snapshots()
	}
	if snap, ok := p.s.backend.Snapshot(p.name); ok {
		return []*policy.Snapshot{snap}
	}
	return nil
}

// site tells the order of the cards when it changes, and with it how the site does.
func (p *painter) site(cards []*card, u *update) {
	sortCards(cards)
	var names []string
	for _, k := range cards {
		names = append(names, k.Name)
	}
	whole := overall(cards)
	if order := strings.Join(names, " ") + whole.Words; order != p.order {
		p.order, u.Order, u.Whole = order, names, &whole
	}
}

// bit is a piece of a card: html where it is a part of the page, else text. A change of urgent goes out at once, one of
// sum when its time has come.
type bit struct {
	key, urgent, sum, text string
	html                   bool
	every                  time.Duration
}

// tell adds what changed of a card.
func (p *painter) tell(c *painted, w words.Words, now time.Time, u *update) {
	c.dirty = false
	for _, b := range p.bits(c.card) {
		old, known := c.told[b.key]
		if known && old == b.sum && c.urgent[b.key] == b.urgent {
			continue
		}
		if known && c.urgent[b.key] == b.urgent && now.Sub(c.at[b.key]) < b.every {
			c.dirty = true // later
			continue
		}
		c.told[b.key], c.urgent[b.key] = b.sum, b.urgent
		if known { // what a page began with may change at once
			c.at[b.key] = now
		}
		if b.html {
			u.HTML = put(u.HTML, c.card.Name, b.key, b.text)
		} else {
			u.Text = put(u.Text, c.card.Name, b.key, b.text)
		}
	}
}

func put(m map[string]map[string]string, chamber, key, text string) map[string]map[string]string {
	if m == nil {
		m = map[string]map[string]string{}
	}
	if m[chamber] == nil {
		m[chamber] = map[string]string{}
	}
	m[chamber][key] = text
	return m
}

// bits are the pieces of a card, with the names that the page's template has for them.
func (p *painter) bits(k *card) []bit {
	root := ""
	if p.name != "" {
		root = "../"
	}
	var out []bit
	html := func(key, name string, x any, urgent, sum string) {
		var b bytes.Buffer
		if err := views["site"].ExecuteTemplate(&b, name, part{root, x}); err != nil {
			p.s.log.Error("a part of a page cannot be rendered", "part", name, "error", err)
			return
		}
		out = append(out, bit{key: key, urgent: urgent, sum: cmp.Or(sum, b.String()), text: b.String(), html: true, every: p.pace.text})
	}
	text := func(key, text string, every time.Duration) {
		out = append(out, bit{key: key, sum: text, text: text, every: every})
	}
	html("s", "standing", k, k.Standing.Words, k.Standing.Words)
	html("a", "alarms", k, alarmsKey(k.Alarms)+k.QuietSays, "")
	if p.name != "" {
		html("q", "quiet", k, alarmsKey(k.Quiet), "")
	}
	// Gauges are drawn anew when there are others. Else their texts, class and band are sent, and the page places the mark.
	html("g", "gauges", k, gaugesKey(k), "same")
	for i := range k.Gauges {
		g := &k.Gauges[i]
		text(g.Key, g.Value, p.pace.value)
		text(g.Key+".k", g.Class, p.pace.value)
		text(g.Key+".n", g.Note, p.pace.text)
		text(g.Key+".w", g.Wanted(), p.pace.text)
		if g.HasBand {
			text(g.Key+".b", fmt.Sprintf("%g %g", g.BandAt, g.BandWide), p.pace.text)
		}
	}
	html("b", "batches", k, "", "")
	for i := range k.Plugs {
		x := &k.Plugs[i]
		html("p"+strconv.Itoa(i), "plugstate", x, x.State+strconv.FormatBool(x.Hand), "same")
		text("y"+strconv.Itoa(i), x.Why, p.pace.text)
	}
	html("w", "water", k, waterKey(k.Water), "")
	return out
}

// alarmsKey and gaugesKey change with what a person must see at once.
func alarmsKey(lines []alarmLine) string {
	key := ""
	for i := range lines {
		a := &lines[i]
		key += a.Name + a.Class + a.Priority + a.Note + ";"
	}
	return key
}

func gaugesKey(k *card) string {
	key := ""
	for i := range k.Gauges {
		g := &k.Gauges[i]
		key += g.Key + g.Unit + strconv.FormatBool(g.HasBand) + ";"
	}
	return key
}

func waterKey(x *water) string {
	if x == nil {
		return "none"
	}
	return x.Class
}

package web

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"

	"gillkeeper/bridge/words"
	"gillkeeper/policy"
)

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
	of := cardOf
	if p.name != "" {
		of = detailOf
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
			c.snap, c.card, c.dirty = snap, of(snap, set.words), true
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
		if err := views()["site"].ExecuteTemplate(&b, name, part{root, x}); err != nil {
			p.s.log.Error("a part of a page cannot be rendered", "part", name, "error", err)
			return
		}
		out = append(out, bit{key: key, urgent: urgent, sum: cmp.Or(sum, b.String()), text: b.String(), html: true, every: p.pace.text})
	}
	// What must agree with what else is shown is told at once when that changes.
	with := func(urgent, key, text string, every time.Duration) {
		out = append(out, bit{key: key, urgent: urgent, sum: text, text: text, every: every})
	}
	text := func(key, text string, every time.Duration) { with("", key, text, every) }
	html("s", "standing", k, k.Standing.Class+k.Standing.Words, "")
	html("a", "alarms", k, alarmsKey(k.Alarms)+k.QuietSays, "")
	if p.name != "" {
		html("q", "quiet", k, alarmsKey(k.Quiet), "")
		html("n", "sensors", k, "", "")
	}
	// Gauges are drawn anew when there are others. Else their texts, class and band are sent, and the page places the mark.
	html("g", "gauges", k, gaugesKey(k), "same")
	for i := range k.Gauges {
		g := &k.Gauges[i]
		side := g.Class + g.Note
		with(side, g.Key, g.Value, p.pace.value)
		with(side, g.Key+".k", g.Class, p.pace.value)
		with(side, g.Key+".n", g.Note, p.pace.text)
		text(g.Key+".w", g.Wanted(), p.pace.text)
		if g.HasBand {
			text(g.Key+".b", fmt.Sprintf("%g %g", g.BandAt, g.BandWide), p.pace.text)
		}
	}
	html("b", "batches", k, "", "")
	for i := range k.Plugs {
		x := &k.Plugs[i]
		state := x.State + strconv.FormatBool(x.Hand)
		html("p"+strconv.Itoa(i), "plugstate", x, state, "same")
		with(state, "y"+strconv.Itoa(i), tie(x.Why), p.pace.text)
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

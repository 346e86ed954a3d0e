package journal

import (
	"context"
	"encoding/json"
	"fmt"
	"iter"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"gillkeeper/policy"
)

// Memory is a journal without a file: for demonstrations, rehearsals and tests. It lasts as long as the process.
type Memory struct {
	mu       sync.Mutex // protects all below
	closed   bool
	seq      int64 // the highest given or seen
	actions  []Acted
	byID     map[string]int // index in actions
	saved    map[string]Saved
	switches map[string][]Switched
	events   []Noted // in order of writing
	minutes  map[series]map[int64]Minute
	records  map[string]map[string]json.RawMessage // by part and name
}

var _ Journal = (*Memory)(nil)

type series struct{ chamber, place, quantity string }

// NewMemory makes an empty journal.
func NewMemory() *Memory {
	return &Memory{byID: map[string]int{}, saved: map[string]Saved{}, switches: map[string][]Switched{},
		minutes: map[series]map[int64]Minute{}}
}

// enter locks the journal when it may be used.
func (m *Memory) enter(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	m.mu.Lock()
	if m.closed {
		m.mu.Unlock()
		return ErrClosed
	}
	return nil
}

// Act implements [Journal].
func (m *Memory) Act(ctx context.Context, chamber string, a policy.Action) (int64, error) {
	if err := checkAction(chamber, &a); err != nil {
		return 0, err
	}
	if err := m.enter(ctx); err != nil {
		return 0, err
	}
	defer m.mu.Unlock()
	if i, ok := m.byID[a.ID]; ok {
		old := &m.actions[i]
		if old.Chamber != chamber || !a.Repeats(&old.Action) {
			return 0, fmt.Errorf("%w: %s", ErrIDTaken, a.ID)
		}
		return old.Seq, nil
	}
	m.byID[a.ID] = len(m.actions)
	m.seq++
	m.actions = append(m.actions, Acted{Seq: m.seq, Chamber: chamber, Action: a})
	return m.seq, nil
}

// Switch implements [Journal].
func (m *Memory) Switch(ctx context.Context, sw []Switched) error {
	for i := range sw {
		if err := checkTime("switch", sw[i].At); err != nil {
			return err
		}
	}
	if err := m.enter(ctx); err != nil {
		return err
	}
	defer m.mu.Unlock()
	for _, s := range sw {
		m.switches[s.Chamber] = append(m.switches[s.Chamber], s)
	}
	return nil
}

// Save implements [Journal].
func (m *Memory) Save(ctx context.Context, snaps []Saved) error {
	for i := range snaps {
		if err := checkTime("snapshot", snaps[i].At); err != nil {
			return err
		}
	}
	if err := m.enter(ctx); err != nil {
		return err
	}
	defer m.mu.Unlock()
	var behind []string
	for _, s := range snaps {
		if old, ok := m.saved[s.Chamber]; ok && old.Seq > s.Seq {
			behind = append(behind, s.Chamber)
			continue
		}
		m.seq = max(m.seq, s.Seq)
		s.State = slices.Clone(s.State)
		m.saved[s.Chamber] = s
		m.switches[s.Chamber] = slices.DeleteFunc(m.switches[s.Chamber], func(w Switched) bool { return w.At.Before(s.At) })
	}
	return behindError(behind)
}

func behindError(chambers []string) error {
	if len(chambers) == 0 {
		return nil
	}
	return fmt.Errorf("%w: %s", ErrBehind, strings.Join(chambers, ", "))
}

// Note implements [Journal].
func (m *Memory) Note(ctx context.Context, events []Noted) (int, error) {
	for i := range events {
		if err := checkTime("event", events[i].Event.At); err != nil {
			return 0, err
		}
	}
	if err := m.enter(ctx); err != nil {
		return 0, err
	}
	defer m.mu.Unlock()
	m.events = append(m.events, events...)
	return len(events), nil
}

// Load implements [Journal].
func (m *Memory) Load(ctx context.Context, chamber string) (Loaded, error) {
	if err := m.enter(ctx); err != nil {
		return Loaded{}, err
	}
	defer m.mu.Unlock()
	var l Loaded
	l.Saved, l.OK = m.saved[chamber]
	for _, a := range m.actions {
		if a.Chamber == chamber && a.Seq > l.Saved.Seq {
			l.Actions = append(l.Actions, a)
		}
	}
	for _, s := range m.switches[chamber] {
		if !l.OK || !s.At.Before(l.Saved.At) {
			l.Switches = append(l.Switches, s)
		}
	}
	return l, nil
}

// within reports whether from ≤ t < to, where a zero bound does not narrow.
func within(t, from, to time.Time) bool {
	return (from.IsZero() || !t.Before(from)) && (to.IsZero() || t.Before(to))
}

// Events implements [Journal].
func (m *Memory) Events(ctx context.Context, q EventQuery) iter.Seq2[Noted, error] {
	return func(yield func(Noted, error) bool) {
		if q.Chamber == "" {
			yield(Noted{}, errNoChamber)
			return
		}
		if err := m.enter(ctx); err != nil {
			yield(Noted{}, err)
			return
		}
		var found []Noted
		for _, n := range m.events {
			e := &n.Event
			if n.Chamber == q.Chamber && (q.Plug == "" || e.Plug == q.Plug) &&
				(len(q.Kinds) == 0 || slices.Contains(q.Kinds, e.Kind)) && within(e.At, q.From, q.To) {
				found = append(found, n)
			}
		}
		m.mu.Unlock()
		slices.SortStableFunc(found, func(a, b Noted) int { return a.Event.At.Compare(b.Event.At) })
		if q.Newest > 0 && len(found) > q.Newest {
			found = found[len(found)-q.Newest:]
		}
		yieldAll(ctx, found, yield)
	}
}

// yieldAll hands out values until they, the taker or the context end.
func yieldAll[T any](ctx context.Context, all []T, yield func(T, error) bool) {
	for _, v := range all {
		if err := ctx.Err(); err != nil {
			var none T
			yield(none, err)
			return
		}
		if !yield(v, nil) {
			return
		}
	}
}

// LastSwitches implements [Journal].
func (m *Memory) LastSwitches(ctx context.Context, chamber string, at time.Time) ([]policy.Event, error) {
	if err := m.enter(ctx); err != nil {
		return nil, err
	}
	defer m.mu.Unlock()
	last := map[string]policy.Event{}
	for _, n := range m.events {
		e := n.Event
		if n.Chamber != chamber || e.Kind != policy.PlugSwitched || e.At.After(at) {
			continue
		}
		if old, ok := last[e.Plug]; !ok || !e.At.Before(old.At) {
			last[e.Plug] = e
		}
	}
	var out []policy.Event
	for _, plug := range slices.Sorted(maps.Keys(last)) {
		out = append(out, last[plug])
	}
	return out, nil
}

// Actions implements [Journal].
func (m *Memory) Actions(ctx context.Context, q ActionQuery) iter.Seq2[Acted, error] {
	return func(yield func(Acted, error) bool) {
		if err := m.enter(ctx); err != nil {
			yield(Acted{}, err)
			return
		}
		var found []Acted
		for _, a := range m.actions {
			if (q.Chamber == "" || a.Chamber == q.Chamber) && (q.Batch == "" || a.Action.Batch == q.Batch) &&
				(len(q.Kinds) == 0 || slices.Contains(q.Kinds, a.Action.Kind)) && within(a.Action.At, q.From, q.To) {
				found = append(found, a)
			}
		}
		m.mu.Unlock()
		yieldAll(ctx, found, yield)
	}
}

// Minutes implements [Journal].
func (m *Memory) Minutes(ctx context.Context, ms []Minute) error {
	for i := range ms {
		if err := ms[i].check(); err != nil {
			return err
		}
	}
	if err := m.enter(ctx); err != nil {
		return err
	}
	defer m.mu.Unlock()
	for _, v := range ms {
		v = v.settled()
		s := series{v.Chamber, v.Place, v.Quantity}
		if m.minutes[s] == nil {
			m.minutes[s] = map[int64]Minute{}
		}
		m.minutes[s][v.Start.Unix()] = v
	}
	return nil
}

// History implements [Journal].
func (m *Memory) History(ctx context.Context, q HistoryQuery) iter.Seq2[Minute, error] {
	return func(yield func(Minute, error) bool) {
		if err := q.check(); err != nil {
			yield(Minute{}, err)
			return
		}
		if err := m.enter(ctx); err != nil {
			yield(Minute{}, err)
			return
		}
		var found []Minute
		for s, rows := range m.minutes {
			if q.Chamber != s.chamber || q.Place != "" && s.place != q.Place || q.Quantity != "" && s.quantity != q.Quantity ||
				slices.Contains(q.Without, s.place) {
				continue
			}
			for _, v := range rows {
				if within(v.Start, q.From, q.To) {
					found = append(found, v)
				}
			}
		}
		m.mu.Unlock()
		slices.SortFunc(found, func(a, b Minute) int { return a.Start.Compare(b.Start) })
		g := merger{step: q.Step}
		var out []Minute
		for _, v := range found {
			out = append(out, g.add(v)...)
		}
		yieldAll(ctx, append(out, g.end()...), yield)
	}
}

// Latest implements [Journal].
func (m *Memory) Latest(ctx context.Context) (time.Time, error) {
	if err := m.enter(ctx); err != nil {
		return time.Time{}, err
	}
	defer m.mu.Unlock()
	var t time.Time
	see := func(at time.Time) {
		if at.After(t) {
			t = at.Round(0).UTC()
		}
	}
	for _, a := range m.actions {
		see(a.Action.At)
	}
	for _, s := range m.saved {
		see(s.At)
	}
	for _, list := range m.switches {
		for _, s := range list {
			see(s.At)
		}
	}
	for _, n := range m.events {
		see(n.Event.At)
	}
	for _, rows := range m.minutes {
		for _, v := range rows {
			see(v.Start)
		}
	}
	return t, nil
}

// Prune implements [Journal].
func (m *Memory) Prune(ctx context.Context, r Retention) (int64, error) {
	if err := m.enter(ctx); err != nil {
		return 0, err
	}
	defer m.mu.Unlock()
	n := len(m.events)
	if !r.Events.IsZero() {
		m.events = slices.DeleteFunc(m.events, func(n Noted) bool { return n.Event.At.Before(r.Events) })
	}
	gone := int64(n-len(m.events)) + m.thin(&r)
	if r.Minutes.IsZero() {
		return gone, nil
	}
	for _, rows := range m.minutes {
		before := len(rows)
		maps.DeleteFunc(rows, func(_ int64, v Minute) bool { return v.Start.Before(r.Minutes) })
		gone += int64(before - len(rows))
	}
	return gone, nil
}

// Close implements [Journal].
func (m *Memory) Close() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.closed = true
	return nil
}

package keeper

import (
	"container/heap"
	"context"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
)

// worker decides for the chambers that fell to it, one at a time.
type worker struct {
	k     *Keeper
	ready chan *unit // every queued unit once
	out   chan command
	pokes chan struct{}
	wakes wakes
	alive atomic.Int64 // real time of the loop's last turn, nanoseconds since 1970

	mu       sync.Mutex // protects overflow
	overflow []*unit    // when ready is full
}

// command is a plug's order on its way out.
type command struct {
	u      *unit
	policy *policy.Policy // by which it was decided: plug counts in its list
	plug   int
	order  chamber.Order
	at     time.Time // real time, when it was decided
}

func defaultWorkers() int { return min(max(runtime.GOMAXPROCS(0), 1), 8) }

func newWorker(k *Keeper) *worker {
	return &worker{k: k, ready: make(chan *unit, 1024), out: make(chan command, 256), pokes: make(chan struct{}, 1)}
}

func (w *worker) push(u *unit) {
	select {
	case w.ready <- u:
	default:
		w.mu.Lock()
		w.overflow = append(w.overflow, u)
		w.mu.Unlock()
		w.poke()
	}
}

// poke makes the worker look at all its chambers.
func (w *worker) poke() {
	select {
	case w.pokes <- struct{}{}:
	default:
	}
}

// run looks at a chamber when something came in for it or its time has come.
func (w *worker) run(ctx context.Context) {
	timer := w.k.clock.NewTimer(w.k.clock.Now().Add(time.Hour))
	defer timer.Stop()
	for {
		w.alive.Store(time.Now().UnixNano())
		w.arm(timer)
		select {
		case <-ctx.Done():
			return
		case u := <-w.ready:
			w.decide(ctx, u)
		case <-w.pokes:
			w.mu.Lock()
			waiting := w.overflow
			w.overflow = nil
			w.mu.Unlock()
			for _, u := range waiting {
				w.decide(ctx, u)
			}
			for _, u := range append(wakes(nil), w.wakes...) {
				w.decide(ctx, u)
			}
		case <-timer.C:
		}
		for now := w.k.Now(); len(w.wakes) > 0 && !w.wakes[0].wake.After(now); {
			w.decide(ctx, w.wakes[0])
		}
	}
}

type resetter interface{ Reset(time.Time) }

func (w *worker) arm(t resetter) {
	at := w.k.clock.Now().Add(time.Minute)
	if len(w.wakes) > 0 {
		if first := w.wakes[0].wake; first.Before(at) {
			at = first
		}
	}
	t.Reset(at)
}

// leastNap is the shortest pause that a chamber may ask for: a wake in the past must not become a busy loop.
const leastNap = 50 * time.Millisecond

// decide steps one chamber and carries out the decision.
func (w *worker) decide(ctx context.Context, u *unit) {
	got := u.take()
	in, acts := got.in, got.acts
	if got.retired {
		w.forget(u)
		for _, r := range acts {
			r.reply <- answer{err: errGone(u.name)}
		}
		return
	}
	u.renew(&got)
	in.Now, in.Wall = w.k.Now(), w.k.clock.Wall()
	in.JournalFailing = w.k.failing.Load()
	refused := make([]error, len(acts))
	for i, r := range acts {
		if refused[i] = u.policy.Check(&u.state, &r.action); refused[i] == nil {
			in.Actions = append(in.Actions, r.action)
		}
		u.seq = max(u.seq, r.seq)
	}
	began := time.Now()
	var d policy.Decision
	u.state, d = u.policy.Step(u.state, in)
	if w.k.watch != nil {
		w.k.watch.Decided(time.Since(began))
	}
	u.wake = d.Wake
	if least := in.Now.Add(leastNap); u.wake.Before(least) {
		u.wake = least
	}
	w.schedule(u)
	w.send(ctx, u, &d) // the plugs first: whoever looks or is told can wait
	snap := w.show(u, &in, &d, len(acts) > 0 || in.JournalAnew.Code != "")
	for i, r := range acts {
		r.reply <- answer{snap: snap, err: refused[i]}
	}
}

// show makes a picture of what was decided, and hands it to all who look, keep or are told. It is saved at once when something
// happened, or when asked to.
func (w *worker) show(u *unit, in *policy.Input, d *policy.Decision, save bool) *policy.Snapshot {
	snap := &policy.Snapshot{Spec: u.policy.Spec, Wall: in.Wall, State: u.state, Decision: *d, Observe: u.policy.Observe,
		Proposals: u.state.Crop.Proposals(u.policy.Climates, u.state.Now)}
	u.snap.Store(snap)
	u.pending.Store(&picture{snap: snap, seq: u.seq})
	if len(d.Events) > 0 || save {
		u.urgent.Store(true)
		w.k.notes.add(u.name, d.Events)
		if w.k.hears != nil && len(d.Events) > 0 {
			w.k.hears(snap, d.Events)
		}
	}
	w.k.minutes.add(snap)
	return snap
}

// send writes the decision's commands ahead and hands them to the sender.
func (w *worker) send(ctx context.Context, u *unit, d *policy.Decision) {
	decided := time.Now() // writing ahead may take a slow disk seconds
	var ahead []journal.Switched
	for i := range d.Plugs {
		if p := &u.state.Plugs[i]; d.Plugs[i].Send && (p.TurnedAt.Equal(u.state.Now) || p.RetoldAt.Equal(u.state.Now)) {
			ahead = append(ahead, journal.Switched{Chamber: u.name, Plug: p.Name, On: d.Plugs[i].On, At: u.state.Now})
		}
	}
	if len(ahead) > 0 {
		if err := w.k.journal.Switch(ctx, ahead); err != nil && ctx.Err() == nil {
			w.k.fail("switch", err)
		}
	}
	for i := range d.Plugs {
		if !d.Plugs[i].Send {
			continue
		}
		select {
		case w.out <- command{u: u, policy: u.policy, plug: i, order: d.Plugs[i].Order(), at: decided}:
		default:
			u.unsent(u.policy, i) // the sender is stuck: decided anew when it is free
		}
	}
}

// sendAll gives the commands to the publisher in order.
func (w *worker) sendAll(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case c := <-w.out:
			if err := w.k.publish(ctx, &c); err != nil && ctx.Err() == nil {
				c.u.unsent(c.policy, c.plug)
			}
		}
	}
}

func (w *worker) schedule(u *unit) {
	if u.slot < 0 {
		heap.Push(&w.wakes, u)
		return
	}
	heap.Fix(&w.wakes, u.slot)
}

func (w *worker) forget(u *unit) {
	if u.slot >= 0 {
		heap.Remove(&w.wakes, u.slot)
	}
}

// wakes is the queue of chambers by the time of their next look.
type wakes []*unit

func (h wakes) Len() int           { return len(h) }
func (h wakes) Less(i, j int) bool { return h[i].wake.Before(h[j].wake) }
func (h wakes) Swap(i, j int)      { h[i], h[j] = h[j], h[i]; h[i].slot, h[j].slot = i, j }
func (h *wakes) Push(x any)        { u := x.(*unit); u.slot = len(*h); *h = append(*h, u) }
func (h *wakes) Pop() any {
	old := *h
	u := old[len(old)-1]
	u.slot = -1
	*h = old[:len(old)-1]
	return u
}

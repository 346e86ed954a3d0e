package keeper

import (
	"encoding/json"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
)

// mostReports bounds the plug reports that wait for a lagging worker, for each plug. Two tell of a hand; more tell of
// a plug gone mad, of which the newest is enough.
const mostReports = 8

// unit is one chamber with its state. The state belongs to its worker; everything else comes in by the inbox and goes
// out by snapshots.
type unit struct {
	k      *Keeper
	name   string
	worker *worker

	acting sync.Mutex // one action at a time: the order in the journal is the order of doing

	mu      sync.Mutex // protects the inbox below
	in      policy.Input
	acts    []request
	next    *policy.Policy // a new configuration
	found   *found         // what the journal holds, read late
	queued  bool
	retired bool

	// What follows belongs to the worker.
	policy *policy.Policy
	state  policy.State
	seq    int64 // of the last action applied
	slot   int   // in the worker's queue of wakes; -1: not there
	wake   time.Time

	policyNow atomic.Pointer[policy.Policy] // as the worker uses it
	snap      atomic.Pointer[policy.Snapshot]
	pending   atomic.Pointer[picture] // newest, for the saver
	saved     atomic.Pointer[policy.Snapshot]
	urgent    atomic.Bool // something happened since the last save
	joined    atomic.Bool // the state rests on what the journal held when it was taken over
	unread    atomic.Bool // what the journal holds of it is not known yet: it must not be written over
}

// found is a saved state that could not be read when the chamber was taken over, and was later.
type found struct {
	state policy.State
	seq   int64
}

// picture is a snapshot with the number of the last action that it has applied.
type picture struct {
	snap *policy.Snapshot
	seq  int64
}

// request is an action on its way to the worker.
type request struct {
	action policy.Action
	seq    int64
	reply  chan answer
}

type answer struct {
	snap *policy.Snapshot
	err  error
}

func newUnit(k *Keeper, p *policy.Policy, s policy.State, seq int64) *unit {
	u := &unit{k: k, name: p.Spec.Name, policy: p, state: s, seq: seq, slot: -1}
	u.in.Link = k.linked.Load()
	u.policyNow.Store(p)
	snap := &policy.Snapshot{Spec: p.Spec, Wall: k.clock.Wall(), State: s, Observe: p.Observe}
	u.snap.Store(snap)
	u.saved.Store(snap)
	return u
}

// Inlet is where the messages of one configuration's chambers come in. Indexes are those of the policies it was made
// for.
type Inlet struct {
	units  []*unit
	closed atomic.Bool
}

// Close lets nothing more in: what plugs then say of themselves, somebody else had them do.
func (in *Inlet) Close() { in.closed.Store(true) }

// Inlet makes the inlet for chambers in the order given.
func (k *Keeper) Inlet(chambers []string) (*Inlet, error) {
	in := &Inlet{}
	for _, name := range chambers {
		u := k.unit(name)
		if u == nil {
			return nil, fmt.Errorf("keeper: chamber %q is not kept here", name)
		}
		in.units = append(in.units, u)
	}
	return in, nil
}

// lock gives the chamber locked, for something to be taken in; nil: the inlet is closed.
func (in *Inlet) lock(i int) *unit {
	if in.closed.Load() {
		return nil
	}
	u := in.units[i]
	u.mu.Lock()
	return u
}

// Reading takes in a sensor's value; a newer one of the same sensor replaces it while it waits.
func (in *Inlet) Reading(i int, r chamber.Reading) {
	u := in.lock(i)
	if u == nil {
		return
	}
	defer u.mu.Unlock()
	r.At = u.k.Now()
	for j := range u.in.Readings {
		if w := &u.in.Readings[j]; w.Sensor == r.Sensor && w.Retained == r.Retained {
			*w = r
			u.queue()
			return
		}
	}
	u.in.Readings = append(u.in.Readings, r)
	u.queue()
}

// Liveness takes in what a sensor's liveness topic says.
func (in *Inlet) Liveness(i int, l chamber.Liveness) {
	u := in.lock(i)
	if u == nil {
		return
	}
	defer u.mu.Unlock()
	l.At = u.k.Now()
	u.in.Liveness = slices.DeleteFunc(u.in.Liveness, func(o chamber.Liveness) bool { return o.Sensor == l.Sensor })
	u.in.Liveness = append(u.in.Liveness, l)
	u.queue()
}

// Refusal takes in that a sensor spoke and could not be used. Nothing is decided anew for it.
func (in *Inlet) Refusal(i int, r chamber.Refusal) {
	u := in.lock(i)
	if u == nil {
		return
	}
	defer u.mu.Unlock()
	r.At = u.k.Now()
	u.in.Refusals = slices.DeleteFunc(u.in.Refusals, func(o chamber.Refusal) bool { return o.Sensor == r.Sensor })
	u.in.Refusals = append(u.in.Refusals, r)
}

// Report takes in what a plug says of itself, in order.
func (in *Inlet) Report(i int, r chamber.PlugReport) {
	u := in.lock(i)
	if u == nil {
		return
	}
	defer u.mu.Unlock()
	r.At = u.k.Now()
	waiting, oldest := 0, -1
	for j := range u.in.Reports {
		if u.in.Reports[j].Plug == r.Plug {
			if waiting++; oldest < 0 {
				oldest = j
			}
		}
	}
	if waiting >= mostReports {
		u.in.Reports = slices.Delete(u.in.Reports, oldest, oldest+1)
	}
	u.in.Reports = append(u.in.Reports, r)
	u.queue()
}

// unsent takes back a command that did not leave. One that was decided by a configuration that is gone is left: its index names another
// plug by now, and whatever the new one wants is told when the connection stands.
func (u *unit) unsent(by *policy.Policy, plug int) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.decidingBy() != by {
		return
	}
	if !slices.Contains(u.in.Unsent, plug) {
		u.in.Unsent = append(u.in.Unsent, plug)
	}
	u.queue()
}

func (u *unit) link(up bool) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if up && !u.in.Link {
		u.in.LinkUp = true
	}
	u.in.Link = up
	u.queue()
}

func (u *unit) journalAnew(why alarm.Anew) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.in.JournalAnew = why
	u.queue()
}

func (u *unit) refit(p *policy.Policy) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.next = p
	u.in.Readings, u.in.Liveness, u.in.Refusals, u.in.Reports, u.in.Unsent = nil, nil, nil, nil, nil // of the old indexes
	u.queue()
}

func (u *unit) retire() {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.retired = true
	u.queue()
}

// offer hands the worker what the journal held after all.
func (u *unit) offer(f *found) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.found = f
	u.queue()
}

func (u *unit) nudge() {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.queue()
}

// queue hands the unit to its worker once, whatever more comes in until it is looked at.
func (u *unit) queue() {
	if !u.queued {
		u.queued = true
		u.worker.push(u)
	}
}

// take empties the inbox.
func (u *unit) take() inbox {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.queued = false
	got := inbox{in: u.in, acts: u.acts, next: u.next, found: u.found, retired: u.retired}
	u.in = policy.Input{Link: u.in.Link}
	u.acts, u.next, u.found = nil, nil, nil
	return got
}

// inbox is what came in for a unit since it was last looked at.
type inbox struct {
	in      policy.Input
	acts    []request
	next    *policy.Policy
	found   *found
	retired bool
}

// renew lays the state over a new configuration, and joins it to what the journal held.
func (u *unit) renew(got *inbox) {
	if got.next != nil {
		u.policy = got.next
		u.policyNow.Store(got.next)
		u.state = got.next.Fit(u.state)
	}
	if f := got.found; f != nil && f.seq >= u.seq { // or else an action came in between: it is read again
		live := u.state
		if u.joined.Load() { // its counters are the journal's already: not twice
			live = live.WithCounters(&policy.State{})
		}
		u.state = u.policy.Rejoin(live, f.state)
		u.seq = max(u.seq, f.seq)
		u.joined.Store(true)
		u.unread.Store(false)
	}
}

// catchUp takes in a configuration for which the worker had no turn left; only when no worker runs.
func (u *unit) catchUp() {
	u.mu.Lock()
	next := u.next
	u.next = nil
	u.mu.Unlock()
	u.renew(&inbox{next: next})
}

// counted is the newest snapshot with the counters that the journal holds.
func (u *unit) counted() *policy.Snapshot {
	now, old := u.snap.Load(), u.saved.Load()
	if now == old {
		return now
	}
	c := *now
	c.State = c.State.WithCounters(&old.State)
	return &c
}

// publishState makes a picture of the state as it stands; only when no worker runs.
func (u *unit) publishState() {
	snap := *u.snap.Load()
	snap.State = u.state
	u.snap.Store(&snap)
	u.pending.Store(&picture{snap: &snap, seq: u.seq})
}

func decodeState(b json.RawMessage) (policy.State, error) {
	var s policy.State
	if err := json.Unmarshal(b, &s); err != nil {
		return s, err
	}
	if s.Schema > policy.StateSchema {
		return s, fmt.Errorf("it has layout %d, this program knows up to %d", s.Schema, policy.StateSchema)
	}
	return s, nil
}

func (p *picture) encode(name string) (journal.Saved, error) {
	b, err := json.Marshal(&p.snap.State)
	return journal.Saved{Chamber: name, Seq: p.seq, At: p.snap.State.Now, State: b}, err
}

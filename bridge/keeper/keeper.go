// Package keeper owns every chamber's state: time and messages go in, decisions come out.
//
// A chamber belongs to one worker goroutine; others get immutable snapshots. What a person did is in the journal before
// it is answered, and a command is in the journal before it leaves. When a worker lags, readings collapse to the
// newest of each sensor; actions of people never do.
//
// It must never decode a payload or make words. Start reading at [Keeper.Run].
package keeper

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/maruel/natural"

	"gillkeeper/bridge/clock"
	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
)

// Publisher sends a command to a plug. An error means that it did not leave; it is then decided anew, never sent
// late. Chamber and plug are indexes of the inlet's configuration.
type Publisher interface {
	Send(ctx context.Context, chamber, plug int, o chamber.Order) error
}

// Observer counts what the keeper does.
type Observer interface {
	Decided(took time.Duration)
	// JournalFailing says that the journal refuses to be written, or that it takes what is written again.
	JournalFailing(yes bool)
}

// Options are what a keeper needs. Clock and Journal are required.
type Options struct {
	Clock    *clock.Clock
	Journal  journal.Journal
	Observer Observer
	// Happened hears of what was decided in a chamber, from the goroutine that owns it: it must not wait. nil: nobody.
	Happened func(snap *policy.Snapshot, events []policy.Event)
	Log      *slog.Logger
	Workers  int // 0: as many as there are processors, at most 8
}

// Keeper owns the chambers. Make one with [New], give it chambers with [Keeper.Adopt], and let it [Keeper.Run].
type Keeper struct {
	clock   *clock.Clock
	journal journal.Journal
	watch   Observer
	hears   func(*policy.Snapshot, []policy.Event) // nil: nobody
	log     *slog.Logger
	workers []*worker

	mu    sync.RWMutex // protects the table of chambers
	units map[string]*unit
	order []*unit // by name

	naming  sync.Mutex // held while a batch may come in, from looking for its name elsewhere until it is there; before any unit's
	linked  atomic.Bool
	outlet  atomic.Pointer[outlet]
	failing atomic.Bool // the journal refuses to be written
	told    sync.Mutex  // held while the observer is told of it
	notes   notes
	saver   saver
	minutes minutes
}

// behindSaid is by how much the machine's clock may be behind what was saved without a word: the last save before a start.
const behindSaid = time.Minute

// New makes a keeper without chambers.
func New(o Options) (*Keeper, error) {
	if o.Clock == nil || o.Journal == nil {
		return nil, errors.New("keeper: a clock and a journal are needed")
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Workers <= 0 {
		o.Workers = defaultWorkers()
	}
	k := &Keeper{clock: o.Clock, journal: o.Journal, watch: o.Observer, hears: o.Happened, log: o.Log, units: map[string]*unit{}}
	latest, err := o.Journal.Latest(context.Background())
	if err != nil {
		k.fail("read", err)
	}
	if behind := o.Clock.NotBefore(latest); behind > behindSaid && k.clock.Pace() == 1 { // a drill that goes on from another is always behind
		k.log.Warn("the machine's clock is behind what the journal holds; durations go on from there, but lamps go by the clock: is its time set?",
			"clock", k.clock.Wall().Format(time.RFC3339), "journal", latest.Format(time.RFC3339))
	}
	for range o.Workers {
		k.workers = append(k.workers, newWorker(k))
	}
	return k, nil
}

// Now is the keeper's steady clock. It never shows less than what was saved before.
func (k *Keeper) Now() time.Time { return k.clock.Now() }

// Adopt takes chambers over, resumed from the journal where it knows them, and gives up those that are not named. It
// may be called again with a new configuration while the keeper runs; a chamber that stays keeps its state. On an error nothing has
// changed.
func (k *Keeper) Adopt(ctx context.Context, policies []*policy.Policy) error {
	gone, err := k.adopt(ctx, policies)
	k.saver.owe(gone)
	return err
}

// adopt is Adopt but for saving, and gives the chambers that are given up. Whoever saves holds the saver's lock while he waits for the table
// of chambers, so nobody may wait for the saver who holds the table.
func (k *Keeper) adopt(ctx context.Context, policies []*policy.Policy) (gone []*unit, err error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	named, come := map[string]bool{}, map[string]*unit{}
	for _, p := range policies { // what may fail first: on an error nothing has changed
		name := p.Spec.Name
		if named[name] {
			return nil, fmt.Errorf("keeper: chamber %q is named twice", name)
		}
		named[name] = true
		if k.units[name] != nil {
			continue
		}
		u, err := k.resume(ctx, p)
		if err != nil {
			return nil, err
		}
		come[name] = u
	}
	for _, p := range policies {
		if u := k.units[p.Spec.Name]; u != nil {
			u.refit(p)
		}
	}
	maps.Copy(k.units, come)
	for name, u := range k.units {
		if !named[name] {
			u.retire()
			gone = append(gone, u)
			delete(k.units, name)
		}
	}
	k.order = k.order[:0:0]
	for _, u := range k.units {
		k.order = append(k.order, u)
	}
	slices.SortFunc(k.order, func(a, b *unit) int { return natural.Compare(a.name, b.name) }) // tent-2 before tent-10
	for _, u := range k.order {
		u.nudge()
	}
	return gone, nil
}

// resume makes a unit from what the journal holds. A journal that cannot be read is said and gone on without; the unit
// is then not saved before what is stored of it was read after all, see [Keeper.find].
func (k *Keeper) resume(ctx context.Context, p *policy.Policy) (*unit, error) {
	name := p.Spec.Name
	state, seq := p.Fresh(k.Now()), int64(0)
	loaded, err := k.journal.Load(ctx, name)
	if err != nil {
		k.fail("load", err)
	}
	if stored := storedIn(&loaded); stored {
		if state, seq, err = revive(p, state, &loaded); err != nil {
			return nil, err
		}
	}
	u := newUnit(k, p, state, seq)
	u.unread.Store(err != nil)
	u.joined.Store(err == nil)
	u.worker = k.workers[hash(name)%uint32(len(k.workers))]
	return u, nil
}

func storedIn(l *journal.Loaded) bool { return l.OK || len(l.Actions) > 0 || len(l.Switches) > 0 }

// revive brings a chamber back as the journal holds it: the saved state and what came after it.
func revive(p *policy.Policy, fresh policy.State, l *journal.Loaded) (policy.State, int64, error) {
	state, seq := fresh, int64(0)
	if l.OK {
		s, err := decodeState(l.Saved.State)
		if err != nil {
			return state, 0, fmt.Errorf("keeper: the saved state of chamber %q cannot be read: %w; move the journal away to begin anew", p.Spec.Name, err)
		}
		state, seq = p.Fit(s), l.Saved.Seq
	}
	for _, sw := range l.Switches {
		state = p.Recall(state, sw.Plug, sw.On, sw.At)
	}
	for _, a := range l.Actions {
		state = p.Redo(state, a.Action)
		seq = a.Seq
	}
	return state, seq, nil
}

// Run decides until ctx ends. Then it makes a last save and returns. Nothing that it started outlives it.
func (k *Keeper) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	for _, w := range k.workers {
		wg.Go(func() { w.run(ctx) })
		wg.Go(func() { w.sendAll(ctx) })
	}
	wg.Go(func() { k.keepSaving(ctx) })
	wg.Go(func() { k.keepAdvancing(ctx) })
	k.mu.RLock()
	for _, u := range k.order {
		u.nudge()
	}
	k.mu.RUnlock()
	wg.Wait()
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), lastSave)
	defer cancel()
	return k.saveAll(last, true)
}

// Link tells whether commands can leave. Up again, plug states are read anew and the wanted states repeated.
func (k *Keeper) Link(up bool) {
	k.linked.Store(up)
	k.mu.RLock()
	defer k.mu.RUnlock()
	for _, u := range k.order {
		u.link(up)
	}
}

// Snapshots are the newest pictures of all chambers, by name; numbers in names count as numbers.
func (k *Keeper) Snapshots() []*policy.Snapshot {
	k.mu.RLock()
	defer k.mu.RUnlock()
	all := make([]*policy.Snapshot, 0, len(k.order))
	for _, u := range k.order {
		all = append(all, u.snap.Load())
	}
	return all
}

// Snapshot is the newest picture of one chamber.
func (k *Keeper) Snapshot(chamber string) (*policy.Snapshot, bool) {
	u := k.unit(chamber)
	if u == nil {
		return nil, false
	}
	return u.snap.Load(), true
}

// Counted are the newest pictures with counters as the journal holds them: what is shown from them never goes back,
// not even when the process is killed.
func (k *Keeper) Counted() []*policy.Snapshot {
	k.mu.RLock()
	defer k.mu.RUnlock()
	all := make([]*policy.Snapshot, 0, len(k.order))
	for _, u := range k.order {
		all = append(all, u.counted())
	}
	return all
}

func (k *Keeper) unit(chamber string) *unit {
	k.mu.RLock()
	defer k.mu.RUnlock()
	return k.units[chamber]
}

// Failing reports whether the journal refuses to be written.
func (k *Keeper) Failing() bool { return k.failing.Load() }

// fail notes that the journal failed, and says so once until it works again.
func (k *Keeper) fail(doing string, err error) {
	if k.failing.CompareAndSwap(false, true) {
		k.log.Error("the journal fails; control goes on from memory", "doing", doing, "error", err)
		k.observeJournal()
		k.nudgeAll()
	}
}

func (k *Keeper) recover() {
	if k.failing.CompareAndSwap(true, false) {
		k.log.Info("the journal works again")
		k.observeJournal()
		k.nudgeAll()
	}
}

// observeJournal tells how the journal stands. It is asked anew under the lock: of a failure and a recovery at the same moment, the
// one that is told last must be the one that holds.
func (k *Keeper) observeJournal() {
	if k.watch == nil {
		return
	}
	k.told.Lock()
	defer k.told.Unlock()
	k.watch.JournalFailing(k.failing.Load())
}

func (k *Keeper) nudgeAll() {
	for _, w := range k.workers {
		w.poke()
	}
}

// hash spreads chambers over workers (FNV-1a).
func hash(s string) uint32 {
	h := uint32(2166136261)
	for i := range len(s) {
		h = (h ^ uint32(s[i])) * 16777619
	}
	return h
}

// Stalled reports whether some worker has not turned for so long, in real time: it hangs. A sound one turns at least once
// in a minute of the keeper's clock.
func (k *Keeper) Stalled(limit time.Duration) bool {
	oldest := time.Now().Add(-limit).UnixNano()
	for _, w := range k.workers {
		if turned := w.alive.Load(); turned != 0 && turned < oldest {
			return true
		}
	}
	return false
}

// ErrNoBroker says that the broker is not connected.
var ErrNoBroker = errors.New("the broker is not connected")

// Ready gives nil when the broker is connected and every chamber has been decided on, or else says what is missing:
// [ErrNoBroker], or a chamber.
func (k *Keeper) Ready() error {
	if !k.linked.Load() {
		return ErrNoBroker
	}
	for _, s := range k.Snapshots() {
		if s.Decision.At.IsZero() {
			return fmt.Errorf("chamber %s is not decided on yet", s.Spec.Name)
		}
	}
	return nil
}

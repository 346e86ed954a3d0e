package keeper

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
)

// saveChunk is how many chambers are saved in one go, and saveBreath the pause after each.
const (
	saveChunk  = 16
	saveBreath = time.Millisecond
)

// mostNotes bounds the events that wait for a failing journal.
const mostNotes = 20_000

// notes are events on their way to the journal.
type notes struct {
	mu sync.Mutex
	backlog[journal.Noted]
}

func (n *notes) add(chamber string, events []policy.Event) {
	noted := make([]journal.Noted, 0, len(events))
	for _, e := range events {
		noted = append(noted, journal.Noted{Chamber: chamber, Event: e})
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	n.backlog.add(mostNotes, noted...)
}

func (n *notes) take() []journal.Noted {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.backlog.take()
}

func (n *notes) back(w []journal.Noted) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.backlog.back(mostNotes, w)
}

func (n *notes) takeLost() int {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.backlog.takeLost()
}

// saver remembers when each chamber was last saved.
type saver struct {
	mu    sync.Mutex // one save at a time
	at    map[*unit]time.Time
	gone  []*unit // given up, and not saved since
	wrote bool    // something was written in this round
	anew  int     // how often the journal was begun anew, as far as chambers were told
}

// owe remembers chambers that were given up until they are saved.
func (s *saver) owe(gone []*unit) {
	for _, u := range gone {
		u.urgent.Store(true)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.gone = append(s.gone, gone...)
}

// settle forgets chambers that were given up and of which nothing is to be saved any more. The caller holds mu.
func (s *saver) settle(done func(*unit) bool) {
	s.gone = slices.DeleteFunc(s.gone, func(u *unit) bool {
		if !done(u) {
			return false
		}
		delete(s.at, u)
		return true
	})
}

func (k *Keeper) keepSaving(ctx context.Context) {
	tick := time.NewTicker(saveEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			_ = k.saveAll(ctx, false) // said by fail
		}
	}
}

// saveAll writes events, chambers that need it (all when all is set) and finished minutes. That nothing was to be written does not show
// that a journal works again.
func (k *Keeper) saveAll(ctx context.Context, all bool) error {
	k.saver.mu.Lock()
	defer k.saver.mu.Unlock()
	k.saver.wrote = false
	k.noticeAnew()
	err := errors.Join(k.saveNotes(ctx), k.saveUnits(ctx, all), k.saveMinutes(ctx, all))
	switch {
	case err == nil:
		if k.saver.wrote || k.keepsNone() {
			k.recover()
		}
		k.sayLost()
	case ctx.Err() == nil:
		k.fail("save", err)
	}
	return err
}

// sayLost tells what the record lacks once the journal works again.
func (k *Keeper) sayLost() {
	if events, minutes := k.notes.takeLost(), k.minutes.takeLost(); events > 0 || minutes > 0 {
		k.log.Error("the journal failed for so long that the oldest of what waited for it was given up", "events", events, "history", minutes)
	}
}

// beginsAnew is a journal that sets a damaged file aside and goes on with another. It may find that out in any of its operations, also
// while it opens, so it is asked.
type beginsAnew interface {
	BegunAnew() (times int, aside string)
}

// noticeAnew tells every chamber when the journal was begun anew: it works again at once, and nobody would learn of it.
func (k *Keeper) noticeAnew() {
	j, ok := k.journal.(beginsAnew)
	if !ok {
		return
	}
	times, aside := j.BegunAnew()
	if times == k.saver.anew {
		return
	}
	k.saver.anew = times
	why := alarm.Anew{Code: alarm.SetAside, Aside: aside}
	if aside == "" {
		why.Code = alarm.TakenAway
	}
	k.mu.RLock()
	defer k.mu.RUnlock()
	for _, u := range k.order {
		u.journalAnew(why)
	}
}

func (k *Keeper) keepsNone() bool {
	k.mu.RLock()
	defer k.mu.RUnlock()
	return len(k.order) == 0
}

func (k *Keeper) saveNotes(ctx context.Context) error {
	wait := k.notes.take()
	if len(wait) == 0 {
		return nil
	}
	n, err := k.journal.Note(ctx, wait)
	if err != nil {
		k.notes.back(wait[n:])
		return err
	}
	k.saver.wrote = true
	return nil
}

func (k *Keeper) saveUnits(ctx context.Context, all bool) error {
	if k.saver.at == nil {
		k.saver.at = map[*unit]time.Time{}
	}
	k.mu.RLock()
	due := slices.Clone(k.order)
	// One that came back has another unit, and what is saved of that must not be written over.
	k.saver.settle(func(u *unit) bool { return k.units[u.name] != nil || u.unread.Load() })
	k.mu.RUnlock()
	due = append(due, k.saver.gone...)
	var faults []error
	for chunk := range slices.Chunk(due, saveChunk) {
		if err := k.saveChunk(ctx, chunk, all); err != nil {
			faults = append(faults, err)
		}
	}
	k.saver.settle(func(u *unit) bool {
		pic := u.pending.Load()
		return pic == nil || pic.snap == u.saved.Load()
	})
	return errors.Join(faults...)
}

// saveChunk saves those of a few chambers that need it. A thousand at once would keep a processor from deciding for
// tens of milliseconds.
func (k *Keeper) saveChunk(ctx context.Context, due []*unit, all bool) error {
	now, quiet := time.Now(), k.quiet()
	var units []*unit
	var pics []*picture
	var saves []journal.Saved
	var faults []error
	for _, u := range due {
		if u.unread.Load() {
			if err := k.find(ctx, u); err != nil {
				faults = append(faults, err) // the others can be saved all the same
			}
			continue
		}
		pic := u.pending.Load()
		if pic == nil || pic.snap == u.saved.Load() {
			continue
		}
		if urgent := u.urgent.Swap(false); !urgent && !all && now.Sub(k.saver.at[u]) < quiet {
			continue
		}
		s, err := pic.encode(u.name)
		if err != nil {
			faults = append(faults, fmt.Errorf("the state of chamber %s cannot be written down: %w", u.name, err))
			continue
		}
		units, pics, saves = append(units, u), append(pics, pic), append(saves, s)
	}
	if len(saves) == 0 {
		return errors.Join(faults...)
	}
	if err := k.journal.Save(ctx, saves); err != nil {
		for _, u := range units {
			u.urgent.Store(true)
			// Somebody else's hand in the file: which chamber is behind shows when it is read.
			if errors.Is(err, journal.ErrBehind) {
				u.unread.Store(true)
			}
		}
		return errors.Join(append(faults, err)...)
	}
	k.saver.wrote = true
	for i, u := range units {
		u.saved.Store(pics[i].snap)
		k.saver.at[u] = now
	}
	if !all {
		time.Sleep(saveBreath)
	}
	return errors.Join(faults...)
}

// quiet is how much real time may pass between two saves of a chamber in which only counters grew. Counters are shown as they were
// saved: in a drill they would be half an hour of it behind. While the journal fails, each chamber is a try.
func (k *Keeper) quiet() time.Duration {
	if k.failing.Load() {
		return 0
	}
	return max(saveEvery, time.Duration(float64(saveQuiet)/max(k.clock.Pace(), 1)))
}

// find reads what the journal holds of a chamber that was taken over without it, and hands it to the chamber's worker.
// Until that has taken it in, nothing of the chamber is saved.
func (k *Keeper) find(ctx context.Context, u *unit) error {
	loaded, err := k.journal.Load(ctx, u.name)
	if err != nil {
		return err
	}
	pic := u.pending.Load()
	behind := pic == nil || loaded.Saved.Seq > pic.seq || len(loaded.Actions) > 0 && loaded.Actions[len(loaded.Actions)-1].Seq > pic.seq
	if !storedIn(&loaded) || u.joined.Load() && !behind {
		u.unread.Store(false)
		return nil
	}
	p := u.policyNow.Load()
	state, seq, err := revive(p, p.Fresh(k.Now()), &loaded)
	if err != nil {
		return err
	}
	u.offer(&found{state: state, seq: seq})
	k.log.Info("a chamber's saved state was read after all", "chamber", u.name)
	return nil
}

package notify

import (
	"context"
	"log/slog"
	"slices"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
)

// Service is one place to send to, and what is to be sent there.
type Service struct {
	Name        string // of the file that holds its address: it may be shown, the address may not
	Scheme      string // of the address, to show
	Notifier    Notifier
	MinPriority alarm.Priority
	Quiet       Quiet
	HasDaily    bool
	Daily       time.Duration // when, since midnight by the site's clock
}

// Counter counts what becomes of messages. The result is one of [Results].
type Counter interface {
	Notified(result string)
	NotificationsWaiting(n int)
}

// The results of a message or an attempt.
const (
	resultSent    = "sent"    // a message was taken by the other side
	resultFailed  = "failed"  // an attempt was not; it is tried again
	resultDropped = "dropped" // a message was given up
)

// Results lists every result that a [Counter] is given.
func Results() []string { return []string{resultSent, resultFailed, resultDropped} }

// Options are what a desk needs. Wall and Snapshots are required.
type Options struct {
	Services  []Service
	Site      Site
	Outbox    Outbox                    // nil: nothing outlasts a restart
	Snapshots func() []*policy.Snapshot // the newest picture of every chamber
	Wall      func() time.Time          // the chambers' calendar
	Counter   Counter
	Log       *slog.Logger
	// Unlinked says why the broker is not connected, and what to do; "" where that is not known. nil: it never is.
	Unlinked func() string
	Pace     float64 // how many seconds of the calendar pass in a real one; 0: one
}

// Desk takes in what happened, and sends what people are to know. Make one with [New] and let it [Desk.Run].
type Desk struct {
	snapshots func() []*policy.Snapshot
	wall      func() time.Time
	outbox    Outbox
	counter   Counter
	log       *slog.Logger
	unlinked  func() string // nil: nobody knows
	rest      time.Duration

	poke    chan struct{}
	results chan result

	mu    sync.Mutex // protects the inbox and what a reload or a status needs
	inbox []happened
	next  *adopted
	state []Status

	// What follows belongs to Run.
	site     Site
	lines    []*line
	letters  []*letter
	mem      memory
	unkept   bool // the outbox failed
	compared time.Time
	began    time.Time // on the calendar
	started  time.Time // by the machine's clock
}

// line is one service with what is known of its working.
type line struct {
	Service
	bucket   *rate.Limiter
	added    time.Time // when it was first named; zero: it was known before
	sending  bool
	until    time.Time // the other side asked to be left alone; what is urgent is tried all the same
	failing  time.Time // since when; zero: it works
	fault    string
	lastSent time.Time
}

type happened struct {
	snap  *policy.Snapshot
	event policy.Event
}

type adopted struct {
	services []Service
	site     Site
}

type result struct {
	line    *line
	letters []*letter
	err     error
}

// Status is how one service works, for people.
type Status struct {
	Name     string
	Scheme   string
	Waiting  int       // messages
	Failing  time.Time // since when; zero: it works, or nothing was sent yet
	Fault    string    // what it said last, fit to be shown
	LastSent time.Time // by the machine's clock; zero: none since the start
}

// The desk's own limits.
const (
	longestRest  = 15 * time.Second // between two looks at the calendar, by which quiet hours and daily messages go
	shortestRest = time.Second
	compareEvery = 30 * time.Second // how often alarms are compared with what was told
	newFor       = 10 * time.Minute // after it is first named, a service is told of all that stands
	mostInbox    = 4096
	mostLetters  = 500              // of one service
	longestWait  = 72 * time.Hour   // until a message is given up
	lateDaily    = 18 * time.Hour   // until a daily message that could not be made is left out: the next is not far
	loudDaily    = time.Hour        // for so long it may break into quiet hours that were to be broken for it
	settleFor    = 10 * time.Minute // after the start, until a daily message no longer waits for sensors to be heard
)

// New makes a desk with what was kept before. It starts nothing.
func New(ctx context.Context, o Options) *Desk {
	d := &Desk{
		snapshots: o.Snapshots, wall: o.Wall, outbox: o.Outbox, counter: o.Counter, log: o.Log,
		poke: make(chan struct{}, 1), results: make(chan result), site: o.Site, unlinked: o.Unlinked, rest: longestRest, began: o.Wall(), started: time.Now(),
	}
	if o.Pace > 1 {
		d.rest = max(shortestRest, time.Duration(float64(longestRest)/o.Pace))
	}
	if d.log == nil {
		d.log = slog.New(slog.DiscardHandler)
	}
	var err error
	if d.letters, d.mem, err = load(ctx, o.Outbox); err != nil {
		d.log.Error("messages that wait to be sent cannot be read from the journal", "error", err)
	}
	d.take(&adopted{services: o.Services, site: o.Site})
	d.show()
	return d
}

// Happened takes in what was decided in a chamber. It never waits. Of a flood the oldest are left out here; the alarms
// among them are still told, for what stands is compared with what was told.
func (d *Desk) Happened(snap *policy.Snapshot, events []policy.Event) {
	d.mu.Lock()
	defer d.mu.Unlock()
	added := false
	for _, e := range events {
		if e.Kind == policy.AlarmChanged {
			d.inbox, added = append(d.inbox, happened{snap, e}), true
		}
	}
	if over := len(d.inbox) - mostInbox; over > 0 {
		d.inbox = slices.Delete(d.inbox, 0, over)
	}
	if added {
		d.wake()
	}
}

// Adopt takes other services and another site into use. Messages to a service that is gone are given up.
func (d *Desk) Adopt(services []Service, site Site) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.next = &adopted{services, site}
	d.wake()
}

// Status says how each service works.
func (d *Desk) Status() []Status {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Clone(d.state)
}

func (d *Desk) wake() {
	select {
	case d.poke <- struct{}{}:
	default:
	}
}

// Run sends until ctx ends. What is on its way then is kept and sent after the next start.
func (d *Desk) Run(ctx context.Context) {
	timer := time.NewTimer(0)
	defer timer.Stop()
	var wg sync.WaitGroup
	defer wg.Wait()
	for {
		select {
		case <-ctx.Done():
			return
		case <-timer.C:
		case <-d.poke:
		case r := <-d.results:
			d.settle(ctx, &r)
		}
		d.hear(ctx)
		d.compare(ctx)
		d.daily(ctx)
		d.sendDue(ctx, &wg)
		d.show()
		timer.Reset(d.nap(time.Now()))
	}
}

// nap is how long there is nothing to do unless something happens.
func (d *Desk) nap(now time.Time) time.Duration {
	nap := d.rest
	for _, x := range d.letters {
		if wait := x.Due.Sub(now); wait > 0 {
			nap = min(nap, wait)
		}
	}
	return nap
}

// take puts services into use, and gives up letters that no service is left for.
func (d *Desk) take(a *adopted) (gone []journal.Record) {
	old := d.lines
	d.lines, d.site = nil, a.site
	for _, s := range a.services {
		l := &line{Service: s, bucket: newBucket()}
		if d.mem.Told[s.Name] == nil {
			d.mem.Told[s.Name], l.added = map[string]told{}, time.Now()
		}
		for _, o := range old {
			if o.Name == s.Name {
				l.added = o.added
				l.bucket, l.sending, l.failing, l.fault, l.lastSent = o.bucket, o.sending, o.failing, o.fault, o.lastSent
			}
		}
		d.lines = append(d.lines, l)
	}
	d.letters = slices.DeleteFunc(d.letters, func(l *letter) bool {
		if d.lineOf(l.Service) != nil {
			if old != nil && l.Tries > 0 {
				l.Due = time.Now() // the address may have been mended
			}
			return false
		}
		gone = append(gone, l.gone())
		d.count(resultDropped)
		return true
	})
	for name := range d.mem.Told {
		if d.lineOf(name) == nil {
			delete(d.mem.Told, name)
		}
	}
	for name := range d.mem.Days {
		if d.lineOf(name) == nil {
			delete(d.mem.Days, name)
		}
	}
	for name := range d.mem.Tallies {
		if d.lineOf(name) == nil {
			delete(d.mem.Tallies, name)
		}
	}
	return gone
}

func (d *Desk) lineOf(name string) *line {
	for _, l := range d.lines {
		if l.Name == name {
			return l
		}
	}
	return nil
}

func (d *Desk) count(result string) {
	if d.counter != nil {
		d.counter.Notified(result)
	}
}

// keep writes records; a journal that refuses is said once, and the desk goes on from memory.
func (d *Desk) keep(ctx context.Context, records ...journal.Record) {
	if d.outbox == nil || len(records) == 0 {
		return
	}
	err := d.outbox.Keep(ctx, part, records)
	switch {
	case err == nil:
		d.unkept = false
	case !d.unkept && ctx.Err() == nil:
		d.unkept = true
		d.log.Error("messages that wait to be sent cannot be kept in the journal; they would not outlast a restart", "error", err)
	}
}

// show makes the status that others see.
func (d *Desk) show() {
	state := make([]Status, len(d.lines))
	for i, l := range d.lines {
		state[i] = Status{Name: l.Name, Scheme: l.Scheme, Failing: l.failing, Fault: l.fault, LastSent: l.lastSent}
		for _, x := range d.letters {
			if x.Service == l.Name {
				state[i].Waiting++
			}
		}
	}
	if d.counter != nil {
		d.counter.NotificationsWaiting(len(d.letters))
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.state = state
}

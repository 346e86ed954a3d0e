package clock

import (
	"context"
	"sync"
	"time"
)

// longestNap bounds how long a timer trusts the machine's monotonic clock before it looks at this one again: a timer
// of the runtime stands still while the machine is suspended, so without it a wake set for 09:00 would be late by as
// long as the machine slept.
const longestNap = 15 * time.Second

// longestDrillNap is the same on a clock made by Pace, whose pace may change meanwhile.
const longestDrillNap = 100 * time.Millisecond

// Timer goes off once when its clock shows a given time. It is made by [Clock.NewTimer] or [Clock.AfterFunc].
type Timer struct {
	// C receives the clock's time when the timer goes off; nil for a timer made by AfterFunc.
	C <-chan time.Time

	clock *Clock
	c     chan time.Time
	f     func()

	mu    sync.Mutex
	at    time.Time
	round int // which setting is valid: one that was stopped or reset must not go off
	timer *time.Timer
}

// NewTimer returns a timer that sends on its channel when the clock shows at, or at once when that has passed.
func (c *Clock) NewTimer(at time.Time) *Timer {
	ch := make(chan time.Time, 1)
	t := &Timer{C: ch, c: ch, clock: c}
	t.Reset(at)
	return t
}

// AfterFunc returns a timer that calls f in its own goroutine when the clock shows at.
func (c *Clock) AfterFunc(at time.Time, f func()) *Timer {
	t := &Timer{clock: c, f: f}
	t.Reset(at)
	return t
}

// Reset sets the timer anew, whether it went off or not. Nothing of the earlier setting is left in C.
func (t *Timer) Reset(at time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.cancel()
	t.at = at
	t.arm(t.round)
}

// Stop keeps the timer from going off and reports whether it did so. Nothing is left in C. A function that AfterFunc
// has already started is not waited for.
func (t *Timer) Stop() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	pending := t.timer != nil
	t.cancel()
	return pending
}

func (t *Timer) cancel() {
	t.round++
	if t.timer != nil {
		t.timer.Stop()
		t.timer = nil
	}
	select {
	case <-t.c: // a nil channel never is ready
	default:
	}
}

func (t *Timer) arm(round int) {
	t.timer = time.AfterFunc(t.clock.nap(t.at), func() { t.look(round) })
}

func (t *Timer) look(round int) {
	t.mu.Lock()
	if round != t.round {
		t.mu.Unlock()
		return
	}
	now := t.clock.Now()
	if now.Before(t.at) {
		t.arm(round)
		t.mu.Unlock()
		return
	}
	t.timer = nil
	if t.c != nil {
		t.c <- now // has room: cancel emptied it and each round sends once
	}
	t.mu.Unlock()
	if t.f != nil {
		t.f()
	}
}

// Sleep waits until d has passed on this clock, or returns the cause of ctx's end.
func (c *Clock) Sleep(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return context.Cause(ctx)
	}
	t := c.NewTimer(c.Now().Add(d))
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// nap is the real time to wait before looking whether the clock shows at.
func (c *Clock) nap(at time.Time) time.Duration {
	longest := longestNap
	if c.drill {
		longest = longestDrillNap
	}
	d := time.Duration(float64(at.Sub(c.Now())) / c.Pace())
	return max(0, min(d+1, longest)) // +1: division rounds down, and a look too early costs another round
}

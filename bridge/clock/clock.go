// Package clock is the one clock at the edge: the wall's, or a paced one that runs faster for drills.
//
// It must never be read by policy, which is told the time. Start reading at [Clock].
package clock

import (
	"sync"
	"time"
)

// jumpLimit is how far the calendar may run ahead of the monotonic clock between two looks before the difference
// counts as time that passed unseen. A machine that was suspended shows it: its monotonic clock stood still, the
// calendar did not. Smaller differences are the slewing of time synchronization.
const jumpLimit = 2 * time.Second

// Clock tells two times. [Clock.Now] is steady and carries every duration; [Clock.Wall] is the calendar, which people
// and time synchronization may move. All methods may be called from several goroutines.
type Clock struct {
	drill bool // made by Pace: its calendar runs with it
	read  func() (wall time.Time, mono time.Duration)

	mu     sync.Mutex
	pace   float64
	anchor time.Time     // what Now would have shown when the machine's monotonic clock began
	unseen time.Duration // forward jumps taken in so far
	owed   time.Duration // by which the calendar was behind what the clock was told to show, as far as no jump made it up
	ahead  time.Duration // calendar minus monotonic clock, at the last look
}

// System returns the clock of the real world. Now starts at the calendar's time and follows the monotonic clock; a
// forward jump of the calendar of more than two seconds is taken in, because time that a suspended machine slept
// through has passed for a chamber too. A backward jump never is.
func System() *Clock { return newClock(1, machine()) }

// Pace returns a clock that runs n times faster than the real one, for drills; its calendar runs with it. It starts
// at the calendar's time. It rests on the monotonic clock alone: a jump of the calendar multiplied by n would end the
// drill. An n that is not above zero counts as 1.
func Pace(n float64) *Clock {
	if !(n > 0) {
		n = 1
	}
	c := newClock(n, machine())
	c.drill = true
	return c
}

// NotBefore has Now show no less than t from here on, so that state that was saved does not lie in its future, and returns by how
// much the clock was behind it. A machine without a battery for its clock starts in the past, and its calendar jumps ahead once a
// time server answers: as far as that makes up what it was behind, it is no time that passed.
func (c *Clock) NotBefore(t time.Time) (behind time.Duration) {
	now := c.Now()
	c.mu.Lock()
	defer c.mu.Unlock()
	behind = max(0, t.Sub(now))
	if c.drill {
		c.anchor = c.anchor.Add(behind)
		return behind
	}
	c.unseen += behind
	c.owed += behind
	return behind
}

// machine reads the machine's two clocks at one instant. It uses the time package alone, so that it works in a
// testing/synctest bubble.
func machine() func() (time.Time, time.Duration) {
	start := time.Now()
	return func() (time.Time, time.Duration) {
		now := time.Now()
		return now.Round(0).UTC(), now.Sub(start) // Round drops the monotonic reading, Sub uses it
	}
}

func newClock(n float64, read func() (time.Time, time.Duration)) *Clock {
	wall, mono := read()
	return &Clock{pace: n, anchor: wall.Add(-scaled(mono, n)), read: read}
}

// Now is the steady time, in UTC: it never goes back while the process lives. It starts at the calendar's time and may
// drift away from it; compare it with nothing but itself.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	wall, mono := c.read()
	if c.drill {
		return c.anchor.Add(scaled(mono, c.pace))
	}
	ahead := wall.Sub(c.anchor) - mono
	if jump := ahead - c.ahead; jump > jumpLimit {
		made := min(jump, c.owed)
		c.owed -= made
		c.unseen += jump - made
	}
	c.ahead = ahead
	return c.anchor.Add(mono + c.unseen)
}

// Wall is the calendar's time, in UTC. It may jump either way. The calendar of a paced clock is its steady time.
func (c *Clock) Wall() time.Time {
	if c.drill {
		return c.Now()
	}
	wall, _ := c.read()
	return wall
}

// Pace is how many seconds pass on this clock in one real second.
func (c *Clock) Pace() float64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.pace
}

// SetPace has a clock made by [Pace] run n times faster than the real one from now on; what it shows does not jump.
// Timers set before go off by the new pace, at most a nap late. An n that is not above zero changes nothing, nor does
// it on the real world's clock.
func (c *Clock) SetPace(n float64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.drill || !(n > 0) {
		return
	}
	_, mono := c.read()
	c.anchor = c.anchor.Add(scaled(mono, c.pace)).Add(-scaled(mono, n))
	c.pace = n
}

// scaled multiplies in floating point only when it must: a float64 holds nanoseconds exactly for 104 days.
func scaled(d time.Duration, n float64) time.Duration {
	if n == 1 {
		return d
	}
	return time.Duration(float64(d) * n)
}

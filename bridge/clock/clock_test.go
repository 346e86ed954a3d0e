package clock

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
	"pgregory.net/rapid"

	"gillkeeper/testdata/testend"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m, goleak.Cleanup(testend.Exit)) }

// machineStub stands for a machine whose two clocks a test moves apart.
type machineStub struct {
	wall time.Time
	mono time.Duration
}

func (m *machineStub) read() (time.Time, time.Duration) { return m.wall, m.mono }
func (m *machineStub) pass(d time.Duration)             { m.wall = m.wall.Add(d); m.mono += d }

var noon = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

func TestNowAcrossCalendarJumps(t *testing.T) {
	for _, tc := range []struct {
		name string
		jump time.Duration
		want time.Duration // how far Now moves over the jump and one second
	}{
		{"slewed by synchronization", 900 * time.Millisecond, time.Second},
		{"at the limit", 2 * time.Second, time.Second},
		{"suspended for eight hours", 8 * time.Hour, 8*time.Hour + time.Second},
		{"set back an hour", -time.Hour, time.Second},
		{"set back to the epoch", noon.Sub(time.Unix(0, 0)) * -1, time.Second},
	} {
		t.Run(tc.name, func(t *testing.T) {
			m := &machineStub{wall: noon}
			c := newClock(1, m.read)
			m.pass(time.Minute)
			before := c.Now()
			if want := noon.Add(time.Minute); !before.Equal(want) {
				t.Fatalf("Now = %v a minute after the start, want %v", before, want)
			}
			m.wall = m.wall.Add(tc.jump)
			m.pass(time.Second)
			if got := c.Now().Sub(before); got != tc.want {
				t.Errorf("Now moved by %v, want %v", got, tc.want)
			}
			if !c.Wall().Equal(m.wall) {
				t.Errorf("Wall = %v, want the calendar's %v", c.Wall(), m.wall)
			}
			again := c.Now()
			m.pass(time.Second)
			if got := c.Now().Sub(again); got != time.Second {
				t.Errorf("a second after the jump Now moved by %v", got)
			}
		})
	}
}

func TestNowNeverGoesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := &machineStub{wall: noon}
		c := newClock(1, m.read)
		last := c.Now()
		for range rapid.IntRange(1, 50).Draw(t, "looks") {
			passed := time.Duration(rapid.Int64Range(0, int64(time.Hour)).Draw(t, "passed"))
			m.pass(passed)
			m.wall = m.wall.Add(time.Duration(rapid.Int64Range(-int64(48*time.Hour), int64(48*time.Hour)).Draw(t, "jump")))
			if rapid.Bool().Draw(t, "told") {
				c.NotBefore(last.Add(time.Duration(rapid.Int64Range(-int64(time.Hour), int64(72*time.Hour)).Draw(t, "saved"))))
			}
			now := c.Now()
			if moved := now.Sub(last); moved < passed {
				t.Fatalf("Now moved by %v while %v passed", moved, passed)
			}
			last = now
		}
	})
}

func TestPacedClock(t *testing.T) {
	for _, tc := range []struct {
		name string
		pace float64
		from time.Duration // of saved state, after the calendar's time at the start
		want time.Duration // shown after two real seconds, after the calendar's time at the start
	}{
		{"from now", 600, -1000 * time.Hour, 20 * time.Minute},
		{"from saved state", 60, 72 * time.Hour, 72*time.Hour + 2*time.Minute},
		{"slower than life", 0.5, 0, time.Second},
		{"no pace", 0, 0, 2 * time.Second},
		{"a pace that makes no sense", -3, 0, 2 * time.Second},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				start := time.Now()
				c := Pace(tc.pace)
				if got, want := c.NotBefore(start.Add(tc.from)), max(0, tc.from); got != want {
					t.Errorf("was behind by %v, want %v", got, want)
				}
				if got, want := c.Now(), start.Add(max(0, tc.from)); !got.Equal(want) {
					t.Errorf("starts at %v, want %v", got, want)
				}
				time.Sleep(2 * time.Second)
				if got := c.Now().Sub(start); got != tc.want {
					t.Errorf("shows %v after the start, want %v", got, tc.want)
				}
				if !c.Wall().Equal(c.Now()) {
					t.Errorf("its calendar shows %v, its steady time %v", c.Wall(), c.Now())
				}
			})
		})
	}
}

func TestPacedClockIgnoresCalendarJumps(t *testing.T) {
	m := &machineStub{wall: noon}
	c := newClock(600, m.read)
	c.drill = true
	m.wall = m.wall.Add(24 * time.Hour)
	m.mono += time.Second
	if got, want := c.Now(), noon.Add(600*time.Second); !got.Equal(want) {
		t.Errorf("Now = %v, want %v", got, want)
	}
}

func TestTimers(t *testing.T) {
	for _, pace := range []float64{1, 3, 600} {
		synctest.Test(t, func(t *testing.T) {
			c := Pace(pace)
			start, began := c.Now(), time.Now()
			timer := c.NewTimer(start.Add(time.Hour))
			at := <-timer.C
			if late := at.Sub(start.Add(time.Hour)); late < 0 || late > time.Millisecond {
				t.Errorf("pace %v: timer off by %v", pace, late)
			}
			if got, want := time.Since(began), time.Duration(float64(time.Hour)/pace); got < want || got > want+time.Millisecond {
				t.Errorf("pace %v: took %v of real time, want %v", pace, got, want)
			}
			if timer.Stop() {
				t.Errorf("pace %v: Stop says that it stopped a timer that went off", pace)
			}
		})
	}
}

func TestTimerStopAndReset(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := System()
		timer := c.NewTimer(c.Now().Add(time.Second))
		time.Sleep(2 * time.Second) // it has gone off, nobody listened
		timer.Reset(c.Now().Add(time.Minute))
		select {
		case <-timer.C:
			t.Fatal("Reset left the earlier tick in C")
		default:
		}
		if !timer.Stop() {
			t.Error("Stop says that nothing was pending")
		}
		time.Sleep(2 * time.Minute)
		select {
		case <-timer.C:
			t.Error("a stopped timer went off")
		default:
		}

		var calls int
		f := c.AfterFunc(c.Now().Add(-time.Second), func() { calls++ })
		synctest.Wait()
		if calls != 1 {
			t.Errorf("AfterFunc for a moment that has passed was called %d times, want 1", calls)
		}
		f.Reset(c.Now().Add(time.Second))
		time.Sleep(time.Minute)
		synctest.Wait()
		if calls != 2 {
			t.Errorf("called %d times after Reset, want 2", calls)
		}
	})
}

// TestTimerAfterSuspend: the machine sleeps for eight hours right after a timer was set to an hour; the timer must not
// take another hour of running time.
func TestTimerAfterSuspend(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		var slept atomic.Int64
		c := newClock(1, func() (time.Time, time.Duration) {
			now := time.Now()
			return now.Round(0).UTC().Add(time.Duration(slept.Load())), now.Sub(start)
		})
		timer := c.NewTimer(c.Now().Add(time.Hour))
		slept.Store(int64(8 * time.Hour))
		<-timer.C
		if took := time.Since(start); took > longestNap+time.Second {
			t.Errorf("went off %v after the machine woke, want within %v", took, longestNap)
		}
	})
}

func TestSleep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := Pace(60)
		began := time.Now()
		if err := c.Sleep(t.Context(), time.Minute); err != nil {
			t.Fatal(err)
		}
		if took := time.Since(began); took < time.Second || took > time.Second+time.Millisecond {
			t.Errorf("a minute at pace 60 took %v", took)
		}
		ctx, cancel := context.WithCancelCause(t.Context())
		why := errors.New("enough")
		go func() {
			time.Sleep(time.Second)
			cancel(why)
		}()
		if err := c.Sleep(ctx, time.Hour); !errors.Is(err, why) {
			t.Errorf("Sleep = %v, want the cause", err)
		}
		if err := c.Sleep(ctx, 0); !errors.Is(err, why) {
			t.Errorf("Sleep of nothing on an ended context = %v, want the cause", err)
		}
	})
}

func BenchmarkNow(b *testing.B) {
	c := System()
	for b.Loop() {
		c.Now()
	}
}

// What the clock shows never jumps when its pace changes, and a timer set before goes off by the new pace.
func TestPaceChanges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := Pace(600)
		start := c.Now()
		timer := c.NewTimer(start.Add(20 * time.Minute))
		defer timer.Stop()
		time.Sleep(time.Second)
		before := c.Now()
		c.SetPace(60)
		if after := c.Now(); !after.Equal(before) || before.Sub(start) != 600*time.Second || c.Pace() != 60 {
			t.Errorf("%v before, %v after, pace %v", before.Sub(start), after.Sub(start), c.Pace())
		}
		began := time.Now()
		at := <-timer.C
		// Half of the time was over; the rest takes ten times as long as it would have.
		if took := time.Since(began); took < 10*time.Second || took > 10*time.Second+longestDrillNap {
			t.Errorf("the other half took %v, want 10 s", took)
		}
		if at.Before(start.Add(20 * time.Minute)) {
			t.Errorf("the timer went off at %v", at.Sub(start))
		}
		c.SetPace(0)
		c.SetPace(-1)
		if c.Pace() != 60 {
			t.Errorf("pace %v after paces that make no sense, want 60", c.Pace())
		}
	})
	s := System()
	if s.SetPace(2); s.Pace() != 1 {
		t.Errorf("the real world's clock runs at %v", s.Pace())
	}
}

// TestStartInThePast is a machine whose clock has no battery: it starts long ago, or at the last time that it kept, and a time server
// sets it right later.
func TestStartInThePast(t *testing.T) {
	for _, tc := range []struct {
		name         string
		behind, away time.Duration // of the start, before what was saved; how long the machine was really off
	}{
		{"a few minutes lost, two hours off", 10 * time.Minute, 2 * time.Hour},
		{"back at once, an hour lost", time.Hour, 0},
		{"at the epoch, a night off", noon.Sub(time.Unix(0, 0)), 9 * time.Hour},
	} {
		t.Run(tc.name, func(t *testing.T) {
			saved := noon
			m := &machineStub{wall: saved.Add(-tc.behind)}
			c := newClock(1, m.read)
			if got := c.NotBefore(saved); got != tc.behind {
				t.Errorf("was behind by %v, want %v", got, tc.behind)
			}
			m.pass(40 * time.Second)
			if want := saved.Add(40 * time.Second); !c.Now().Equal(want) {
				t.Errorf("Now = %v forty seconds after the start, want %v", c.Now(), want)
			}
			right := saved.Add(tc.away + 40*time.Second)
			m.wall = right.Add(-tc.behind / 2) // in two steps
			c.Now()
			m.wall = right
			if got := c.Now(); !got.Equal(right) {
				t.Errorf("Now = %v once the calendar is right, want %v", got, right)
			}
			before := c.Now()
			m.wall = m.wall.Add(8 * time.Hour) // what was owed is made up: the next jump is time that passed
			if moved := c.Now().Sub(before); moved != 8*time.Hour {
				t.Errorf("Now moved by %v while the machine was suspended for eight hours", moved)
			}
		})
	}
}

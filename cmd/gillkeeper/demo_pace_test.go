package main

import (
	"testing"
	"time"

	"gillkeeper/bridge/clock"
)

// The pace goes down at once where messages take long, never below what makes sense, and comes back by and by.
func TestGovernor(t *testing.T) {
	var behind time.Duration
	c := clock.Pace(600)
	g := newGovernor(c, 600, func() time.Duration { return behind })
	set := func(n int, way time.Duration) float64 {
		for range n {
			g.set(way)
		}
		if g.now() != c.Pace() {
			t.Fatalf("the governor says %v, the clock runs at %v", g.now(), c.Pace())
		}
		return g.now()
	}
	if p := set(1, time.Millisecond); p != 600 {
		t.Errorf("pace %v with 1 ms on the way, want 600", p)
	}
	if p := set(1, 20*time.Millisecond); p != 300 {
		t.Errorf("pace %v after one message of 20 ms, want half", p)
	}
	if p := set(20, 20*time.Millisecond); p != 100 {
		t.Errorf("pace %v with 20 ms on the way, want 100: 2 s on the clock", p)
	}
	if p := set(50, 10*time.Second); p != slowest {
		t.Errorf("pace %v with 10 s on the way, want %v", p, slowest)
	}
	if p := set(10, time.Millisecond); p <= slowest || p >= 50 {
		t.Errorf("pace %v soon after, want a slow return", p)
	}
	if p := set(200, time.Millisecond); p != 600 {
		t.Errorf("pace %v long after, want 600", p)
	}
	behind = time.Minute
	if p := set(1, time.Millisecond); p >= 600 {
		t.Errorf("pace %v with chambers a minute behind", p)
	}
}

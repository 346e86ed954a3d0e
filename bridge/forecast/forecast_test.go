package forecast

import (
	"context"
	"errors"
	"math"
	"sync"
	"testing"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/outlook"
	"gillkeeper/policy/species"
)

// plain is a question about a chamber with a thermometer and nothing else, which is soon answered.
func plain(length time.Duration) *outlook.Question {
	spec := &chamber.Spec{Name: "c", VolumeM3: 0.5, Sensors: []chamber.Sensor{{Name: "t", Quantity: chamber.Temperature, Place: chamber.Inside, MaxAge: 5 * time.Minute}}}
	p := &policy.Policy{Spec: spec, Climates: species.Builtin()}
	now := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	return &outlook.Question{Policy: p, State: p.Fresh(now), Wall: now, For: length, Room: outlook.RoomOf(nil, math.NaN())}
}

func TestAskTellsHowFarItIs(t *testing.T) {
	var d Desk
	var mu sync.Mutex
	seen := map[int]bool{}
	o, err := d.Ask(t.Context(), plain(time.Minute), func(done, of int) {
		mu.Lock()
		defer mu.Unlock()
		if of != outlook.UsualRuns || done < 1 || done > of || seen[done] {
			t.Errorf("told %d of %d", done, of)
		}
		seen[done] = true
	})
	if err != nil || o.Runs < outlook.LeastRuns || o.Runs != len(seen) || o.Verdict == "" {
		t.Errorf("%+v, %v, told %d times", o, err, len(seen))
	}
}

// TestWhoLeavesStopsIt: when nobody waits any more the runs end, and the next question is taken.
func TestWhoLeavesStopsIt(t *testing.T) {
	var d Desk
	ctx, cancel := context.WithCancel(t.Context())
	began := make(chan struct{})
	var once sync.Once
	result := make(chan error, 1)
	go func() {
		_, err := d.Ask(ctx, plain(outlook.Longest), func(int, int) { once.Do(func() { close(began) }) })
		result <- err
	}()
	<-began
	if _, err := d.Ask(t.Context(), plain(time.Minute), nil); !errors.Is(err, ErrBusy) {
		t.Errorf("a second question at the same time gave %v", err)
	}
	cancel()
	if err := <-result; !errors.Is(err, context.Canceled) {
		t.Errorf("given up: %v", err)
	}
	if !d.busy.TryLock() {
		t.Error("after it no other is taken")
	}
}

// A room of 20 °C and 50 % for a day, a CO2 sensor for its last half.
func TestRoom(t *testing.T) {
	j := journal.NewMemory()
	now := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	var all []journal.Minute
	for m := range 24 * 60 {
		at := now.Add(-24*time.Hour + time.Duration(m)*time.Minute)
		row := func(place, quantity string, v float64) {
			all = append(all, journal.Minute{Chamber: "c", Place: place, Quantity: quantity, Start: at, Span: time.Minute, Mean: v, Min: v, Max: v, N: 1})
		}
		row("room", "temperature", 20)
		row("room", "relative_humidity", 0.5)
		row("chamber", "temperature", 12)
		if m >= 12*60 {
			row("room", "co2", 600)
		}
	}
	if err := j.Minutes(t.Context(), all); err != nil {
		t.Fatal(err)
	}
	r := Room(t.Context(), j, "c", now)
	if math.Abs(r.MeanC-20) > 1e-6 || math.Abs(r.RH-0.5) > 1e-6 || math.Abs(r.CO2PPM-600) > 1e-6 || !r.KnownCO2 || r.Days != 1 {
		t.Errorf("%+v", r)
	}
	if r := Room(t.Context(), j, "other", now); r.KnownC || r.KnownRH || r.KnownCO2 {
		t.Errorf("of another chamber: %+v", r)
	}
}

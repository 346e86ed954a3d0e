// Package forecast gives answers about the coming days: it shares the runs of an outlook out over a few processors, stops
// when time is up or nobody waits any more, and reads from the journal how the room's air was of late.
//
// It must never decide for a chamber or keep its owner from deciding: it works on copies, beside it and slower. Start
// reading at [Desk.Ask].
package forecast

import (
	"context"
	"errors"
	"iter"
	"math"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/outlook"
)

// ErrBusy says that as many outlooks are being made as may be at once.
var ErrBusy = errors.New("another outlook is being made; try again in some seconds")

// The limits of one outlook.
const (
	budget     = 9 * time.Second // after it, runs that are not begun are left out, if there are enough for an answer
	mostBudget = 5 * time.Minute // until it is given up
)

// Desk makes one outlook at a time. The zero value is ready.
type Desk struct{ busy sync.Mutex }

// Ask runs a question and gives the answer. progress, where it is given, hears from several goroutines how many runs of
// how many are done, and may hear of fewer than all. It fails with [ErrBusy], and when ctx ends.
func (d *Desk) Ask(ctx context.Context, q *outlook.Question, progress func(done, of int)) (outlook.Outlook, error) {
	if !d.busy.TryLock() {
		return outlook.Outlook{}, ErrBusy
	}
	defer d.busy.Unlock()
	if progress == nil {
		progress = func(int, int) {}
	}
	ctx, cancel := context.WithTimeout(ctx, mostBudget)
	defer cancel()
	began := time.Now()
	var (
		next, done atomic.Int64
		mu         sync.Mutex
		courses    = make([]*outlook.Course, outlook.UsualRuns)
		wg         sync.WaitGroup
	)
	for range workers() {
		wg.Go(func() {
			for {
				i := next.Add(1) - 1
				late := !q.Thorough && time.Since(began) > budget && i >= outlook.LeastRuns
				if i >= outlook.UsualRuns || late {
					return
				}
				c, ok := q.Run(uint64(i), func() bool {
					runtime.Gosched() // whoever decides goes first
					return ctx.Err() == nil
				})
				if !ok {
					return
				}
				mu.Lock()
				courses[i] = &c
				mu.Unlock()
				progress(int(done.Add(1)), outlook.UsualRuns)
			}
		})
	}
	wg.Wait()
	if ctx.Err() != nil {
		return outlook.Outlook{}, context.Cause(ctx)
	}
	var all []outlook.Course
	for _, c := range courses {
		if c != nil {
			all = append(all, *c)
		}
	}
	return outlook.Sum(q, all)
}

// workers leaves processors to those who decide, where there is more than one.
func workers() int { return max(1, (runtime.GOMAXPROCS(0)+1)/2) }

// recent is how far back the room's air is looked at.
const recent = 3 * 24 * time.Hour

// History is what a journal answers; see [journal.Journal].
type History interface {
	History(ctx context.Context, q journal.HistoryQuery) iter.Seq2[journal.Minute, error]
}

// Room reads how the air of the room around a chamber was in the last days. What cannot be read is not known.
func Room(ctx context.Context, from History, name string, now time.Time) outlook.Room {
	var hours []outlook.Hour
	var at time.Time
	nan := math.NaN()
	for m, err := range from.History(ctx, journal.HistoryQuery{Chamber: name, Place: chamber.Room.String(), From: now.Add(-recent), To: now, Step: time.Hour}) {
		if err != nil {
			break
		}
		if !m.Start.Equal(at) {
			at = m.Start
			hours = append(hours, outlook.Hour{C: nan, RH: nan, CO2: nan})
		}
		h := &hours[len(hours)-1]
		switch m.Quantity {
		case chamber.Temperature.String():
			h.C = m.Mean
		case chamber.RelativeHumidity.String():
			h.RH = m.Mean
		case chamber.CO2.String():
			h.CO2 = m.Mean
		}
	}
	return outlook.RoomOf(hours, chamberC(ctx, from, name, now))
}

// chamberC is the mean temperature of the chamber in the same days; NaN: not known.
func chamberC(ctx context.Context, from History, name string, now time.Time) float64 {
	sum, n := 0.0, 0.0
	q := journal.HistoryQuery{Chamber: name, Place: chamber.Inside.String(), Quantity: chamber.Temperature.String(), From: now.Add(-recent), To: now, Step: time.Hour}
	for m, err := range from.History(ctx, q) {
		if err != nil {
			break
		}
		sum, n = sum+m.Mean, n+1
	}
	return sum / n
}

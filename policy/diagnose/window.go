package diagnose

import (
	"slices"
	"time"

	"gillkeeper/policy/crop"
	"gillkeeper/policy/species"
)

// span is the window of one sign with what was recorded in it.
type span struct {
	Window
	c       *Case
	buckets []*Bucket
	rows    []*species.Row // of the stage that the batch was in, one for each bucket; nil: no climate is known
	stage   species.Stage  // the last in the window
	days    float64        // that the batch was in that stage until the window's end
}

// Needs is the time of which the record is needed: the window of every sign. It is none when no sign is known.
func (c *Case) Needs() (from, to time.Time) {
	var all Window
	for _, s := range c.Signs {
		if _, ok := signs[s]; ok {
			all = all.and(c.window(s).Window)
		}
	}
	return all.From, all.To
}

// window finds the time in which a sign was made: of the newest flush that was in one of the sign's stages, from its
// entering them until it was first picked or they ended, and no longer back than the sign reaches.
func (c *Case) window(s Sign) *span {
	o := signs[s]
	w := &span{c: c}
	last := -1
	for i, p := range c.Batch.Stages {
		if !p.From.After(c.Now) && slices.Contains(o.stages, p.Stage) {
			last = i
		}
	}
	if last < 0 { // it never was in such a stage, as far as is written down: what is seen is seen now
		w.From, w.To = c.Now.Add(-o.longest), c.Now
		if added := c.Batch.Added; added.After(w.From) && added.Before(w.To) {
			w.From = added
		}
		if n := len(c.Batch.Stages); n > 0 {
			w.stage = c.Batch.Stages[n-1].Stage
			w.days = c.Now.Sub(c.Batch.Stages[n-1].From).Hours() / 24
		}
	} else {
		p := c.Batch.Stages[last]
		first := last
		for first > 0 && slices.Contains(o.stages, c.Batch.Stages[first-1].Stage) && c.Batch.Stages[first-1].Flush == p.Flush {
			first--
		}
		w.stage, w.To = p.Stage, earlier(c.Now, p.To)
		if picked := c.picked(p.Flush); picked.After(c.Batch.Stages[first].From) {
			w.To = earlier(w.To, picked)
		}
		w.From = c.Batch.Stages[first].From
		if back := w.To.Add(-o.longest); back.After(w.From) {
			w.From = back
		}
		w.days = w.To.Sub(p.From).Hours() / 24
	}
	w.fill()
	return w
}

// picked is when a flush was first picked; zero when it was not.
func (c *Case) picked(flush int) time.Time {
	for i := range c.Batch.Flushes {
		if c.Batch.Flushes[i].Number == flush {
			return c.Batch.Flushes[i].FirstPicked()
		}
	}
	return time.Time{}
}

// fill takes what was recorded in the window.
func (w *span) fill() {
	climates := map[species.Stage]*species.Row{}
	for _, stage := range species.Stages() {
		if r, ok := w.c.Table.Lookup(w.c.Batch.Species, stage); ok {
			climates[stage] = &r
		}
	}
	for i := range w.c.History {
		b := &w.c.History[i]
		if b.At.Before(w.From) || !b.At.Before(w.To) {
			continue
		}
		stage := stageAt(w.c.Batch.Stages, b.At)
		if stage == 0 {
			stage = w.stage
		}
		w.buckets, w.rows = append(w.buckets, b), append(w.rows, climates[stage])
		w.Covered += b.Span
		if !slices.Contains(w.Stages, stage) {
			w.Stages = append(w.Stages, stage)
		}
	}
}

// stageAt is the stage that a batch was in at a moment; 0 before its first.
func stageAt(periods []crop.Period, at time.Time) species.Stage {
	var s species.Stage
	for _, p := range periods {
		if !p.From.After(at) {
			s = p.Stage
		}
	}
	return s
}

// earlier is the earlier of two moments, of which the second may be none.
func earlier(a, b time.Time) time.Time {
	if !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}

package web

import (
	"context"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/words"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/species"
)

// course is what a chamber went through between two moments, in steps of one width.
type course struct {
	from, to time.Time
	step     time.Duration
	n        int
	series   map[seriesKey][]cell
	marks    []mark
	alarms   []standingTime
	grown    []crop.Record // the batches that grew here, ever
}

type seriesKey struct{ place, quantity string }

// cell is one step of one series; not OK where nothing was recorded.
type cell struct {
	ok             bool
	mean, min, max float64
	seconds        float64 // in range; of a plug, on
	n              int     // readings; of a plug, seconds seen
}

// mark is something that a person did to the crop.
type mark struct {
	at   time.Time
	text string
}

// standingTime is a time for which an alarm stood.
type standingTime struct {
	name     alarm.Name
	code     alarm.Code
	from, to time.Time
	open     bool // it stands still
}

// wanted is how many steps a drawing has: more than a phone's screen shows.
const wanted = 300

// stepFor gives the width of steps for a stretch of time: whole minutes, of which an hour has a whole number, so that
// the same moments fall into the same steps whenever one looks.
func stepFor(length time.Duration) time.Duration {
	for _, m := range []int{1, 5, 10, 20, 30, 60, 120, 240, 360, 720} {
		if step := time.Duration(m) * time.Minute; length/step <= wanted {
			return step
		}
	}
	return 24 * time.Hour
}

// readCourse puts together what the record holds.
func (s *Server) readCourse(ctx context.Context, v *view, from, to time.Time) (*course, error) {
	c := &course{step: stepFor(to.Sub(from)), series: map[seriesKey][]cell{}}
	c.from = time.Unix(from.Unix()-from.Unix()%int64(c.step/time.Second), 0).UTC()
	c.to = to
	c.n = int((to.Sub(c.from) + c.step - 1) / c.step)
	for m, err := range s.backend.History(ctx, journal.HistoryQuery{Chamber: v.snap.Spec.Name, From: c.from, To: to, Step: c.step}) {
		if err != nil {
			return nil, err
		}
		i := int(m.Start.Sub(c.from) / c.step)
		if i < 0 || i >= c.n {
			continue
		}
		key := seriesKey{m.Place, m.Quantity}
		if c.series[key] == nil {
			c.series[key] = make([]cell, c.n)
		}
		c.series[key][i] = cell{m.N > 0, m.Mean, m.Min, m.Max, m.Seconds, m.N}
	}
	events, err := s.backend.Events(ctx, v.snap.Spec.Name, c.from, to, policy.PersonActed, policy.AlarmChanged)
	if err != nil {
		return nil, err
	}
	c.take(events)
	all, err := s.chronicles(ctx, v.snap.Spec.Name)
	if err != nil {
		return nil, err
	}
	for _, x := range all {
		c.grown = append(c.grown, policy.Records(x.chamber, x.entries)...)
	}
	return c, nil
}

// take keeps what the drawings mark.
func (c *course) take(events []policy.Event) {
	open := map[alarm.Name]standingTime{}
	seen := map[alarm.Name]bool{}
	for i := range events {
		e := &events[i]
		if e.Kind == policy.PersonActed && e.Action != nil {
			if text := markText(e.Action); text != "" {
				c.marks = append(c.marks, mark{e.At, text})
			}
			continue
		}
		var phase alarm.Phase
		_ = phase.UnmarshalText([]byte(e.Phase)) // an unknown word is taken as normal
		a, stands := open[e.Alarm]
		switch {
		case phase.Active() && !stands:
			open[e.Alarm] = standingTime{name: e.Alarm, code: e.Code(), from: e.At}
		case !phase.Active() && stands:
			a.to = e.At
			c.alarms = append(c.alarms, a)
			delete(open, e.Alarm)
		case !phase.Active() && !seen[e.Alarm] && e.Phase == alarm.ReturnedUnacknowledged.String():
			c.alarms = append(c.alarms, standingTime{name: e.Alarm, code: e.Code(), from: c.from, to: e.At}) // it stood from before
		}
		seen[e.Alarm] = true
	}
	for _, n := range alarm.Names() {
		if a, stands := open[n]; stands {
			a.to, a.open = c.to, true
			c.alarms = append(c.alarms, a)
		}
	}
}

// markText says what a person did to the crop, or nothing for what does not bear on a plot.
func markText(a *policy.Action) string {
	switch a.Kind {
	case policy.StageSet:
		return a.Batch + " to " + a.Stage.String()
	case policy.BatchAdd:
		stage := a.Stage
		if stage == 0 {
			stage = species.Colonization
		}
		return a.Batch + " put in, " + stage.String()
	case policy.BatchRetire:
		return a.Batch + " taken out"
	case policy.HarvestDone:
		s := a.Batch + " picked, " + words.Number(a.FreshG, 0) + " g"
		if a.Done {
			s += ", flush done"
		}
		return s
	case policy.Refilled:
		if a.Cleaned {
			return "reservoir cleaned and filled"
		}
		return "reservoir filled"
	case policy.RefillUndo:
		return "filling taken back"
	}
	return ""
}

// of gives a series, or nil.
func (c *course) of(place, quantity string) []cell { return c.series[seriesKey{place, quantity}] }

// target gives the range wanted in each step: what was recorded then, carried on to the next record.
func (c *course) target(q chamber.Quantity) []cell {
	s := c.of(journal.PlaceTarget, q.String())
	if s == nil {
		return nil
	}
	out := make([]cell, len(s))
	carry := int(2*journal.SlowSpan/c.step) + 1
	last := -1
	for i := range s {
		if s[i].ok {
			last = i
		}
		if last >= 0 && i-last <= carry {
			out[i] = s[last]
		}
	}
	for i := len(s) - 1; i > 0; i-- { // the first steps before the first record
		if out[i].ok && !out[i-1].ok && i <= carry {
			out[i-1] = out[i]
		}
	}
	return out
}

// share is where a moment stands between the ends, in thousandths.
func (c *course) share(t time.Time) float64 {
	return 1000 * min(1, max(0, float64(t.Sub(c.from))/float64(c.n)/float64(c.step)))
}

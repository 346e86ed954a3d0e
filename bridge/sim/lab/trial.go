package lab

import (
	"context"
	"fmt"
	"hash/fnv"
	"slices"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/rehearse"
)

// trial is one chamber under way with its examiner.
type trial struct {
	c    *chamberCase
	run  *rehearse.Run
	exam *examiner
}

func begin(c *chamberCase, length time.Duration) (*trial, error) {
	t := &trial{c: c, exam: newExaminer(c)}
	c.For = length
	run, err := rehearse.New(c.Case, t.exam)
	if err != nil {
		return nil, err
	}
	t.attach(run)
	return t, nil
}

func (t *trial) attach(run *rehearse.Run) {
	t.run, t.exam.rig = run, run.Rig()
}

// advance lets the time of the chamber pass, up to the given time after the start.
func (t *trial) advance(ctx context.Context, until time.Duration) {
	for t.run.At() < until && ctx.Err() == nil {
		t.run.Advance(min(10*time.Minute, until-t.run.At()))
	}
}

// window is one fault of a throw as it happens.
type window struct {
	kind     Kind
	from, to time.Duration // after the start
	first    int           // of its faults in the rig's list
	n        int
	found    bool
	at       time.Duration
	by       alarm.Name
	flow     float64
	mistOn   float64 // seconds of commanded humidifier from its beginning until found
}

// linger is how long a fault lasts on once it was found: what follows must be borne well too.
const linger = 20 * time.Minute

// throw forks the chamber, lets the faults happen, and watches until control has had time to resume.
func (t *trial) throw(ctx context.Context, what Throw) (Result, error) {
	start := t.run.At()
	n := plant.Noise{State: what.Seed*0x9e3779b97f4a7c15 ^ nameHash(what.Names())}
	var windows []window
	var faults []plant.Fault
	end := start
	from := start + time.Duration(n.Uniform(60, 3600))*time.Second
	for _, k := range what.Kinds {
		w := window{kind: k, from: from, to: from + k.For, first: len(faults)}
		if k.plant != nil {
			faults = append(faults, k.plant(t.c, from.Seconds(), k.For.Seconds())...)
		}
		w.n = len(faults) - w.first
		windows = append(windows, w)
		end = max(end, w.to)
		from += time.Duration(n.Uniform(60, 7200)) * time.Second
	}
	f := &trial{c: t.c, exam: t.exam.fork()}
	run, err := t.run.Fork(f.exam, end+recovery+time.Hour, faults...)
	if err != nil {
		return Result{}, fmt.Errorf("lab: seed %d, %s: %w", what.Seed, what.Names(), err)
	}
	f.attach(run)
	f.exam.windows, f.exam.firstFault = windows, len(t.c.Faults)
	f.advance(ctx, f.exam.until()+recovery)
	for f.exam.until()+recovery > f.run.At() && ctx.Err() == nil { // windows move when faults are found
		f.advance(ctx, f.exam.until()+recovery)
	}
	f.exam.resumed()
	return f.close(what), nil
}

func nameHash(s string) uint64 {
	h := fnv.New64a()
	h.Write([]byte(s))
	return h.Sum64()
}

// Result is what came of one throw, or of the healthy days of a chamber.
type Result struct {
	Throw   Throw
	Days    float64 // of the chamber, simulated
	Healthy float64 // of these, without a fault and after settling
	Found   []Finding
	False   []Raise  // alarms without a cause
	Told    []Raise  // notified in healthy time, with a cause or not
	Broken  []string // what did not hold
	Digest  uint64   // of every decision: the same seed gives the same
}

// Finding is what became of one fault.
type Finding struct {
	Kind    string
	Expects bool // an alarm is to name it
	Found   bool
	Minutes float64
	OnTime  float64 // minutes of commanded humidifier until found
	Flow    float64 // share of the clean filter's flow when found
}

// Raise is an alarm that came.
type Raise struct {
	Alarm alarm.Name
	Code  alarm.Code
	About string
	At    time.Duration
}

func (t *trial) close(what Throw) Result {
	e := t.exam
	r := Result{Throw: what, Days: (t.run.At() - e.began).Hours() / 24, Healthy: e.healthy.Hours() / 24, False: e.wrong, Told: e.told, Broken: e.broken, Digest: e.digest}
	for i := range e.windows {
		w := &e.windows[i]
		r.Found = append(r.Found, Finding{Kind: w.kind.Name, Expects: len(w.kind.Expect) > 0, Found: w.found,
			Minutes: (w.at - w.from).Minutes(), OnTime: w.mistOn / 60, Flow: w.flow})
	}
	return r
}

// until is when the last fault is over.
func (e *examiner) until() time.Duration {
	end := e.began
	for i := range e.windows {
		end = max(end, e.windows[i].to)
	}
	return end
}

// find looks whether a fault has been named, and lets it end soon after.
func (e *examiner) find(at time.Duration, dt float64) {
	mist := e.c.Spec.Plug(chamber.Humidifier)
	for i := range e.windows {
		w := &e.windows[i]
		if w.found || at < w.from || at > w.to || len(w.kind.Expect) == 0 {
			continue
		}
		if e.state.Plugs[mist].Told {
			w.mistOn += dt
		}
		for _, n := range w.kind.Expect {
			if !e.state.Alarms.Active(n) || slices.Contains(e.stood, n) {
				continue
			}
			w.found, w.at, w.by, w.flow = true, at, n, e.course.flow
			if over := at + linger; over < w.to {
				w.to = over
				for j := range w.n {
					f := &e.rig.Faults[e.firstFault+w.first+j]
					f.For = over.Seconds() - f.From
				}
			}
			break
		}
	}
}

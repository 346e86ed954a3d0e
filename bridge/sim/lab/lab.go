// Package lab is the fault laboratory: it lets simulated chambers run under the real policy on a virtual clock, throws
// faults at them alone and in pairs, checks at every step what must hold in every run, and counts what was found, how
// fast, what was missed, and what was alarmed without cause.
//
// It must never be on the daemon's path, nor tell the policy more than sensors, plugs and broker would. The same plan
// gives the same report. Start reading at [Plan.Run].
package lab

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"gillkeeper/policy/plant"
)

// Plan says what is tried.
type Plan struct {
	Seed     uint64        // of the first chamber
	Chambers int           // how many, with seeds that count up
	Healthy  time.Duration // for how long each runs without faults, first
	Kinds    []Kind        // thrown alone at every chamber that they fit
	Pairs    int           // pairs thrown at each chamber
	Rules    bool          // the rules alone decide, not the plan: four times as fast
	Workers  int           // chambers at once; 0: one for each processor
	// Broke, where set, hears of every trial in which something did not hold, as soon as it is over; of one at a time.
	Broke func(Bad)
}

// settle is left out at the start of a chamber's life: it comes from the room's air to its climate, and is learned.
const settle = 6 * time.Hour

// recovery is how long a chamber is watched after a fault has cleared: by then control must have resumed.
const recovery = 3 * time.Hour

// Progress is how far a plan is, for a bar; safe to read while it runs.
type Progress struct{ done, total atomic.Int64 }

// Share is how far the plan is, 0..1.
func (p *Progress) Share() float64 {
	if p == nil || p.total.Load() == 0 {
		return 0
	}
	return min(1, float64(p.done.Load())/float64(p.total.Load()))
}

// Run carries the plan out, or as much of it as there is time for until ctx ends: the report says so, and leaves out the
// fault that was under way. It fails when a chamber cannot be made.
func (o Plan) Run(ctx context.Context, progress *Progress) (*Report, error) {
	if progress == nil {
		progress = new(Progress)
	}
	progress.total.Store(int64(o.Chambers))
	outcomes := make([]outcome, o.Chambers)
	faults := make([]error, o.Chambers)
	seeds := make(chan int, o.Chambers)
	for i := range o.Chambers {
		seeds <- i
	}
	close(seeds)
	workers := o.Workers
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	o.Broke = oneAtATime(o.Broke)
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			for i := range seeds {
				if ctx.Err() != nil {
					return
				}
				outcomes[i], faults[i] = o.chamber(ctx, o.Seed+uint64(i))
				progress.done.Add(1)
			}
		})
	}
	wg.Wait()
	if err := errors.Join(faults...); err != nil {
		return nil, err
	}
	r := o.report(outcomes)
	r.Stopped = ctx.Err() != nil
	return r, nil
}

// oneAtATime lets a function be called from many goroutines.
func oneAtATime(f func(Bad)) func(Bad) {
	if f == nil {
		return func(Bad) {}
	}
	var mu sync.Mutex
	return func(b Bad) {
		mu.Lock()
		defer mu.Unlock()
		f(b)
	}
}

// chamber runs one chamber: healthy first, then from there once for each fault and pair.
func (o *Plan) chamber(ctx context.Context, seed uint64) (outcome, error) {
	var out outcome
	c, err := draw(seed, o)
	if err != nil {
		return out, err
	}
	base, err := begin(c, o.Healthy)
	if err != nil {
		return out, err
	}
	base.advance(ctx, o.Healthy)
	o.keep(&out, base.close(Throw{Seed: seed}))
	for _, t := range o.throws(c, seed) {
		if ctx.Err() != nil {
			return out, nil
		}
		result, err := base.throw(ctx, t)
		switch {
		case err != nil:
			return out, err
		case ctx.Err() != nil: // it is half done: what it has not found yet is not missed
			return out, nil
		}
		o.keep(&out, result)
	}
	out.whole = true
	return out, nil
}

// keep takes a result in, and tells of what did not hold.
func (o *Plan) keep(out *outcome, r Result) {
	out.add(r)
	if len(r.Broken) > 0 {
		o.Broke(Bad{r.Throw.Seed, r.Throw.Names(), r.Broken[0]})
	}
}

// Replay runs one throw again, or, with no kinds, the healthy days of one chamber; tells, where given, hears of every
// alarm and suspicion.
func (o Plan) Replay(ctx context.Context, t Throw, tells func(line string)) (*Report, error) {
	o.Kinds, o.Seed, o.Chambers = t.Kinds, t.Seed, 1
	c, err := draw(t.Seed, &o)
	if err != nil {
		return nil, err
	}
	base, err := begin(c, o.Healthy)
	if err != nil {
		return nil, err
	}
	if len(t.Kinds) == 0 {
		base.exam.tells = tells
	}
	base.advance(ctx, o.Healthy)
	base.exam.tells = tells
	out := outcome{whole: true}
	if len(t.Kinds) == 0 {
		out.add(base.close(t))
	} else {
		for _, k := range t.Kinds {
			if k.fits != nil && !k.fits(c) {
				return nil, fmt.Errorf("the chamber of seed %d has nothing that %s can happen to", t.Seed, k.Name)
			}
		}
		result, err := base.throw(ctx, t)
		if err != nil {
			return nil, err
		}
		out.add(result)
	}
	if ctx.Err() != nil {
		return nil, errors.New("the trial was stopped before its end")
	}
	return o.report([]outcome{out}), nil
}

// throws lists what is thrown at one chamber: every kind that fits it, and pairs of them drawn by its seed.
func (o *Plan) throws(c *chamberCase, seed uint64) []Throw {
	var fit []Kind
	for _, k := range o.Kinds {
		if k.fits == nil || k.fits(c) {
			fit = append(fit, k)
		}
	}
	var all []Throw
	for _, k := range fit {
		all = append(all, Throw{Seed: seed, Kinds: []Kind{k}})
	}
	n := plant.Noise{State: seed ^ 0xa54ff53a5f1d36f1}
	for p := 0; p < o.Pairs && len(fit) > 1; p++ {
		i, j := int(n.Uniform(0, float64(len(fit)))), int(n.Uniform(0, float64(len(fit)-1)))
		if j >= i {
			j++
		}
		all = append(all, Throw{Seed: seed, Kinds: []Kind{fit[i], fit[j]}})
	}
	return all
}

// Throw is what is thrown at one chamber at once. No kinds: nothing, it is healthy.
type Throw struct {
	Seed  uint64
	Kinds []Kind
}

// Names gives the kinds' names in their order, joined by a plus.
func (t Throw) Names() string {
	s := ""
	for i, k := range t.Kinds {
		if i > 0 {
			s += "+"
		}
		s += k.Name
	}
	return s
}

// KindNamed finds a kind.
func KindNamed(name string) (Kind, bool) {
	all := append(Kinds(), SlowKinds()...)
	i := slices.IndexFunc(all, func(k Kind) bool { return k.Name == name })
	if i < 0 {
		return Kind{}, false
	}
	return all[i], true
}

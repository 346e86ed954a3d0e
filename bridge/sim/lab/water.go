package lab

import (
	"context"
	"fmt"
	"io"
	"math"
	"runtime"
	"sync"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/species"
)

// fillings is how many times each chamber of [Plan.Water] is let run dry.
const fillings = 3

// forecast is what was said of the reservoir at a moment, and later what was true.
type forecast struct {
	at               time.Duration
	empty, low, high float64 // hours
	least, most      float64 // liters
	truth            float64 // liters
	filling          int
	changed          bool // the stage changed within the filling
	hours            float64
}

// WaterLine says how good the forecasts of some fillings were.
type WaterLine struct {
	Fillings     string  `json:"fillings"`
	N            int     `json:"n"`            // fillings that were long enough to be asked a day ahead
	DayMedian    float64 `json:"day_median_h"` // error, hours, a day ahead
	DayP90       float64 `json:"day_p90_h"`
	FourMedian   float64 `json:"four_median_h"` // four hours ahead
	FourP90      float64 `json:"four_p90_h"`
	Held         float64 `json:"held"`            // share of all forecasts whose interval of hours held the truth
	LitersHeld   float64 `json:"liters_held"`     // the same of the liters
	WidthFull    float64 `json:"width_full_l"`    // of the interval of liters with three quarters left, median
	WidthQuarter float64 `json:"width_quarter_l"` // and with a quarter
}

// Water lets reservoirs run dry, three fillings in each chamber, and looks how good the hours left were that were told. The
// reservoirs are small, to save time; in every other chamber the crop changes its stage in the last filling. The grower
// fills up half an hour after it ran dry and says so. When ctx ends first, the fillings until then count.
func (o Plan) Water(ctx context.Context, progress *Progress) ([]WaterLine, error) {
	if progress == nil {
		progress = new(Progress)
	}
	progress.total.Store(int64(o.Chambers))
	all := make([][]forecast, o.Chambers)
	fails := make([]error, o.Chambers)
	seeds := make(chan int, o.Chambers)
	for i := range o.Chambers {
		seeds <- i
	}
	close(seeds)
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range seeds {
				all[i], fails[i] = o.runDry(ctx, o.Seed+uint64(i))
				progress.done.Add(1)
			}
		})
	}
	wg.Wait()
	for _, err := range fails {
		if err != nil {
			return nil, err
		}
	}
	var fs []forecast
	for i := range all {
		fs = append(fs, all[i]...)
	}
	return []WaterLine{
		lineOf("first", fs, func(f *forecast) bool { return f.filling == 1 }),
		lineOf("later", fs, func(f *forecast) bool { return f.filling > 1 && !f.changed }),
		lineOf("later, stage changed", fs, func(f *forecast) bool { return f.filling > 1 && f.changed }),
	}, nil
}

// runDry runs one chamber through its fillings.
func (o *Plan) runDry(ctx context.Context, seed uint64) ([]forecast, error) {
	c, err := draw(seed, o)
	if err != nil {
		return nil, err
	}
	mist := 0
	c.RefillEvery, c.Params.ReservoirG = 0, 2500
	c.Spec.Plugs[mist].ReservoirLiters, c.Spec.Plugs[mist].Meters, c.Outlets[mist].Meters = 2.5, true, true
	t, err := begin(c, 60*24*time.Hour)
	if err != nil {
		return nil, err
	}
	var done, open []forecast
	t.exam.asks = []policy.Action{{ID: "fill-0", Kind: policy.Refilled}}
	dryAt, change := time.Duration(0), time.Duration(0)
	for filling := 1; filling <= fillings && t.run.At() < c.For && ctx.Err() == nil; {
		t.advance(ctx, t.run.At()+10*time.Minute)
		at, left := t.run.At(), t.exam.rig.State.ReservoirG
		switch {
		case left > 1:
			if r := &t.exam.state.Reservoir; at%(30*time.Minute) == 0 && r.EmptyOK && !r.Dry {
				open = append(open, forecast{at: at, empty: r.EmptyIn.Hours(), low: r.EmptyLow.Hours(), high: r.EmptyHigh.Hours(),
					least: r.Low, most: r.High, truth: left / 1000, filling: filling})
			}
			if filling == fillings && seed%4 < 2 && change == 0 && left < 1500 {
				change = at
				to := species.Fruiting
				if c.Target.Stage == to {
					to = species.Pinning
				}
				t.exam.asks = []policy.Action{{ID: "stage", Kind: policy.StageSet, Batch: "lab", Stage: to}}
			}
		case dryAt == 0:
			dryAt = at
		case at-dryAt >= 30*time.Minute:
			for i := range open {
				f := &open[i]
				f.hours = (dryAt - f.at).Hours()
				f.changed = change > 0 && f.at >= change+3*time.Hour
				if change == 0 || f.at < change && filling < fillings || f.changed {
					done = append(done, *f)
				}
			}
			open, dryAt = nil, 0
			t.exam.rig.Refill()
			t.exam.asks = []policy.Action{{ID: fmt.Sprint("fill-", filling), Kind: policy.Refilled}}
			filling++
		}
	}
	return done, nil
}

func lineOf(name string, all []forecast, of func(*forecast) bool) WaterLine {
	l := WaterLine{Fillings: name}
	var day, four, full, quarter []float64
	n, held, liters := 0, 0, 0
	for i := range all {
		f := &all[i]
		if !of(f) {
			continue
		}
		n++
		if f.low <= f.hours && f.hours <= f.high {
			held++
		}
		if f.least <= f.truth && f.truth <= f.most {
			liters++
		}
		near := func(x, want, within float64) bool { return math.Abs(x-want) <= within }
		switch {
		case near(f.hours, 24, 0.25):
			day = append(day, math.Abs(f.empty-f.hours))
		case near(f.hours, 4, 0.25):
			four = append(four, math.Abs(f.empty-f.hours))
		}
		switch {
		case near(f.truth, 1.875, 0.02):
			full = append(full, f.most-f.least)
		case near(f.truth, 0.625, 0.02):
			quarter = append(quarter, f.most-f.least)
		}
	}
	l.N = len(day)
	l.DayMedian, l.DayP90, l.FourMedian, l.FourP90 = quantile(day, 0.5), quantile(day, 0.9), quantile(four, 0.5), quantile(four, 0.9)
	l.Held, l.LitersHeld = float64(held)/math.Max(1, float64(n)), float64(liters)/math.Max(1, float64(n))
	l.WidthFull, l.WidthQuarter = quantile(full, 0.5), quantile(quarter, 0.5)
	return l
}

// PrintWater writes the lines as a table.
func PrintWater(w io.Writer, lines []WaterLine) {
	fmt.Fprintf(w, "%-22s %8s %21s %21s %12s %12s %20s\n", "FILLINGS", "FORECAST", "ERROR 24 H AHEAD, H", "ERROR 4 H AHEAD, H", "HOURS HELD", "LITERS HELD", "WIDTH AT 3/4, 1/4, L")
	for i := range lines {
		l := &lines[i]
		fmt.Fprintf(w, "%-22s %8d %11.1f [%6.1f] %11.1f [%6.1f] %10.0f %% %10.0f %% %12.2f, %.2f\n", l.Fillings, l.N, l.DayMedian, l.DayP90, l.FourMedian, l.FourP90,
			100*l.Held, 100*l.LitersHeld, l.WidthFull, l.WidthQuarter)
	}
	fmt.Fprintln(w, "Errors are medians, with the 90th percentile in brackets; held: share of the stated 90 % intervals that held the truth.")
}

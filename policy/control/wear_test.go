package control

import (
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
)

// budgeted is the scene of the plan with so many switchings a day for each plug.
func budgeted(perDay float64) *Scene {
	sc := planScene()
	spec := *sc.Spec
	spec.Plugs = slices.Clone(spec.Plugs)
	for i := range spec.Plugs {
		spec.Plugs[i].SwitchingsPerDay = perDay
	}
	sc.Spec = &spec
	return sc
}

// TestBudgetHoldsOverTheDay keeps a chamber for a day on a budget that is well below what it would take, and far above
// what would let it go; CO2 must not suffer for it.
func TestBudgetHoldsOverTheDay(t *testing.T) {
	if raceDetector {
		t.Skip("no goroutine takes part")
	}
	free := follow(planScene(), 2*time.Hour)
	perDay := 2 * 24 * float64(free.starts[1]) / 1.5 // on and off count
	for _, share := range []float64{0.6} {
		sc := budgeted(share * perDay)
		follow(sc, 24*time.Hour)
		for i := range sc.Plugs {
			if n := float64(sc.Plugs[i].Switches); n > 1.03*share*perDay || n < 0.6*share*perDay {
				t.Errorf("plug %d was switched %v times in a day, on a budget of %.0f; without one about %.0f", i, n, share*perDay, perDay)
			}
		}
	}
}

// TestCropComesBeforeBudget: on a budget that no chamber can be kept with, plugs are switched more than it allows, for CO2
// must hardly rise above its maximum nor the air leave its range.
func TestCropComesBeforeBudget(t *testing.T) {
	if raceDetector {
		t.Skip("no goroutine takes part")
	}
	free := follow(planScene(), 2*time.Hour)
	for _, perDay := range []float64{20, 100} {
		k := follow(budgeted(perDay), 16*time.Hour)
		t.Logf("%.0f a day: %+v; none: %+v", perDay, k, free)
		if k.above > 0.05 || k.off > 0.05 {
			t.Errorf("on %.0f switchings a day CO2 is above its maximum %.3f of the time, and the air %.3f from its aim", perDay, k.above, k.off)
		}
		if n, without := k.starts[1], 8*free.starts[1]; 2*float64(n) < perDay/2 || n > without {
			t.Errorf("on %.0f switchings a day the fan starts %d times, without a budget about %d", perDay, n, without)
		}
	}
}

// TestNoBudgetNoPrice: without a budget nothing is counted and nothing is dearer.
func TestNoBudgetNoPrice(t *testing.T) {
	w := Wear{Price: 2, From: time.Unix(1, 0)}.follow(&chamber.Plug{}, &guard.Plug{Switches: 500}, 0, time.Unix(100, 0))
	if w != (Wear{}) || w.Factor() != 1 {
		t.Errorf("%+v", w)
	}
}

// TestPriceFollowsUse: switched twice as often as may be, a switching gets dearer within the hour; not switched at all,
// it comes back to its own price within a few.
func TestPriceFollowsUse(t *testing.T) {
	spec, p, now := &chamber.Plug{SwitchingsPerDay: 240}, &guard.Plug{}, time.Unix(1e9, 0)
	var w Wear
	for i := range 2 * 60 {
		p.Switches = int64(i / 3) // 20 an hour, 10 may be
		w, now = w.follow(spec, p, 0, now), now.Add(time.Minute)
	}
	if w.Factor() < 1.5 || w.Factor() > 10 {
		t.Errorf("after two hours of twice the budget a switching costs %.2f times as much", w.Factor())
	}
	for range 6 * 60 {
		w, now = w.follow(spec, p, 0, now), now.Add(time.Minute)
	}
	if w.Factor() != 1 {
		t.Errorf("after six hours of rest a switching costs %.2f times as much", w.Factor())
	}
}

// TestWearStaysSane: whatever was stored and whatever the counters and clocks do, the price is a factor within bounds.
func TestWearStaysSane(t *testing.T) {
	number := rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{0, math.NaN(), math.Inf(1), -5}))
	rapid.Check(t, func(t *rapid.T) {
		now := time.Unix(1e9, 0)
		w := Wear{From: now.Add(-time.Hour), At: now, Seen: rapid.Int64().Draw(t, "seen"), Used: rapid.Int64().Draw(t, "used"),
			Rate: number.Draw(t, "rate"), Price: number.Draw(t, "price"), Harm: number.Draw(t, "harm")}
		for range 5 {
			now = now.Add(time.Duration(rapid.Int64Range(-1e13, 1e14).Draw(t, "gap")))
			w = w.follow(&chamber.Plug{SwitchingsPerDay: rapid.Float64Range(20, 20000).Draw(t, "budget")}, &guard.Plug{Switches: rapid.Int64Range(0, 1e9).Draw(t, "n")}, rapid.Float64Range(0, 1/mayBeStale).Draw(t, "suffers"), now)
			if f := w.Factor(); !(f >= 1 && f <= wearMost*1.0001) {
				t.Fatalf("%v: %+v", f, w)
			}
		}
	})
}

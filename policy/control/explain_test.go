package control

import (
	"math"
	"testing"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/reason"
)

// TestReasonForesees has CO2 above its maximum in a chamber whose balance is solved by hand: with the fan off for ten
// minutes it rises as C = S + (C0 - S) e^(-leak·t) with S = room + G/leak.
func TestReasonForesees(t *testing.T) {
	sc := planScene()
	sc.Model.Air.CO2 = 870
	c := &sc.Model.Constants
	_, wants := Decide(State{}, sc)
	r := wants[1].Reasons[0]
	p := r.Plan
	if p == nil || !p.Runs || p.Ahead != 10*time.Minute || r.Quantity != chamber.CO2 {
		t.Fatalf("%+v: %+v", r, p)
	}
	steady := c.RoomCO2 + c.CO2Rate/c.Leak
	after := steady + (870-steady)*math.Exp(-c.Leak*600)
	if math.Abs(p.Without.End.CO2-after) > 5 || p.Without.High.CO2 != p.Without.End.CO2 || p.Now.CO2 != 870 {
		t.Errorf("without the fan CO2 goes from %v to %v (highest %v), by hand to %.0f", p.Now.CO2, p.Without.End.CO2, p.Without.High.CO2, after)
	}
	// One run of the given length takes off what e^(-flow·length) leaves of the difference to the room; the crop adds
	// its own, at least so much more is there after ten minutes.
	left := c.RoomCO2 + (870-c.RoomCO2)*math.Exp(-(c.Flow+c.Leak)*p.For.Seconds())
	if p.With.Low.CO2 < left-5 || p.With.Low.CO2 > 870 || p.With.End.CO2 >= p.Without.End.CO2-20 {
		t.Errorf("a run of %v leads from 870 to %v and %v; no less than %.0f is possible", p.For, p.With.Low.CO2, p.With.End.CO2, left)
	}
	if p.Decided != reason.TooStale {
		t.Errorf("%s decided, at 870 ppm with a maximum of 800", p.Decided)
	}
	for _, a := range []reason.Air{p.Now, p.With.Low, p.With.High, p.Without.End} {
		if a.AirC < 15 || a.AirC > 20 || a.RH < 0.5 || a.RH > 1 {
			t.Errorf("expects %+v in a chamber of 18 °C and 94 %%", a)
		}
	}
}

// TestReasonsOfRest: at rest the reason says what a run now would bring, and the mist's has to do with moisture.
func TestReasonsOfRest(t *testing.T) {
	sc := planScene()
	sc.Model.Air.CO2 = 600
	sc.Model.Air.Vapor = 0.97 * sc.Model.Air.Vapor / sc.Model.Air.RH(&sc.Model.Constants) // wetter than the aim
	_, wants := Decide(State{Rate: Rate{At: sc.Now, Value: 0.2}}, sc)                     // a chamber that is kept well
	r := wants[0].Reasons[0]
	if wants[0].On || r.Plan == nil || r.Plan.Runs || r.Plan.For < 20*time.Second || r.Value > r.Bound {
		t.Fatalf("%+v: %+v", r, r.Plan)
	}
	if d := r.Plan.Decided; d != reason.TooWet && d != reason.Switching && d != reason.Water && d != reason.Sooner {
		t.Errorf("%s keeps the mist off in air that is wet already", r.Plan.Decided)
	}
	if r.Plan.With.High.RH < r.Plan.Without.High.RH {
		t.Errorf("mist leads to at most %v, without it to %v", r.Plan.With.High.RH, r.Plan.Without.High.RH)
	}
}

// TestReasonsOfEnds runs a chamber for an hour: where a run ends, the reason is told beside going on, which would have led
// elsewhere, and never beside itself.
func TestReasonsOfEnds(t *testing.T) {
	sc := planScene()
	var st State
	ends := [2]int{}
	for range 3600 {
		was := [2]bool{sc.Plugs[0].Told, sc.Plugs[1].Told}
		drive(t, sc, &st, time.Second)
		for i, why := range []reason.Reason{st.Plan.MistWhy, st.Plan.FanWhy} {
			if !was[i] || sc.Plugs[i].Told {
				continue
			}
			ends[i]++
			p := why.Plan
			if p == nil || p.Runs || p.For < sc.Spec.Plugs[i].MinOn || p.In > planEvery {
				t.Fatalf("plug %d was turned off with %+v: %+v", i, why, p)
			}
			if p.With == p.Without {
				t.Errorf("plug %d was turned off as if going on for %v were the same: %+v", i, p.For, p)
			}
			if i == 0 && p.With.High.RH <= p.Without.High.RH {
				t.Errorf("on for longer, mist leads to at most %v, and turned off to %v", p.With.High.RH, p.Without.High.RH)
			}
			if i == 1 && p.With.Low.CO2 >= p.Without.Low.CO2 {
				t.Errorf("on for longer, the fan leads to %v ppm at the least, and turned off to %v", p.With.Low.CO2, p.Without.Low.CO2)
			}
		}
	}
	if ends[0] < 3 || ends[1] < 3 {
		t.Errorf("in an hour mist and fan were turned off %v times", ends)
	}
}

// TestCostsAddUp: the costs by cause are those that the plan is chosen by.
func TestCostsAddUp(t *testing.T) {
	sc := planScene()
	for _, ppm := range []float64{450, 790, 1400} {
		sc.Model.Air.CO2 = ppm
		p := planner{w: &planWeights, mistPulse: 24, fanPulse: 24, model: sc.Model, target: &sc.Target, volume: 0.56, rate: 1.3}
		for _, mist := range []run{rest, {0, 20, 1}, {30, 55, 0.4}} {
			for _, fan := range []run{rest, {0, 40, 1}, {12, 33, 0.2}} {
				f := p.foresee(mist, fan)
				if want := p.roll(mist, fan, math.Inf(1)); math.Abs(f.cost()-want) > 1e-6*math.Abs(want) {
					t.Errorf("at %v ppm, mist %v, fan %v: the causes add up to %v, the plan costs %v", ppm, mist, fan, f.cost(), want)
				}
			}
		}
	}
}

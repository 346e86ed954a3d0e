package alarm

import (
	"math"
	"math/rand/v2"
	"testing"

	"gillkeeper/policy/chamber"
)

// The log-likelihood ratio of N(e, s²) against N(0, s²) at x is (x² − (x−e)²)/2s², by hand: with e = 1 and s = 1, a
// change of 0 speaks for "nothing" with 0.5, one of 1 against it with 0.5, one of 0.5 not at all.
func TestEvidenceByHand(t *testing.T) {
	for _, c := range []struct{ change, want float64 }{{0, 0.5}, {1, -0.5}, {0.5, 0}, {-10, 2.5}, {10, -2.5}} {
		if got := evidence(c.change-1, 1, 1, 1, 2.5); math.Abs(got-c.want) > 1e-5 {
			t.Errorf("a change of %v gives %v, want %v", c.change, got, c.want)
		}
	}
}

// TestStatedErrorRate feeds windows with normal residuals: mist whose effect in a window is half its noise, which is far
// worse than any chamber. The threshold promises no more than one false alarm in e^11 = 60 000 windows on the mean.
func TestStatedErrorRate(t *testing.T) {
	noise := rand.New(rand.NewPCG(7, 7))
	w := &Water{Spec: &chamber.Plug{}, AimRH: 0.9}
	var r Response
	r.Input[acted] = 20
	res := &Reservoir{}
	wrong := 0
	for range 60_000 {
		tr := trial{residual: noise.NormFloat64(), effect: 0.5, variance: 1, rh: 0.87, known: true}
		if r.weigh(w, &tr, res) == dry {
			wrong++
			r.restart()
		}
	}
	if wrong > 3 { // a Poisson mean of 1 exceeds 3 once in fifty
		t.Errorf("%d false alarms in 60,000 windows", wrong)
	}
	r.restart()
	n := 0
	for ; n < 5000; n++ {
		tr := trial{residual: noise.NormFloat64() - 0.5, effect: 0.5, variance: 1, rh: 0.87, known: true}
		if r.weigh(w, &tr, res) == dry {
			break
		}
	}
	if n > 400 { // the mean drift of 0.12 a window needs about 90
		t.Errorf("without mist it took %d windows", n)
	}
	r.restart()
	for range 200 {
		tr := trial{residual: -2, effect: 2, variance: 0.1, rh: 0.9, known: true} // nothing answers, but the air is at the aim
		if r.weigh(w, &tr, res) == dry {
			t.Fatal("dry, though mist was not needed")
		}
	}
}

package alarm

import (
	"math/rand/v2"
	"testing"

	"gillkeeper/policy/learn"
)

// TestOutflow: a reading each ten seconds, CO2 and humidity by turns, in standard deviations from what is foreseen. A door makes both
// three lower, which is 2.3 each beyond chance, so four readings of each make more than eight.
func TestOutflow(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 11))
	const door = 6 * 360 // the step at which it happens, after six hours
	for _, c := range []struct {
		name string
		co2  func(i int) float64 // i steps after that
		damp func(i int) float64
		long int // steps
		want int // the step by which it is found, at the latest; 0: never
	}{
		{"a door", func(int) float64 { return -3 }, func(int) float64 { return -3 }, 60, 8},
		{"a door that takes the vapor a minute later", func(int) float64 { return -3 }, func(i int) float64 { return low(i, 6) }, 60, 14},
		{"noise", func(int) float64 { return r.NormFloat64() }, func(int) float64 { return r.NormFloat64() }, 100_000, 0},
		{"less CO2", func(int) float64 { return -3 }, func(int) float64 { return r.NormFloat64() }, 3000, 0},
		{"less vapor", func(int) float64 { return r.NormFloat64() }, func(int) float64 { return -3 }, 3000, 0},
		{"less CO2, and far later less vapor", func(int) float64 { return -3 }, func(i int) float64 { return low(i, 24) }, 47, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			var o Outflow
			for i := range door + c.long {
				co2, damp := r.NormFloat64(), r.NormFloat64()
				if i >= door {
					co2, damp = c.co2(i-door), c.damp(i-door)
				}
				var l learn.Likely
				if i%2 == 0 {
					l.Richer = co2
				} else {
					l.Higher = damp
				}
				switch open := o.advance(&l, Moist{}, 10); {
				case open && (c.want == 0 || i < door):
					t.Fatalf("open %d steps after it", i-door)
				case open:
					return
				case c.want != 0 && i >= door+c.want:
					t.Fatalf("not open %d steps after it", i-door)
				}
			}
		})
	}
}

// low is three standard deviations low from step n on.
func low(i, n int) float64 {
	if i < n {
		return 0.1
	}
	return -3
}

// TestOutflowNeedsToKnow: of a chamber that has been known for an hour it says nothing; and in one that surprised by ten again and again
// while it was shut, ten is nothing.
func TestOutflowNeedsToKnow(t *testing.T) {
	var o Outflow
	lower := func(o *Outflow, n int) (open bool) {
		for range n {
			open = o.advance(&learn.Likely{Richer: -3, Higher: -3}, Moist{}, 10) || open
		}
		return open
	}
	o.Known = 3600
	if lower(&o, 6) {
		t.Error("open in a chamber that is hardly known")
	}
	for range 30 { // as ever
		o.advance(&learn.Likely{Richer: 1, Higher: 1}, Moist{}, 10)
	}
	o.Known = airingKnown
	if lower(&o, 6) {
		t.Error("open by what it did before")
	}
	if !lower(&o, 12) {
		t.Error("and by far more it is not")
	}
}

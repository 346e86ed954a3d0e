package yield

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s is %.6g, want %.6g ± %g", what, got, want, within)
	}
}

// single makes a question with one flush of every batch: the textbook's case.
func single(x, y []float64) (out []sample) {
	for i := range x {
		out = append(out, sample{batch: fmt.Sprint(i), flush: 1, x: x[i], y: y[i]})
	}
	return out
}

// TestSpearmanAgainstPublishedExamples: the correlation and its exact two-sided p-value.
func TestSpearmanAgainstPublishedExamples(t *testing.T) {
	up := func(n int) (v []float64) {
		for i := range n {
			v = append(v, float64(i))
		}
		return v
	}
	for _, c := range []struct {
		name      string
		x, y      []float64
		r, p      float64
		tolR, tol float64
	}{
		// Hollander and Wolfe, Nonparametric Statistical Methods (1973), p. 187: Hunter L of canned tuna beside a panel's
		// score. rho 0.6 and the exact p 0.0968 are what the example of R's cor.test prints for it (from memory).
		{"tuna", []float64{44.4, 45.9, 41.9, 53.3, 44.7, 44.1, 50.7, 45.2, 60.1}, []float64{2.6, 3.1, 2.5, 5.0, 3.6, 4.0, 5.2, 2.8, 3.8},
			0.6, 0.0968, 1e-12, 5e-5},
		// Five in perfect order: 2 of 5! orders are as far, p = 2/120 (counted by hand).
		{"five in order", up(5), up(5), 1, 2.0 / 120, 1e-12, 1e-12},
		// Four of which the last two are exchanged: sum of d² 2, rho 0.8. Of the 24 orders one has sum 0, three have 2, and
		// as many lie at the other end: 8/24 (counted by hand; Kendall, Rank Correlation Methods, has 0.167 for one side).
		{"four, one exchange", up(4), []float64{0, 1, 3, 2}, 0.8, 8.0 / 24, 1e-12, 1e-12},
		// Zar, Biostatistical Analysis, table of critical values: at n = 6 rho 0.886 is reached with probability 0.05 or
		// less on two sides (0.033 exactly in Kendall's table of the sum of d², 4: 0.0167 on one side; from memory).
		{"six at the critical value", up(6), []float64{1, 0, 2, 3, 5, 4}, 0.886, 0.0333, 5e-4, 5e-4},
		// Kendall's table again: n = 7, sum of d² 12, rho 0.786, one side 0.024 (from memory).
		{"seven", up(7), []float64{2, 1, 0, 3, 4, 6, 5}, 1 - 6.0*10/336, 0.0341, 1e-9, 1e-3},
	} {
		all := families(single(c.x, c.y))
		near(t, c.name+": correlation", correlation(all), c.r, c.tolR)
		p, exact := permutation(all, nil)
		near(t, c.name+": p", p, c.p, c.tol)
		if !exact {
			t.Errorf("%s: %d orders were not all looked at", c.name, int(orders(all)))
		}
	}
}

// TestTies: Spearman with ties is Pearson of midranks. The example is that of Kendall, Rank Correlation Methods, on ties
// (ranks 1, 2.5, 2.5, 4.5, 4.5, 6.5, 6.5, 8, 9.5, 9.5), whose midranks follow from the definition.
func TestTies(t *testing.T) {
	got := midranks([]float64{3, 5, 5, 7, 7, 8, 8, 9, 11, 11})
	want := []float64{1, 2.5, 2.5, 4.5, 4.5, 6.5, 6.5, 8, 9.5, 9.5}
	if !slices.Equal(got, want) {
		t.Errorf("midranks are %v, want %v", got, want)
	}
}

// TestBenjaminiHochberg: the 15 p-values of the thrombolysis trial in Benjamini and Hochberg 1995, section 4.1 (the
// p-values from memory). At 0.05 the procedure rejects the four smallest; Bonferroni rejects three.
func TestBenjaminiHochberg(t *testing.T) {
	p := []float64{0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0000}
	rng := rand.New(rand.NewPCG(1, 2))
	shuffled := slices.Clone(p)
	rng.Shuffle(len(p), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
	q := discoveries(shuffled)
	var found []float64
	for i := range q {
		if q[i] <= 0.05 {
			found = append(found, shuffled[i])
		}
	}
	slices.Sort(found)
	if !slices.Equal(found, p[:4]) {
		t.Errorf("found %v, want the four smallest", found)
	}
	// By hand: the smallest is min over i of 15 p(i)/i = 0.0015; the fourth 0.0095·15/4; the last 1.
	near(t, "q of the smallest", q[slices.Index(shuffled, 0.0001)], 0.0015, 1e-12)
	near(t, "q of the fourth", q[slices.Index(shuffled, 0.0095)], 0.035625, 1e-12)
	near(t, "q of the last", q[slices.Index(shuffled, 1.0)], 1, 1e-12)
}

// TestRandomOrdersAgreeWithAllOrders: with ten batches the orders are drawn; the share must be what counting all 3.6
// million orders gives within four standard errors.
func TestRandomOrdersAgreeWithAllOrders(t *testing.T) {
	x := []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10}
	y := []float64{2, 1, 5, 3, 4, 9, 6, 10, 7, 8}
	all := families(single(x, y))
	p, exact := permutation(all, rand.New(rand.NewPCG(7, 7)))
	if exact {
		t.Fatal("3.6 million orders were looked at one by one")
	}
	// The same tail by the sum of d², counted over all orders with a bound on the branches: independent of products.
	d := 0.0
	for i := range x {
		d += (x[i] - y[i]) * (x[i] - y[i])
	}
	far, total := 0, 0
	var walk func(i int, used int, sum float64)
	walk = func(i, used int, sum float64) {
		if i == len(x) {
			total++
			if sum <= d || sum >= 330-d { // the mean is (n³-n)/6 = 165
				far++
			}
			return
		}
		for j := range x {
			if used&(1<<j) == 0 {
				walk(i+1, used|1<<j, sum+float64((i-j)*(i-j)))
			}
		}
	}
	walk(0, 0, 0)
	want := float64(far) / float64(total)
	near(t, "p of random orders", p, want, 4*math.Sqrt(want*(1-want)/shuffles)+1e-4)
}

// TestBootstrapOnTheLawSchools: Efron's 15 law schools (Efron and Tibshirani 1993, table 3.1; from memory). The standard
// error of Pearson's correlation is given there as 0.132 from 3200 draws; that of the rank correlation must be near, and
// the interval must hold the correlation and be as wide as such an error makes it.
func TestBootstrapOnTheLawSchools(t *testing.T) {
	lsat := []float64{576, 635, 558, 578, 666, 580, 555, 661, 651, 605, 653, 575, 545, 572, 594}
	gpa := []float64{3.39, 3.30, 2.81, 3.03, 3.44, 3.07, 3.00, 3.43, 3.36, 3.13, 3.12, 2.74, 2.76, 2.88, 2.96}
	near(t, "Pearson of the printed table", stat.Correlation(lsat, gpa, nil), 0.776, 5e-4) // the data are the book's
	low, high := interval(single(lsat, gpa), resamples, rand.New(rand.NewPCG(3, 3)))
	r := correlation(families(single(lsat, gpa)))
	if !(low < r && r < high) {
		t.Errorf("the interval %.3f to %.3f does not hold %.3f", low, high, r)
	}
	near(t, "width of the interval", high-low, 2*1.96*0.132, 0.15)
}

// TestChanceIsUniform: where nothing goes together, a p-value at or below a level comes no more often than the level,
// also when good batches are good in each flush: batches are exchanged whole.
func TestChanceIsUniform(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 5))
	const runs = 600
	low, naive := 0, 0
	for range runs {
		var s, apart []sample
		for b := range 8 {
			goodX, goodY := rng.NormFloat64(), rng.NormFloat64()
			for f := 1; f <= 2+b%2; f++ {
				v := sample{batch: fmt.Sprint(b), flush: f, x: goodX + 0.5*rng.NormFloat64(), y: goodY + 0.5*rng.NormFloat64() - float64(f)}
				s = append(s, v)
				v.batch, v.flush = fmt.Sprint(b, "/", f), 1
				v.y += float64(f)
				apart = append(apart, v)
			}
		}
		if p, _ := permutation(families(s), rng); p <= 0.1 {
			low++
		}
		if !testing.Short() && naive >= 0 {
			all := families(apart)
			if math.Abs(correlation(all)) > 0.38 { // p 0.1 for 20 things that are alone (Zar's table: 0.380)
				naive++
			}
		}
	}
	share, sd := float64(low)/runs, math.Sqrt(0.1*0.9/runs)
	t.Logf("p ≤ 0.1 in %.3f of %d seasons in which nothing goes together; taking flushes for independent: %.3f", share, runs, float64(naive)/runs)
	if share > 0.1+3*sd {
		t.Errorf("chance looks like something in %.3f of the runs, more than 0.1", share)
	}
	if share < 0.1-5*sd {
		t.Errorf("the test hardly ever speaks: %.3f", share)
	}
}

// TestCorrelationProperties: within -1 and 1, unmoved by what keeps the order, turned by what turns it.
func TestCorrelationProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(5, 7).Draw(t, "batches")
		var s []sample
		for b := range n {
			for f := range rapid.IntRange(1, 2).Draw(t, "flushes") {
				s = append(s, sample{fmt.Sprint(b), f + 1, rapid.Float64Range(-5, 5).Draw(t, "x"), rapid.Float64Range(0, 2).Draw(t, "y")})
			}
		}
		all := families(s)
		r := correlation(all)
		p, _ := permutation(all, nil)
		if p <= 0 || p > 1 {
			t.Fatalf("p is %g", p)
		}
		if math.IsNaN(r) {
			return
		}
		if r < -1-1e-12 || r > 1+1e-12 {
			t.Fatalf("r is %g", r)
		}
		turned := slices.Clone(s)
		for i := range turned {
			turned[i].x = -3 * turned[i].x
		}
		back := families(turned)
		p2, _ := permutation(back, nil)
		if r2 := correlation(back); math.Abs(r2+r) > 1e-9 || math.Abs(p2-p) > 1e-9 {
			t.Fatalf("r %g p %g became r %g p %g", r, p, r2, p2)
		}
	})
}

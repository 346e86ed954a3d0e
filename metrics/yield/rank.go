package yield

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// The limits of the statistics.
const (
	// mostExact is up to how many orders every one is looked at: ten things have 3.6 million, nine 362,880.
	mostExact = 400_000
	// shuffles is how many random orders are looked at where there are more. A p-value of 0.01 is then good to 0.0007
	// (standard error of a binomial share).
	shuffles = 19_999
	// resamples of the bootstrap: a thousand or more for percentile intervals is the usual advice (Efron and Tibshirani,
	// An Introduction to the Bootstrap, 1993; from memory).
	resamples = 2000
	// fewestOrders is how many orders chance must have before a question is asked at all: five batches have 120. With
	// fewer, even the most perfect order comes by chance more than one time in sixty, and no list of questions can be
	// answered.
	fewestOrders = 120
)

// sample is one flush in a question: a condition beside what was picked.
type sample struct {
	batch string
	flush int
	x, y  float64
}

// kin is a set of batches that gave the same flushes: what chance may exchange for one another. x and y are by batch and
// then by flush: values as they were, or centered ranks.
type kin struct {
	batches []string
	flushes []int
	x, y    [][]float64
}

// midranks gives the ranks of values from 1 on; equal ones share the mean of their ranks.
func midranks(v []float64) []float64 {
	order := make([]float64, len(v), 2*len(v)) // sorted values; a rank is where one stands among them
	copy(order, v)
	slices.Sort(order)
	ranks := order[len(v) : 2*len(v)]
	for i, x := range v {
		first, _ := slices.BinarySearch(order, x)
		last := first
		for last < len(order) && order[last] == x {
			last++
		}
		ranks[i] = float64(first+last+1) / 2 // mean of first+1 … last
	}
	return ranks
}

// families ranks the samples among those of the same flush number, puts batches that gave the same flushes together, and
// centers the ranks within flush number and family. First flushes are never set against third ones, nor a batch that is
// spent against one that is not.
func families(samples []sample) []kin { return ranked(arrange(samples)) }

// arrange puts the samples of each batch in the order of its flushes, and batches that gave the same ones together.
func arrange(samples []sample) (all []kin) {
	samples = slices.Clone(samples)
	slices.SortFunc(samples, func(a, b sample) int { return cmp.Or(cmp.Compare(a.batch, b.batch), cmp.Compare(a.flush, b.flush)) })
	for i := 0; i < len(samples); {
		var flushes []int
		var x, y []float64
		batch := samples[i].batch
		for ; i < len(samples) && samples[i].batch == batch; i++ {
			flushes, x, y = append(flushes, samples[i].flush), append(x, samples[i].x), append(y, samples[i].y)
		}
		k := slices.IndexFunc(all, func(k kin) bool { return slices.Equal(k.flushes, flushes) })
		if k < 0 {
			k = len(all)
			all = append(all, kin{flushes: flushes})
		}
		all[k].batches, all[k].x, all[k].y = append(all[k].batches, batch), append(all[k].x, x), append(all[k].y, y)
	}
	return all
}

// ranked replaces values by centered ranks.
func ranked(raw []kin) []kin {
	all := slices.Clone(raw)
	for i := range all {
		all[i].x, all[i].y = like(raw[i].x), like(raw[i].y)
	}
	var flushes []int
	for i := range raw {
		flushes = append(flushes, raw[i].flushes...)
	}
	slices.Sort(flushes)
	for _, f := range slices.Compact(flushes) {
		var x, y []float64
		eachOf(raw, f, func(i, b, k int) { x, y = append(x, raw[i].x[b][k]), append(y, raw[i].y[b][k]) })
		x, y = midranks(x), midranks(y)
		n := 0
		eachOf(raw, f, func(i, b, k int) { all[i].x[b][k], all[i].y[b][k], n = x[n], y[n], n+1 })
	}
	for i := range all {
		center(all[i].x)
		center(all[i].y)
	}
	return all
}

// eachOf visits every batch that gave a flush: its family, its place there, and the flush's place.
func eachOf(all []kin, flush int, visit func(family, batch, k int)) {
	for i := range all {
		if k := slices.Index(all[i].flushes, flush); k >= 0 {
			for b := range all[i].batches {
				visit(i, b, k)
			}
		}
	}
}

func like(rows [][]float64) [][]float64 {
	out := make([][]float64, len(rows))
	for i := range rows {
		out[i] = make([]float64, len(rows[i]))
	}
	return out
}

// center takes the mean of each column off.
func center(rows [][]float64) {
	for k := range rows[0] {
		mean := 0.0
		for i := range rows {
			mean += rows[i][k] / float64(len(rows))
		}
		for i := range rows {
			rows[i][k] -= mean
		}
	}
}

// correlation is Spearman's: Pearson's of the ranks. With one flush of every batch it is the textbook's; with more it is
// the rank correlation within flush numbers. It is NaN where one side does not vary.
func correlation(all []kin) float64 {
	var x, y []float64
	for i := range all {
		for b := range all[i].x {
			x, y = append(x, all[i].x[b]...), append(y, all[i].y[b]...)
		}
	}
	if len(x) < 2 {
		return math.NaN()
	}
	return stat.Correlation(x, y, nil)
}

// orders is in how many ways chance could have handed the harvests out among the batches.
func orders(all []kin) float64 {
	n := 1.0
	for i := range all {
		for m := 2; m <= len(all[i].batches); m++ {
			n *= float64(m)
		}
	}
	return n
}

// permutation gives the two-sided p-value of the correlation: the share of all orders of the batches' harvests in which
// the correlation is at least as far from none. A batch's flushes stay together, because a good block is good in each of
// them. Up to mostExact orders it is exact; beyond it counts random ones, and itself among them (Phipson and Smyth 2010,
// "Permutation p-values should never be zero").
func permutation(all []kin, rng *rand.Rand) (p float64, exact bool) {
	tables := make([][][]float64, len(all))
	observed := 0.0
	for i := range all {
		tables[i] = products(&all[i])
		for b := range tables[i] {
			observed += tables[i][b][b]
		}
	}
	far := math.Abs(observed) * (1 - 1e-9)
	if far < 1e-9 {
		return 1, orders(all) <= mostExact
	}
	if n := orders(all); n <= mostExact {
		count := 0
		every(tables, 0, func(sum float64) {
			if math.Abs(sum) >= far {
				count++
			}
		})
		return float64(count) / n, true
	}
	count := 1
	for range shuffles {
		sum := 0.0
		for _, t := range tables {
			for a, b := range rng.Perm(len(t)) {
				sum += t[a][b]
			}
		}
		if math.Abs(sum) >= far {
			count++
		}
	}
	return float64(count) / (shuffles + 1), false
}

// products holds what batch a's conditions give with batch b's harvest.
func products(k *kin) [][]float64 {
	t := make([][]float64, len(k.x))
	for a := range k.x {
		t[a] = make([]float64, len(k.y))
		for b := range k.y {
			for i := range k.x[a] {
				t[a][b] += k.x[a][i] * k.y[b][i]
			}
		}
	}
	return t
}

// every visits the sum of every order of every table's columns.
func every(tables [][][]float64, sum float64, visit func(float64)) {
	if len(tables) == 0 {
		visit(sum)
		return
	}
	t := tables[0]
	used := make([]bool, len(t))
	var place func(row int, sum float64)
	place = func(row int, sum float64) {
		if row == len(t) {
			every(tables[1:], sum, visit)
			return
		}
		for col := range t {
			if used[col] {
				continue
			}
			used[col] = true
			place(row+1, sum+t[row][col])
			used[col] = false
		}
	}
	place(0, sum)
}

// interval gives a 95 % interval of the correlation by drawing batches again, within those that gave the same flushes
// (percentile bootstrap over whole batches). NaN where too few draws have a correlation.
func interval(samples []sample, times int, rng *rand.Rand) (low, high float64) {
	raw := arrange(samples)
	draws := make([]float64, 0, times)
	drawn := slices.Clone(raw)
	for i := range drawn {
		drawn[i].x, drawn[i].y = slices.Clone(raw[i].x), slices.Clone(raw[i].y)
	}
	for range times {
		for i := range raw {
			for b := range raw[i].batches {
				from := rng.IntN(len(raw[i].batches))
				drawn[i].x[b], drawn[i].y[b] = raw[i].x[from], raw[i].y[from]
			}
		}
		if r := correlation(ranked(drawn)); !math.IsNaN(r) {
			draws = append(draws, r)
		}
	}
	if len(draws) == 0 || len(draws) < times/2 {
		return math.NaN(), math.NaN()
	}
	slices.Sort(draws)
	return stat.Quantile(0.025, stat.Empirical, draws, nil), stat.Quantile(0.975, stat.Empirical, draws, nil)
}

// discoveries adjusts p-values for having asked so many questions: Benjamini and Hochberg 1995, "Controlling the false
// discovery rate", J. R. Statist. Soc. B 57(1) 289. Those at or below a level may be called found: of all that is so
// called, in the long run at most that share is false (for questions that are independent or go together; Benjamini and
// Yekutieli 2001).
func discoveries(p []float64) []float64 {
	n := len(p)
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(p[b], p[a]) }) // the largest first
	q := make([]float64, n)
	least := 1.0
	for i, at := range order {
		least = math.Min(least, p[at]*float64(n)/float64(n-i))
		q[at] = least
	}
	return q
}

package yield_test

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
)

// relations works the correlation, its p-value by all orders, and the correction out again, from the flushes' figures
// (which were compared with the CSV before), by another way: the correlation from sums of products, the orders by a list
// of permutations, the correction by stepping up through the sorted p-values.
func (c *checker) relations(flushes, got []map[string]any, efficiency map[string]float64) {
	var p []float64
	for _, r := range got {
		value, orders := c.question(flushes, r, efficiency)
		p = append(p, value)
		c.same("orders", r["orders"], orders)
	}
	sorted := append([]float64(nil), p...)
	sort.Float64s(sorted)
	for i, r := range got {
		q := 1.0
		for k := len(sorted) - 1; k >= 0; k-- {
			if sorted[k] >= p[i] {
				q = math.Min(q, sorted[k]*float64(len(sorted))/float64(k+1))
			}
		}
		c.same(fmt.Sprint(r["measure"], " q"), r["q"], q)
		if c.n++; r["found"] != (q <= 0.1) {
			c.t.Errorf("%v: found is %v with q %g", r["measure"], r["found"], q)
		}
	}
}

// cell is one flush of one batch in a question.
type cell struct {
	x, y, rx, ry float64
}

func (c *checker) question(flushes []map[string]any, r map[string]any, efficiency map[string]float64) (p, orders float64) {
	batches := map[string]map[float64]*cell{}
	for _, h := range flushes {
		if h["species"] != r["species"] || h["final"] != true {
			continue
		}
		for _, x := range h["conditions"].([]any) {
			cond := x.(map[string]any)
			if v, ok := cond[r["measure"].(string)].(float64); ok && cond["stage"] == r["stage"] {
				name := h["batch"].(string)
				if batches[name] == nil {
					batches[name] = map[float64]*cell{}
				}
				batches[name][h["flush"].(float64)] = &cell{x: v, y: efficiency[fmt.Sprint(name, " flush ", h["flush"])]}
			}
		}
	}
	groups := map[string][]string{} // flushes given → batches
	for _, name := range names(batches) {
		groups[fmt.Sprint(len(batches[name]))] = append(groups[fmt.Sprint(len(batches[name]))], name) // here: flushes 1, 2 or 1, 2, 3
	}
	for flush := 1.0; flush <= 3; flush++ {
		rankCells(batches, flush)
		for _, members := range groups {
			centerCells(batches, members, flush)
		}
	}
	xy, xx, yy := 0.0, 0.0, 0.0
	for _, of := range batches {
		for _, k := range of {
			xy, xx, yy = xy+k.rx*k.ry, xx+k.rx*k.rx, yy+k.ry*k.ry
		}
	}
	c.same(fmt.Sprint(r["measure"], " ", r["stage"], " r"), r["r"], xy/math.Sqrt(xx*yy))
	c.thirds(r, batches)
	if r["found"] == true {
		c.interval(r, batches, groups)
	}
	two, three := sums(batches, groups["2"]), sums(batches, groups["3"])
	far := 0.0
	for _, a := range two {
		for _, b := range three {
			if math.Abs(a+b) >= math.Abs(xy)-1e-9 {
				far++
			}
		}
	}
	orders = float64(len(two) * len(three))
	c.same(fmt.Sprint(r["measure"], " ", r["stage"], " p"), r["p"], far/orders)
	return far / orders, orders
}

// thirds sorts the flushes by the condition and takes the middle of each end.
func (c *checker) thirds(r map[string]any, batches map[string]map[float64]*cell) {
	usual := map[float64][]float64{}
	for _, of := range batches {
		for flush, k := range of {
			usual[flush] = append(usual[flush], k.y)
		}
	}
	type point struct{ x, y, flush float64 }
	var all []point
	for _, name := range names(batches) {
		for flush := 1.0; flush <= 3; flush++ {
			if k := batches[name][flush]; k != nil {
				all = append(all, point{k.x, k.y / middle(usual[flush]), flush})
			}
		}
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].x < all[j].x })
	var least, most []float64
	for i := range len(all) / 3 {
		least, most = append(least, all[i].y), append(most, all[len(all)-1-i].y)
	}
	c.same("third with the least", r["least_third"], middle(least))
	c.same("third with the most", r["most_third"], middle(most))
}

// interval draws batches again with other random numbers: its ends come near those of the report, not to the digit.
func (c *checker) interval(r map[string]any, batches map[string]map[float64]*cell, groups map[string][]string) {
	rng := rand.New(rand.NewPCG(99, 1))
	var draws []float64
	for range 1000 {
		drawn, kin := map[string]map[float64]*cell{}, map[string][]string{}
		for _, key := range slices.Sorted(maps.Keys(groups)) { // the same draws in every run
			members := groups[key]
			for i := range members {
				name := fmt.Sprint(key, i)
				drawn[name] = map[float64]*cell{}
				kin[key] = append(kin[key], name)
				for flush, k := range batches[members[rng.IntN(len(members))]] {
					drawn[name][flush] = &cell{x: k.x, y: k.y}
				}
			}
		}
		xy, xx, yy := 0.0, 0.0, 0.0
		for flush := 1.0; flush <= 3; flush++ {
			rankCells(drawn, flush)
			for _, members := range kin {
				centerCells(drawn, members, flush)
			}
		}
		for _, of := range drawn {
			for _, k := range of {
				xy, xx, yy = xy+k.rx*k.ry, xx+k.rx*k.rx, yy+k.ry*k.ry
			}
		}
		draws = append(draws, xy/math.Sqrt(xx*yy))
	}
	sort.Float64s(draws)
	for key, want := range map[string]float64{"r_low": draws[25], "r_high": draws[974]} {
		c.n++
		if got := r[key].(float64); math.Abs(got-want) > 0.08 {
			c.t.Errorf("%v %s is %.3f in the report and near %.3f here", r["measure"], key, got, want)
		}
	}
}

func names(batches map[string]map[float64]*cell) (out []string) {
	for name := range batches {
		out = append(out, name)
	}
	sort.Strings(out)
	return out
}

// rankCells ranks by counting: one and as many as are smaller, and half of those that are equal.
func rankCells(batches map[string]map[float64]*cell, flush float64) {
	rank := func(of func(*cell) float64, me *cell) float64 {
		smaller, equal := 0.0, 0.0
		for _, b := range batches {
			if k := b[flush]; k != nil && of(k) < of(me) {
				smaller++
			} else if k != nil && of(k) == of(me) {
				equal++
			}
		}
		return smaller + (equal+1)/2
	}
	for _, b := range batches {
		if k := b[flush]; k != nil {
			k.rx = rank(func(k *cell) float64 { return k.x }, k)
			k.ry = rank(func(k *cell) float64 { return k.y }, k)
		}
	}
}

func centerCells(batches map[string]map[float64]*cell, members []string, flush float64) {
	mx, my, n := 0.0, 0.0, 0.0
	for _, name := range members {
		if k := batches[name][flush]; k != nil {
			mx, my, n = mx+k.rx, my+k.ry, n+1
		}
	}
	for _, name := range members {
		if k := batches[name][flush]; k != nil {
			k.rx, k.ry = k.rx-mx/n, k.ry-my/n
		}
	}
}

// sums gives the sum of products for every order of the members' harvests.
func sums(batches map[string]map[float64]*cell, members []string) (out []float64) {
	order := make([]int, len(members))
	for i := range order {
		order[i] = i
	}
	var permute func(k int)
	permute = func(k int) {
		if k == len(order) {
			s := 0.0
			for i, j := range order {
				for flush, mine := range batches[members[i]] {
					s += mine.rx * batches[members[j]][flush].ry
				}
			}
			out = append(out, s)
			return
		}
		for i := k; i < len(order); i++ {
			order[k], order[i] = order[i], order[k]
			permute(k + 1)
			order[k], order[i] = order[i], order[k]
		}
	}
	permute(0)
	return out
}

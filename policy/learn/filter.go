package learn

import (
	"math"
	"time"
)

// filter is an extended Kalman filter over slices that belong to the caller: x its n values, p their n×n covariance.
type filter struct {
	x, p []float64
}

// lead gives a value its first guess and standard deviation.
func (f filter) lead(i int, x, sd float64) { f.x[i], f.p[i*len(f.x)+i] = x, sd*sd }

// restart is lead for a value that was known: what was known of others with it is no longer.
func (f filter) restart(i int, x, sd float64) {
	n := len(f.x)
	for j := range n {
		f.p[i*n+j], f.p[j*n+i] = 0, 0
	}
	f.lead(i, x, sd)
}

// loosen makes value i less sure by that factor of its standard deviation, up to most; what it hangs together by stays.
func (f filter) loosen(i int, factor, most float64) {
	n := len(f.x)
	if sd := math.Sqrt(f.p[i*n+i]); sd*factor > most {
		return
	}
	for j := range n {
		f.p[i*n+j] *= factor
	}
	for j := range n {
		f.p[j*n+i] *= factor
	}
}

// held is what a value was, and its variance.
type held struct {
	of          int
	x, variance float64
}

func (f filter) hold(i int) held { return held{i, f.x[i], f.p[i*len(f.x)+i]} }

// slow has a value go no more than that share of the way that readings moved it since it was held.
func (f filter) slow(h held, share float64) {
	x := &f.x[h.of]
	*x = h.x + share*(*x-h.x)
}

// heed is slow for a value that gets surer as by a gain that is smaller by that share.
func (f filter) heed(h held, share float64) {
	f.slow(h, share)
	p := &f.p[h.of*len(f.x)+h.of]
	*p = h.variance + share*(2-share)*(*p-h.variance)
}

// carry moves the values to end, and the covariance through jac, the derivatives of end by the values; q is added to the
// diagonal. Most derivatives are nothing, and passed over.
//
//go:norace
func (f filter) carry(end, jac, q []float64) {
	n := len(f.x)
	var tmp, column [maxStates * maxStates]float64 // the derivatives times the covariance, and that by its columns
	for i := range n {
		row := tmp[i*n : i*n+n]
		for k, v := range jac[i*n : i*n+n] {
			if v == 0 {
				continue
			}
			for j, p := range f.p[k*n : k*n+n] {
				row[j] += v * p
			}
		}
		for k, v := range row {
			column[k*n+i] = v
		}
	}
	for j := range n {
		row := f.p[j*n : j*n+j+1]
		clear(row)
		for k, v := range jac[j*n : j*n+n] {
			if v == 0 {
				continue
			}
			for i, t := range column[k*n : k*n+j+1] {
				row[i] += t * v
			}
		}
		for i, v := range row {
			f.p[i*n+j] = v
		}
		row[j] += q[j]
	}
	copy(f.x, end)
}

// update takes in a reading z of value i with standard deviation sd, and gives the innovation in standard deviations.
// What lies beyond gate is taken for less sure, so that one odd reading moves nothing far.
func (f filter) update(i int, z, sd, gate float64) float64 {
	odd, _ := f.observe([]weight{{i, 1}}, z-f.x[i], sd*sd, gate)
	return odd
}

// weight is by how much a reading changes with a value.
type weight struct {
	of int
	by float64
}

// observe is [filter.update] for a reading of more than one value, that differs by miss from what was expected. It gives the variance
// that was expected besides noise, too.
//
//go:norace
func (f filter) observe(by []weight, miss, noise, gate float64) (odd, known float64) {
	n := len(f.x)
	var row, gain [maxStates]float64 // of the reading with each value
	for _, w := range by {
		for k, p := range f.p[w.of*n : w.of*n+n] {
			row[k] += w.by * p
		}
	}
	for _, w := range by {
		known += w.by * row[w.of]
	}
	s := known + noise
	square := miss * miss / s
	if square > gate*gate {
		s *= square / (gate * gate)
	}
	for k := range n {
		gain[k] = row[k] / s
		f.x[k] += gain[k] * miss
	}
	for k := range n {
		for l := k; l < n; l++ {
			v := f.p[k*n+l] - gain[k]*row[l]
			f.p[k*n+l], f.p[l*n+k] = v, v
		}
	}
	return math.Sqrt(square), known
}

// oddShare is that of a reading in the mean surprise.
const oddShare = 0.02

// take takes in a reading as [filter.observe] does, whose noise is learned along, as a variance between low and high. It gives by how
// many standard deviations the reading surprised, and the square of one.
func (v *Values[X, P]) take(f filter, by []weight, miss, low, high float64, now time.Time) (surprise, variance float64) {
	v.Noise = math.Max(low, math.Min(v.Noise, high))
	surprise, known := f.observe(by, miss, v.Noise, gate)
	variance = known + v.Noise
	odd := surprise
	if v.Taken == 0 {
		odd = 1
	}
	v.Odd += (odd - v.Odd) * oddShare
	v.Taken = min(v.Taken+1, 1e6)
	v.Last = now
	if v.Taken > enoughTaken { // a reading that was foreseen well by a filter that was not sure of it takes off more than there is
		v.Noise = math.Max(low, math.Min(v.Noise+(math.Min(miss*miss, 9*(known+v.Noise))-known-v.Noise)*0.005, high))
	}
	return surprise, variance
}

// sane reports whether everything in the filter is a number and no variance is out of bounds.
//
//go:norace
func (f filter) sane() bool {
	n := len(f.x)
	for i, v := range f.x {
		if !(v >= -1e6 && v <= 1e6) { // also for NaN
			return false
		}
		if d := f.p[i*n+i]; !(d >= 0 && d <= 1e8) {
			return false
		}
	}
	for _, v := range f.p {
		if !(v >= -math.MaxFloat64 && v <= math.MaxFloat64) {
			return false
		}
	}
	return true
}

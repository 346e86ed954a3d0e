package plant

import "math"

// The functions here use nothing but additions, multiplications, divisions and square roots, which IEEE 754 rounds
// the same way everywhere. The library's Exp, Log and Cos may differ in the last bit from one processor to the next,
// and a compiler may fuse x*y+z into one rounding where the processor can; the conversions float64(x*y) forbid that.
// So one seed gives one run, bit for bit, on every machine.

// exp is the exponential function, good to 1e-10 of its value between -700 and 700.
func exp(x float64) float64 {
	if x < -700 {
		return 0
	}
	if x > 700 {
		x = 700
	}
	const ln2hi, ln2lo = 6.93147180369123816490e-01, 1.90821492927058770002e-10
	k := math.Floor(float64(x*math.Log2E) + 0.5)
	r := (x - float64(k*ln2hi)) - float64(k*ln2lo)
	y := 1 + float64(r*(1.0/9))
	y = 1 + float64(float64(r*(1.0/8))*y)
	y = 1 + float64(float64(r*(1.0/7))*y)
	y = 1 + float64(float64(r*(1.0/6))*y)
	y = 1 + float64(float64(r*(1.0/5))*y)
	y = 1 + float64(float64(r*(1.0/4))*y)
	y = 1 + float64(float64(r*(1.0/3))*y)
	y = 1 + float64(float64(r*0.5)*y)
	y = 1 + float64(r*y)
	return y * math.Float64frombits(uint64(int64(k)+1023)<<52)
}

// cosine is cos(2πu), good to 1e-9; u counts turns.
func cosine(u float64) float64 {
	u = math.Abs(u - math.Floor(u+0.5)) // 0..0.5
	sign := 1.0
	if u > 0.25 {
		u, sign = 0.5-u, -1
	}
	x := 2 * math.Pi * u
	y := float64(x * x)
	c := 1 - float64(y*(1.0/132))
	c = 1 - float64(float64(y*(1.0/90))*c)
	c = 1 - float64(float64(y*(1.0/56))*c)
	c = 1 - float64(float64(y*(1.0/30))*c)
	c = 1 - float64(float64(y*(1.0/12))*c)
	c = 1 - float64(float64(y*0.5)*c)
	return sign * c
}

// Saturation is fitted as the eighth power of a polynomial in x = (t-20)/40 between -20 and 60 °C, over water, to the
// formula of Hyland and Wexler (1983) that policy/air has; it stays within 2e-7 of it and costs a tenth.
const (
	sat0 = 2.637085567560899
	sat1 = 0.8167613214264433
	sat2 = 0.0002900424659217492
	sat3 = -0.00793716008809993
	sat4 = 0.0011336543446106885
	sat5 = -5.0442840238211774e-05
	sat6 = -8.398521730264007e-06
)

// Saturation is the pressure in pascals of water vapor over liquid water at t °C, for -20 to 60 °C; outside, the
// value at the nearest end.
func Saturation(t float64) float64 {
	x := float64((math.Max(-20, math.Min(60, t)) - 20) * (1.0 / 40))
	q := sat0 + float64(x*(sat1+float64(x*(sat2+float64(x*(sat3+float64(x*(sat4+float64(x*(sat5+float64(x*sat6)))))))))))
	q *= q
	q *= q
	return float64(q * q)
}

// saturationSlope is the saturation pressure at t °C and the relative slope of it, per kelvin.
func saturationSlope(t float64) (pressure, relative float64) {
	x := float64((math.Max(-20, math.Min(60, t)) - 20) * (1.0 / 40))
	q := sat0 + float64(x*(sat1+float64(x*(sat2+float64(x*(sat3+float64(x*(sat4+float64(x*(sat5+float64(x*sat6)))))))))))
	d := sat1 + float64(x*(2*sat2+float64(x*(3*sat3+float64(x*(4*sat4+float64(x*(5*sat5+float64(x*(6*sat6))))))))))
	q2 := float64(q * q)
	q4 := float64(q2 * q2)
	return float64(q4 * q4), float64(d*(8.0/40)) / q
}

// Noise is a small source of random numbers that can be copied: the same seed gives the same numbers everywhere.
// It is the SplitMix64 generator (Steele, Lea and Flood, 2014).
type Noise struct{ State uint64 }

// Uint64 is 64 random bits.
func (n *Noise) Uint64() uint64 {
	n.State += 0x9e3779b97f4a7c15
	z := n.State
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// Uniform is a number between low and high.
func (n *Noise) Uniform(low, high float64) float64 {
	u := float64(float64(n.Uint64()>>11) * (1.0 / (1 << 53)))
	return low + float64(u*(high-low))
}

// Normal is a number of mean 0 and deviation 1, nearly normal: the sum of twelve uniform ones, so never beyond 6.
func (n *Noise) Normal() float64 {
	var sum uint64
	for range 3 {
		v := n.Uint64()
		sum += v&0xffff + v>>16&0xffff + v>>32&0xffff + v>>48
	}
	return float64((float64(sum) - 6*65535) * (1.0 / 65536))
}

package learn

import (
	"math"
	"time"
)

// Change is the watch over what was learned: a sequential test of whether one of the learned values has jumped, as by an
// open door, moved blocks, a harvest or a new filter, where the filter alone, sure of what it knows, would take days to
// follow.
type Change struct {
	CO2   [len(co2Jumps)][2]float64   `json:"co2"` // evidence for a jump up and down, as logarithm of the likelihood ratio
	Water [len(waterJumps)][2]float64 `json:"water"`
	// UsualCO2 and UsualWater are the variances of a reading as they are in the long run: a jump raises the learned ones
	// before it is found.
	UsualCO2   float64 `json:"usual_co2"`
	UsualWater float64 `json:"usual_water"`

	At    time.Time `json:"at,omitzero"` // of the last jump that was found
	What  Jumped    `json:"what,omitempty"`
	Times int       `json:"times,omitempty"` // jumps found so far
}

// Jumped names what jumped.
type Jumped string

// What can jump.
const (
	FanFlow       Jumped = "fan_flow"       // a clogged filter replaced, a duct that came off
	CO2Generation Jumped = "co2_generation" // a harvest, blocks put in or taken out
	Leak          Jumped = "leak"           // a door ajar, a flap taped up
	MistOutput    Jumped = "mist_output"    // a disc cleaned or replaced
)

// jump is a learned value that may change at once.
type jump struct {
	i    int // in the filter
	what Jumped
	size float64 // the jump of its logarithm that is looked for; what is larger is found sooner
	back float64 // the relative standard deviation that it is given back
}

var co2Jumps = [...]jump{
	{cFlow, FanFlow, 0.25, 0.3},
	{cMade, CO2Generation, 0.4, 0.5},
	{cLeak, Leak, 0.8, 0.6},
}

var waterJumps = [...]jump{
	{wMist, MistOutput, 0.35, 0.3},
}

// The test is Page's cumulative sum (1954). Under no jump its evidence passes jumpSure in one of about e^jumpSure readings
// at the most, could they be taken for independent; they hang together, and the air is never quite that of the model, so
// each counts for one in alike, found on healthy chambers (see the test): less than one false finding in 20 days.
const (
	jumpSure             = 16.0
	co2Alike, waterAlike = 4.0, 30.0
	// jumpSane is how many standard deviations a single reading can speak for: one odd reading proves nothing.
	jumpSane = 3.0
	// jumpAfter are the readings after which a filter is settled enough to be watched.
	jumpAfter = 400
	// usualFollow is the share of the difference by which the usual variance follows the learned one with each reading.
	usualFollow = 1e-4
)

// weigh takes the evidence of one reading that is off by miss, before the filter takes the reading in. It gives the index of the jump
// that is sure, or -1.
//
// By how much a reading of value i is off for each unit by which value k is wrong is what the covariance says of the two:
// P(i,k)/P(k,k). So a jump of size d would shift the innovation by m = d·P(i,k)/P(k,k), and the logarithm of the likelihood
// ratio of a jump against none grows by (m·innovation - m²/2)/S.
//
//go:norace
func weigh(f filter, i int, miss, noise, alike float64, jumps []jump, evidence func(k int) *[2]float64) int {
	n := len(f.x)
	s := f.p[i*n+i] + noise
	bound := jumpSane * math.Sqrt(s)
	miss = math.Max(-bound, math.Min(miss, bound))
	sure, most := -1, jumpSure
	for k := range jumps {
		j, e := &jumps[k], evidence(k)
		known := f.p[j.i*n+j.i]
		if known <= 0 || known > j.back*j.back/4 { // not sure of it anyway: the filter follows by itself
			*e = [2]float64{}
			continue
		}
		m := j.size * f.p[i*n+j.i] / known
		for side, sign := range [2]float64{1, -1} {
			e[side] = math.Max(0, e[side]+(sign*m*miss-m*m/2)/(s*alike))
			if e[side] > most {
				sure, most = k, e[side]
			}
		}
	}
	return sure
}

// forget makes a value as unsure as something new, and keeps what was learned of all others. What hung together with it
// hangs together less in proportion.
func (f filter) forget(i int, sd float64) {
	n := len(f.x)
	was := f.p[i*n+i]
	if was <= 0 || was >= sd*sd {
		return
	}
	f.p[i*n+i] = sd * sd
}

// watchCO2 looks for a jump in what the CO2 filter knows, by a reading that it is about to take in, and reports whether it found one.
func (s *State) watchCO2(miss float64, now time.Time) (found bool) {
	c := &s.Change
	if c.settle(&c.UsualCO2, s.CO2.Taken, s.CO2.Noise) {
		if k := weigh(s.co2(), cSeen, miss, c.UsualCO2, co2Alike, co2Jumps[:], func(k int) *[2]float64 { return &c.CO2[k] }); k >= 0 {
			s.co2().forget(co2Jumps[k].i, co2Jumps[k].back)
			s.CO2.Noise = c.UsualCO2
			c.found(co2Jumps[k].what, now)
			return true
		}
	}
	return false
}

// watchWater is watchCO2 of the water filter.
func (s *State) watchWater(z float64, now time.Time) {
	c := &s.Change
	if c.settle(&c.UsualWater, s.Water.Taken, s.Water.Noise) {
		if k := weigh(s.water(), wSeen, z-s.Water.X[wSeen], c.UsualWater, waterAlike, waterJumps[:], func(k int) *[2]float64 { return &c.Water[k] }); k >= 0 {
			s.water().forget(waterJumps[k].i, waterJumps[k].back)
			c.found(waterJumps[k].what, now)
		}
	}
}

// settle follows the usual variance of readings and says whether jumps can be looked for.
func (c *Change) settle(usual *float64, taken int, noise float64) bool {
	if taken < jumpAfter || *usual <= 0 {
		*usual = noise
		return false
	}
	*usual += (noise - *usual) * usualFollow
	return true
}

func (c *Change) found(what Jumped, now time.Time) {
	c.At, c.What = now, what
	c.Times++
	c.CO2, c.Water = [len(co2Jumps)][2]float64{}, [len(waterJumps)][2]float64{}
}

// sane reports whether it can be worked with: a stored state may hold anything.
//
//go:norace
func (c *Change) sane() bool {
	ok := c.UsualCO2 >= 0 && c.UsualCO2 < 1e6 && c.UsualWater >= 0 && c.UsualWater < 1 && c.Times >= 0
	for _, e := range c.CO2 {
		ok = ok && e[0] >= 0 && e[1] >= 0 && e[0]+e[1] < 1e6
	}
	for _, e := range c.Water {
		ok = ok && e[0] >= 0 && e[1] >= 0 && e[0]+e[1] < 1e6
	}
	return ok
}

package alarm

import "math"

// Fit learns how a quantity of the air changes with what drives it, by recursive least squares with
// forgetting: coefficients of the plug under test, of the air changed by leaks (per second),
// and of what crop and wet walls give off (per second).
type Fit struct {
	Coef     inputs    `json:"coef"`
	Cov      [3]inputs `json:"cov"`      // of the coefficients, over the residual's variance
	Variance float64   `json:"variance"` // of the residual in windows with the plug
	All      float64   `json:"all"`      // the same in all windows
	Seen     int       `json:"seen"`
	ActSeen  int       `json:"act_seen"`
}

const (
	fitForget = 1 - 1.0/360 // six hours of windows
	fitPrior  = 100.0       // variance of the coefficients before anything is learned, in scaled inputs
	fitRobust = 9.0         // square of the residual over its variance beyond which a window counts less
)

// fitScale brings the inputs of a usual window near one.
var fitScale = inputs{acted: 0.1, rested: 0.005, passed: 1 / windowSeconds}

func scaled(x *inputs) inputs {
	var s inputs
	for i := range s {
		s[i] = x[i] * fitScale[i]
	}
	return s
}

func (f *Fit) predict(x *inputs) float64 {
	var sum float64
	for i := range x {
		sum += f.Coef[i] * x[i]
	}
	return sum
}

// learn takes one window in.
func (f *Fit) learn(x *inputs, change float64, acting bool) {
	if f.Seen == 0 {
		for i := range f.Cov {
			f.Cov[i][i] = fitPrior
		}
	}
	f.Seen++
	residual := change - f.predict(x)
	weight := 1.0
	if square := residual * residual; f.ActSeen > 10 && square > fitRobust*f.Variance {
		weight = fitRobust * f.Variance / square
	}
	f.All += max(1.0/200, 1/float64(f.Seen)) * (weight*residual*residual - f.All)
	if acting {
		f.ActSeen = min(f.ActSeen+1, 100_000)
		f.Variance += max(1.0/200, 1/float64(f.ActSeen)) * (weight*residual*residual - f.Variance)
	}
	z := scaled(x)
	var pz inputs
	for i := range pz {
		for j := range z {
			pz[i] += f.Cov[i][j] * z[j]
		}
	}
	forget := fitForget
	for i := range f.Cov {
		if f.Cov[i][i] > fitPrior/10 {
			forget = 1 // an input that does not occur must not wind up
		}
	}
	denominator := forget / weight
	for i := range z {
		denominator += z[i] * pz[i]
	}
	for i := range pz {
		if i == acted && math.Abs(x[acted]) < leastAct {
			continue // a window without mist teaches nothing of it, and must not through the back door
		}
		f.Coef[i] += pz[i] / denominator * residual * fitScale[i]
	}
	for i := range pz {
		for j := range pz {
			f.Cov[i][j] = (f.Cov[i][j] - pz[i]*pz[j]/denominator) / forget
		}
	}
}

package learn

import (
	"math"
	"testing"
)

// TestLikelyByHand: the logarithm of a normal density is −(miss²/v + ln v)/2 but for a constant. A reading of 0.90 where
// 0.94 is foreseen with a variance of 0.02² + 0 lies two deviations low: −(4 + ln 0.0004)/2 = 1.912. One of 18.12 where
// 18 is foreseen with 0.12²: −(1 + ln 0.0144)/2 = 1.620.
func TestLikelyByHand(t *testing.T) {
	var s State
	s.Water.X[wSeen], s.Water.X[wWarm], s.Water.Noise = 0.94, 18, 0.0004
	got := s.foresaw(&Facts{RH: []float64{0.90}, AirCs: []float64{18.12}})
	for _, c := range []struct {
		name      string
		got, want float64
	}{{"humidity", got.Humidity, 1.912}, {"warmth", got.Warmth, 1.620}, {"higher", got.Higher, -2}} {
		if math.Abs(c.got-c.want) > 0.001 {
			t.Errorf("%s %.4f, want %.3f", c.name, c.got, c.want)
		}
	}
	if got := s.foresaw(&Facts{}); got != (Likely{}) {
		t.Errorf("no readings gave %+v", got)
	}
}

// TestStrayed: e^0.5 is 1.65 times the mist, e^0.2 1.22 times.
func TestStrayed(t *testing.T) {
	for _, c := range []struct {
		more float64
		want bool
	}{{0.5, true}, {0.2, false}, {-2, false}} {
		var s, rival State
		s.Water.X[wMist], rival.Water.X[wMist] = -2+c.more, -2
		if got := s.Strayed(&rival); got != c.want {
			t.Errorf("%.1f more: %v", c.more, got)
		}
	}
}

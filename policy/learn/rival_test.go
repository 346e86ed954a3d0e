package learn

import (
	"math"
	"testing"
	"time"
)

// TestLikelyByHand: the logarithm of a normal density is −(miss²/v + ln v)/2 but for a constant. A reading of 0.90 where
// 0.94 is foreseen with a variance of 0.02² + 0 lies two deviations low: −(4 + ln 0.0004)/2 = 1.912. One of 18.12 where
// 18 is foreseen with 0.12²: −(1 + ln 0.0144)/2 = 1.620. One of 680 ppm where 700 are foreseen with 10² lies two deviations low.
func TestLikelyByHand(t *testing.T) {
	var s State
	s.Water.X[wSeen], s.Water.X[wWarm], s.Water.Noise = 0.94, 18, 0.0004
	s.CO2.X[cSeen], s.CO2.X[cCO2], s.CO2.Noise, s.CO2.Taken = 700, 700, 100, 1000
	got := s.foresaw(&Facts{RH: []float64{0.90}, AirCs: []float64{18.12}, CO2: []float64{680}})
	for _, c := range []struct {
		name      string
		got, want float64
	}{{"humidity", got.Humidity, 1.912}, {"warmth", got.Warmth, 1.620}, {"higher", got.Higher, -2}, {"warmer", got.Warmer, 1}, {"richer", got.Richer, -2}} {
		if math.Abs(c.got-c.want) > 0.001 {
			t.Errorf("%s %.4f, want %.3f", c.name, c.got, c.want)
		}
	}
	if got := s.foresaw(&Facts{}); got != (Likely{}) {
		t.Errorf("no readings gave %+v", got)
	}
}

// TestWetReadingSaysAtLeast: a reading at the end of the sensor's range leaves air that is foreseen to be as damp what it
// is, and as uncertain; damper is as likely. Air that is foreseen to be drier is known to be damper.
func TestWetReadingSaysAtLeast(t *testing.T) {
	now := time.Unix(1e9, 0)
	for _, c := range []struct{ foreseen, moves float64 }{{1.01, 0}, {0.975, 0.005}} {
		var s State
		s.water().lead(wSeen, c.foreseen, 0.02)
		s.takeWater(&Facts{Now: now, RH: []float64{0.999}})
		surer := s.Water.P[wSeen*wStates+wSeen] < 0.0004
		if moved := s.Water.X[wSeen] - c.foreseen; moved < c.moves || c.moves == 0 && moved > 0 || surer != (c.moves > 0) {
			t.Errorf("foreseen %.3f: moved by %.4f, variance %g", c.foreseen, moved, s.Water.P[wSeen*wStates+wSeen])
		}
		if l := s.foresaw(&Facts{RH: []float64{0.999}}); c.moves == 0 && l.Humidity != 0 {
			t.Errorf("foreseen %.3f: likelihood %g", c.foreseen, l.Humidity)
		}
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

// TestRivalOfALostState: one that has long foreseen fog where 60 % are read leaves its rival what it knows of the chamber, and not the
// fog; one that is not lost leaves it all, and so does a state to a rival that takes the humidifier for one that works.
func TestRivalOfALostState(t *testing.T) {
	f := &Facts{Now: time.Unix(1e9, 0), VolumeM3: 0.5, AirC: 20, RoomC: 20, RH: []float64{0.59, 0.61}}
	for _, c := range []struct {
		name         string
		odd, mist    float64
		seen, drops  float64
		film, filmSD float64
		give         float64
	}{
		{"lost", 5, 0, 0.6, 0, 20, 20, 0},
		{"not lost", 1.2, 0, 1, 0.5, 20, 3, 0.02},
		{"lost, against one that gives all", 5, 1, 1, 0.5, 20, 3, 0.02},
	} {
		s := State{}.begin(f)
		w := s.water()
		for i, x := range map[int]float64{wSeen: 1, wDrops: 0.5, wFilm: 20, wGive: 0.02, wMist: -1.7} {
			w.lead(i, x, 3)
		}
		s.Water.Odd = c.odd
		r := s.Rival(c.mist, f, 1.5)
		x := &r.Water.X
		sd := math.Sqrt(r.Water.P[wFilm*wStates+wFilm])
		if x[wSeen] != c.seen || x[wDrops] != c.drops || x[wFilm] != c.film || sd != c.filmSD || x[wGive] != c.give || x[wMist] != -1.7 || r.Water.Odd > 1.5 {
			t.Errorf("%s: %v, film within %.1f, surprise %.1f", c.name, *x, sd, r.Water.Odd)
		}
	}
}

// TestNoiseStaysAVariance: a reading that is foreseen to a hair by a filter that was sure of it to 0.4 takes 0.005 of 0.16 off the
// variance of a reading, which is more than there is. A root of what would be left is no number, and all that was learned was lost with
// it at the next reading.
func TestNoiseStaysAVariance(t *testing.T) {
	now := time.Unix(1e9, 0)
	f := &Facts{Now: now, VolumeM3: 0.5, AirC: 20, RoomC: 20, RH: []float64{0.6, 0.6}}
	s := State{}.Learn(&Facts{Now: now.Add(-time.Second), VolumeM3: 0.5, AirC: 20, RoomC: 20})
	s.Water.Taken, s.Water.Noise = 1000, rhSD*rhSD
	s.water().restart(wSeen, 0.6, 0.4)
	s.takeWater(f)
	if !(s.Water.Noise > 0) || !(math.Abs(s.Off) < 1) || !s.sane() {
		t.Errorf("the variance of a reading is %g, readings lie off by %g", s.Water.Noise, s.Off)
	}
}

package learn

import (
	"math"
	"testing"
	"time"
)

// TestFilmOnAllWalls: walls that are wet all over evaporate no more for being wetter. The filter takes them for no wetter than that,
// and sees that with less on them the air would be drier: else it could never learn from readings that they have dried.
func TestFilmOnAllWalls(t *testing.T) {
	f := &Facts{Now: time.Unix(1e9, 0), VolumeM3: 1, AirC: 20, RoomC: 20}
	s := State{}.begin(f)
	w := s.water()
	w.lead(wVapor, 0.8*saturation(20), 0.01)
	w.lead(wFilm, 100, 5)
	s.WallC = 20
	s.bound(f)
	if s.Water.X[wFilm] > filmFull {
		t.Errorf("%.1f g/m³ on walls that %.1f wet all over", s.Water.X[wFilm], filmFull)
	}
	for range 60 {
		f.Now = f.Now.Add(time.Second)
		s.pass(f)
	}
	p := func(i, j int) float64 { return s.Water.P[i*wStates+j] }
	if share := p(wSeen, wFilm) / math.Sqrt(p(wSeen, wSeen)*p(wFilm, wFilm)); share < 0.03 {
		t.Errorf("after a minute what the sensor shows and the film go together by %.2f", share)
	}
}

// TestBeginsAsWarmAsItIs: before a temperature is read the chamber is taken to be as warm as is wanted. Blocks in a cellar are not, and
// would be taken hours to cool down.
func TestBeginsAsWarmAsItIs(t *testing.T) {
	var s State
	at := time.Unix(1e9, 0)
	step := func(d time.Duration, air float64, readings ...float64) {
		at = at.Add(d)
		s = s.Learn(&Facts{Now: at, VolumeM3: 0.5, AirC: air, RoomC: math.NaN(), AirCs: readings})
	}
	near := func(when string, want float64) {
		t.Helper()
		for what, got := range map[string]float64{"air": s.AirC, "walls": s.WallC, "crop": s.CropC} {
			if math.Abs(got-want) > 0.1 {
				t.Errorf("%s: %s of %.1f °C, want %.1f", when, what, got, want)
			}
		}
	}
	step(0, 18)
	step(10*time.Second, 18)
	step(10*time.Second, 11, 11)
	near("the first reading", 11)
	step(10*time.Second, 12, 12)
	near("the second, which blocks do not follow", 11)
	step(time.Hour, 12)
	step(10*time.Second, 15, 15)
	near("the first after an hour unseen", 15)
}

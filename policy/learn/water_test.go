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

package policy

import (
	"math"
	"testing"
	"time"

	"gillkeeper/policy/chamber"
)

// A sensor that hangs a kelvin and a half warmer reads nine points drier than the others. Once that is known the learner is
// told what it would read where they hang, and so of one that differs by what sound sensors may. One that is alone is left as
// it is.
func TestSpotIsLeveled(t *testing.T) {
	for _, c := range []struct {
		off, want float64
		used      int
	}{
		{-0.09, 0.90, 3},
		{0.015, 0.90, 3},
		{-0.09, 0.81, 1},
	} {
		var s Spot
		got, now := 0.0, time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
		first := s.leveled(0.9+c.off, &chamber.Estimate{Value: 0.9, OK: true, Used: c.used}, spotHumidity, now)
		if math.Abs(first-0.9-c.off) > 1e-9 {
			t.Errorf("%+.3f: the first reading is told as %.3f", c.off, first)
		}
		for i := range 120 { // an hour in which the air goes up and down
			now = now.Add(30 * time.Second)
			air := 0.9 + 0.03*math.Sin(float64(i)/5)
			got = s.leveled(air+c.off, &chamber.Estimate{Value: air, OK: true, Used: c.used}, spotHumidity, now) - air + 0.9
		}
		if math.Abs(got-c.want) > 0.002 {
			t.Errorf("%+.3f beside %d: told as %.3f, want %.3f", c.off, c.used, got, c.want)
		}
	}
}

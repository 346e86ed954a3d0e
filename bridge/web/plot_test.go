package web

import (
	"testing"

	"gillkeeper/bridge/words"
	"gillkeeper/policy/chamber"
)

// TestScaleOfAPlot: the first minutes of a chamber that starts out as dry as its room do not flatten the day after it; what lasts, or lies
// near, is within the scale.
func TestScaleOfAPlot(t *testing.T) {
	day := func(dry int, at float64) (s, target []cell) {
		for i := range 288 { // steps of five minutes
			x := cell{ok: true, mean: 0.875, min: 0.86, max: 0.89}
			if i < dry {
				x = cell{ok: true, mean: at, min: at, max: at}
			}
			s, target = append(s, x), append(target, cell{ok: true, mean: 0.875, min: 0.85, max: 0.90})
		}
		return s, target
	}
	for _, c := range []struct {
		name      string
		dry       int
		at        float64
		from, to  float64 // between which the low end lies, %
		lowestTop float64
	}{
		{"never dry", 0, 0, 80, 85, 90},
		{"20 minutes at 40 %", 4, 0.40, 80, 85, 90},
		{"an hour at 40 %", 12, 0.40, 0, 40, 90},
		{"20 minutes at 82 %", 4, 0.82, 70, 82, 90},
	} {
		s, target := day(c.dry, c.at)
		low, high := (&course{n: len(s)}).span(chamber.RelativeHumidity, s, target, words.Words{})
		if low < c.from || low > c.to || high < c.lowestTop || high > 100 {
			t.Errorf("%s: the scale goes from %g to %g %%", c.name, low, high)
		}
	}
}

package words

import (
	"testing"

	"gillkeeper/policy/chamber"
)

func TestCorrections(t *testing.T) {
	for _, c := range []struct {
		q             chamber.Quantity
		slope, offset float64
		want          string
	}{
		{chamber.RelativeHumidity, 1, 0.0213, "reading +2.1 points"},
		{chamber.RelativeHumidity, 1, -0.03, "reading -3.0 points"},
		{chamber.RelativeHumidity, 1.0421, -0.004, "1.042 · reading -0.4 points"},
		{chamber.RelativeHumidity, 1, 0.0001, "reading 0.0 points"},
		{chamber.CO2, 1, -38.4, "reading -38 ppm"},
		{chamber.CO2, 1, 12, "reading +12 ppm"},
	} {
		if got := Correction(c.q, c.slope, c.offset); got != c.want {
			t.Errorf("%v · reading %+v of %s: %q, not %q", c.slope, c.offset, c.q, got, c.want)
		}
	}
	if got := CalibratedBy("salts", []string{"nacl", "k2so4"}); got != "nacl, k2so4" {
		t.Errorf("two salts: %q", got)
	}
	if got := CalibratedBy("fresh_air", nil); got != "fresh air" {
		t.Errorf("fresh air: %q", got)
	}
	if got := Suspicion("saturated"); got != "stays at saturation" {
		t.Errorf("a suspicion: %q", got)
	}
}

package web

import (
	"strings"
	"testing"

	"gillkeeper/policy/learn"
)

func TestTie(t *testing.T) {
	for text, want := range map[string]string{
		"humidity rises from 86.1 % to 88.9 %, in 11 s, to 888 ppm": "humidity rises from 86.1_% to 88.9_%, in 11_s, to 888_ppm",
		"0.08 L, empty in about 8 h 40 min":                         "0.08_L, empty in about 8_h_40_min",
		"in about 2 d 4 h; 3 days; 16.4 °C; 1.2 kPa":                "in about 2_d_4_h; 3_days; 16.4_°C; 1.2_kPa",
		"wanted 92.5–100 %, on 1–3 March":                           "wanted 92.5+–+100_%, on 1+–+3 March",
		"flush 1 has 2 shelves, since 12 March":                     "flush 1 has 2 shelves, since 12 March",
	} {
		if got := strings.NewReplacer("\u00a0", "_", "\u2060", "+").Replace(tie(text)); got != want {
			t.Errorf("%q is tied to %q, want %q", text, got, want)
		}
	}
}

// TestUnsureIsThatOfTheMetrics: 27.58 with a relative standard deviation of 5.275 % is within exp(1.645·0.05275) = 1.0906 of it in nine of
// ten cases; half of 25.29 to 30.08 is the 2.395 that the metrics give.
func TestUnsureIsThatOfTheMetrics(t *testing.T) {
	x := learn.Learned{Value: 27.58, RelativeSD: 0.05275, Known: true}
	if got, want := unsure(x, 1), "25.3 to 30.1 in 9 of 10 cases"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if half := x.HalfWidth(); half < 2.38 || half > 2.41 {
		t.Errorf("the metrics would give %g", half)
	}
}

// TestWanderedHoldsThePresent: what a value is now lies within what it is said to have lain.
func TestWanderedHoldsThePresent(t *testing.T) {
	past := []cell{{}, {ok: true, mean: 22.1}, {ok: true, mean: 26.8}}
	for want, now := range map[string]cell{
		"22.1 /h at the start of this time, 22.1 to 27.0 within it": {ok: true, mean: 27.04},
		"22.1 /h at the start of this time, 22.1 to 26.8 within it": {mean: 31},
		"22.1 /h at the start of this time, 20.0 to 26.8 within it": {ok: true, mean: 20},
	} {
		if got := wandered(past, now, 1, " /h"); got != want {
			t.Errorf("%+v: %q, want %q", now, got, want)
		}
	}
	if got := wandered(nil, cell{ok: true, mean: 3}, 1, ""); got != "" {
		t.Errorf("of nothing recorded it says %q", got)
	}
}

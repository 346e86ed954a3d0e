package salt

import (
	"math"
	"testing"

	"gillkeeper/policy/air"
)

// Table 2 of Greenspan 1977, J. Res. NBS 81A 89: percent at 10, 15, 20, 25, 30 °C (also in ASTM E104 and OIML R121),
// and the uncertainty at 25 °C. The paper's table truncates, so the polynomial may come out 0.01 higher.
func TestTableOfGreenspan(t *testing.T) {
	for _, c := range []struct {
		salt        Salt
		percent     [5]float64
		uncertainty float64
	}{
		{LithiumChloride, [5]float64{11.29, 11.30, 11.31, 11.30, 11.28}, 0.27},
		{MagnesiumChloride, [5]float64{33.47, 33.30, 33.07, 32.78, 32.44}, 0.16},
		{SodiumChloride, [5]float64{75.67, 75.61, 75.47, 75.29, 75.09}, 0.12},
		{PotassiumChloride, [5]float64{86.77, 85.92, 85.11, 84.34, 83.62}, 0.26},
		{PotassiumNitrate, [5]float64{95.96, 95.41, 94.62, 93.58, 92.31}, 0.55},
		{PotassiumSulfate, [5]float64{98.18, 97.89, 97.59, 97.30, 97.00}, 0.45},
	} {
		for i, want := range c.percent {
			temperature := air.Celsius(10 + 5*i)
			rh, u, ok := c.salt.RelativeHumidity(temperature)
			if !ok || math.Abs(100*float64(rh)-want) > 0.0151 {
				t.Errorf("%s at %g °C: %.4f %%, want %.2f", c.salt, temperature, 100*rh, want)
			}
			if temperature == 25 && math.Abs(100*float64(u)-c.uncertainty) > 1e-9 {
				t.Errorf("%s: ± %g at 25 °C, want %g", c.salt, 100*u, c.uncertainty)
			}
			if u <= 0 || u > 0.021 {
				t.Errorf("%s at %g °C: ± %g", c.salt, temperature, u)
			}
		}
	}
}

// CRC Handbook of Chemistry and Physics, "Constant humidity solutions" (page 15-33): RH = A exp(B/T), T in kelvin, said
// to be accurate to ± 2 %. An independent fit.
func TestTableOfCRC(t *testing.T) {
	for _, c := range []struct {
		salt     Salt
		a, b     float64
		from, to air.Celsius
	}{
		{LithiumChloride, 14.53, -75, 20, 30},
		{MagnesiumChloride, 29.26, 34, 5, 30},
		{SodiumChloride, 69.20, 25, 10, 30},
		{PotassiumChloride, 49.38, 159, 5, 25},
		{PotassiumNitrate, 43.22, 225, 5, 30},
		{PotassiumSulfate, 86.75, 34, 10, 30},
	} {
		for at := c.from; at <= c.to; at += 5 {
			rh, _, _ := c.salt.RelativeHumidity(at)
			want := c.a * math.Exp(c.b/float64(at.Kelvin()))
			if math.Abs(100*float64(rh)-want) > 0.02*want {
				t.Errorf("%s at %g °C: %.2f %%, the handbook has %.2f", c.salt, at, 100*rh, want)
			}
		}
	}
}

func TestWordsAndRefusals(t *testing.T) {
	for _, s := range Salts() {
		word, _ := s.MarshalText()
		var back Salt
		if err := back.UnmarshalText(word); err != nil || back != s {
			t.Errorf("%s comes back as %s, %v", word, back, err)
		}
	}
	var s Salt
	if err := s.UnmarshalText([]byte("sugar")); err == nil {
		t.Error("sugar is taken for a salt")
	}
	for _, at := range []air.Celsius{4.99, 30.01, air.Celsius(math.NaN()), air.Celsius(math.Inf(1))} {
		if _, _, ok := SodiumChloride.RelativeHumidity(at); ok {
			t.Errorf("%g °C is answered", at)
		}
	}
	if _, _, ok := Salt(0).RelativeHumidity(20); ok {
		t.Error("no salt is answered")
	}
	if Salt(9).String() != "unknown(9)" || SodiumChloride.Formula() != "NaCl" {
		t.Error("names are wrong")
	}
}

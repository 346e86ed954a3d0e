package air_test

import (
	"testing"

	"gillkeeper/policy/air"
)

var sink float64

func BenchmarkAir(b *testing.B) {
	s, _ := air.New(18, 0.9, 95_000)
	dry, _ := air.New(20, 0.45, air.StandardPressure)
	for _, c := range []struct {
		name string
		f    func() float64
	}{
		{"SaturationPressure", func() float64 { v, _ := air.SaturationPressure(18); return float64(v) }},
		{"New", func() float64 { v, _ := air.New(18, 0.9, 95_000); return float64(v.HumidityRatio()) }},
		{"DewPoint", func() float64 { v, _ := s.DewPoint(); return float64(v) }},
		{"FrostPoint", func() float64 { v, _ := air.FrostPoint(300); return float64(v) }},
		{"WetBulb/moist", func() float64 { return float64(s.WetBulb()) }},
		{"WetBulb/dry", func() float64 { return float64(dry.WetBulb()) }},
		{"VaporPressureDeficit", func() float64 { return float64(s.VaporPressureDeficit()) }},
		{"Density", func() float64 { return float64(s.Density()) }},
		{"Enthalpy", func() float64 { return float64(s.Enthalpy()) }},
		{"CO2Mass", func() float64 { v, _ := air.CO2Mass(900, 18, 95_000); return float64(v) }},
		{"BarometricPressure", func() float64 { v, _ := air.BarometricPressure(620); return float64(v) }},
	} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				sink = c.f()
			}
		})
	}
}

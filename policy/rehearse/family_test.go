package rehearse_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

func practice(t testing.TB, c *rehearse.Case, timer rehearse.Timer) rehearse.Figures {
	t.Helper()
	r, err := rehearse.New(c, rehearse.NewCommonPractice(c.Spec, c.Target, timer))
	if err != nil {
		t.Fatal(err)
	}
	return r.Finish()
}

// row gives a figure's mean over chambers and its 10th percentile, in percent.
func row(fs []rehearse.Figures, of func(*rehearse.Figures) float64) (mean, tenth float64) {
	v := make([]float64, len(fs))
	for i := range fs {
		v[i] = of(&fs[i])
		mean += v[i] / float64(len(fs))
	}
	slices.Sort(v)
	return mean, v[len(v)/10]
}

func table(fs []rehearse.Figures) string {
	var b strings.Builder
	for _, c := range []struct {
		name string
		of   func(*rehearse.Figures) float64
	}{
		{"±2.5", func(f *rehearse.Figures) float64 { return 100 * f.RHWithin2_5 }},
		{"±5", func(f *rehearse.Figures) float64 { return 100 * f.RHWithin5 }},
		{">99.5", func(f *rehearse.Figures) float64 { return 100 * f.RHSaturated }},
		{"CO2", func(f *rehearse.Figures) float64 { return 100 * f.CO2BelowMax }},
		{"CO2p", func(f *rehearse.Figures) float64 { return 100 * f.CO2BelowMaxPossible }},
		{"mist/h", func(f *rehearse.Figures) float64 { return f.SwitchesPerHour["humidifier"] }},
		{"fan/h", func(f *rehearse.Figures) float64 { return f.SwitchesPerHour["exhaust_fan"] }},
		{"L/d", func(f *rehearse.Figures) float64 { return f.WaterLitersPerDay }},
		{"RH", func(f *rehearse.Figures) float64 { return 100 * f.RHMean }},
		{"ppm", func(f *rehearse.Figures) float64 { return f.CO2Mean }},
		{"T", func(f *rehearse.Figures) float64 { return f.TemperatureMean }},
	} {
		m, p := row(fs, c.of)
		fmt.Fprintf(&b, "  %s %.1f [%.1f]", c.name, m, p)
	}
	return b.String()
}

var settings = []struct {
	name  string
	timer func(*rehearse.Case) rehearse.Timer
}{
	{"1 in 10", func(*rehearse.Case) rehearse.Timer { return rehearse.Timer{On: time.Minute, Off: 9 * time.Minute} }},
	{"2 in 15", func(*rehearse.Case) rehearse.Timer { return rehearse.Timer{On: 2 * time.Minute, Off: 13 * time.Minute} }},
	{"careful", rehearse.CarefulTimer},
}

// BenchmarkCommonPractice prints what common practice reaches on the family: 20 chambers, three days.
func BenchmarkCommonPractice(b *testing.B) {
	for b.Loop() {
		for _, stage := range []species.Stage{species.Pinning, species.Fruiting} {
			for _, s := range settings {
				var fs []rehearse.Figures
				for seed := range uint64(20) {
					c := rehearse.FamilyCase(seed+1, stage)
					fs = append(fs, practice(b, c, s.timer(c)))
				}
				b.Logf("%-9s %s%s", stage, s.name, table(fs))
			}
		}
	}
}

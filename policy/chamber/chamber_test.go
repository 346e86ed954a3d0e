package chamber_test

import (
	"testing"

	"gillkeeper/policy/chamber"
)

// TestPlugsOfARoleAddUp: two fans move what both move, one without a rating as much as the others in the mean, and each has its part
// of it; parts of what nobody knows are equal.
func TestPlugsOfARoleAddUp(t *testing.T) {
	fan := func(flow float64) chamber.Plug { return chamber.Plug{Role: chamber.ExhaustFan, FlowM3PerH: flow} }
	mist := chamber.Plug{Role: chamber.Humidifier, OutputGPerH: 250}
	for _, c := range []struct {
		what  string
		plugs []chamber.Plug
		flow  float64
		share []float64 // of each fan
	}{
		{"one", []chamber.Plug{fan(60)}, 60, []float64{1}},
		{"two", []chamber.Plug{fan(60), fan(20)}, 80, []float64{0.75, 0.25}},
		{"one of three without a rating", []chamber.Plug{fan(60), fan(0), fan(20)}, 120, []float64{1. / 3, 1. / 3, 1. / 3}},
		{"none rated", []chamber.Plug{fan(0), fan(0)}, 0, []float64{0.5, 0.5}},
		{"none", nil, 0, nil},
	} {
		s := &chamber.Spec{Plugs: append(c.plugs, mist)}
		if got := s.Rating(chamber.ExhaustFan, chamber.Flow); got != c.flow {
			t.Errorf("%s: they move %v m³/h, want %v", c.what, got, c.flow)
		}
		for i, want := range c.share {
			if got := s.Share(i, chamber.Flow); got != want {
				t.Errorf("%s: fan %d has a share of %v, want %v", c.what, i, got, want)
			}
		}
		if got := s.Rating(chamber.Humidifier, chamber.Output); got != 250 {
			t.Errorf("%s: the humidifier beside them gives %v g/h, want 250", c.what, got)
		}
	}
}

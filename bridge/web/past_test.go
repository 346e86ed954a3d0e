package web_test

import (
	"math"
	"testing"
	"time"

	"gillkeeper/bridge/journal"
)

// Past writes a made-up past into the record: humidity that swings between 84 and 92 %, CO2 between 500 and 900 ppm, a
// humidifier that runs a quarter of the time, and the target that the table had.
func (s *served) Past(t testing.TB, chamber string, length time.Duration) {
	t.Helper()
	var ms []journal.Minute
	now := s.Now().Truncate(time.Minute)
	add := func(place, quantity string, at time.Time, span time.Duration, mean, low, high, seconds float64) {
		n := 6
		if quantity == journal.PlugOn {
			n = 60 // seconds seen
		}
		ms = append(ms, journal.Minute{Chamber: chamber, Place: place, Quantity: quantity, Start: at, Span: span, Mean: mean, Min: low, Max: high, N: n, Seconds: seconds})
	}
	for at := now.Add(-length); at.Before(now); at = at.Add(time.Minute) {
		phase := 2 * math.Pi * at.Sub(now).Hours() / 3
		rh, co2 := 0.88+0.035*math.Sin(phase), 700+190*math.Cos(phase)
		add("chamber", "relative_humidity", at, 0, rh, rh-0.005, rh+0.005, 60)
		add("chamber", "temperature", at, 0, 16+0.5*math.Sin(phase/4), 15.9, 16.6, 60)
		add("chamber", "co2", at, 0, co2, co2-10, co2+10, 60)
		on := 0.0
		if at.Minute()%4 == 0 {
			on = 60
		}
		add("mister", journal.PlugOn, at, 0, on/60, on/60, on/60, on)
		if at.Minute()%10 == 0 {
			add(journal.PlaceTarget, "relative_humidity", at, journal.SlowSpan, 0.875, 0.85, 0.9, 0)
			add(journal.PlaceTarget, "co2", at, journal.SlowSpan, 1000, 0, 1000, 0)
			add(journal.PlaceLearned, journal.MistDrawn, at, journal.SlowSpan, 280+phase, 270+phase, 290+phase, 0)
		}
	}
	if err := s.Record.Minutes(t.Context(), ms); err != nil {
		t.Fatal(err)
	}
}

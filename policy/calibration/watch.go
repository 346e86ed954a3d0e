package calibration

import (
	"fmt"
	"math"
	"time"

	"gillkeeper/policy/air"
)

// When a reading over a salt is taken for settled. Small probes need 20 minutes, bulky instruments an hour (tables of
// saturated salts for conservators); half a kelvin between salt and sensor is 2 points over sodium chloride, so the
// temperature must stand still.
const (
	Shortest         = 20 * time.Minute // since the start
	Window           = 10 * time.Minute // over which slope and noise are judged
	MostSlopePerHour = 0.003            // 0.3 points an hour
	MostNoise        = 0.003
	MostTemperature  = 0.5             // K, from lowest to highest within Window
	LeastSamples     = 8               // in Window
	leastGap         = 2 * time.Second // samples that come faster are left out
)

// Sample is one reading of the sensor over the salt.
type Sample struct {
	At           time.Time
	Reading      air.Ratio
	TemperatureC air.Celsius
}

// Watch follows a reading until it is settled. The zero value is ready; it can be copied.
type Watch struct {
	started time.Time
	samples []Sample // of the last Window
}

// Progress is how far a reading has settled.
type Progress struct {
	Elapsed      time.Duration `json:"elapsed"`
	Reading      air.Ratio     `json:"reading"` // mean of the window
	Noise        air.Ratio     `json:"noise"`   // standard deviation of that mean's samples about the trend
	SlopePerHour float64       `json:"slope_per_hour"`
	Temperature  air.Celsius   `json:"temperature_c"`
	Span         float64       `json:"temperature_span_k"`
	Settled      bool          `json:"settled"`
	Waits        string        `json:"waits,omitempty"` // for what, when not settled
}

// Add takes a sample in order of time; one that is older than the last, hard upon it, or no number is left out.
func (w *Watch) Add(s Sample) {
	if !(s.Reading >= 0 && s.Reading <= 1.05) || math.IsNaN(float64(s.TemperatureC)) || math.IsInf(float64(s.TemperatureC), 0) {
		return
	}
	if n := len(w.samples); n > 0 && s.At.Sub(w.samples[n-1].At) < leastGap {
		return
	}
	if w.started.IsZero() {
		w.started = s.At
	}
	kept := make([]Sample, 0, len(w.samples)+1) // a copied Watch must not share what is written here
	for _, old := range w.samples {
		if s.At.Sub(old.At) <= Window {
			kept = append(kept, old)
		}
	}
	w.samples = append(kept, s)
}

// Progress judges what was seen so far.
func (w *Watch) Progress() Progress {
	n := len(w.samples)
	if n == 0 {
		return Progress{Waits: "for a reading"}
	}
	last := w.samples[n-1].At
	p := Progress{Elapsed: last.Sub(w.started)}
	low, high := w.samples[0].TemperatureC, w.samples[0].TemperatureC
	var meanHours, mean, temperature float64
	for _, s := range w.samples {
		meanHours += s.At.Sub(last).Hours() / float64(n)
		mean += float64(s.Reading) / float64(n)
		temperature += float64(s.TemperatureC) / float64(n)
		low, high = min(low, s.TemperatureC), max(high, s.TemperatureC)
	}
	var over, square float64
	for _, s := range w.samples {
		h := s.At.Sub(last).Hours() - meanHours
		over += h * (float64(s.Reading) - mean)
		square += h * h
	}
	if square > 0 {
		p.SlopePerHour = over / square
	}
	var rest float64
	for _, s := range w.samples {
		d := float64(s.Reading) - mean - p.SlopePerHour*(s.At.Sub(last).Hours()-meanHours)
		rest += d * d
	}
	if n > 2 {
		p.Noise = air.Ratio(math.Sqrt(rest / float64(n-2)))
	}
	p.Reading, p.Temperature, p.Span = air.Ratio(mean), air.Celsius(temperature), float64(high-low)
	p.Waits = p.judge(n)
	p.Settled = p.Waits == ""
	return p
}

// judge says what is waited for, or nothing when the reading is settled. The slope must be small beyond what noise
// makes of it: with noise σ on n even samples over the window it is known to σ √12/(√n · window).
func (p *Progress) judge(n int) string {
	switch {
	case p.Span > MostTemperature:
		return fmt.Sprintf("for a steady temperature: it moved by %.1f K, %.1f at most are borne", p.Span, MostTemperature)
	case p.Elapsed < Shortest:
		return fmt.Sprintf("for %s to pass", (Shortest - p.Elapsed).Round(time.Minute))
	case n < LeastSamples:
		return "for more readings"
	case p.Noise > MostNoise:
		return "for a steady reading"
	}
	known := float64(p.Noise) * math.Sqrt(12/float64(n)) / Window.Hours()
	if math.Abs(p.SlopePerHour) > MostSlopePerHour+2*known {
		return fmt.Sprintf("for a settled reading: it still moves by %.1f points an hour", 100*p.SlopePerHour)
	}
	return ""
}

// Point makes a settled reading a calibration point over the salt it was taken over.
func (p *Progress) Point() (reading, noise air.Ratio, temperature air.Celsius, ok bool) {
	return p.Reading, p.Noise, p.Temperature, p.Settled
}

package calibration

import (
	"fmt"
	"math"
	"time"

	"gillkeeper/policy/air"
	"gillkeeper/policy/chamber"
)

// Criteria say when a reading is taken for settled.
type Criteria struct {
	Quantity         chamber.Quantity
	Shortest         time.Duration // since the start
	Window           time.Duration // over which slope and noise are judged
	MostSlopePerHour float64       // in the quantity's unit
	MostNoise        float64       // standard deviation, in the quantity's unit
	MostTemperature  float64       // K, from lowest to highest within Window
}

// OverSalt are the criteria over a salt. Small probes need 20 minutes, bulky instruments an hour (tables of saturated
// salts for conservators); half a kelvin between salt and sensor is 2 points over sodium chloride, so the temperature
// must stand still.
var OverSalt = Criteria{chamber.RelativeHumidity, 20 * time.Minute, 10 * time.Minute, 0.003, 0.003, 0.5}

// InFreshAir are the criteria outdoors, where wind and passers-by move the reading (estimates).
var InFreshAir = Criteria{chamber.CO2, 15 * time.Minute, 10 * time.Minute, 60, 25, 5}

const (
	leastSamples = 8               // in the window
	leastGap     = 2 * time.Second // samples that come faster are left out
	mostLeft     = 6 * time.Hour   // a longer forecast is none
)

// Sample is one reading of the sensor, uncorrected.
type Sample struct {
	At           time.Time
	Reading      float64
	TemperatureC air.Celsius
}

// Watch follows a reading until it is settled. The zero value judges by [OverSalt]; it can be copied.
type Watch struct {
	By      Criteria
	started time.Time
	stable  time.Time // since when slope and noise are small; zero: they are not
	samples []Sample  // of the last window
}

// Progress is how far a reading has settled. Values are in the quantity's unit.
type Progress struct {
	Elapsed      time.Duration `json:"elapsed"`
	Reading      float64       `json:"reading"` // mean of the window
	Noise        float64       `json:"noise"`   // standard deviation of the window's samples about the trend
	SlopePerHour float64       `json:"slope_per_hour"`
	Stable       time.Duration `json:"stable"` // for how long slope and noise have been small
	Left         time.Duration `json:"left"`   // estimate; 0: none can be given
	Temperature  air.Celsius   `json:"temperature_c"`
	Span         float64       `json:"temperature_span_k"`
	Settled      bool          `json:"settled"`
	Waits        string        `json:"waits,omitempty"`    // for what, when not settled
	Hopeless     string        `json:"hopeless,omitempty"` // why waiting longer does not help
}

func (w *Watch) by() Criteria {
	if w.By.Quantity == 0 {
		return OverSalt
	}
	return w.By
}

// Add takes a sample in order of time; one that is older than the last, hard upon it, or no number is left out.
func (w *Watch) Add(s Sample) {
	by := w.by()
	if !by.Quantity.Plausible(s.Reading) || math.IsNaN(float64(s.TemperatureC)) || math.IsInf(float64(s.TemperatureC), 0) {
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
		if s.At.Sub(old.At) <= by.Window {
			kept = append(kept, old)
		}
	}
	w.samples = append(kept, s)
	p := w.measure()
	switch {
	case len(w.samples) < leastSamples || p.moves(by, len(w.samples)) || p.Noise > by.MostNoise:
		w.stable = time.Time{}
	case w.stable.IsZero():
		w.stable = s.At
	}
}

// Progress judges what was seen so far.
func (w *Watch) Progress() Progress {
	n := len(w.samples)
	if n == 0 {
		return Progress{Waits: "for a reading"}
	}
	by, last := w.by(), w.samples[n-1].At
	p := w.measure()
	p.Elapsed = last.Sub(w.started)
	if !w.stable.IsZero() {
		p.Stable = last.Sub(w.stable)
	}
	p.Waits = p.judge(by, n)
	p.Settled = p.Waits == ""
	if p.Span > by.MostTemperature && p.Elapsed >= 2*by.Shortest {
		p.Hopeless = fmt.Sprintf("the temperature moves too much: by %.1f K in %.0f min, where %.1f are borne; shield the jar from sun, lamp and draft and begin anew",
			p.Span, by.Window.Minutes(), by.MostTemperature)
	}
	if !p.Settled {
		p.Left = w.left(&p)
	}
	return p
}

// measure takes mean, trend and noise of the window.
func (w *Watch) measure() Progress {
	var p Progress
	first, slope := trend(w.samples)
	p.SlopePerHour = slope
	n := len(w.samples)
	last := w.samples[n-1].At
	low, high := w.samples[0].TemperatureC, w.samples[0].TemperatureC
	var rest, temperature float64
	for _, s := range w.samples {
		d := s.Reading - first - slope*s.At.Sub(last).Hours()
		rest += d * d
		p.Reading += s.Reading / float64(n)
		temperature += float64(s.TemperatureC) / float64(n)
		low, high = min(low, s.TemperatureC), max(high, s.TemperatureC)
	}
	if n > 2 {
		p.Noise = math.Sqrt(rest / float64(n-2))
	}
	p.Temperature, p.Span = air.Celsius(temperature), float64(high-low)
	return p
}

// trend fits a line by least squares: its value at the last sample, and its slope per hour.
func trend(samples []Sample) (atLast, perHour float64) {
	n := float64(len(samples))
	last := samples[len(samples)-1].At
	var meanHours, mean, over, square float64
	for _, s := range samples {
		meanHours += s.At.Sub(last).Hours() / n
		mean += s.Reading / n
	}
	for _, s := range samples {
		h := s.At.Sub(last).Hours() - meanHours
		over += h * (s.Reading - mean)
		square += h * h
	}
	if square > 0 {
		perHour = over / square
	}
	return mean - perHour*meanHours, perHour
}

// known is how well n even samples over the window tell the slope: σ √12/(√n · window).
func (p *Progress) known(by Criteria, n int) float64 {
	return p.Noise * math.Sqrt(12/float64(n)) / by.Window.Hours()
}

// moves reports whether the slope is large beyond what noise makes of it.
func (p *Progress) moves(by Criteria, n int) bool {
	return math.Abs(p.SlopePerHour) > by.MostSlopePerHour+2*p.known(by, n)
}

// judge says what is waited for, or nothing when the reading is settled.
func (p *Progress) judge(by Criteria, n int) string {
	switch {
	case p.Span > by.MostTemperature:
		return fmt.Sprintf("for a steady temperature: it moved by %.1f K, %.1f at most are borne", p.Span, by.MostTemperature)
	case p.Elapsed < by.Shortest:
		return fmt.Sprintf("for %.0f min to pass", math.Ceil((by.Shortest - p.Elapsed).Minutes()))
	case n < leastSamples:
		return "for more readings"
	case p.Noise > by.MostNoise:
		return "for a steady reading"
	case !p.moves(by, n):
		return ""
	case by.Quantity == chamber.CO2:
		return fmt.Sprintf("for a settled reading: it still moves by %.0f ppm an hour", p.SlopePerHour)
	}
	return fmt.Sprintf("for a settled reading: it still moves by %.1f points an hour", 100*p.SlopePerHour)
}

// left forecasts the time until the reading is settled. A probe nears the air around it as e^(−t/τ), and so does the slope
// fall; τ follows from the slopes of the window's two halves.
func (w *Watch) left(p *Progress) time.Duration {
	by := w.by()
	least := max(0, by.Shortest-p.Elapsed)
	if p.Span > by.MostTemperature || len(w.samples) < leastSamples {
		return 0
	}
	if !p.moves(by, len(w.samples)) {
		return least
	}
	half := len(w.samples) / 2
	_, early := trend(w.samples[:half])
	_, late := trend(w.samples[half:])
	apart := w.samples[len(w.samples)-1].At.Sub(w.samples[0].At).Hours() / 2
	ratio := early / late
	if !(ratio > 1) || late == 0 || apart <= 0 {
		return 0
	}
	hours := apart / math.Log(ratio) * math.Log(math.Abs(p.SlopePerHour)/by.MostSlopePerHour)
	if !(hours >= 0 && hours <= mostLeft.Hours()) {
		return 0
	}
	return max(least, time.Duration(hours*float64(time.Hour)).Round(time.Minute))
}

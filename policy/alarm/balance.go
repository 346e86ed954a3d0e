package alarm

import (
	"math"

	"gillkeeper/policy/chamber"
)

// Balance counts the water: what was filled in, less what the humidifier drew by its on-time. A label's rating is no
// forecast; a filling that was seen from full to dry is.
type Balance struct {
	Filled   float64   `json:"filled"` // liters at the last refill; 0: not known
	Sureness certainty `json:"sureness,omitempty"`
	Drawn    float64   `json:"drawn"`  // hours of full output since then
	Rate     float64   `json:"rate"`   // grams an hour of full output; 0: not known
	Spread   float64   `json:"spread"` // standard deviation of Rate over Rate
	Cycles   int       `json:"cycles"` // fillings seen from full to dry
	Use      Use       `json:"use,omitzero"`
	Asked    Asked     `json:"asked,omitzero"` // that it was used for
	Learned  float64   `json:"learned"`        // grams an hour, from the answer of the air; 0: not known
}

// certainty is how well the amount at the last refill is known.
type certainty uint8

const (
	atStart     certainty = iota // the program began, nobody said anything: taken for full
	assumedFull                  // noticed, and taken for full
	saidFull                     // said by a person
)

const (
	// spinUp: the output of an ultrasonic humidifier rises evenly over 10 to 20 s (common practice), so half of that is
	// lost at each start; fog that still leaves it for 4 to 12 s after the end gives half of that back. Only what is
	// lost by both counts, for a start is all that a plug shows.
	spinUp = 8.0 // seconds
	// What a label is worth: on first fillings real output was found from half to above the rating.
	labelSpread = 0.20
	blindRate   = 300.0 // g/h of one disc, when no rating is given
	blindSpread = 0.40
	// What a whole filling tells: level at "full" and at "dry", the pauses, the disc's age.
	cycleSpread = 0.03
	// learnedSpread is what the answer of the air is worth: walls take a share of the mist that nobody sees.
	learnedSpread = 0.22
	assumedSpread = 0.10
	leastSpread   = 0.02
	ninetyPercent = 1.645 // standard deviations either side that hold 90 %
	surelyLeft    = 0.15  // share of the filling that must be left at the least for "there was water"
)

// spun is the share of full output after so many seconds of a run.
func spun(onFor float64) float64 { return min(1, onFor/spinUp) }

// advance counts the on-time of one step, and gives the liters that it drew.
func (b *Balance) advance(w *Water, dt float64, on bool, onFor float64, isDry bool) (liters float64) {
	b.rated(w.Spec)
	b.Learned = w.MistGPerH
	if b.Filled == 0 && w.Spec.ReservoirLiters > 0 {
		b.fill(w.Spec.ReservoirLiters, atStart)
	}
	hours := 0.0
	if on && !isDry {
		hours = dt / 3600 * spun(onFor)
		b.Drawn += hours
	}
	if isDry || dt == 0 {
		return 0 // what a dry humidifier runs is no use
	}
	b.Use.scale(w.Demand.times(&w.Asked, &b.Asked))
	b.Asked = w.Asked
	b.Use.advance(hours, dt/3600)
	// Still misting although all should be gone: the rate was too high.
	if most := b.Filled * 1000 / max(b.Drawn, 1e-6); b.Filled > 0 && b.Sureness > atStart && b.Rate > 0.97*most {
		b.Rate = 0.97 * most
	}
	rate, _ := b.output()
	return hours * rate / 1000
}

// rated takes the label for the output, or a usual disc's, where nothing is known yet.
func (b *Balance) rated(spec *chamber.Plug) {
	switch {
	case b.Rate != 0:
	case spec.OutputGPerH > 0:
		b.Rate, b.Spread = spec.OutputGPerH, labelSpread
	default:
		b.Rate, b.Spread = blindRate, blindSpread
	}
}

// output is the rate in grams an hour and its relative standard deviation. Before a filling was seen from full to dry, the
// answer of the air stands beside the label.
func (b *Balance) output() (rate, spread float64) {
	if b.Cycles > 0 || b.Learned < b.Rate/2.5 || b.Learned > b.Rate*2.5 {
		return b.Rate, b.Spread
	}
	weight := b.Spread * b.Spread / (b.Spread*b.Spread + learnedSpread*learnedSpread)
	return math.Exp(math.Log(b.Rate) + weight*math.Log(b.Learned/b.Rate)), b.Spread * learnedSpread / math.Hypot(b.Spread, learnedSpread)
}

// outputKnown is what is known of the humidifier's output, and how much of the filling it drew.
type outputKnown struct {
	Rate   float64 `json:"rate"`
	Spread float64 `json:"spread"`
	Cycles int     `json:"cycles,omitempty"`
	Drawn  float64 `json:"drawn"`
}

func (b *Balance) known() outputKnown { return outputKnown{b.Rate, b.Spread, b.Cycles, b.Drawn} }

func (b *Balance) believe(r *outputKnown) {
	b.Rate, b.Spread, b.Cycles, b.Drawn = r.Rate, r.Spread, r.Cycles, r.Drawn
}

// fill starts a new filling.
func (b *Balance) fill(liters float64, c certainty) { b.Filled, b.Sureness, b.Drawn = liters, c, 0 }

// ranDry learns the output from a filling that was seen from full to dry. The last late hours of full output gave no
// mist any more: it took that long to notice.
func (b *Balance) ranDry(late float64) {
	b.Drawn = max(0, b.Drawn-late)
	if b.Filled <= 0 || b.Drawn < 0.2 {
		return
	}
	seen := b.Filled * 1000 / b.Drawn
	spread := cycleSpread
	if b.Sureness < saidFull {
		spread = assumedSpread
	}
	if b.Sureness == atStart || seen < b.Rate/2.5 || seen > b.Rate*2.5 {
		if b.Cycles > 0 || b.Spread <= labelSpread || b.Sureness == atStart && (seen < b.Rate/1.5 || seen > b.Rate*1.5) {
			return // it was not full, it leaked, or the disc died: no label is that far off
		}
		spread = max(spread, assumedSpread)
	}
	weight := b.Spread * b.Spread / (b.Spread*b.Spread + spread*spread)
	if b.Cycles == 0 && spread == cycleSpread {
		weight = 1 // a label adds nothing to what was seen
	}
	b.Rate = math.Exp(math.Log(b.Rate) + weight*math.Log(seen/b.Rate))
	b.Spread = max(leastSpread, b.Spread*spread/math.Hypot(b.Spread, spread))
	b.Cycles++
}

// left gives the liters that are left and the range that holds the truth nine times in ten.
func (b *Balance) left(spec *chamber.Plug, isDry bool) (known bool, liters, low, high float64) {
	if isDry {
		return true, 0, 0, 0
	}
	if b.Filled <= 0 {
		return false, 0, 0, 0
	}
	rate, spread := b.output()
	used := b.Drawn * rate / 1000
	liters = max(0, b.Filled-used)
	low = max(0, b.Filled-used*math.Exp(ninetyPercent*spread))
	high = max(0, b.Filled-used*math.Exp(-ninetyPercent*spread))
	if b.Sureness == atStart {
		low = 0
	}
	if spec.ReservoirLiters > 0 {
		high = min(high, spec.ReservoirLiters)
	}
	return true, liters, low, high
}

// emptyIn gives the hours until it is empty, and the range that holds the truth nine times in ten.
func (b *Balance) emptyIn() (hours, low, high float64, ok bool) {
	if _, known := b.Use.mean(); !known || b.Rate <= 0 || b.Filled <= 0 {
		return 0, 0, 0, false
	}
	rate, sd := b.output()
	all := b.Filled * 1000 / rate // hours of full output
	left := func(all float64) float64 { return b.Use.last(max(0, all-b.Drawn)) }
	hours = left(all)
	spread := ninetyPercent * sd
	low, high = left(all*math.Exp(-spread)), left(all*math.Exp(spread))
	// What the rate does not know and what the use does not know are independent.
	doubt := ninetyPercent * b.Use.doubt(hours)
	below, above := math.Hypot(hours-low, hours*doubt), math.Hypot(high-hours, hours*doubt)
	low, high = max(0, hours-below), hours+above
	if b.Sureness == atStart {
		low = 0
	}
	return hours, low, high, true
}

// surelyWater reports whether the balance excludes an empty reservoir.
func (b *Balance) surelyWater(spec *chamber.Plug) bool {
	if b.Sureness == atStart {
		return false
	}
	_, _, low, _ := b.left(spec, false)
	return b.Filled > 0 && low > surelyLeft*b.Filled
}

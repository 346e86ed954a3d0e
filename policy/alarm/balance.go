package alarm

import (
	"cmp"
	"math"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
)

// Balance counts the water: what was filled in, less what the humidifier drew by its on-time. A label's rating is no
// forecast; a filling that was seen from full to dry is.
type Balance struct {
	Filled   float64   `json:"filled"` // liters at the last refill; 0: not known
	Sureness certainty `json:"sureness,omitempty"`
	Unseen   bool      `json:"unseen,omitempty"` // somebody filled it up since, nobody knows when
	Drawn    float64   `json:"drawn"`            // hours of full output since then
	Rate     float64   `json:"rate"`             // grams an hour of full output; 0: not known
	Spread   float64   `json:"spread"`           // standard deviation of Rate over Rate
	Cycles   int       `json:"cycles"`           // fillings seen from full to dry
	Full     float64   `json:"full,omitempty"`   // share of full output that it gave while it was on of late; 0: it never ran
	Odd      float64   `json:"odd,omitempty"`    // grams an hour by the last filling, where that lay far from all before; 0: it did not
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
	// fullOver is the on-time, in seconds, over which its share of full output is taken.
	fullOver = 3600.0
	// What a label is worth: on first fillings real output was found from half to above the rating.
	labelSpread = 0.20
	blindRate   = 300.0 // g/h of one disc, when no rating is given
	blindSpread = 0.40
	// What a whole filling tells: level at "full" and at "dry", the pauses, the disc's age.
	cycleSpread = 0.03
	// The answer of the air shows the vapor alone: of what is drawn, drops go out with the air, and run down the walls. In simulated
	// chambers of two kinds it was 0.5 to 1.1 of that, as far as it was learned; learnedSpread is what it is worth.
	learnedShare  = 0.87
	learnedSpread = 0.22
	assumedSpread = 0.10
	leastSpread   = 0.02
	ninetyPercent = 1.645 // standard deviations either side that hold 90 %
	stillLeft     = 0.97  // share of the filling that can have been drawn at the most while it mists
	labelled      = 2.0   // standard deviations of a label that are left to it where it would exclude an empty reservoir
	surelyLeft    = 0.15  // share of the filling that must be left at the least for "there was water"
	// driftSpread is by how much scale, or its removal, changes the output from one filling to the next: about 1 % a day (common practice).
	driftSpread = 0.05
	// overrun and oddly, in standard deviations: what is that far off tells of the filling and not of the output. Two fillings in a row
	// that are off by the same, within alike, tell of the output.
	overrun, oddly = 3.0, 3.0
	alike          = 0.10
	// unseenLeft is the share that is left when it shows that somebody filled it up: what was drawn beyond one filling, and what was in
	// it when that was done.
	unseenLeft = 0.65
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
		b.Full = cmp.Or(b.Full, 1)
		b.Full += (1 - math.Exp(-dt/fullOver)) * (spun(onFor) - b.Full)
	}
	if isDry || dt == 0 {
		return 0 // what a dry humidifier runs is no use
	}
	b.Use.scale(w.Demand.times(&w.Asked, &b.Asked))
	b.Asked = w.Asked
	b.Use.advance(hours, dt/3600)
	most := 1000 * b.Filled / max(b.Drawn, 1e-6)
	switch {
	case b.Filled > 0 && most < b.least(w.Spec):
		b.filledUnseen(w.Spec)
	case b.Filled > 0 && b.Cycles == 0 && b.Sureness > atStart && b.Rate > stillLeft*most: // still misting although all should be gone: that label is too high
		b.Rate = stillLeft * most
	}
	rate, _ := b.output()
	return hours * rate / 1000
}

// least is the least output in grams an hour that can be believed, by what is known of it.
func (b *Balance) least(spec *chamber.Plug) float64 {
	if b.Cycles > 0 {
		return b.Rate * math.Exp(-overrun*math.Hypot(b.Spread, driftSpread))
	}
	label := Balance{}
	label.rated(spec)
	return label.Rate * math.Exp(-overrun*label.Spread)
}

// filledUnseen takes note that it still mists although far more was drawn than it held: somebody filled it up, and nobody said so or
// saw it. That was while there was some left, and more likely late than soon.
func (b *Balance) filledUnseen(spec *chamber.Plug) {
	if b.Cycles == 0 { // the label was brought down for nothing
		b.Rate = 0
		b.rated(spec)
	}
	b.fill(spec.ReservoirLiters, atStart)
	rate, _ := b.output()
	b.Unseen, b.Drawn = true, (1-unseenLeft)*1000*b.Filled/rate
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
// answer of the air stands beside the label. While it mists although all should be gone, it was less for this filling.
func (b *Balance) output() (rate, spread float64) {
	rate, spread = b.Rate, b.Spread
	if drawn := b.Learned / learnedShare; b.Cycles == 0 && drawn >= b.Rate/2.5 && drawn <= b.Rate*2.5 {
		weight := b.Spread * b.Spread / (b.Spread*b.Spread + learnedSpread*learnedSpread)
		rate = math.Exp(math.Log(b.Rate) + weight*math.Log(drawn/b.Rate))
		spread = b.Spread * learnedSpread / math.Hypot(b.Spread, learnedSpread)
	}
	if b.Cycles > 0 && b.Sureness > atStart && b.Drawn > 0 {
		rate = min(rate, stillLeft*1000*b.Filled/b.Drawn)
	}
	return rate, spread
}

// Output is the water in grams that the humidifier draws from the reservoir in an hour of on-time, as it ran lately: it is known once
// more is than a label. The reservoir reckons with the same.
func (r *Reservoir) Output() learn.Learned {
	b := &r.Balance
	rate, spread := b.output()
	return learn.Learned{Value: rate * b.Full, RelativeSD: spread, Known: rate*b.Full > 0 && spread < labelSpread}
}

// outputKnown is what is known of the humidifier's output, and how much of the filling it drew.
type outputKnown struct {
	Rate   float64 `json:"rate"`
	Spread float64 `json:"spread"`
	Cycles int     `json:"cycles,omitempty"`
	Drawn  float64 `json:"drawn"`
	Odd    float64 `json:"odd,omitempty"`
}

func (b *Balance) known() outputKnown { return outputKnown{b.Rate, b.Spread, b.Cycles, b.Drawn, b.Odd} }

func (b *Balance) believe(r *outputKnown) {
	b.Rate, b.Spread, b.Cycles, b.Drawn, b.Odd = r.Rate, r.Spread, r.Cycles, r.Drawn, r.Odd
}

// fill starts a new filling.
func (b *Balance) fill(liters float64, c certainty) {
	b.Filled, b.Sureness, b.Unseen, b.Drawn = liters, c, false, 0
}

// ranDry learns the output from a filling that was seen from full to dry. The last late hours of full output gave no
// mist any more: it took that long to notice.
func (b *Balance) ranDry(late float64) {
	b.Drawn = max(0, b.Drawn-late)
	if b.Filled <= 0 || b.Drawn < 0.2 || b.Unseen {
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
	off, odd := math.Log(seen/b.Rate), 0.0
	if most := oddly * math.Hypot(math.Hypot(b.Spread, spread), driftSpread); b.Cycles > 0 && math.Abs(off) > most {
		if b.Odd > 0 && math.Abs(math.Log(seen/b.Odd)) < alike {
			b.Spread = math.Abs(off)
		} else { // it was not full, or somebody added some
			odd, off = seen, math.Copysign(most, off)
		}
	}
	b.Odd = odd
	weight := b.Spread * b.Spread / (b.Spread*b.Spread + spread*spread)
	if b.Cycles == 0 && spread == cycleSpread {
		weight = 1 // a label adds nothing to what was seen
	}
	b.Rate *= math.Exp(weight * off)
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
	if b.Unseen {
		high = b.Filled
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
	if b.Unseen {
		high = b.Use.last(all)
	}
	// What the rate does not know and what the use does not know are independent.
	doubt := ninetyPercent * b.Use.doubt(hours)
	below, above := math.Hypot(hours-low, hours*doubt), math.Hypot(high-hours, hours*doubt)
	low, high = max(0, hours-below), hours+above
	if b.Sureness == atStart {
		low = 0
	}
	return hours, low, high, true
}

// surelyWater reports whether the balance excludes an empty reservoir. Before a filling was seen from full to dry, it must do so whatever
// a label is found to be off by; the answer of the air, which shows the vapor alone, is no witness of it.
func (b *Balance) surelyWater(spec *chamber.Plug) bool {
	if b.Sureness == atStart || b.Filled <= 0 {
		return false
	}
	_, _, low, _ := b.left(spec, false)
	if b.Cycles == 0 {
		low = min(low, b.Filled-b.Drawn*b.Rate/1000*math.Exp(labelled*b.Spread))
	}
	return low > surelyLeft*b.Filled
}

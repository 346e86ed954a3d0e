// Package yieldtest makes up seasons whose truth is known: which conditions moved the harvests, and which did not.
//
// It shares nothing with the statistics that are tested on it but the season's type, and must never be imported by the
// program. Start reading at [Make] and [True].
package yieldtest

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"time"

	"gillkeeper/metrics/yield"
	"gillkeeper/policy/species"
)

// Start is the first moment of every season.
var Start = time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)

// Days is how long a season lasts.
const Days = 240

// Effects says how strong the two planted effects are: by how much the logarithm of the yield falls from the best to
// the worst. Zero plants none.
type Effects struct {
	PinningCO2  float64 // CO2 above its limit while pins form
	FruitingDry float64 // dry spells while fruit grows
}

// Planted are the effects of the recorded season: about half of the crop from one end to the other.
var Planted = Effects{PinningCO2: 0.9, FruitingDry: 0.9}

// True reports whether a condition was made to move the harvest, or rises and falls with one that was: a dry spell shows
// in the share of time in range, in the longest dip and in the vapor pressure deficit.
func True(e Effects, name string, stage species.Stage, measure string) bool {
	if name != "pleurotus-ostreatus" {
		return false
	}
	switch {
	case stage == species.Pinning:
		return e.PinningCO2 != 0 && measure == "co2_above_limit"
	case stage == species.Fruiting && e.FruitingDry != 0:
		switch measure {
		case "relative_humidity_in_range", "longest_dry_dip_hours", "mean_vapor_pressure_deficit_pa":
			return true
		}
	}
	return false
}

// weather is what one batch lives through in one stage of one flush, each 0 (best) to 1 (worst) or a shift. All are
// drawn apart from each other.
type weather struct {
	stale, dry        float64
	warmer, air, lamp float64
}

type maker struct {
	rng    *rand.Rand
	season *yield.Season
	tables map[string]*hourly
}

// hourly is the air of a chamber by the hour; what no batch decides is filled at the end.
type hourly struct {
	set  [Days * 24]bool
	w    [Days * 24]weather
	want [Days * 24]yield.Want
}

// Make makes a season of three chambers, twelve batches and thirty flushes: ten batches of oyster mushrooms, two of
// lion's mane. The same seed gives the same season.
func Make(seed uint64, e Effects) *yield.Season {
	m := &maker{rng: rand.New(rand.NewPCG(seed, 20260105)), tables: map[string]*hourly{}}
	m.season = &yield.Season{Site: "Made-up farm", From: Start, To: Start.AddDate(0, 0, Days)}
	for i, name := range []string{"cellar", "loft", "shed"} {
		m.season.Chambers = append(m.season.Chambers, yield.Chamber{Name: name, VolumeM3: []float64{1.2, 0.56, 0.9}[i]})
		m.tables[name] = &hourly{}
	}
	for n := range 12 {
		b := yield.Batch{Name: fmt.Sprintf("oyster-%02d", n+1), Species: "pleurotus-ostreatus", Strain: "grey, from a friend", SubstrateKg: 12, DryKg: 4.2}
		flushes := 3
		switch {
		case n == 3 || n == 11:
			b.Name, b.Species, b.Strain, flushes = fmt.Sprintf("lion-%d", n/8+1), "hericium-erinaceus", "", 2
			b.SubstrateKg, b.DryKg = 9, 3.6
		case n%3 == 2 || n == 6:
			flushes = 2
		}
		b.Chamber = m.season.Chambers[n/4].Name
		m.season.Batches = append(m.season.Batches, b)
		m.flushes(n, flushes, e)
	}
	m.season.FromTable(builtin())
	for i := range m.season.Chambers {
		m.climate(i)
	}
	return m.season
}

// hours is a moment so many hours into the season.
func hours(h float64) time.Time {
	return Start.Add(time.Duration(h * float64(time.Hour))).Truncate(time.Second)
}

// flushes lets a batch live: four batches follow each other in a chamber, each colonizing while the one before rests.
func (m *maker) flushes(n, flushes int, e Effects) {
	b := &m.season.Batches[n]
	pins := float64(24*(12+(n%4)*56)) + float64(m.rng.IntN(24))
	b.Added = hours(pins - 240)
	b.Stages = append(b.Stages, yield.Stage{Stage: species.Colonization, Flush: 1, From: b.Added, To: hours(pins)})
	block := 0.07 * m.rng.NormFloat64() // a good block is good in each flush
	habit := m.draw()                   // and what a chamber is like while it stands there stays somewhat alike
	at := pins
	for f := 1; f <= flushes; f++ {
		pin, fruit := m.near(habit), m.near(habit)
		fruiting := at + 24*4 + float64(m.rng.IntN(12))
		done := fruiting + 24*5 + float64(m.rng.IntN(30))
		rest := done + 24*6 + float64(m.rng.IntN(48))
		m.live(b.Chamber, species.Pinning, b.Species, at, fruiting, pin)
		m.live(b.Chamber, species.Fruiting, b.Species, fruiting, done, fruit)
		b.Stages = append(b.Stages,
			yield.Stage{Stage: species.Pinning, Flush: f, From: hours(at), To: hours(fruiting)},
			yield.Stage{Stage: species.Fruiting, Flush: f, From: hours(fruiting), To: hours(done)},
			yield.Stage{Stage: species.Rest, Flush: f, From: hours(done), To: hours(rest)})
		share := []float64{0.55, 0.30, 0.15}[f-1]
		be := 1.6 * share * math.Exp(-e.PinningCO2*pin.stale-e.FruitingDry*fruit.dry+block+0.05*m.rng.NormFloat64())
		if b.Species != "pleurotus-ostreatus" {
			be = []float64{0.5, 0.26}[f-1] * math.Exp(block+0.05*m.rng.NormFloat64())
		}
		b.Flushes = append(b.Flushes, m.pick(be*1000*b.DryKg, f, fruiting, done))
		at = rest
	}
	b.Retired = hours(at)
	b.Stages[len(b.Stages)-1].To = b.Retired
}

// draw gives a weather of which nothing hangs together.
func (m *maker) draw() weather {
	return weather{m.rng.Float64(), m.rng.Float64(), m.rng.NormFloat64(), m.rng.NormFloat64(), m.rng.NormFloat64()}
}

// near gives a weather somewhat like another: one part in four is taken over from it.
func (m *maker) near(w weather) weather {
	o := m.draw()
	mix := func(habit, own float64) float64 {
		if m.rng.IntN(4) == 0 {
			return habit
		}
		return own
	}
	return weather{mix(w.stale, o.stale), mix(w.dry, o.dry), mix(w.warmer, o.warmer), mix(w.air, o.air), mix(w.lamp, o.lamp)}
}

// pick divides a flush over one to three pickings.
func (m *maker) pick(grams float64, flush int, from, done float64) yield.Flush {
	f := yield.Flush{Number: flush, Closed: hours(done)}
	n := 1 + m.rng.IntN(3)
	for i := range n {
		p := yield.Picking{At: hours(done - float64(9*(n-1-i)) - 0.25), FreshG: math.Round(grams / float64(n))}
		if m.rng.IntN(3) == 0 {
			p.Quality = "first"
		}
		f.Pickings = append(f.Pickings, p)
	}
	return f
}

// builtin is read once: thousands of stages are made up of it.
var builtin = sync.OnceValue(species.Builtin)

// live says what a chamber's air is like while a batch is in a stage.
func (m *maker) live(chamber string, stage species.Stage, name string, from, to float64, w weather) {
	t := m.tables[chamber]
	row, _ := builtin().Lookup(name, stage)
	for h := int(from); h < int(math.Ceil(to)) && h < len(t.set); h++ {
		t.set[h], t.w[h] = true, w
		t.want[h] = yield.Want{RHLow: row.RelativeHumidity.Low, RHHigh: row.RelativeHumidity.High, LowC: row.TemperatureC.Low,
			HighC: row.TemperatureC.High, CO2MaxPPM: row.CO2MaxPPM}
	}
}

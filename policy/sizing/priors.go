package sizing

import (
	"math"
	"slices"
	"strings"

	"gillkeeper/policy/species"
)

// Every figure that is not physics is in this file. Where no source is named it is an engineering estimate, good
// enough to buy a fan by and to be replaced by what the chamber itself shows.

// HighestAim is the highest relative humidity to aim at. Above it a sensor good to 2 or 3 points cannot tell moist air
// from dripping walls (common practice).
const HighestAim = 0.95

// Covering is what the chamber is wrapped in.
type Covering string

// The coverings.
const (
	Tent     Covering = "tent"     // zipped fabric or film
	Film     Covering = "film"     // film over shelves, taped or tucked in
	Cabinet  Covering = "cabinet"  // glass or board with seals
	Insulate Covering = "insulate" // insulated panels
)

// coveringTrait says how a covering leaks and conducts.
type coveringTrait struct {
	leak Estimate // air changes per hour with the fan off
	u    Estimate // W/(m² K) from the chamber's air to the room's
}

// Leaks are estimates. Thermal transmittance is 1/(1/8 + 1/8) = 4 W/(m² K) for film between two still airs with the
// surface coefficients of ISO 6946 (7.7 inside), less with folds and double layers; 50 mm of foam give 0.6.
var coverings = map[Covering]coveringTrait{
	Tent:     {Estimate{0.5, 1, 3, restsOnLeak}, Estimate{2.5, 3.5, 4.5, restsOnWalls}},
	Film:     {Estimate{0.2, 0.5, 1, restsOnLeak}, Estimate{3, 3.8, 5, restsOnWalls}},
	Cabinet:  {Estimate{0.1, 0.3, 0.6, restsOnLeak}, Estimate{1.5, 2.5, 3.5, restsOnWalls}},
	Insulate: {Estimate{0.1, 0.2, 0.5, restsOnLeak}, Estimate{0.4, 0.6, 1, restsOnWalls}},
}

func coveringWords() string {
	var words []string
	for word := range coverings {
		words = append(words, string(word))
	}
	slices.Sort(words)
	return strings.Join(words, ", ")
}

// What estimates rest on, for display.
const (
	restsOnRespiration = "respiration per kg at 20 °C, an estimate between measurements on harvested mushrooms and compost"
	restsOnBalance     = "mass balance of the respiration above"
	restsOnLeak        = "usual leaks of such coverings, an estimate"
	restsOnWalls       = "usual heat transfer of such coverings"
	restsOnDuct        = "40 to 70 % of the free flow is left by duct and filter (common practice)"
	restsOnCrop        = "water given off by blocks and fruit bodies, an estimate"
	restsOnRainOut     = "10 to 40 % of mist never evaporates, an estimate"
	restsOnBulk        = "blocks of 400 to 600 kg/m³ (common practice)"
	restsOnFruit       = "a first flush of 10 to 25 % of the blocks' weight (common practice)"
	restsOnBuffer      = "walls and blocks take up and give back; air alone would swing most"
)

// respiration holds carbon dioxide given off in g/h per kg at 20 °C.
type respiration struct {
	substrate Estimate // per kg of wet substrate
	fruit     Estimate // per kg of fruit bodies
}

// Temperature dependence of respiration: the factor for 10 K. Harvested oyster mushrooms show 2.85 from 3.5 to 15 °C
// (Bohling and Hansen 1989, Acta Hort. 258, 573), button mushrooms 2.15 (Iqbal et al. 2009) to 2.9.
var q10 = Estimate{1.9, 2.4, 2.9, ""}

// priorsOf gives what to expect of a species at a stage.
//
// Wood and straw: a straw block that burns 35 % of its dry weight in 50 days gives off 0.16 g/(h kg) on average (1.63 g
// of carbon dioxide per gram of cellulose); the peak of a spawn run 0.25 to 0.5 and a fruiting block 0.05 to 0.15 are
// estimates. Fruit bodies: harvested oysters 0.235 g/(h kg) at 15 °C, 0.36 at 20 °C (Bohling and Hansen 1989), button
// mushrooms 0.24 to 0.29 at 20 °C (UC Davis, produce facts); growing ones breathe more.
//
// Shiitake gives off half as much as oyster in incubation and a fifth in fruiting (Meilleur et al. 2023, Sustainability
// 15, 16740); since our figures for oyster are estimates, only the low end follows that in full. Compost of button
// mushrooms: 9 g/h per 100 kg at 25 °C, 3 to 6 at 16 °C (a growers' note), brought to 20 °C.
func priorsOf(name string, stage species.Stage) respiration {
	r := respiration{Estimate{0.05, 0.08, 0.15, restsOnRespiration}, Estimate{0.3, 0.5, 0.8, restsOnRespiration}}
	spawnRun := stage == species.Colonization
	if spawnRun {
		r.substrate = Estimate{0.16, 0.3, 0.5, restsOnRespiration}
	}
	switch {
	case strings.HasPrefix(name, "agaricus-"):
		r.substrate = Estimate{0.04, 0.06, 0.1, restsOnRespiration}
	case strings.HasPrefix(name, "lentinula-") && spawnRun:
		r.substrate = Estimate{0.08, 0.15, 0.5, restsOnRespiration}
	case strings.HasPrefix(name, "lentinula-"):
		r.substrate = Estimate{0.01, 0.04, 0.15, restsOnRespiration}
		r.fruit = Estimate{0.1, 0.3, 0.8, restsOnRespiration}
	}
	return r
}

// of is the carbon dioxide in g/h that so many kg of substrate and of fruit bodies give off.
func (r respiration) of(substrateKg float64, fruitKg Estimate, celsius float64) Estimate {
	substrate, fruit := warmed(r.substrate, celsius), warmed(r.fruit, celsius)
	return Estimate{
		substrate.Low*substrateKg + fruit.Low*fruitKg.Low,
		substrate.Likely*substrateKg + fruit.Likely*fruitKg.Likely,
		substrate.High*substrateKg + fruit.High*fruitKg.High,
		restsOnRespiration,
	}
}

// CO2GPerH is the carbon dioxide in g/h that a load of wet substrate most likely gives off at a stage, with the fruit bodies that
// usually stand on it while fruiting. An estimate, like what it rests on.
func CO2GPerH(name string, stage species.Stage, substrateKg, celsius float64) float64 {
	var fruit Estimate
	if stage == species.Fruiting {
		fruit = expectedFruit(substrateKg)
	}
	return priorsOf(name, stage).of(substrateKg, fruit, celsius).Likely
}

// expectedFruit is what stands on blocks while fruiting when nobody says: from freshly pinned to a full first flush.
func expectedFruit(substrateKg float64) Estimate {
	return Estimate{0, 0.1 * substrateKg, 0.25 * substrateKg, restsOnFruit}
}

// warmed brings a rate at 20 °C to a temperature, at each end with the factor that stretches it.
func warmed(rate Estimate, celsius float64) Estimate {
	power := (celsius - 20) / 10
	low, high := math.Pow(q10.Low, power), math.Pow(q10.High, power)
	return Estimate{rate.Low * min(low, high), rate.Likely * math.Pow(q10.Likely, power), rate.High * max(low, high), rate.RestsOn}
}

var (
	ductShare = Estimate{0.4, 0.55, 0.7, restsOnDuct} // of a fan's free flow
	rainOut   = Estimate{0.1, 0.25, 0.4, restsOnRainOut}
	bulk      = Estimate{400, 500, 600, restsOnBulk} // kg/m³

	// Water given off, g/h per kg. Blocks open at the top lose 1 to 3 at 90 %, bagged ones with slits next to nothing
	// (estimates). A fruit body gives off about half of its weight while it grows (San Antonio and Flegg 1964, Am. J.
	// Bot. 51), in some five days.
	blockWater = Estimate{0, 0.3, 1.5, restsOnCrop}
	fruitWater = Estimate{2, 4, 8, restsOnCrop}

	// Moisture that walls and blocks take up or give back within a pulse: capacity over that of the air alone. Over
	// hours it is 2 to 6, within a pulse little takes part.
	buffer = Estimate{1, 1.25, 3, restsOnBuffer}
)

const (
	surfaceW       = 7.7   // W/(m² K), inside surface, ISO 6946 (Rsi 0.13)
	heatPerCO2     = 10.62 // kJ/g: 2805 kJ/mol of hexose over six of 44.01 g
	mistWhPerG     = 0.07  // electrical energy of ultrasonic mist, ends in the chamber (common practice)
	fanSpinUpS     = 3.0   // from standstill to full flow (common practice)
	mistSpinUpS    = 15.0  // from switching on to full mist, rising evenly (common practice)
	handbookFill   = 1.0 / 6
	betterFill     = 1.0 / 8
	leastExchange  = 0.1 // share of the air that a fan's pulse must change to be worth a switching
	shortFillingH  = 24.0
	dailyLimitPPM  = 5000 // occupational exposure limit of carbon dioxide, 8 hours (29 CFR 1910.1000, table Z-1)
	relayDutyGuard = 0.9  // a plug that must run more than this has no reserve
)

package diagnose

import (
	"maps"
	"slices"
	"time"

	"gillkeeper/policy/species"
)

// Sign is something that a grower sees, in the trade's words.
type Sign string

// Cause is what may have made it.
type Cause string

// The causes. Hidden stands for whatever no record of air and light can show.
const (
	HighCO2     Cause = "high_co2"
	LowHumidity Cause = "low_humidity" // for long
	DryDip      Cause = "dry_dip"      // a short, deep drop of humidity
	Wet         Cause = "wet"          // air near saturation for hours, surfaces that do not dry
	Heat        Cause = "heat"
	Cold        Cause = "cold"
	Swings      Cause = "swings" // of temperature between day and night, or with the intake
	LowLight    Cause = "low_light"
	LatePicking Cause = "late_picking"
	Hidden      Cause = "hidden"
)

// Causes lists every cause in a fixed order.
func Causes() []Cause {
	return []Cause{HighCO2, LowHumidity, DryDip, Wet, Heat, Cold, Swings, LowLight, LatePicking, Hidden}
}

// Ask is a question that only eyes and hands can answer.
type Ask string

// The questions.
const (
	AskMoisture      Ask = "moisture"      // is the block heavy and moist, or light and shrunken?
	AskColonized     Ask = "colonized"     // is it white through, without soft or uncolonized spots?
	AskContamination Ask = "contamination" // green, black or pink mold, a sour smell?
	AskCrowding      Ask = "crowding"      // many more pins than the block can feed?
	AskDraught       Ask = "draught"       // does the fan, or the mist, blow right at the fruit?
	AskLight         Ask = "light"         // how many hours of light, how bright?
	AskStrain        Ask = "strain"        // does the strain do so elsewhere too?
	AskAir           Ask = "air"           // measure CO2: no sensor does
	AskPicked        Ask = "picked"        // were the caps flat or upturned when picked?
)

// asks gives the questions that go with a cause, and one more where the record could not speak.
func asks(c Cause, seen bool) []Ask {
	switch {
	case c == Hidden:
		return []Ask{AskMoisture, AskColonized, AskContamination, AskCrowding, AskStrain}
	case c == LowHumidity || c == DryDip:
		return []Ask{AskDraught}
	case c == LatePicking:
		return []Ask{AskPicked}
	case c == LowLight && !seen:
		return []Ask{AskLight}
	case c == HighCO2 && !seen:
		return []Ask{AskAir}
	}
	return nil
}

// origin is what is known of one sign: when it is made, and how often it comes from each cause.
type origin struct {
	stages  []species.Stage // in which it is made
	longest time.Duration   // how far back it reaches
	causes  map[Cause]float64
}

const day = 24 * time.Hour

// signs is the table. The causes are those that trade texts and studies name; how much weight each has before the record
// is looked at is common practice, and counts for less than the record.
//
// Sources: oyster margins roll and stems stretch above 1500 ppm (Jang et al. 2009, J. Bio-Env. Control 18(3) 208), king
// oyster caps are held back at 3000 to 9000 ppm (Kinugawa 1994, by Jung & Son 2021), Ganoderma makes antlers above 1000
// ppm (trade pages); cracked and scaly caps in drying air, blotch on caps that stay wet for hours (Bowman 1989, Mushroom
// Science XII, for Agaricus); pins that dry below 80 % (trade pages); heat lightens oyster caps and opens Agaricus early
// (Jang 2003; Champignoncultuur 1966); stroma in CO2, warmth and wet that last past colonization (handbooks, from memory).
var signs = map[Sign]origin{
	"long-stems": {[]species.Stage{species.Pinning, species.Fruiting}, 6 * day,
		map[Cause]float64{HighCO2: 0.60, LowLight: 0.28, Hidden: 0.12}},
	"coral-growth": {[]species.Stage{species.Pinning, species.Fruiting}, 6 * day,
		map[Cause]float64{HighCO2: 0.70, Heat: 0.18, Hidden: 0.12}},
	"fuzzy-stems": {[]species.Stage{species.Pinning, species.Fruiting}, 4 * day,
		map[Cause]float64{HighCO2: 0.48, Wet: 0.40, Hidden: 0.12}},
	"cracked-caps": {[]species.Stage{species.Fruiting}, 4 * day,
		map[Cause]float64{LowHumidity: 0.45, DryDip: 0.20, LatePicking: 0.20, Hidden: 0.15}},
	"aborted-pins": {[]species.Stage{species.Pinning, species.Fruiting}, 5 * day,
		map[Cause]float64{DryDip: 0.27, LowHumidity: 0.25, HighCO2: 0.15, Heat: 0.13, Hidden: 0.20}},
	"no-pins": {[]species.Stage{species.Pinning}, 10 * day,
		map[Cause]float64{HighCO2: 0.22, Heat: 0.20, LowHumidity: 0.16, LowLight: 0.14, Hidden: 0.28}},
	"pale-caps": {[]species.Stage{species.Pinning, species.Fruiting}, 6 * day,
		map[Cause]float64{LowLight: 0.48, Heat: 0.36, Hidden: 0.16}},
	"early-caps": {[]species.Stage{species.Fruiting}, 5 * day,
		map[Cause]float64{Heat: 0.64, LowHumidity: 0.14, LatePicking: 0.10, Hidden: 0.12}},
	"wet-spots": {[]species.Stage{species.Fruiting}, 4 * day,
		map[Cause]float64{Wet: 0.58, Swings: 0.26, Hidden: 0.16}},
	"withered-fruit": {[]species.Stage{species.Fruiting}, 5 * day,
		map[Cause]float64{Wet: 0.48, LowHumidity: 0.20, LatePicking: 0.16, Hidden: 0.16}},
	"cobweb": {[]species.Stage{species.Pinning, species.Fruiting, species.Rest}, 7 * day,
		map[Cause]float64{Wet: 0.62, Hidden: 0.38}},
	"white-mat": {[]species.Stage{species.Colonization, species.Pinning}, 10 * day,
		map[Cause]float64{HighCO2: 0.46, Heat: 0.24, Wet: 0.14, Hidden: 0.16}},
	"ruffled-margins": {[]species.Stage{species.Fruiting}, 5 * day,
		map[Cause]float64{Swings: 0.58, Cold: 0.26, Hidden: 0.16}},
	"dark-thick-fruit": {[]species.Stage{species.Pinning, species.Fruiting}, 8 * day,
		map[Cause]float64{Cold: 0.66, LowHumidity: 0.20, Hidden: 0.14}},
}

// Signs lists every sign that something is known of, in alphabetical order.
func Signs() []Sign { return slices.Sorted(maps.Keys(signs)) }

// CausesOf gives what a sign may come from, in the fixed order of causes.
func CausesOf(s Sign) []Cause {
	var out []Cause
	for _, c := range Causes() {
		if signs[s].causes[c] > 0 {
			out = append(out, c)
		}
	}
	return out
}

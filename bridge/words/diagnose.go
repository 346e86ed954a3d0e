package words

import (
	"fmt"
	"math"
	"strings"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/diagnose"
)

// signWords says what each sign looks like.
var signWords = map[diagnose.Sign]string{
	"long-stems":       "long thin stems with small caps",
	"coral-growth":     "growth that branches like coral instead of making caps or balls",
	"fuzzy-stems":      "white fuzz at the base of stems",
	"cracked-caps":     "cracked, scaly or brown caps",
	"aborted-pins":     "pins that stop growing, dry or turn dark",
	"no-pins":          "no pins at all",
	"pale-caps":        "pale caps",
	"early-caps":       "small thin caps that open early",
	"wet-spots":        "wet, brown or sticky spots on caps",
	"withered-fruit":   "fruit that turns yellow, soft or waterlogged",
	"cobweb":           "gray web over substrate or fruit",
	"white-mat":        "a thick white mat on the surface instead of pins",
	"ruffled-margins":  "ruffled or lacy margins",
	"dark-thick-fruit": "dark caps on thick stems that grow slowly",
}

// Sign says what a sign looks like.
func Sign(s diagnose.Sign) string {
	if w, ok := signWords[s]; ok {
		return w
	}
	return string(s)
}

var causeWords = map[diagnose.Cause]string{
	diagnose.HighCO2:     "too much CO2",
	diagnose.LowHumidity: "air too dry for long",
	diagnose.DryDip:      "a short drop in humidity",
	diagnose.Wet:         "air near saturation, surfaces that stay wet",
	diagnose.Heat:        "too warm",
	diagnose.Cold:        "too cold",
	diagnose.Swings:      "temperature swings",
	diagnose.LowLight:    "too little light",
	diagnose.LatePicking: "picked late",
	diagnose.Hidden:      "something that no record of the air can show",
}

// Cause names a cause.
func Cause(c diagnose.Cause) string {
	if w, ok := causeWords[c]; ok {
		return w
	}
	return string(c)
}

var askWords = map[diagnose.Ask]string{
	diagnose.AskMoisture:      "Is the block heavy and moist, or light and shrunken?",
	diagnose.AskColonized:     "Is it white all through, without soft or bare spots?",
	diagnose.AskContamination: "Is there green, black or pink mold, or a sour smell?",
	diagnose.AskCrowding:      "Are there many more pins than the block can feed?",
	diagnose.AskDraught:       "Does the fan blow right at the fruit?",
	diagnose.AskLight:         "How many hours of light does it get, and can you read by it?",
	diagnose.AskStrain:        "Does this strain do the same elsewhere?",
	diagnose.AskAir:           "What is the CO2? The record does not tell; a hand-held meter will do.",
	diagnose.AskPicked:        "Were the caps flat or turned up when they were picked?",
}

// Ask is a question to check by hand.
func Ask(a diagnose.Ask) string {
	if w, ok := askWords[a]; ok {
		return w
	}
	return string(a)
}

// Finding says what the record shows in a sentence with its numbers; now is when it is read.
func (w Words) Finding(f *diagnose.Finding, now time.Time) string {
	switch f.Kind {
	case diagnose.FoundAbove, diagnose.FoundBelow:
		return w.beyond(f, now)
	case diagnose.FoundDip:
		if f.Against {
			return fmt.Sprintf("Humidity had no short dip below %s.", w.Value(f.Quantity, f.Bound))
		}
		return fmt.Sprintf("Humidity fell to %s at %s and stayed below %s for %s.", w.Value(f.Quantity, f.Extreme), w.Clock(f.At, now), w.Value(f.Quantity, f.Bound), Duration(f.Long))
	case diagnose.FoundRange:
		return fmt.Sprintf("Temperature went up and down by %s within a day, %s at the most; up to %s is usual.", w.kelvin(f.Mean), w.kelvin(f.Extreme), w.kelvin(f.Bound))
	case diagnose.FoundLight:
		return fmt.Sprintf("It had %s h of light a day; %s h are wanted.", trim(Number(f.Got, 1)), trim(Number(f.Wanted, 1)))
	case diagnose.FoundDays:
		return fmt.Sprintf("It was in fruiting for %s days; %s is the usual maximum.", trim(Number(f.Got, 1)), trim(Number(f.Wanted, 1)))
	case diagnose.FoundNone:
		return fmt.Sprintf("Too little is on record about %s to go by.", QuantityAmid(f.Quantity))
	case diagnose.FoundThin:
		if f.Hours < 0.01 {
			return fmt.Sprintf("Nothing of those %s is recorded.", Duration(seconds(3600*f.Of)))
		}
		if f.Hours > 0.9*f.Of {
			return fmt.Sprintf("The record of it goes back %s: too little to go by.", Duration(seconds(3600*f.Hours)))
		}
		return fmt.Sprintf("Only %s of %s are recorded: too little to go by.", Duration(seconds(3600*f.Hours)), Duration(seconds(3600*f.Of)))
	}
	return string(f.Kind) + "."
}

// beyond: "CO2 above 1000 ppm for 41 of 72 h, 8 h at a stretch; highest 03:00–06:00, while the fan ran 4 % of the time".
func (w Words) beyond(f *diagnose.Finding, now time.Time) string {
	side, farthest := "above", "highest"
	if f.Kind == diagnose.FoundBelow {
		side, farthest = "below", "lowest"
	}
	name := Quantity(f.Quantity)
	if f.Hours < 0.05 {
		return fmt.Sprintf("%s was never %s %s in %s h; its mean was %s.", name, side, w.Value(f.Quantity, f.Bound), Number(f.Of, 0), w.Value(f.Quantity, f.Mean))
	}
	s := fmt.Sprintf("%s was %s %s for %s of %s h, %s at a stretch; its mean was %s, %s %s at %s.", name, side, w.Value(f.Quantity, f.Bound), amount(f.Hours),
		Number(f.Of, 0), Duration(f.Long), w.Value(f.Quantity, f.Mean), farthest, w.Value(f.Quantity, f.Extreme), w.Clock(f.At, now))
	if f.Hours < 1 {
		return s
	}
	s += fmt.Sprintf(" It was %s from %s to %s", farthest, w.hour(f.From), w.hour(f.From+3))
	switch {
	case f.Quantity == chamber.CO2 && f.Fan >= 0:
		s += fmt.Sprintf(", while the fan ran %s of the time", Percent(f.Fan, 0))
	case f.Quantity == chamber.RelativeHumidity && f.Mist >= 0:
		s += fmt.Sprintf(", while the humidifier ran %s of the time", Percent(f.Mist, 0))
		if f.Fan >= 0 {
			s += fmt.Sprintf(" and the fan %s", Percent(f.Fan, 0))
		}
	}
	return s + "."
}

// hour is a full hour of any day.
func (w Words) hour(h int) string {
	return time.Date(2000, 1, 1, h, 0, 0, 0, time.UTC).Format(w.ClockForm(false))
}

func amount(hours float64) string {
	if hours < 10 {
		return trim(Number(hours, 1))
	}
	return Number(hours, 0)
}

// kelvin writes a difference of temperatures in the site's unit.
func (w Words) kelvin(d float64) string {
	if w.Fahrenheit {
		return Number(d*9/5, 1) + " " + w.DegreeUnit()
	}
	return Number(d, 1) + " K"
}

// Change says what to change and what that costs, a sentence for each.
func (w Words) Change(c *diagnose.Change) []string {
	var out []string
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	if c.CO2MaxPPM > 0 {
		say("Set the CO2 limit to %s ppm.", Number(c.CO2MaxPPM, 0))
	}
	if c.RHLow > 0 {
		say("Keep humidity at %s.", w.Span(chamber.RelativeHumidity, c.RHLow, c.RHHigh))
	}
	if c.TempC != 0 {
		say("Bring the air to %s and keep it there day and night.", w.Temperature(c.TempC))
	}
	if c.LightHours > 0 {
		say("Give %s h of light a day.", trim(Number(c.LightHours, 1)))
	}
	if c.PickByDay > 0 {
		say("Pick by day %s of fruiting, while the caps still curve down.", trim(Number(c.PickByDay, 1)))
	}
	if c.WatchDip {
		say("Look up what happened then: a dry reservoir, an open door, a fan that ran long; gillkeeper why --at tells.")
	}
	return append(out, w.cost(c)...)
}

// cost says what fresh air and mist a change takes.
func (w Words) cost(c *diagnose.Change) []string {
	var out []string
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	if c.RoomShort {
		say("The room's own air has that much CO2: air the room, or draw the intake air from outdoors.")
	}
	if c.AirChanges == 0 && c.FanShort {
		say("The fan ran %s of the time and did not hold it: see that it moves air. Clean its filter, and look at its duct; only then take a larger one.", Percent(c.FanWas, 0))
	}
	if c.AirChanges > 0 {
		say("That takes %s air changes an hour; there were %s.", Number(c.AirChanges, 1), Number(c.AirChanged, 1))
		if c.FanShort {
			say("This fan can't: even when it runs all the time it is too weak. Clean its filter, or take a larger one.")
		} else {
			say("The fan runs %s of the time instead of %s.", Percent(c.FanShare, 0), Percent(c.FanWas, 0))
		}
	}
	if c.MistGPerH > 0 {
		say("The fan then carries off %s g/h of vapor.", Number(c.MistGPerH, 0))
	}
	switch {
	case c.MistShort:
		say("This humidifier can't make up for it: it would reach %s, running all the time.", Percent(c.RHReached, 0))
	case c.MistShare > 0:
		say("The humidifier runs %s of the time instead of %s: %s L of water a day instead of %s L.", share(c.MistShare), share(c.MistWas),
			Number(c.LitersADay, 1), Number(c.LitersWas, 1))
	}
	return out
}

func share(v float64) string {
	if v < 0.1 {
		return Percent(v, 1)
	}
	return Percent(v, 0)
}

// Sureness says a chance in words.
func Sureness(chance float64) string {
	switch {
	case math.IsNaN(chance):
		return "unknown"
	case chance >= 0.85:
		return "very likely"
	case chance >= 0.6:
		return "likely"
	case chance >= 0.3:
		return "possible"
	case chance >= 0.05:
		return "unlikely"
	}
	return "very unlikely"
}

// SignHelp lists every sign with what it looks like.
func SignHelp() string {
	var b strings.Builder
	for _, s := range diagnose.Signs() {
		fmt.Fprintf(&b, "  %-17s %s\n", s, Sign(s))
	}
	return b.String()
}

package words

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/outlook"
)

// Answer is the plain answer of an outlook.
func (w Words) Answer(o *outlook.Outlook) string {
	away := Duration(o.For)
	switch o.Verdict {
	case outlook.Leave:
		return fmt.Sprintf("Leave: %s can be left alone for %s.", o.Chamber, away)
	case outlook.LeaveAfter:
		var deeds []string
		for i := range o.Deeds {
			if o.Deeds[i].Must {
				deeds = append(deeds, lower(strings.TrimSuffix(w.Deed(&o.Deeds[i], o.From), ".")))
			}
		}
		return fmt.Sprintf("Leave for %s after this: %s.", away, strings.Join(deeds, "; "))
	}
	s := fmt.Sprintf("Do not leave %s alone for %s.", o.Chamber, away)
	if o.SafeFor < o.For && o.SafeFor >= time.Hour && !slices.ContainsFunc(o.Because, beside) {
		s += fmt.Sprintf(" It can be left for %s at most.", Duration(o.SafeFor))
	}
	return s
}

// beside reports whether a reason not to leave is one that SafeFor leaves out: not water or crop, which a shorter time away
// spares.
func beside(r outlook.Reason) bool { return r.Kind != outlook.RunsDry && r.Kind != outlook.Overripe }

func lower(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// Because says one reason not to leave.
func (w Words) Because(r *outlook.Reason, now time.Time) string {
	switch r.Kind {
	case outlook.RunsDry:
		return fmt.Sprintf("Even a full reservoir may run dry %s.", w.day(r.At, now))
	case outlook.Overripe:
		return fmt.Sprintf("Batch %s will be overripe %s, before you are back.", r.Batch, w.day(r.At, now))
	case outlook.OutOfRange:
		return fmt.Sprintf("The chance that %s stays in range is only %s.", QuantityAmid(r.Quantity), Percent(r.Chance, 0))
	}
	return "This chamber was watched for less than half a day at its present stage: too short to say how it will be kept."
}

// day is a moment with its day of the week.
func (w Words) day(t, now time.Time) string {
	if t.IsZero() {
		return "soon"
	}
	zone := w.Zone
	if zone == nil {
		zone = time.UTC
	}
	return "on " + t.In(zone).Format("Mon") + " " + w.Clock(t, now)
}

// Deed says one thing to do before leaving.
func (w Words) Deed(d *outlook.Deed, now time.Time) string {
	switch d.Kind {
	case outlook.FillReservoir:
		return "Fill the reservoir, and record it with refill."
	case outlook.Pick:
		return fmt.Sprintf("Pick batch %s, which is due, and record it with harvest.", d.Batch)
	case outlook.PickRest:
		return fmt.Sprintf("Pick what else is ripe on batch %s; when nothing is left, close its flush with harvest --done.", d.Batch)
	case outlook.MendAlarm:
		a := alarm.Told(d.Alarm, d.Code)
		return fmt.Sprintf("Deal with alarm %s: %s %s", d.Alarm, a.Says, a.Action)
	case outlook.AskRefill:
		return fmt.Sprintf("Ask somebody to fill the reservoir before %s.", strings.TrimPrefix(w.day(d.By, now), "on "))
	case outlook.AskPick:
		return fmt.Sprintf("Ask somebody to pick batch %s before %s.", d.Batch, strings.TrimPrefix(w.day(d.By, now), "on "))
	case outlook.MeasureWater:
		return "Say how much water is in the reservoir: refill CHAMBER --liters L."
	}
	return "Set up [[notify]] in the configuration: until then nobody is told of an alarm."
}

// Gap says what could go wrong unseen.
func (w Words) Gap(g *outlook.Gap) string {
	switch g.Kind {
	case outlook.NotMeasured:
		return fmt.Sprintf("%s in the chamber is not measured.", Quantity(g.Quantity))
	case outlook.OneSensor:
		return fmt.Sprintf("%s rests on one sensor: if it drifts, little or nothing contradicts it.", Quantity(g.Quantity))
	case outlook.RoomUnknown:
		return fmt.Sprintf("%s in the room is not measured: the room's weather is guessed.", Quantity(g.Quantity))
	case outlook.NoReport:
		return fmt.Sprintf("Plug %s does not say whether it obeys.", g.Plug)
	case outlook.NoMeter:
		return fmt.Sprintf("Plug %s meters no power: a dry or dead humidifier shows only by the air, which takes longer.", g.Plug)
	case outlook.NoTimer:
		return fmt.Sprintf("Plug %s stays on if the program, the network or the broker fails while it runs: it has no timer of its own (timed_on_payload).", g.Plug)
	case outlook.RateByLabel:
		return fmt.Sprintf("How much water %s draws is learned when a filling has been seen from full to dry; until then its label, or a guess, has to do.", g.Plug)
	}
	return "The heater and the cooler are assumed to be typical; what they do is not learned."
}

// DryTimes says when the reservoir runs dry.
func (w Words) DryTimes(o *outlook.Outlook) string {
	x := o.Water
	if x == nil {
		return ""
	}
	var s []string
	switch {
	case x.DryNow:
		s = append(s, "The reservoir is dry.")
	case !x.Known:
		s = append(s, "How much water is in the reservoir is not known.")
	default:
		s = append(s, fmt.Sprintf("%s are in the reservoir, at %s a day: %s.", Liters(x.Liters), LitersADay(x.PerDay), w.dry(&x.Now, o)))
		if other := AtPresent(x); other != "" {
			s = append(s, other)
		}
	}
	if x.Full.OK {
		s = append(s, fmt.Sprintf("Filled up, %s L: %s.", Capacity(x.Capacity), w.dry(&x.Full, o)))
	} else {
		s = append(s, "How much it holds when full is not known (reservoir_liters).")
	}
	return strings.Join(s, "\n")
}

// apart is by how much two forecasts may differ, as a logarithm, before that is worth a word.
const apart = 0.15

// AtPresent says what is told of the reservoir elsewhere where that differs, and why; "" where it does not.
func AtPresent(x *outlook.Water) string {
	if x.UsedHours <= 0 || x.AtPresent < time.Minute || x.Now.Likely < time.Minute ||
		math.Abs(math.Log(x.AtPresent.Hours()/x.Now.Likely.Hours())) < apart || min(x.AtPresent, x.Now.Likely) >= alarm.FarthestEmpty {
		return ""
	}
	when := emptyIn(x.AtPresent)
	if x.UsedHours < 24 {
		return fmt.Sprintf("By the use of the last %.0f h alone it runs dry %s, as status and the page have it; until a day is seen, what such chambers use counts here, too.", x.UsedHours, when)
	}
	return fmt.Sprintf("By the use of the last day alone it runs dry %s, as status and the page have it; here the weather of the days to come counts, too.", when)
}

// LitersADay has a digit more of little than [Liters] has of what a reservoir holds: who divides the one by the other is
// to come out near the hours left.
func LitersADay(v float64) string {
	if v < 0.495 {
		return Number(v, 2) + " L"
	}
	return Liters(v)
}

// far is as long as a dry time is told in hours and minutes.
const far = 30 * 24 * time.Hour

func (w Words) dry(d *outlook.Dry, o *outlook.Outlook) string {
	if d.Earliest > far {
		return "it lasts for more than a month"
	}
	likely := "more than a month"
	if d.Likely <= far {
		likely = "about " + About(d.Likely)
	}
	earliest := "by now"
	if d.Earliest >= time.Minute {
		earliest = fmt.Sprintf("within %s (%s)", About(d.Earliest), strings.TrimPrefix(w.day(o.From.Add(d.Earliest), o.From), "on "))
	}
	return fmt.Sprintf("dry in %s, one time in ten %s; chance that it runs dry before you are back %s", likely, earliest, Percent(d.Chance, 0))
}

// DueWords says what of a batch comes due.
func (w Words) DueWords(d *outlook.Due, now time.Time) string {
	what := fmt.Sprintf("%s may end", d.Stage)
	if d.Harvest {
		what = "harvest"
	}
	if d.Already && d.Harvest && !d.Picked.IsZero() {
		return fmt.Sprintf("%s: harvest since %s, last picked %s, usually not after %s.", d.Batch, w.Clock(d.From, now), w.Clock(d.Picked, now), w.Clock(d.Until, now))
	}
	if d.Already && !d.Harvest {
		return fmt.Sprintf("%s: %s was due to end from %s on, usually by %s.", d.Batch, d.Stage, w.Clock(d.From, now), w.Clock(d.Until, now))
	}
	if d.Already {
		return fmt.Sprintf("%s: %s since %s, usually not after %s.", d.Batch, what, w.Clock(d.From, now), w.Clock(d.Until, now))
	}
	return fmt.Sprintf("%s: %s from %s on, usually until %s.", d.Batch, what, w.Clock(d.From, now), w.Clock(d.Until, now))
}

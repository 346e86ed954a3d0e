package words

import (
	"fmt"
	"math"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/reason"
)

// deciding says which cost decided a plan.
var deciding = map[reason.Cost]string{
	reason.TooDry:    "air drier than the aim",
	reason.TooWet:    "air wetter than the aim",
	reason.TooStale:  "CO2 near or above its maximum",
	reason.TooFresh:  "CO2 below the minimum wanted",
	reason.Sooner:    "having to switch again sooner",
	reason.Switching: "the wear of one more switching",
	reason.Water:     "the water it takes",
	reason.FanRun:    "the fan's running time",
}

// Deciding says in a few words which cost decided; "" for none.
func Deciding(c reason.Cost) string { return deciding[c] }

// about gives the quantities that a cost is told by, the first for certain.
func about(c reason.Cost, otherwise chamber.Quantity) (q, beside chamber.Quantity) {
	switch c {
	case reason.TooDry, reason.TooWet, reason.Water:
		q = chamber.RelativeHumidity
	case reason.TooStale, reason.TooFresh, reason.FanRun:
		q = chamber.CO2
	default:
		q = otherwise
	}
	if q == chamber.CO2 {
		return q, chamber.RelativeHumidity
	}
	return chamber.RelativeHumidity, chamber.CO2
}

// planned says a plan in two sentences: what would come without what was chosen, what is expected with it, and which
// cost of the other way decided. A plug that is on and not to run is at the end of its run.
func (w Words) planned(r reason.Reason, on bool) string {
	p := r.Plan
	if p == nil || p.For <= 0 {
		return fmt.Sprintf("Chosen by the plan: cost %s, against %s otherwise.", Number(r.Value, 2), Number(r.Bound, 2))
	}
	q, beside := about(p.Decided, r.Quantity)
	if p.Now.CO2 == 0 {
		q, beside = chamber.RelativeHumidity, chamber.Temperature
	}
	within := " over the next " + Duration(p.Ahead)
	with, without := w.course(q, p.Now, p.With), w.course(q, p.Now, p.Without)
	side := w.course(beside, p.Now, p.With)
	run := "with a run of " + Duration(p.For)
	if p.Level > 0 {
		run += " at " + Percent(p.Level, 0)
	}
	if p.In > 0 {
		run += ", " + Duration(p.In) + " from now"
	}
	var s string
	ends := on && !p.Runs
	switch {
	case ends:
		off := "Off now"
		if p.In > 0 {
			off = "Off in " + Duration(p.In)
		}
		s = fmt.Sprintf("%s, %s %s%s; on for %s more, it would %s, and %s would %s.", off, QuantityAmid(q), without.does, within, Duration(p.For), with.would, QuantityAmid(beside), side.would)
	case p.Runs:
		s = fmt.Sprintf("Left off, %s would %s%s; %s, it %s, and %s %s.", QuantityAmid(q), without.would, within, run, with.does, QuantityAmid(beside), side.does)
	default:
		s = fmt.Sprintf("Off, %s %s%s; %s, it would %s, and %s would %s.", QuantityAmid(q), without.does, within, run, with.would, QuantityAmid(beside), side.would)
	}
	if d := deciding[p.Decided]; d != "" {
		against := "a run"
		switch {
		case ends:
			against = "going on"
		case p.Runs:
			against = "staying off"
		}
		s += " Against " + against + ": " + d + "."
	}
	return s + trimmed(p.Trim)
}

// trimmed says by how much a plan aims beside the aim, where it is worth a word.
func trimmed(by float64) string {
	if math.Abs(by) < 0.005 {
		return ""
	}
	to, from := "lower", "above"
	if by < 0 {
		to, from = "higher", "below"
	}
	return fmt.Sprintf(" Aimed %s points %s, because humidity kept standing %s its aim.", Number(100*math.Abs(by), 1), to, from)
}

// motion says how a value goes, as a fact and as a chance.
type motion struct{ does, would string }

// course says how a quantity goes: up, down, both ways or hardly at all.
func (w Words) course(q chamber.Quantity, now reason.Air, c reason.Course) motion {
	from, low, high := part(q, now), part(q, c.Low), part(q, c.High)
	least := map[chamber.Quantity]float64{chamber.RelativeHumidity: 0.005, chamber.CO2: 15, chamber.Temperature: 0.3}[q]
	up, down := high-from, from-low
	unsure := math.IsNaN(up) || math.IsNaN(down)
	span := w.ends(q, from, high)
	switch {
	case unsure:
		return motion{"is not known", "not be known"}
	case up < least && down < least:
		return motion{"stays near " + w.Value(q, from), "stay near " + w.Value(q, from)}
	case down < least || up >= 3*down:
		return motion{"rises from " + span, "rise from " + span}
	case up < least || down >= 3*up:
		span = w.ends(q, from, low)
		return motion{"falls from " + span, "fall from " + span}
	}
	span = w.Value(q, low) + " and " + w.Value(q, high)
	return motion{"moves between " + span, "move between " + span}
}

func (w Words) ends(q chamber.Quantity, from, to float64) string {
	return w.Value(q, from) + " to " + w.Value(q, to)
}

func part(q chamber.Quantity, a reason.Air) float64 {
	switch q {
	case chamber.CO2:
		return a.CO2
	case chamber.Temperature:
		return a.AirC
	}
	return a.RH
}

// Expected writes a course of one quantity for a table: where it ends, and between what it moves.
func (w Words) Expected(q chamber.Quantity, c reason.Course) string {
	if q == chamber.CO2 && c.End.CO2 == 0 {
		return "not measured"
	}
	return fmt.Sprintf("%s, %s", w.Value(q, part(q, c.End)), w.Span(q, part(q, c.Low), part(q, c.High)))
}

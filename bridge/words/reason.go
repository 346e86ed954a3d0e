package words

import (
	"fmt"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/reason"
)

// Reason says one reason in a sentence with its numbers. On is what the plug should do; now and the reason's times are
// on the calendar's clock.
func (w Words) Reason(r reason.Reason, on bool, now time.Time) string {
	if s := w.climate(r, on, now); s != "" {
		return s
	}
	if s := w.limit(r, on, now); s != "" {
		return s
	}
	return "Reason " + string(r.Code) + "." // from a newer journal
}

// climate says the reasons that come from the air and the crop.
func (w Words) climate(r reason.Reason, on bool, now time.Time) string {
	switch r.Code {
	case reason.NoBatch:
		return "Nothing is growing here, so the plug rests."
	case reason.NoTarget:
		return "The climate table has no row for what grows here, so there is nothing to aim at."
	case reason.BelowAim:
		return w.compare(r, "below")
	case reason.AboveAim:
		return w.compare(r, "above")
	case reason.StaleRoom:
		return fmt.Sprintf("%s is %s. The room's own air is taken for %s, no fresher than the maximum allows, so the fan acts only from %s on%s.",
			Quantity(r.Quantity), w.Value(r.Quantity, r.Value), w.Value(r.Quantity, r.Predicted), w.Value(r.Quantity, r.Bound), w.onRun(r))
	case reason.InBand:
		// Which side of the switching point is the good one, the reason does not say: so neither do the words.
		return fmt.Sprintf("%s is %s; this plug acts at %s.", Quantity(r.Quantity), w.Value(r.Quantity, r.Value), w.Value(r.Quantity, r.Bound))
	case reason.Pulse:
		return "On" + w.run(r) + "."
	case reason.WaitEffect:
		return w.wait(r, now)
	case reason.TooCoarse:
		return fmt.Sprintf("%s is %s and the aim is %s: even the shortest run would end further from it than staying off.", Quantity(r.Quantity), w.Value(r.Quantity, r.Value), w.Value(r.Quantity, r.Bound))
	case reason.FanLoss:
		return fmt.Sprintf("The fan carries off about %s g of vapor; mist%s puts part of it back.", Number(r.Value, 1), w.length(r.For))
	case reason.AirOutTooWet:
		if r.Value > r.Bound {
			return fmt.Sprintf("The room's air is drier (vapor pressure %s against %s here), so the fan dries the chamber.", kilopascal(r.Bound), kilopascal(r.Value))
		}
		return fmt.Sprintf("The room's air is no drier (vapor pressure %s against %s here), so the fan can't dry the chamber.", kilopascal(r.Bound), kilopascal(r.Value))
	case reason.RoomNoHelp:
		return w.roomNoHelp(r)
	case reason.FreshAir:
		if r.Quantity == 0 {
			return fmt.Sprintf("Stirs the air %s of the time%s.", Percent(r.Value, 0), w.next(", next change at ", r.Until, now))
		}
		return fmt.Sprintf("Fresh air by the clock, %s air changes per hour%s%s.", trim(Number(r.Value, 1)), w.length(r.For), w.next("; next at ", r.Until, now))
	case reason.Photoperiod:
		return w.photoperiod(r, on, now)
	case reason.ReservoirDry:
		if on {
			return "The reservoir is dry; on for a moment, to see whether it was filled."
		}
		return "The reservoir is dry" + w.next("; next try at ", r.Until, now) + "."
	case reason.ChamberOpen:
		return "The chamber is open: this plug rests until it is closed."
	case reason.Planned:
		return w.planned(r, on)
	case reason.Purge:
		return "A longer fan run" + w.next(" until ", r.Until, now) + " to learn how much air it moves."
	}
	return ""
}

// limit says the reasons that come from guard, people, sensors and the broker.
func (w Words) limit(r reason.Reason, on bool, now time.Time) string {
	switch r.Code {
	case reason.MinOn:
		return "Kept on" + w.next(" until ", r.Until, now) + ": its shortest run."
	case reason.MinOff:
		return "Kept off" + w.next(" until ", r.Until, now) + ": its shortest rest."
	case reason.MaxOn:
		return fmt.Sprintf("It ran for %s, the longest it may; now it rests%s.", Duration(seconds(r.Value)), w.next(" until ", r.Until, now))
	case reason.Hand:
		return "Set by hand" + w.next(" until ", r.Until, now) + "."
	case reason.HandAtPlug:
		return "Somebody switched it at the plug; it is left that way" + w.next(" until ", r.Until, now) + "."
	case reason.Fallback:
		return fmt.Sprintf("No usable reading of %s: it runs by habit, %s of the time.", QuantityAmid(r.Quantity), Percent(r.Value, 0))
	case reason.Prove:
		if on {
			return fmt.Sprintf("A run without mist%s to test the %s sensor: a sound one dips.", w.next(" until ", r.Until, now), QuantityAmid(r.Quantity))
		}
		return fmt.Sprintf("Off%s, so that the fan's run can test the %s sensor.", w.next(" until ", r.Until, now), QuantityAmid(r.Quantity))
	case reason.NoSensor:
		return fmt.Sprintf("There is no reading of %s to act on.", QuantityAmid(r.Quantity))
	case reason.HeaterNoReading:
		return "There is no temperature reading, so it doesn't heat."
	case reason.Interlock:
		if on {
			return fmt.Sprintf("It runs together with plug %s.", r.Other)
		}
		return fmt.Sprintf("Kept off because of plug %s.", r.Other)
	case reason.Repeat:
		return fmt.Sprintf("Commanded again (repeat %s), because the plug has not confirmed it.", Number(r.Value+1, 0))
	case reason.Remind:
		return "Commanded again: it may have lost power meanwhile, and does not say so."
	case reason.LinkDown:
		return "The broker cannot be reached: nothing is sent, and there will be a new decision when it is back."
	case reason.Observe:
		return "Observing only: this is what gillkeeper would do; nothing is sent."
	}
	return ""
}

func (w Words) compare(r reason.Reason, side string) string {
	if r.Code == reason.AboveAim && r.Value <= r.Bound && r.Predicted > r.Bound { // a slow sensor has not shown it yet
		return fmt.Sprintf("%s reads %s and should be %s by now, %s %s%s.", Quantity(r.Quantity), w.Value(r.Quantity, r.Value),
			w.Value(r.Quantity, r.Predicted), side, w.Value(r.Quantity, r.Bound), w.onRun(r))
	}
	return fmt.Sprintf("%s %s is %s %s%s.", Quantity(r.Quantity), w.Value(r.Quantity, r.Value), side, w.Value(r.Quantity, r.Bound), w.onRun(r))
}

func (w Words) onRun(r reason.Reason) string {
	if r.For <= 0 {
		return ""
	}
	return "; on" + w.run(r)
}

// run says how long a pulse is, and what it should bring where the reason says so.
func (w Words) run(r reason.Reason) string {
	s := w.length(r.For)
	if r.Predicted > 0 && (r.Code == reason.BelowAim || r.Code == reason.Pulse) {
		s += ", which should bring it to " + w.Value(r.Quantity, r.Predicted)
	}
	return s
}

func (w Words) length(d time.Duration) string {
	if d <= 0 {
		return ""
	}
	return " for " + Duration(d)
}

func (w Words) wait(r reason.Reason, now time.Time) string {
	if r.Quantity != 0 && r.Value == 0 && !known(r.Until) {
		return fmt.Sprintf("Waiting for a first reading of %s.", QuantityAmid(r.Quantity))
	}
	return "Waiting" + w.next(" until ", r.Until, now) + " for the last run to show in the readings."
}

// roomNoHelp: humidity is compared as vapor pressure, in Pa.
func (w Words) roomNoHelp(r reason.Reason) string {
	if r.Quantity == chamber.RelativeHumidity {
		return fmt.Sprintf("The room's air would not dry the chamber: its vapor pressure is %s, the chamber's %s.", kilopascal(r.Value), kilopascal(r.Bound))
	}
	return fmt.Sprintf("The room's air would not help: %s is %s in the chamber, and the room's is taken for %s.", QuantityAmid(r.Quantity), w.Value(r.Quantity, r.Value), w.Value(r.Quantity, r.Bound))
}

func (w Words) photoperiod(r reason.Reason, on bool, now time.Time) string {
	change := "on again at "
	if on {
		change = "off at "
	}
	if r.Value <= 0 {
		return "This stage is kept dark."
	}
	return fmt.Sprintf("%s h of light a day%s.", trim(Number(r.Value, 1)), w.next("; "+change, r.Until, now))
}

// next writes a moment after some words, or nothing where there is none.
func (w Words) next(before string, t, now time.Time) string {
	if !known(t) {
		return ""
	}
	return before + w.Clock(t, now)
}

func kilopascal(pa float64) string { return Number(pa/1000, 2) + " kPa" }

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

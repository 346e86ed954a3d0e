package words

import (
	"fmt"
	"strings"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
)

// Condition says what is behind an alarm now, in numbers, or "" where there is nothing to add to what the alarm says of
// itself.
func (w Words) Condition(n alarm.Name, c *alarm.Condition) string {
	var parts []string
	also := c.Also
	if c.About != "" {
		about := c.About
		if also != "" && c.Code == "" { // nothing is said of the first that may not be so of the others
			about, also = c.Names(), ""
		}
		parts = append(parts, about)
	}
	if s, ok := codes[c.Code]; ok {
		parts = append(parts, s)
	}
	if s := w.numbers(n, c); s != "" {
		parts = append(parts, s)
	}
	if len(parts) == 0 {
		return ""
	}
	s := strings.Join(parts, ": ")
	if c.About == "" { // a name stays as it is written
		s = strings.ToUpper(s[:1]) + s[1:]
	}
	s += "."
	if also != "" {
		s += " Also: " + also + "."
	}
	return s
}

// Undelivered says that messages to people do not go through, or not to all; service is the place's name and scheme.
func (w Words) Undelivered(service string, since, now time.Time, waiting int, fault string) string {
	return fmt.Sprintf("Messages to people do not go through: %s since %s, %d wait: %s.", service, w.Clock(since, now), waiting, fault)
}

var codes = map[alarm.Code]string{
	alarm.EndOfRange:   "at the end of the sensor's range",
	alarm.StuckOn:      "commanded off but still on",
	alarm.StuckOff:     "commanded on but still off",
	alarm.Unheard:      "no answer",
	alarm.NothingHeard: "the broker is there",
	alarm.Unusable:     "not what the configuration says of it, or no value that can be",
	alarm.Outdated:     "longer ago than its max_age",
	alarm.Seldom:       "silent again and again",
	alarm.Constant:     "exactly the same value for too long",
	alarm.Saturated:    "stays at saturation",
	alarm.Outlier:      "does not match the others",
	alarm.Moved:        "no longer at its usual distance from the other",
	alarm.Pair:         "the two do not match",
	alarm.BelowRoom:    "reads below the room",
	alarm.Jumped:       "jumped further than air can",
	alarm.Drifted:      "reads higher than the water used allows",
	alarm.Rezeroed:     "re-zeroed itself: its lowest reading is 400 ppm in a room that is above that",
	alarm.NoPower:      "on, but draws no power",
	alarm.NoEffect:     "on, but the air does not change",
	alarm.Severe:       "little is left",
	alarm.EightHours:   "mean over eight hours",
	alarm.QuarterHour:  "mean over fifteen minutes",
	alarm.AtOnce:       "right now",
	alarm.LinkBreaks:   "the connection breaks off again and again",
	alarm.SetAside:     "the damaged file, with the record up to then",
	alarm.TakenAway:    "what people did was written into the new file, and every chamber is saved anew",
	alarm.ByPower:      "its power fell",
	alarm.ByResponse:   "the air did not respond to mist",
	alarm.ByWaterCount: "by the water used",
	alarm.ByDays:       "by the days that have passed",
	alarm.ByLiters:     "by the water that went through it",
}

// numbers writes value and bound for the alarms whose value is in the unit of a quantity or a share.
func (w Words) numbers(n alarm.Name, c *alarm.Condition) string {
	var q chamber.Quantity
	switch n {
	case alarm.HumidityLow, alarm.HumidityHigh:
		q = chamber.RelativeHumidity
	case alarm.TemperatureLow, alarm.TemperatureHigh:
		q = chamber.Temperature
	case alarm.CO2High, alarm.RoomCO2Unsafe:
		q = chamber.CO2
	case alarm.HumidifierWeak, alarm.FilterClogged:
		if c.Value > 0 {
			return Percent(c.Value, 0) + " of what it was"
		}
		return ""
	case alarm.PlugDisobeys:
		switch {
		case c.Code != alarm.Unheard:
			return ""
		case c.Value > 0:
			return "commanded off; it was on when it was last heard"
		}
		return "commanded on; it was off, if it was ever heard"
	case alarm.SensorSilent:
		if c.Code == alarm.Seldom && c.Value > 0 {
			return fmt.Sprintf("%s between two reports, and its max_age is %s", Duration(seconds(c.Value)), Duration(seconds(c.Bound)))
		}
		return ""
	case alarm.SensorDisagrees:
		if c.Code == alarm.Drifted && c.Value > 0 {
			return "by about " + Number(100*c.Value, 0) + " points"
		}
		return ""
	default:
		return ""
	}
	if c.Value == 0 && c.Bound == 0 {
		return ""
	}
	return fmt.Sprintf("%s, limit %s", w.Value(q, c.Value), w.Value(q, c.Bound))
}

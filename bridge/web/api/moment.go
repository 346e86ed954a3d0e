package api

import (
	"fmt"
	"strings"
	"time"
)

// ParseMoment reads a point in time as people write it: a time of day is the last one before now, a negative length of time is how long
// ago. Zone is that of a text that names none. Of a time that the clock shows twice, as when it is set back, the later is
// meant that has passed.
func ParseMoment(text string, now time.Time, zone *time.Location) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, text); err == nil && sane(t) {
		return t, nil
	}
	for _, form := range []string{"2006-01-02 15:04:05", "2006-01-02 15:04", "2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02"} {
		if t, err := time.ParseInLocation(form, text, zone); err == nil && sane(t) {
			return passed(t, now), nil
		}
	}
	for _, form := range []string{"15:04:05", "15:04"} {
		if t, err := time.Parse(form, text); err == nil {
			y, m, d := now.In(zone).Date()
			at := passed(time.Date(y, m, d, t.Hour(), t.Minute(), t.Second(), 0, zone), now)
			if at.After(now) {
				at = passed(time.Date(y, m, d-1, t.Hour(), t.Minute(), t.Second(), 0, zone), now)
			}
			return at, nil
		}
	}
	if d, err := time.ParseDuration(text); err == nil && d <= 0 {
		if t := now.Add(d); sane(t) {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is not a moment; write 14:30, \"2006-01-02 14:30\", RFC 3339, or how long ago, such as -2h",
		strings.Join(strings.Fields(text), " "))
}

// passed is the last moment up to now at which the clock shows what it shows at t; t itself where there is none. Which of two
// such moments package time gives depends on the zone.
func passed(t, now time.Time) time.Time {
	best := t
	begin, end := t.ZoneBounds()
	for _, change := range []time.Time{begin, end} {
		if change.IsZero() {
			continue
		}
		_, before := change.Add(-1).Zone()
		_, after := change.Zone()
		back := time.Duration(before-after) * time.Second
		for _, other := range []time.Time{t.Add(-back), t.Add(back)} {
			shows := other.Format(time.DateTime) == t.Format(time.DateTime)
			if shows && !other.After(now) && (best.After(now) || other.After(best)) {
				best = other
			}
		}
	}
	return best
}

// sane keeps years within what a store can order.
func sane(t time.Time) bool { return t.Year() > 1970 && t.Year() < 3000 }

package api

import (
	"fmt"
	"strings"
	"time"
)

// ParseMoment reads a point in time as people write it: a time of day is the last one before now, a negative length of time is how long
// ago. Zone is that of a text that names none.
func ParseMoment(text string, now time.Time, zone *time.Location) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, text); err == nil && sane(t) {
		return t, nil
	}
	for _, form := range []string{"2006-01-02 15:04:05", "2006-01-02 15:04", "2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02"} {
		if t, err := time.ParseInLocation(form, text, zone); err == nil && sane(t) {
			return t, nil
		}
	}
	for _, form := range []string{"15:04:05", "15:04"} {
		if t, err := time.Parse(form, text); err == nil {
			y, m, d := now.In(zone).Date()
			at := time.Date(y, m, d, t.Hour(), t.Minute(), t.Second(), 0, zone)
			if at.After(now) {
				at = time.Date(y, m, d-1, t.Hour(), t.Minute(), t.Second(), 0, zone)
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

// sane keeps years within what a store can order.
func sane(t time.Time) bool { return t.Year() > 1970 && t.Year() < 3000 }

package api

import (
	"fmt"
	"regexp"
	"strings"
	"time"
)

// ParseMoment reads a point in time as people write it: a time of day is the last one before now, a negative length of time is how long
// ago. Zone is that of a text that names none. Of a time that the clock shows twice, as when it is set back, the later is
// meant that has passed. A time that the clock leaves out, as when it is set forward, is taken by a clock that nobody has set.
func ParseMoment(text string, now time.Time, zone *time.Location) (time.Time, error) {
	if t, ok := ParseDate(text, now, zone); ok && sane(t) {
		return t, nil
	}
	for _, form := range []string{"15:04:05", "15:04"} {
		if t, err := time.Parse(form, text); err == nil {
			y, m, d := now.In(zone).Date()
			clock := func(day int) time.Time {
				return inZone(time.Date(y, m, day, t.Hour(), t.Minute(), t.Second(), 0, time.UTC), now, zone)
			}
			at := clock(d)
			if at.After(now) {
				at = clock(d - 1)
			}
			return at, nil
		}
	}
	if d, err := time.ParseDuration(text); err == nil && d <= 0 {
		if t := now.Add(d); sane(t) {
			return t, nil
		}
	}
	text = strings.Join(strings.Fields(text), " ")
	if t, ok := ParseDate(text, now, zone); longAgo.MatchString(text) || ok && t.Before(now) {
		return time.Time{}, fmt.Errorf("%q lies before anything that is recorded; give a later moment, such as -2h", text)
	}
	return time.Time{}, fmt.Errorf("%q is not a moment; write 14:30, \"2006-01-02 14:30\", RFC 3339, or how long ago, such as -2h", text)
}

// longAgo is a negative length of time as [time.ParseDuration] reads it, however long: that gives up at 292 years.
var longAgo = regexp.MustCompile(`^-(([0-9]+\.?[0-9]*|\.[0-9]+)(h|m|s|ms|us|µs|μs|ns))+$`)

// ParseDate reads a point in time that names its day, as [ParseMoment] does; false: it is none.
func ParseDate(text string, now time.Time, zone *time.Location) (time.Time, bool) {
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, true
	}
	for _, form := range []string{"2006-01-02 15:04:05", "2006-01-02 15:04", "2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02"} {
		if t, err := time.Parse(form, text); err == nil {
			return inZone(t, now, zone), true
		}
	}
	return time.Time{}, false
}

// inZone is the moment at which a clock of the zone shows what one of UTC shows at shown. What is left out when clocks are set forward
// is counted by the offset before, which a clock that was not set still shows; RFC 5545, 3.3.5, has the same rule. Package time takes
// the one or the other, depending on the zone.
func inZone(shown, now time.Time, zone *time.Location) time.Time {
	y, mo, d := shown.Date()
	t := time.Date(y, mo, d, shown.Hour(), shown.Minute(), shown.Second(), shown.Nanosecond(), zone)
	if t.Format(time.DateTime) == shown.Format(time.DateTime) {
		return passed(t, now)
	}
	begin, end := t.ZoneBounds()
	change := begin
	if begin.IsZero() || !end.IsZero() && end.Sub(t) < t.Sub(begin) {
		change = end
	}
	_, before := change.Add(-1).Zone()
	return shown.Add(-time.Duration(before) * time.Second).In(zone)
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

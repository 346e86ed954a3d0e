package crop

import (
	"math"
	"time"
)

// Light says whether the photoperiod wants light at a moment of the calendar's clock, and when that changes next.
//
// Light comes on at [Target.LightsOn] by the clock of the site and stays for [Target.LightHours] hours that really
// pass, so that a crop gets its hours on the days on which clocks are changed too. Where the clock jumps over the
// hour, light comes on with the jump; where the hour comes twice, with the first. zone nil means UTC. next is always
// after wall; with no light or light all day it only says when to ask again.
func Light(t Target, wall time.Time, zone *time.Location) (on bool, next time.Time) {
	if zone == nil {
		zone = time.UTC
	}
	if !(t.LightHours > 0) { // NaN too
		return false, wall.Add(fullDay)
	}
	if t.LightHours >= 24 {
		return true, wall.Add(fullDay)
	}
	span := max(time.Duration(math.Round(t.LightHours*float64(time.Hour))), 1)
	y, m, d := wall.In(zone).Date()
	// Three days back and ahead are enough for a day that the calendar left out.
	var until time.Time // end of the light that shines at wall
	for day := -3; day <= 3; day++ {
		start := lightsOn(y, m, d+day, t.LightsOn, zone)
		end := start.Add(span)
		switch {
		case on && start.After(until): // a dark hour lies between
			return true, until
		case !start.After(wall) && end.After(wall) || on:
			on = true
			if end.After(until) {
				until = end
			}
		case start.After(wall):
			return false, start
		}
	}
	if on {
		return true, until
	}
	return false, wall.Add(fullDay)
}

// lightsOn is when the clock of the site first shows the time of day on a date.
func lightsOn(y int, m time.Month, d int, clock time.Duration, zone *time.Location) time.Time {
	clock = ((clock % fullDay) + fullDay) % fullDay
	want := time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Add(clock) // the clock's face, as if it were UTC
	got := time.Date(want.Year(), want.Month(), want.Day(), want.Hour(), want.Minute(), want.Second(), want.Nanosecond(), zone)
	begin, end := got.ZoneBounds()
	shown := face(got)
	switch {
	case shown.Before(want) && !end.IsZero(): // jumped over, found before the jump
		return end.In(zone)
	case shown.After(want) && !begin.IsZero(): // jumped over, found after the jump
		return begin.In(zone)
	}
	if begin.IsZero() {
		return got
	}
	_, now := got.Zone()
	_, before := begin.Add(-1).In(zone).Zone()
	first := got.Add(time.Duration(now-before) * time.Second)
	if first.Before(begin) && first.Before(got) {
		return first
	}
	return got
}

const fullDay = 24 * time.Hour

// face is what the clock shows, as if it were UTC.
func face(t time.Time) time.Time {
	_, offset := t.Zone()
	return t.Add(time.Duration(offset) * time.Second).UTC()
}

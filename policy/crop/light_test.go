package crop_test

import (
	"math"
	"testing"
	"time"
	_ "time/tzdata" // the tests need zones wherever they run

	"pgregory.net/rapid"

	"gillkeeper/policy/crop"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func clock(s string) time.Time {
	t, err := time.Parse("2006-01-02T15:04Z", s)
	if err != nil {
		panic(err)
	}
	return t
}

// TestLightOnDaysWhenClocksChange holds the photoperiod against times worked out by hand from the zones' rules in the
// IANA time zone database for 2026. Madrid: 29 March 02:00 +1 becomes 03:00 +2, 25 October 03:00 +2 becomes 02:00 +1.
// New York: 8 March 02:00 -5 becomes 03:00 -4, 1 November 02:00 -4 becomes 01:00 -5. Lord Howe, half an hour only:
// 5 April 02:00 +11 becomes 01:30 +10:30, 4 October 02:00 +10:30 becomes 02:30 +11.
func TestLightOnDaysWhenClocksChange(t *testing.T) {
	const h = time.Hour
	for _, c := range []struct {
		name  string
		zone  string
		on    time.Duration
		hours float64
		wall  string
		want  bool
		next  string
	}{
		{"spring, the evening before", "Europe/Madrid", 8 * h, 12, "2026-03-28T19:00Z", false, "2026-03-29T06:00Z"},
		{"spring, a minute before", "Europe/Madrid", 8 * h, 12, "2026-03-29T05:59Z", false, "2026-03-29T06:00Z"},
		{"spring, on", "Europe/Madrid", 8 * h, 12, "2026-03-29T06:00Z", true, "2026-03-29T18:00Z"},
		{"spring, off", "Europe/Madrid", 8 * h, 12, "2026-03-29T18:00Z", false, "2026-03-30T06:00Z"},
		{"autumn, the evening before", "Europe/Madrid", 8 * h, 12, "2026-10-24T18:00Z", false, "2026-10-25T07:00Z"},
		{"autumn, on", "Europe/Madrid", 8 * h, 12, "2026-10-25T07:00Z", true, "2026-10-25T19:00Z"},
		{"spring, through the night", "Europe/Madrid", 18 * h, 18, "2026-03-28T17:00Z", true, "2026-03-29T11:00Z"},
		{"spring, the last minute of it", "Europe/Madrid", 18 * h, 18, "2026-03-29T10:59Z", true, "2026-03-29T11:00Z"},
		{"spring, after it", "Europe/Madrid", 18 * h, 18, "2026-03-29T11:00Z", false, "2026-03-29T16:00Z"},
		{"autumn, through the night", "Europe/Madrid", 18 * h, 18, "2026-10-24T23:30Z", true, "2026-10-25T10:00Z"},
		{"autumn, after it", "Europe/Madrid", 18 * h, 18, "2026-10-25T10:00Z", false, "2026-10-25T17:00Z"},
		{"the clock jumps over it", "Europe/Madrid", 2*h + h/2, 4, "2026-03-29T00:59Z", false, "2026-03-29T01:00Z"},
		{"on with the jump", "Europe/Madrid", 2*h + h/2, 4, "2026-03-29T01:00Z", true, "2026-03-29T05:00Z"},
		{"twice, the first counts", "Europe/Madrid", 2*h + h/2, 4, "2026-10-25T00:29Z", false, "2026-10-25T00:30Z"},
		{"twice, not again", "Europe/Madrid", 2*h + h/2, 0.5, "2026-10-25T01:30Z", false, "2026-10-26T01:30Z"},
		{"spring", "America/New_York", 8 * h, 12, "2026-03-08T01:00Z", false, "2026-03-08T12:00Z"},
		{"spring, on", "America/New_York", 8 * h, 12, "2026-03-08T12:00Z", true, "2026-03-09T00:00Z"},
		{"autumn", "America/New_York", 8 * h, 12, "2026-11-01T00:00Z", false, "2026-11-01T13:00Z"},
		{"the clock jumps over it", "America/New_York", 2*h + h/4, 1, "2026-03-08T06:00Z", false, "2026-03-08T07:00Z"},
		{"twice, the first counts", "America/New_York", h + h/2, 6, "2026-11-01T05:00Z", false, "2026-11-01T05:30Z"},
		{"autumn, half an hour", "Australia/Lord_Howe", 8 * h, 12, "2026-04-04T09:00Z", false, "2026-04-04T21:30Z"},
		{"spring, half an hour", "Australia/Lord_Howe", 8 * h, 12, "2026-10-03T09:30Z", false, "2026-10-03T21:00Z"},
		{"twice, the first counts", "Australia/Lord_Howe", h + 3*h/4, 6, "2026-04-04T14:44Z", false, "2026-04-04T14:45Z"},
		{"the clock jumps over it", "Australia/Lord_Howe", 2*h + h/4, 6, "2026-10-03T15:00Z", false, "2026-10-03T15:30Z"},
		{"no change", "UTC", 8 * h, 12, "2026-06-01T20:00Z", false, "2026-06-02T08:00Z"},
		{"across midnight", "UTC", 18 * h, 18, "2026-06-01T00:00Z", true, "2026-06-01T12:00Z"},
		{"never", "UTC", 8 * h, 0, "2026-06-01T09:00Z", false, "2026-06-02T09:00Z"},
		{"always", "UTC", 8 * h, 24, "2026-06-01T01:00Z", true, "2026-06-02T01:00Z"},
		{"not a number", "UTC", 8 * h, math.NaN(), "2026-06-01T09:00Z", false, "2026-06-02T09:00Z"},
	} {
		on, next := crop.Light(crop.Target{LightHours: c.hours, LightsOn: c.on}, clock(c.wall), zone(t, c.zone))
		if on != c.want || !next.Equal(clock(c.next)) {
			t.Errorf("%s, %s at %s: light %v until %s, want %v until %s", c.zone, c.name, c.wall, on,
				next.UTC().Format("2006-01-02T15:04Z"), c.want, c.next)
		}
	}
}

// TestLightHolds: whatever the zone and the hour, next is after wall, the light stays as it is until then, and changes
// then.
func TestLightHolds(t *testing.T) {
	zones := []*time.Location{nil, zone(t, "Europe/Madrid"), zone(t, "America/New_York"), zone(t, "Australia/Lord_Howe"),
		zone(t, "Pacific/Apia"), zone(t, "Asia/Kathmandu"), zone(t, "America/St_Johns"), time.FixedZone("odd", 12345)}
	rapid.Check(t, func(t *rapid.T) {
		x := crop.Target{
			LightHours: rapid.OneOf(rapid.Float64Range(0.1, 21), rapid.Float64Range(-1, 30)).Draw(t, "hours"),
			LightsOn:   time.Duration(rapid.Int64Range(0, int64(24*time.Hour)-1).Draw(t, "on")).Truncate(time.Minute),
		}
		z := rapid.SampledFrom(zones).Draw(t, "zone")
		wall := time.Unix(rapid.Int64Range(946684800, 2082758400).Draw(t, "wall"), 0) // 2000 to 2036
		on, next := crop.Light(x, wall, z)
		if !next.After(wall) || next.Sub(wall) > 75*time.Hour {
			t.Fatalf("next %v is %v after", next, next.Sub(wall))
		}
		between := wall.Add(time.Duration(rapid.Float64Range(0, 0.999).Draw(t, "share") * float64(next.Sub(wall))))
		if still, again := crop.Light(x, between, z); still != on || x.LightHours > 0 && x.LightHours < 24 && !again.Equal(next) {
			t.Fatalf("light %v until %v, but at %v it is %v until %v", on, next, between, still, again)
		}
		if x.LightHours > 0 && x.LightHours < 24 {
			if then, _ := crop.Light(x, next, z); then == on {
				t.Fatalf("light %v does not change at %v", on, next)
			}
		}
	})
}

// TestACropGetsItsHours adds up the light of a year in Madrid: 365 times 18 hours.
func TestACropGetsItsHours(t *testing.T) {
	x := crop.Target{LightHours: 18, LightsOn: 18 * time.Hour}
	z := zone(t, "Europe/Madrid")
	at := time.Date(2026, 1, 1, 15, 0, 0, 0, z)
	end := time.Date(2027, 1, 1, 15, 0, 0, 0, z)
	var sum time.Duration
	for at.Before(end) {
		on, next := crop.Light(x, at, z)
		if next.After(end) {
			next = end
		}
		if on {
			sum += next.Sub(at)
		}
		at = next
	}
	if sum != 365*18*time.Hour {
		t.Errorf("%v of light in a year, want %v", sum, 365*18*time.Hour)
	}
}

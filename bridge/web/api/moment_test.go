package api

import (
	"testing"
	"time"
)

// TestMomentsShownTwice: on 1 November 2026 New York's clocks went from 01:59:59 EDT (UTC-4) back to 01:00 EST (UTC-5), on 25
// October Madrid's from 02:59:59 CEST (UTC+2) back to 02:00 CET (UTC+1). On 29 March Madrid's showed no 02:30, on
// 8 March New York's: it is 02:30 by a clock that nobody has set, at UTC+1 and UTC-5. Lord Howe's went from 02:00 to 02:30 on 4
// October, from UTC+10:30 to UTC+11.
func TestMomentsShownTwice(t *testing.T) {
	for _, c := range []struct{ zone, now, text, want string }{
		{"America/New_York", "2026-11-01T05:40:00Z", "01:30", "2026-11-01T05:30:00Z"}, // the first 01:30 has passed, not the second
		{"America/New_York", "2026-11-01T06:20:00Z", "01:30", "2026-11-01T05:30:00Z"},
		{"America/New_York", "2026-11-01T06:40:00Z", "01:30", "2026-11-01T06:30:00Z"},
		{"America/New_York", "2026-11-30T12:00:00Z", "2026-11-01 01:30", "2026-11-01T06:30:00Z"},
		{"America/New_York", "2026-11-30T12:00:00Z", "2026-11-01 00:30", "2026-11-01T04:30:00Z"},
		{"America/New_York", "2026-11-30T12:00:00Z", "2026-11-01 02:30", "2026-11-01T07:30:00Z"},
		{"Europe/Madrid", "2026-10-25T00:40:00Z", "02:30", "2026-10-25T00:30:00Z"},
		{"Europe/Madrid", "2026-10-25T00:40:00Z", "2026-10-25 02:30", "2026-10-25T00:30:00Z"},
		{"Europe/Madrid", "2026-10-25T01:40:00Z", "02:30", "2026-10-25T01:30:00Z"},
		{"Europe/Madrid", "2026-11-30T12:00:00Z", "2026-10-25T02:30", "2026-10-25T01:30:00Z"},
		{"Europe/Madrid", "2026-11-30T12:00:00Z", "2026-03-29 02:30", "2026-03-29T01:30:00Z"},
		{"Europe/Madrid", "2026-03-29T12:00:00Z", "02:30", "2026-03-29T01:30:00Z"},
		{"America/New_York", "2026-11-30T12:00:00Z", "2026-03-08 02:30", "2026-03-08T07:30:00Z"},
		{"America/New_York", "2026-03-08T12:00:00Z", "02:30", "2026-03-08T07:30:00Z"},
		{"America/New_York", "2026-11-30T12:00:00Z", "2026-03-08 01:59", "2026-03-08T06:59:00Z"},
		{"America/New_York", "2026-11-30T12:00:00Z", "2026-03-08 03:00", "2026-03-08T07:00:00Z"},
		{"Australia/Lord_Howe", "2026-11-30T12:00:00Z", "2026-10-04 02:15", "2026-10-03T15:45:00Z"},
		{"UTC", "2026-11-30T12:00:00Z", "2026-10-25 02:30", "2026-10-25T02:30:00Z"},
	} {
		zone, err := time.LoadLocation(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		now, err := time.Parse(time.RFC3339, c.now)
		if err != nil {
			t.Fatal(err)
		}
		got, err := ParseMoment(c.text, now, zone)
		if err != nil || got.UTC().Format(time.RFC3339) != c.want {
			t.Errorf("%s in %s at %s: %v, %v; want %s", c.text, c.zone, c.now, got.UTC(), err, c.want)
		}
	}
}

// TestMomentsBeforeTheRecord: what is a moment, and too long ago for any record, is not called none. 999999 hours are 114 years, and a
// time.Duration holds 292.
func TestMomentsBeforeTheRecord(t *testing.T) {
	now := time.Date(2026, 11, 30, 12, 0, 0, 0, time.UTC)
	for text, want := range map[string]string{
		"-999999h":             `"-999999h" lies before anything that is recorded; give a later moment, such as -2h`,
		"-99999999h30m":        `"-99999999h30m" lies before anything that is recorded; give a later moment, such as -2h`,
		"1912-11-05 08:00":     `"1912-11-05 08:00" lies before anything that is recorded; give a later moment, such as -2h`,
		"1066-10-14T09:00:00Z": `"1066-10-14T09:00:00Z" lies before anything that is recorded; give a later moment, such as -2h`,
		"yesterday":            `"yesterday" is not a moment; write 14:30, "2006-01-02 14:30", RFC 3339, or how long ago, such as -2h`,
		"-h":                   `"-h" is not a moment; write 14:30, "2006-01-02 14:30", RFC 3339, or how long ago, such as -2h`,
		"9999-01-01":           `"9999-01-01" is not a moment; write 14:30, "2006-01-02 14:30", RFC 3339, or how long ago, such as -2h`,
	} {
		if at, err := ParseMoment(text, now, time.UTC); err == nil || err.Error() != want {
			t.Errorf("%s: %v, %v; want %s", text, at, err, want)
		}
	}
}

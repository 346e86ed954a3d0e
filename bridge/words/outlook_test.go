package words

import (
	"strings"
	"testing"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/outlook"
	"gillkeeper/policy/species"
)

// TestEveryPointOfAnOutlookHasWords: each kind has a sentence of its own.
func TestEveryPointOfAnOutlookHasWords(t *testing.T) {
	var w Words
	now := time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)
	seen := map[string]string{}
	check := func(kind, text string) {
		t.Helper()
		if !strings.HasSuffix(text, ".") || strings.Contains(text, "%!") || text[:1] != strings.ToUpper(text[:1]) {
			t.Errorf("%s: %q", kind, text)
		}
		if other, ok := seen[text]; ok {
			t.Errorf("%s and %s both say %q", kind, other, text)
		}
		seen[text] = kind
	}
	for _, k := range []outlook.DeedKind{outlook.FillReservoir, outlook.Pick, outlook.PickRest, outlook.MendAlarm, outlook.BeTold, outlook.AskRefill, outlook.AskPick, outlook.MeasureWater} {
		check(string(k), w.Deed(&outlook.Deed{Kind: k, Batch: "b1", Alarm: alarm.FanFailed, By: now.Add(30 * time.Hour)}, now))
	}
	check("a sensor of two", w.Deed(&outlook.Deed{Kind: outlook.MendAlarm, Alarm: alarm.SensorDisagrees, Code: alarm.Pair}, now))
	check("the only sensor", w.Deed(&outlook.Deed{Kind: outlook.MendAlarm, Alarm: alarm.SensorDisagrees, Code: alarm.Drifted}, now))
	for _, k := range []outlook.ReasonKind{outlook.RunsDry, outlook.Overripe, outlook.OutOfRange, outlook.Unlearned} {
		check(string(k), w.Because(&outlook.Reason{Kind: k, Batch: "b1", Quantity: chamber.CO2, Chance: 0.2, At: now.Add(30 * time.Hour)}, now))
	}
	for _, k := range []outlook.GapKind{outlook.NotMeasured, outlook.OneSensor, outlook.RoomUnknown, outlook.NoReport, outlook.NoMeter, outlook.NoTimer, outlook.RateByLabel, outlook.HeatUnlearned} {
		check(string(k), w.Gap(&outlook.Gap{Kind: k, Quantity: chamber.CO2, Plug: "mister"}))
	}
	o := outlook.Outlook{Chamber: "loft", From: now, For: 96 * time.Hour, SafeFor: 96 * time.Hour, Deeds: []outlook.Deed{{Kind: outlook.Pick, Must: true, Batch: "b1"}}}
	for _, v := range []outlook.Verdict{outlook.Leave, outlook.LeaveAfter, outlook.Stay} {
		o.Verdict = v
		check(string(v), w.Answer(&o))
	}
}

// TestUseADay: 2.1 L at 0.243 L a day last 8 d 15 h, and who divides what is printed comes out near that.
func TestUseADay(t *testing.T) {
	now := time.Date(2026, 11, 30, 12, 0, 0, 0, time.UTC)
	o := outlook.Outlook{From: now, Water: &outlook.Water{Known: true, Liters: 2.1, PerDay: 0.243,
		Now: outlook.Dry{OK: true, Earliest: 141 * time.Hour, Likely: 207 * time.Hour}}}
	want := "2.1 L are in the reservoir, at 0.24 L a day: dry in about 8 d 15 h, "
	if got := (Words{}).DryTimes(&o); !strings.HasPrefix(got, want) {
		t.Errorf("got %q, want it to begin with %q", got, want)
	}
}

// TestTwoForecastsSayWhyTheyDiffer: status goes by what was used of late alone, an outlook by more: where they lie apart, the outlook says so.
func TestTwoForecastsSayWhyTheyDiffer(t *testing.T) {
	const h = time.Hour
	for _, c := range []struct {
		present, likely time.Duration
		hours           float64
		want            string
	}{
		{52 * h, 29 * h, 4, "By the use of the last 4 h alone it runs dry in about 2 d 4 h, as status and the page have it; until a day is seen, what such chambers use counts here, too."},
		{52 * h, 29 * h, 24, "By the use of the last day alone it runs dry in about 2 d 4 h, as status and the page have it; here the weather of the days to come counts, too."},
		{500 * h, 90 * h, 4, "By the use of the last 4 h alone it runs dry in more than 20 days, as status and the page have it; until a day is seen, what such chambers use counts here, too."},
		{30 * h, 29 * h, 4, ""},        // near enough
		{500 * h, 24 * 365 * h, 4, ""}, // neither has an end
		{0, 29 * h, 0, ""},             // nothing is told elsewhere
	} {
		x := outlook.Water{AtPresent: c.present, UsedHours: c.hours, Now: outlook.Dry{OK: true, Likely: c.likely}}
		if got := AtPresent(&x); got != c.want {
			t.Errorf("%s and %s by %.0f h: %q, want %q", c.present, c.likely, c.hours, got, c.want)
		}
	}
}

func TestDryByNow(t *testing.T) {
	o := outlook.Outlook{From: time.Date(2026, 12, 2, 22, 40, 0, 0, time.UTC), Water: &outlook.Water{Known: true, PerDay: 0.9,
		Now: outlook.Dry{OK: true, Likely: 7 * time.Minute, Chance: 0.98}}}
	want := "0.0 L are in the reservoir, at 0.9 L a day: dry in about 7 min, one time in ten by now; chance that it runs dry before you are back 98 %."
	if got, _, _ := strings.Cut((Words{}).DryTimes(&o), "\n"); got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// TestHowLongAtMost: how long water and crop allow is no answer where the air is out of range in that time, too.
func TestHowLongAtMost(t *testing.T) {
	o := outlook.Outlook{Chamber: "loft", For: 96 * time.Hour, SafeFor: 47 * time.Hour, Verdict: outlook.Stay, Because: []outlook.Reason{{Kind: outlook.RunsDry}}}
	if got, want := (Words{}).Answer(&o), "Do not leave loft alone for 4 d. It can be left for 47 h at most."; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	o.Because = append(o.Because, outlook.Reason{Kind: outlook.OutOfRange, Quantity: chamber.Temperature})
	if got, want := (Words{}).Answer(&o), "Do not leave loft alone for 4 d."; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestPickedWords(t *testing.T) {
	now := time.Date(2026, 11, 1, 12, 0, 0, 0, time.UTC)
	d := outlook.Due{Harvest: true, Already: true}
	d.Batch, d.From, d.Until, d.Picked = "b1", now.Add(-72*time.Hour), now.Add(48*time.Hour), now.Add(-4*time.Hour)
	over := outlook.Due{Already: true}
	over.Batch, over.Stage, over.From, over.Until = "b2", species.Pinning, now.Add(-48*time.Hour), now.Add(-24*time.Hour)
	if got, want := (Words{}).DueWords(&over, now), "b2: pinning was due to end from 30 Oct 12:00 on, usually by 31 Oct 12:00."; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if got, want := (Words{}).DueWords(&d, now), "b1: harvest since 29 Oct 12:00, last picked 08:00, usually not after 3 Nov 12:00."; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

package words

import (
	"strings"
	"testing"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/outlook"
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
	for _, k := range []outlook.DeedKind{outlook.FillReservoir, outlook.Pick, outlook.MendAlarm, outlook.BeTold, outlook.AskRefill, outlook.AskPick, outlook.MeasureWater} {
		check(string(k), w.Deed(&outlook.Deed{Kind: k, Batch: "b1", Alarm: alarm.FanFailed, By: now.Add(30 * time.Hour)}, now))
	}
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

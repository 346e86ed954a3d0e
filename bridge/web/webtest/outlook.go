package webtest

import (
	"context"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/outlook"
)

// Outlook gives an answer made up here, which holds something of everything: loft can be left once its reservoir is
// filled, no other chamber can. It tells of four runs.
func (t *Twin) Outlook(ctx context.Context, name string, length time.Duration, thorough bool, progress func(done, of int)) (outlook.Outlook, error) {
	if progress != nil {
		for i := range 4 {
			progress(i+1, 4)
		}
	}
	now := t.Now()
	o := outlook.Outlook{
		Chamber: name, From: now, For: length, Runs: 32, Learned: true, Thorough: thorough, Verdict: outlook.LeaveAfter, SafeFor: length,
		Deeds: []outlook.Deed{{Kind: outlook.FillReservoir, Must: true}, {Kind: outlook.BeTold}},
		Water: &outlook.Water{Known: true, Liters: 2.1, PerDay: 0.9, Capacity: 5, RateKnown: true,
			Now:  outlook.Dry{OK: true, Earliest: 40 * time.Hour, Likely: 56 * time.Hour, Latest: 71 * time.Hour, Chance: 0.97},
			Full: outlook.Dry{OK: true, Earliest: 100 * time.Hour, Likely: 133 * time.Hour, Latest: 160 * time.Hour, Chance: 0.04}},
		Ranges: []outlook.Range{{Quantity: chamber.RelativeHumidity, Share: 0.93, Low: 0.88, Chance: 0.82}, {Quantity: chamber.CO2, Share: 0.99, Low: 0.97, Chance: 0.95}},
		Due:    []outlook.Due{},
		Gaps:   []outlook.Gap{{Kind: outlook.OneSensor, Quantity: chamber.RelativeHumidity}, {Kind: outlook.NoTimer, Plug: "mister"}},
		Stands: []outlook.Standing{},
	}
	if name != "loft" {
		o.Verdict, o.SafeFor = outlook.Stay, 30*time.Hour
		o.Because = []outlook.Reason{{Kind: outlook.RunsDry, At: now.Add(30 * time.Hour)}, {Kind: outlook.OutOfRange, Quantity: chamber.CO2, Chance: 0.2}}
		o.Deeds = append(o.Deeds, outlook.Deed{Kind: outlook.MendAlarm, Must: true, Alarm: alarm.CO2High}, outlook.Deed{Kind: outlook.AskRefill, Must: true, By: now.Add(30 * time.Hour)})
		o.Stands = append(o.Stands, outlook.Standing{Alarm: alarm.CO2High, Priority: alarm.Medium})
	}
	return o, nil
}

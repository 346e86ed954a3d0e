package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/species"
)

// TestTheNextBatchIsDueToo: who acknowledged that one batch is ripe did not hear of the next. Oyster fruit takes 4 to 7 days.
func TestTheNextBatchIsDueToo(t *testing.T) {
	b := newBook(t)
	told := 0
	wait := func(d time.Duration) {
		for end := b.now.Add(d); b.now.Before(end); {
			b.now = b.now.Add(time.Minute)
			var decision policy.Decision
			b.state, decision = b.p.Step(b.state, policy.Input{Now: b.now, Wall: b.now, Link: true})
			for _, e := range decision.Events {
				if e.Alarm == alarm.HarvestDue && e.Notify {
					told++
				}
			}
		}
	}
	expect := func(phase alarm.Phase, about, also string, times int) {
		t.Helper()
		l := b.state.Alarms.Of(alarm.HarvestDue)
		if l.Phase != phase || l.Condition.About != about || l.Condition.Also != also || told != times {
			t.Errorf("%s of %q, also %q, told %d times; want %s of %q, also %q, told %d times",
				l.Phase, l.Condition.About, l.Condition.Also, told, phase, about, also, times)
		}
		told = 0
	}
	add := func(name string) policy.Action {
		return policy.Action{Kind: policy.BatchAdd, Batch: name, Species: "pleurotus-ostreatus", SubstrateKg: 8, DryKg: 3, Stage: species.Fruiting}
	}
	b.must(add("first"))
	wait(24 * time.Hour)
	b.must(add("second"))
	wait(3 * 24 * time.Hour) // the first is four days old
	expect(alarm.Unacknowledged, "first", "", 1)
	b.must(policy.Action{Kind: policy.AlarmAck, Alarm: string(alarm.HarvestDue)})
	expect(alarm.Acknowledged, "first", "", 0)
	wait(25 * time.Hour)
	expect(alarm.Unacknowledged, "first", "second", 1)
	b.must(policy.Action{Kind: policy.AlarmAck, Alarm: string(alarm.HarvestDue)})
	b.must(policy.Action{Kind: policy.HarvestDone, Batch: "first", FreshG: 400})
	wait(24 * time.Hour)
	expect(alarm.Acknowledged, "second", "", 0)
}

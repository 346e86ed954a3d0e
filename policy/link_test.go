package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
)

// afterOutage is a plug that was heard, and whose broker then went away.
func afterOutage(t *testing.T) *bench {
	b := newBench(t)
	b.p.Spec.Sensors = nil
	b.p.Spec.Plugs = []chamber.Plug{{Name: "mist", Role: chamber.Humidifier, Reports: true, Meters: true}}
	b.s = b.p.Fresh(morning)
	b.hear(true)
	b.hear(false)
	if p := b.s.Plugs[0]; p.Synced || p.Metered {
		t.Fatal("what was heard before the outage counts as heard now")
	}
	return b
}

// hear steps with a plug that says that it is off and draws half a watt.
func (b *bench) hear(link bool) {
	in := policy.Input{Now: b.s.Now.Add(time.Second), Wall: b.s.Now.Add(time.Second), Link: link}
	if link {
		in.Reports = []chamber.PlugReport{{HasOn: true, HasWatts: true, Watts: 0.5, Retained: true}}
	}
	b.s, _ = b.p.Step(b.s, in)
}

// TestAWordThatComesBeforeTheLastSubscriptionCounts: the connection is there when all subscriptions are answered. What plugs retain on
// the first topics comes before that, and is all that some of them say for hours.
func TestAWordThatComesBeforeTheLastSubscriptionCounts(t *testing.T) {
	b := afterOutage(t)
	now := b.s.Now.Add(time.Second)
	b.s, _ = b.p.Step(b.s, policy.Input{Now: now, Wall: now, Reports: []chamber.PlugReport{{HasOn: true, HasWatts: true, Watts: 0.5, Retained: true}}})
	now = now.Add(100 * time.Millisecond)
	b.s, _ = b.p.Step(b.s, policy.Input{Now: now, Wall: now, Link: true, LinkUp: true})
	if p := b.s.Plugs[0]; !p.Synced || !p.Metered {
		t.Errorf("state heard: %v, power heard: %v", p.Synced, p.Metered)
	}
}

// TestABriefOutageIsOne: it is over before anybody looked.
func TestABriefOutageIsOne(t *testing.T) {
	b := afterOutage(t)
	b.hear(true)
	now := b.s.Now.Add(time.Second)
	b.s, _ = b.p.Step(b.s, policy.Input{Now: now, Wall: now, Link: true, LinkUp: true})
	if p := b.s.Plugs[0]; p.Synced || p.Metered {
		t.Error("what was heard on the connection before counts as heard on this one")
	}
}

// TestWhatNobodyListensToIsForgotten: a topic of state or power is taken out of the configuration.
func TestWhatNobodyListensToIsForgotten(t *testing.T) {
	b := afterOutage(t)
	b.hear(true)
	b.p.Spec.Plugs = []chamber.Plug{{Name: "mist", Role: chamber.Humidifier}}
	fitted := b.p.Fit(b.s).Plugs[0]
	if fitted.HasReported || fitted.HasWatts || !fitted.WattsAt.IsZero() {
		t.Errorf("without topics of state and power it still has %+v", fitted)
	}
	if !fitted.Known {
		t.Error("what it does is forgotten as well")
	}
}

// TestACommandToldAgainIsRecalledAsThat: the program died after it had told a plug again to run. The plug has rested or run for its
// shortest time from then at the earliest, and may run since it was told first.
func TestACommandToldAgainIsRecalledAsThat(t *testing.T) {
	b := newBench(t)
	b.p.Spec.Sensors = nil
	b.p.Spec.Plugs = []chamber.Plug{{Name: "mist", Role: chamber.Humidifier}}
	first, again := morning.Add(time.Minute), morning.Add(3*time.Minute)
	s := b.p.Recall(b.p.Recall(b.p.Fresh(morning), "mist", true, first), "mist", true, again)
	if p := s.Plugs[0]; !p.Told || !p.TurnedAt.Equal(first) || !p.ChangedAt.Equal(first) || !p.RetoldAt.Equal(again) || !p.ToldAt.Equal(again) {
		t.Errorf("recalled as %+v", p)
	}
	s = b.p.Recall(s, "mist", false, again.Add(time.Minute))
	if p := s.Plugs[0]; p.Told || p.On || !p.TurnedAt.Equal(again.Add(time.Minute)) {
		t.Errorf("and off as %+v", p)
	}
}

// TestASleepIsNoSilence: a machine that was asleep for longer than a sensor may be quiet looks at its chambers before what was said
// meanwhile has come in. A sensor that stays quiet from then on is found as ever.
func TestASleepIsNoSilence(t *testing.T) {
	b := newBench(t)
	both := map[int]float64{0: 0.9, 1: 0.9}
	for range 60 {
		b.step(5*time.Second, both)
	}
	b.step(8*time.Minute, nil)
	for range 29 {
		for i := range b.s.Sensors {
			if b.s.Sensors[i].Silent {
				t.Fatalf("%v after waking sensor %d counts as silent", b.s.Now.Sub(b.s.Woke), i)
			}
		}
		b.step(10*time.Second, map[int]float64{0: 0.9})
	}
	for range 3 {
		b.step(10*time.Second, map[int]float64{0: 0.9})
	}
	if b.s.Sensors[0].Silent || !b.s.Sensors[1].Silent {
		t.Errorf("five minutes after waking, silent: %v and %v", b.s.Sensors[0].Silent, b.s.Sensors[1].Silent)
	}
}

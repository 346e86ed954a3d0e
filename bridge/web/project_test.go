package web

import (
	"math"
	"testing"
	"time"

	"gillkeeper/bridge/web/webtest"
	"gillkeeper/bridge/words"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
)

// pictured gives a snapshot of a chamber to which change was done.
func pictured(t *testing.T, change func(*policy.Snapshot)) *view {
	t.Helper()
	snap, ok := webtest.New().Snapshot("loft")
	if !ok {
		t.Fatal("no loft")
	}
	own := *snap
	change(&own)
	return newView(&own, words.Words{})
}

func TestAlarmsTheWorstFirst(t *testing.T) {
	v := pictured(t, func(s *policy.Snapshot) {
		set := func(n alarm.Name, p alarm.Phase, c alarm.Condition) {
			*s.State.Alarms.Of(n) = alarm.Life{Phase: p, Since: s.State.Now, Condition: c}
		}
		set(alarm.HumidityHigh, alarm.Unacknowledged, alarm.Condition{Active: true})
		set(alarm.FallbackActive, alarm.Acknowledged, alarm.Condition{Active: true, Cause: alarm.SensorSilent})
		set(alarm.SensorSilent, alarm.Unacknowledged, alarm.Condition{Active: true, About: "air-upper"})
		set(alarm.FilterClogged, alarm.Unacknowledged, alarm.Condition{Active: true, Worse: true, Value: 0.3, Code: alarm.Severe})
		set(alarm.RoomCO2Unsafe, alarm.Shelved, alarm.Condition{})
		s.State.Alarms.Of(alarm.RoomCO2Unsafe).ShelvedLeft = time.Hour
	})
	got := v.alarms()
	var order []string
	for _, a := range got {
		order = append(order, a.Alarm+" "+a.Priority)
	}
	// Priorities follow from severity and time to respond; the clogged filter is one step worse than the low it is
	// declared with. What follows from another comes after it, and the shelved one, though urgent, last.
	want := []string{
		"filter_clogged " + (alarm.Of(alarm.FilterClogged).Priority + 1).String(),
		"sensor_silent medium", "fallback_active medium", "humidity_high low", "room_co2_unsafe urgent",
	}
	rank := map[string]bool{}
	for _, w := range want {
		rank[w] = true
	}
	for i := range order {
		if !rank[order[i]] {
			t.Errorf("%q is not expected", order[i])
		}
		if i > 0 && got[i-1].Active == got[i].Active && priority(got[i-1].Priority) < priority(got[i].Priority) {
			t.Errorf("%s stands before %s", order[i-1], order[i])
		}
	}
	if len(got) != 5 || got[4].Alarm != "room_co2_unsafe" || got[4].Active || !got[4].ShelvedUntil.Equal(v.snap.Wall.Add(time.Hour)) {
		t.Errorf("the shelved one is not last: %q", order)
	}
	if worst(got) != got[0].Priority || worst(got[4:]) != "none" {
		t.Errorf("the worst is %s, of the shelved alone %s", worst(got), worst(got[4:]))
	}
	for _, a := range got {
		if a.Alarm == "filter_clogged" && a.Detail != "Little is left: 30 % of what it was." {
			t.Errorf("detail is %q", a.Detail)
		}
		if a.Alarm == "fallback_active" && a.FollowsFrom != "sensor_silent" {
			t.Errorf("it follows from %q", a.FollowsFrom)
		}
	}
}

// TestNoNumberBreaksAnAnswer: JSON can say neither NaN nor infinity.
func TestNoNumberBreaksAnAnswer(t *testing.T) {
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		v := pictured(t, func(s *policy.Snapshot) {
			s.State.Air.Inside.CO2 = chamber.Estimate{Value: bad, OK: true, At: s.State.Now}
			s.State.Target.RelativeHumidity.High = bad
			s.State.Reservoir.Liters = bad
		})
		c := v.chamber()
		if c.Air.Chamber.CO2PPM != nil {
			t.Errorf("%v is shown as a reading", bad)
		}
		if c.Target.RelativeHumidity.High != 0 || c.Reservoir.Liters != 0 {
			t.Errorf("%v is sent", bad)
		}
	}
}

// TestStageDay counts days of the site's calendar: an evening's batch is on its second day the next morning, and a day of
// 23 hours is a day.
func TestStageDay(t *testing.T) {
	paris, err := time.LoadLocation("Europe/Paris")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		since, now string
		want       int
	}{
		{"2026-03-28T23:30:00+01:00", "2026-03-28T23:59:00+01:00", 1},
		{"2026-03-28T23:30:00+01:00", "2026-03-29T00:10:00+01:00", 2},
		{"2026-03-28T12:00:00+01:00", "2026-03-30T00:10:00+02:00", 3}, // clocks went ahead on the 29th
		{"2026-03-30T12:00:00+02:00", "2026-03-29T12:00:00+02:00", 1}, // a clock set back
	} {
		v := pictured(t, func(s *policy.Snapshot) {
			now, err := time.Parse(time.RFC3339, c.now)
			if err != nil {
				t.Fatal(err)
			}
			s.Wall, s.State.Now = now, now
		})
		v.words.Zone = paris
		b := v.snap.State.Crop.Batches[0]
		if b.Since, err = time.Parse(time.RFC3339, c.since); err != nil {
			t.Fatal(err)
		}
		if got := v.stageDay(&b); got != c.want {
			t.Errorf("since %s, on %s: day %d, want %d", c.since, c.now, got, c.want)
		}
	}
}

package web

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/reason"
)

// TestPlanIsTold: what a plan expected when it switched a plug is told with its numbers and in words.
func TestPlanIsTold(t *testing.T) {
	at := time.Date(2026, 4, 21, 8, 5, 0, 0, time.UTC)
	plan := &reason.Plan{Ahead: 10 * time.Minute, Runs: true, For: 40 * time.Second, Now: reason.Air{RH: 0.93, CO2: 870, AirC: 18},
		With:    reason.Course{Low: reason.Air{RH: 0.88, CO2: 640, AirC: 17.5}, High: reason.Air{RH: 0.93, CO2: 950, AirC: 18}, End: reason.Air{RH: 0.91, CO2: 950, AirC: 17.9}},
		Without: reason.Course{Low: reason.Air{RH: 0.93, CO2: 870, AirC: 18}, High: reason.Air{RH: 0.94, CO2: 1140, AirC: 18}, End: reason.Air{RH: 0.94, CO2: 1140, AirC: 18}},
		Decided: reason.TooStale}
	v := newView(&policy.Snapshot{Spec: &chamber.Spec{Name: "loft"}, Wall: at}, words.Words{})
	x := v.event(&policy.Event{At: at, Kind: policy.PlugSwitched, Plug: "fan", On: true,
		Reasons: []reason.Reason{{Code: reason.Planned, Quantity: chamber.CO2, Value: 3, Bound: 40, Plan: plan}}})
	got := x.Reasons[0].Plan
	if got == nil || got.Without.End.CO2PPM != 1140 || got.With.Low.RelativeHumidity != 0.88 || got.With.End.TemperatureC != 17.9 ||
		got.Decided != "too_stale" || time.Duration(got.For) != 40*time.Second || got.Text != "CO2 near or above its maximum" {
		t.Errorf("%+v", got)
	}
	if !strings.Contains(x.Reasons[0].Text, "Left off, CO2 would rise from 870 ppm to 1140 ppm over the next 10 min") {
		t.Errorf("%s", x.Reasons[0].Text)
	}
}

// TestMomentsStay: what happened at 23:50 is told as that at every look, though the clocks that it is told by are never read at
// quite the same moment.
func TestMomentsStay(t *testing.T) {
	wall := time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC)
	steady := wall.Add(-90 * time.Minute)
	added := steady.Add(-time.Hour)
	for _, slip := range []time.Duration{0, 321 * time.Nanosecond, -18 * time.Microsecond, 324 * time.Microsecond} {
		s := &policy.Snapshot{Spec: &chamber.Spec{Name: "loft"}, Wall: wall.Add(slip)}
		s.State.Now = steady
		if got, want := newView(s, words.Words{}).day(added), wall.Add(-time.Hour); !got.Equal(want) {
			t.Errorf("with the clocks %v apart: %v, want %v", slip, got, want)
		}
	}
}

// TestEmptyByNow: water that should be gone by now is neither told as "cannot be told" nor shown as fine.
func TestEmptyByNow(t *testing.T) {
	spec := &chamber.Spec{Name: "loft", Plugs: []chamber.Plug{{Name: "mister", Role: chamber.Humidifier, ReservoirLiters: 2}}}
	for _, c := range []struct {
		ok    bool
		empty time.Duration
		json  string
		class string
	}{
		{true, 0, `"empty_in":"0s"`, "look"}, {true, 12 * time.Hour, `"empty_in":"12h0m0s"`, "look"}, {true, 30 * time.Hour, `"empty_in":"30h0m0s"`, "fine"}, {false, 0, "", "fine"},
	} {
		snap := &policy.Snapshot{Spec: spec}
		snap.State.Reservoir.Known, snap.State.Reservoir.Liters, snap.State.Reservoir.EmptyOK, snap.State.Reservoir.EmptyIn = true, 0.1, c.ok, c.empty
		r := newView(snap, words.Words{}).reservoir()
		b, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		if has := strings.Contains(string(b), "empty_in"); has != c.ok || !strings.Contains(string(b), c.json) {
			t.Errorf("%v %s is told as %s", c.ok, c.empty, b)
		}
		if x := makeWater(r); x.Class != c.class {
			t.Errorf("%v %s is shown as %s, want %s", c.ok, c.empty, x.Class, c.class)
		}
	}
}

// TestADamagedJournalIsShownAsThat: its alarm is also that of a full disk, of which all it says is something else.
func TestADamagedJournalIsShownAsThat(t *testing.T) {
	snap := &policy.Snapshot{Spec: &chamber.Spec{Name: "loft"}}
	l := snap.State.Alarms.Of(alarm.JournalFailing)
	l.Phase, l.Condition = alarm.Unacknowledged, alarm.Condition{Active: true, Code: alarm.SetAside, About: "/var/j.db.damaged-1"}
	all := newView(snap, words.Words{}).alarms()
	if len(all) != 1 || !strings.HasPrefix(all[0].Says, "The journal was damaged.") || strings.Contains(all[0].Cause+all[0].Do, "full") ||
		strings.Contains(all[0].Do, "Free up space") || all[0].Detail != "/var/j.db.damaged-1: the damaged file, with the record up to then." || all[0].Priority != "medium" {
		t.Errorf("%+v", all)
	}
}

// TestNotInOrderBeforeItIsMeasured: in the first seconds after a start no alarm stands yet, and nobody knows whether all is well. A reading
// of a minute before the start still counts; one that is older than the sensor may be silent, or a retained copy, does not.
func TestNotInOrderBeforeItIsMeasured(t *testing.T) {
	now := time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC)
	sensor := chamber.Sensor{Name: "rh", Quantity: chamber.RelativeHumidity, Place: chamber.Inside, MaxAge: 5 * time.Minute}
	room := chamber.Sensor{Name: "room", Quantity: chamber.RelativeHumidity, Place: chamber.Room, MaxAge: 5 * time.Minute}
	fresh := policy.SensorState{Live: true, Known: true, At: now.Add(-time.Minute)}
	old, copied, unheard := fresh, fresh, policy.SensorState{}
	old.At, copied.Live = now.Add(-time.Hour), false
	for name, c := range map[string]struct {
		sensors []chamber.Sensor
		states  []policy.SensorState
		batch   bool
		card    standing
		site    standing
	}{
		"never heard":         {[]chamber.Sensor{sensor}, []policy.SensorState{unheard}, true, standing{"wait", "No reading yet"}, standing{"look", "1 chamber waits for readings"}},
		"of before the start": {[]chamber.Sensor{sensor}, []policy.SensorState{old}, true, standing{"wait", "No reading yet"}, standing{"look", "1 chamber waits for readings"}},
		"retained":            {[]chamber.Sensor{sensor}, []policy.SensorState{copied}, true, standing{"wait", "No reading yet"}, standing{"look", "1 chamber waits for readings"}},
		"only the room":       {[]chamber.Sensor{sensor, room}, []policy.SensorState{unheard, fresh}, true, standing{"wait", "No reading yet"}, standing{"look", "1 chamber waits for readings"}},
		"empty":               {[]chamber.Sensor{sensor}, []policy.SensorState{unheard}, false, standing{"wait", "Empty"}, standing{"look", "1 chamber waits for readings"}},
		"heard":               {[]chamber.Sensor{sensor, sensor}, []policy.SensorState{unheard, fresh}, true, standing{"fine", "In order"}, standing{"fine", "Everything is in order"}},
		"nothing to hear":     {nil, nil, true, standing{"fine", "In order"}, standing{"fine", "Everything is in order"}},
	} {
		snap := &policy.Snapshot{Spec: &chamber.Spec{Name: "loft", Sensors: c.sensors}, Wall: now}
		snap.State.Now, snap.State.Sensors = now, c.states
		if c.batch {
			snap.State.Crop.Batches = []crop.Batch{{Name: "b1", Species: "pleurotus-ostreatus"}}
		}
		k := cardOf(snap, words.Words{})
		if whole := overall([]*card{k}); k.Standing != c.card || whole != c.site {
			t.Errorf("%s: the chamber %+v, the site %+v", name, k.Standing, whole)
		}
		var b strings.Builder
		if err := views()["site"].ExecuteTemplate(&b, "standing", part{"", k}); err != nil || strings.Contains(b.String(), `aria-label="fine"`) != (c.card.Class == "fine") {
			t.Errorf("%s: %v, %s", name, err, b.String())
		}
	}
}

// TestNotInOrderOutsideTheRange: before an alarm has lasted for its delay, and where none comes, a value that is shown as outside its range is
// not called in order.
func TestNotInOrderOutsideTheRange(t *testing.T) {
	for _, c := range []struct {
		at         string
		fresh      bool
		card, site string
	}{
		{"", true, "In order", "Everything is in order"},
		{"below", true, "No alarm", "No alarm"},
		{"above", true, "No alarm", "No alarm"},
		{"below", false, "In order", "Everything is in order"}, // of which nobody knows any more; the sensor has an alarm of its own
	} {
		x := &api.Chamber{Name: "loft", Batches: []api.Batch{{Name: "b1"}}}
		x.Air.Chamber.RelativeHumidity = &api.Reading{Value: 0.713, Fresh: c.fresh, Range: c.at}
		k := makeCard(&policy.Snapshot{Spec: &chamber.Spec{Name: "loft"}}, x, words.Words{})
		if whole := overall([]*card{k}); k.Standing != (standing{"fine", c.card}) || whole != (standing{"fine", c.site}) {
			t.Errorf("%q, fresh %v: the chamber %+v, the site %+v", c.at, c.fresh, k.Standing, whole)
		}
	}
}

// TestChambersInTheOrderOfTheirNumbers: of chambers that do alike, the tenth does not come before the second.
func TestChambersInTheOrderOfTheirNumbers(t *testing.T) {
	var cards []*card
	for _, name := range []string{"tent-10", "loft", "tent-2", "tent-1"} {
		cards = append(cards, &card{Name: name})
	}
	sortCards(cards)
	var got []string
	for _, k := range cards {
		got = append(got, k.Name)
	}
	if want := []string{"loft", "tent-1", "tent-2", "tent-10"}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// TestWhatFollowsSaysFromWhat: dry air after a dry reservoir is no second thing to see to.
func TestWhatFollowsSaysFromWhat(t *testing.T) {
	a := api.Alarm{Alarm: "humidity_low", Priority: "medium", State: "unacknowledged", Active: true, Says: "The air is too dry.", Do: "Check the humidifier and the door."}
	for _, c := range []struct{ follows, state, note, do string }{
		{"", "unacknowledged", "", "Check the humidifier and the door."},
		{"", "acknowledged", "acknowledged", "Check the humidifier and the door."},
		{"reservoir_dry", "unacknowledged", "follows from reservoir dry", ""},
		{"reservoir_dry", "acknowledged", "follows from reservoir dry, acknowledged", ""},
	} {
		a.FollowsFrom, a.State = c.follows, c.state
		if line, ok := makeAlarm(&a, time.Time{}, words.Words{}); !ok || line.Note != c.note || line.Do != c.do {
			t.Errorf("%+v: %v, %q, %q", c, ok, line.Note, line.Do)
		}
	}
}

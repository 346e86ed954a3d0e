package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// TestSensorThatReportsSeldom: one that comes back by itself each time has no empty battery; its max_age is too short. Once is no habit,
// nor is what the broker missed.
func TestSensorThatReportsSeldom(t *testing.T) {
	every := func(n int) func(int) bool { return func(m int) bool { return m%n == 0 } }
	for _, c := range []struct {
		name   string
		speaks func(minute int) bool
		link   func(minute int) bool
		want   alarm.Code
		every  float64 // seconds
	}{
		{"every quarter of an hour", every(15), nil, alarm.Seldom, 900},
		{"in twos", func(m int) bool { return m%15 < 2 }, nil, alarm.Seldom, 840},
		{"it died", func(m int) bool { return m < 60 }, nil, "", 0},
		{"it was away once and died later", func(m int) bool { return m < 30 || m > 40 && m < 60 }, nil, "", 0},
		{"the broker went away four times, and the sensor died", func(m int) bool { return m < 70 }, func(m int) bool { return m >= 70 || m%15 < 5 }, "", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			spec := &chamber.Spec{Name: "loft", VolumeM3: 0.56, Sensors: []chamber.Sensor{
				{Name: "air", Quantity: chamber.RelativeHumidity, Place: chamber.Inside, MaxAge: 5 * time.Minute}}}
			p := &policy.Policy{Spec: spec, Climates: species.Builtin()}
			now, up := bookStart, true
			s := p.Fresh(now)
			s.LinkLost = time.Time{}
			for minute := range 90 {
				now = now.Add(time.Minute)
				in := policy.Input{Now: now, Wall: now, Link: c.link == nil || c.link(minute)}
				in.LinkUp, up = in.Link && !up, in.Link
				if in.Link && c.speaks(minute) {
					in.Readings = []chamber.Reading{{Value: 0.9 + 0.001*float64(minute%7), At: now}}
				}
				s, _ = p.Step(s, in)
			}
			l := s.Alarms.Of(alarm.SensorSilent)
			if l.Condition.Code != c.want || l.Condition.Value != c.every || c.want != "" && l.Condition.Bound != 300 || l.Phase != alarm.Unacknowledged {
				t.Errorf("%v, %+v; want it active with code %q", l.Phase, l.Condition, c.want)
			}
		})
	}
}

// TestSensorThatIsNotUnderstood: a sensor without a usable reading for longer than max_age is silent, whatever it sends. What a person
// has to look after is another thing where it does send.
func TestSensorThatIsNotUnderstood(t *testing.T) {
	for _, c := range []struct {
		name string
		says func(minute int) (speaks, refused, old bool)
		want alarm.Code
	}{
		{"nothing comes", func(int) (bool, bool, bool) { return false, false, false }, ""},
		{"another unit from the start", func(int) (bool, bool, bool) { return false, true, false }, alarm.Unusable},
		{"an update changed its messages", func(m int) (bool, bool, bool) { return m < 20, m >= 20, false }, alarm.Unusable},
		{"its clock is behind", func(int) (bool, bool, bool) { return false, true, true }, alarm.Outdated},
		{"it was refused once and then died", func(m int) (bool, bool, bool) { return m < 20, m == 20, false }, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			spec := &chamber.Spec{Name: "loft", VolumeM3: 0.56, Sensors: []chamber.Sensor{
				{Name: "air", Quantity: chamber.RelativeHumidity, Place: chamber.Inside, MaxAge: 5 * time.Minute}}}
			p := &policy.Policy{Spec: spec, Climates: species.Builtin()}
			now := bookStart
			s := p.Fresh(now)
			s.LinkLost = time.Time{}
			for minute := range 40 {
				now = now.Add(time.Minute)
				in := policy.Input{Now: now, Wall: now, Link: true}
				speaks, refused, old := c.says(minute)
				if speaks {
					in.Readings = []chamber.Reading{{Value: 0.9 + 0.001*float64(minute%7), At: now}}
				}
				if refused {
					in.Refusals = []chamber.Refusal{{Old: old, At: now}, {Sensor: 7, At: now}}
				}
				s, _ = p.Step(s, in)
			}
			l := s.Alarms.Of(alarm.SensorSilent)
			if l.Phase != alarm.Unacknowledged || l.Condition.Code != c.want || l.Condition.About != "air" {
				t.Errorf("%v, %+v; want it active with code %q", l.Phase, l.Condition, c.want)
			}
			now = now.Add(time.Minute)
			s, _ = p.Step(s, policy.Input{Now: now, Wall: now, Link: true, Readings: []chamber.Reading{{Value: 0.9, At: now}}})
			if s.Sensors[0].Silent {
				t.Error("a reading that can be used does not end it")
			}
		})
	}
}

package policy_test

import (
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// TestAlarmsGoWithTheirSensors: two sensors are silent and one of them was acknowledged to be; the configuration is read anew without
// the first. That the other is silent is no news, and that the third falls silent, which has the first's place now, is.
func TestAlarmsGoWithTheirSensors(t *testing.T) {
	spec := func(names ...string) *policy.Policy {
		s := &chamber.Spec{Name: "loft", VolumeM3: 0.56}
		for _, n := range names {
			s.Sensors = append(s.Sensors, chamber.Sensor{Name: n, Quantity: chamber.RelativeHumidity, Place: chamber.Inside, MaxAge: 5 * time.Minute})
		}
		return &policy.Policy{Spec: s, Climates: species.Builtin()}
	}
	now := bookStart
	p := spec("first", "third", "other")
	s := p.Fresh(now)
	s.LinkLost = time.Time{}
	told := 0
	pass := func(d time.Duration, speaks int) {
		for end := now.Add(d); now.Before(end); {
			now = now.Add(10 * time.Second)
			in := policy.Input{Now: now, Wall: now, Link: true}
			if speaks >= 0 {
				in.Readings = []chamber.Reading{{Sensor: speaks, Value: 0.9 + 0.001*float64(now.Minute()%7), At: now}}
			}
			var decision policy.Decision
			s, decision = p.Step(s, in)
			for _, e := range decision.Events {
				if e.Alarm == alarm.SensorSilent && e.Notify {
					told++
				}
			}
		}
	}
	pass(10*time.Minute, 1)
	if l := s.Alarms.Of(alarm.SensorSilent); l.Phase != alarm.Unacknowledged || told != 1 || l.Condition.Instances != 0b101 {
		t.Fatalf("%+v, told %d times", l, told)
	}
	s, _ = p.Step(s, policy.Input{Now: now, Wall: now, Link: true, Actions: []policy.Action{{ID: "a", Kind: policy.AlarmAck, Alarm: string(alarm.SensorSilent)}}})
	p = spec("third", "other")
	s = p.Fit(s)
	pass(10*time.Minute, 0)
	if l := s.Alarms.Of(alarm.SensorSilent); l.Phase != alarm.Acknowledged || told != 1 {
		t.Errorf("%+v, told %d times", l, told)
	}
	pass(10*time.Minute, -1)
	if l := s.Alarms.Of(alarm.SensorSilent); l.Phase != alarm.Unacknowledged || told != 2 {
		t.Errorf("%+v, told %d times", l, told)
	}
}

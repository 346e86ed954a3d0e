package lab

import (
	"testing"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/plant"
)

// TestALoneSensorThatCreepsUp has the only humidity sensor of a chamber creep up by three points an hour from the second day on, and
// another that stays sound. The first must be left out while the air is less than eighteen points drier than it reads.
func TestALoneSensorThatCreepsUp(t *testing.T) {
	const sound, most = 30 * time.Hour, 8 * time.Hour
	c, err := draw(930_007, &Plan{})
	if err != nil {
		t.Fatal(err)
	}
	c.KeepFirstSensors()
	c.policy.Spec = c.Spec
	base, err := begin(c, sound)
	if err != nil {
		t.Fatal(err)
	}
	base.advance(t.Context(), sound)
	only := c.Spec.Only(chamber.RelativeHumidity, chamber.Inside)
	for _, creeps := range []bool{true, false} {
		var faults []plant.Fault
		if creeps {
			faults = []plant.Fault{{Kind: plant.SensorDrift, From: sound.Seconds(), For: most.Seconds(), Index: only, Amount: 0.03}}
		}
		f := &trial{c: c, exam: base.exam.fork()}
		run, err := base.run.Fork(f.exam, sound+most+time.Hour, faults...)
		if err != nil {
			t.Fatal(err)
		}
		f.attach(run)
		for f.run.At() < sound+most && f.exam.state.Sensors[only].Suspect == "" {
			f.advance(t.Context(), f.run.At()+10*time.Minute)
		}
		want := ""
		if creeps {
			want = string(alarm.Drifted)
		}
		if got := f.exam.state.Sensors[only].Suspect; got != want {
			t.Errorf("creeps %v: after %v suspect %q, want %q", creeps, f.run.At()-sound, got, want)
		}
	}
}

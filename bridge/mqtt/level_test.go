package mqtt

import (
	"math"
	"testing"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/pointer"
)

// TestLevels reads what plugs that can be dimmed say of themselves.
func TestLevels(t *testing.T) {
	speed, err := pointer.Compile("/speed")
	if err != nil {
		t.Fatal(err)
	}
	plain := config.PlugBinding{LevelPayload: "{level}", LevelFull: 255}
	worded := config.PlugBinding{LevelPayload: "{level}", LevelFull: 100, StateOff: "stop", HasStatePointer: true, StatePointer: speed}
	for _, c := range []struct {
		binding config.PlugBinding
		payload string
		on      bool
		level   float64
		want    Result
	}{
		{plain, "255", true, 1, OK},
		{plain, " 51\n", true, 0.2, OK},
		{plain, "0", false, 0, OK},
		{plain, "256", true, 1, OK}, // rounded up by the plug
		{plain, "300", false, 0, Implausible},
		{plain, "-1", false, 0, Implausible},
		{plain, "NaN", false, 0, BadPayload},
		{plain, "ON", false, 0, BadPayload},
		{plain, "", false, 0, BadPayload},
		{worded, `{"speed":33}`, true, 0.33, OK},
		{worded, `{"speed":"66"}`, true, 0.66, OK},
		{worded, `{"speed":"Stop"}`, false, 0, OK},
		{worded, `{"speed":true}`, true, 0, OK}, // on, and nobody knows how far
		{worded, `{"speed":false}`, false, 0, OK},
		{worded, `{"speed":null}`, false, 0, BadPayload},
	} {
		p := plug{binding: c.binding, state: true}
		r, f := p.decode(&message{payload: []byte(c.payload)})
		got := OK
		if f != nil {
			got = f.result
		}
		if got != c.want || r.HasOn != (got == OK) || r.On != c.on || math.Abs(r.Level-c.level) > 1e-9 {
			t.Errorf("%q: %+v, %v", c.payload, r, got)
		}
	}
}

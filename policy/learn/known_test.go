package learn_test

import (
	"math"
	"testing"

	"gillkeeper/policy/learn"
	"gillkeeper/policy/plant"
)

// TestKnownForesees: a chamber that is known foresees the plant's own air a minute ahead, at rest, under the fan, under mist and
// under both.
func TestKnownForesees(t *testing.T) {
	for _, plugs := range []plant.Plugs{{}, {ExhaustFan: 1}, {Humidifier: 1}, {Humidifier: 1, ExhaustFan: 1}} {
		p, room := plant.Nominal(), plant.Room{AirC: 21, RelativeHumidity: 0.45, CO2PPM: 520}
		s := plant.Start(&p, room)
		s.SetAir(&p, plant.Truth{AirC: 19.5, RelativeHumidity: 0.88, CO2PPM: 900})
		for second := range 3 * 3600 { // as it is kept, with wet walls
			now := plant.Plugs{}
			if second%240 < 40 {
				now.ExhaustFan = 1
			}
			if second%240 < 30 {
				now.Humidifier = 1
			}
			s = plant.Step(&p, s, now, room, 1)
		}
		m := learn.Known(&p, &s, room)
		before := s.Truth(&p)
		if got := m.Air.RH(&m.Constants); math.Abs(got-before.RelativeHumidity) > 0.005 {
			t.Errorf("now: RH %.3f, the plant's is %.3f", got, before.RelativeHumidity)
		}
		for second := range 60 {
			s = plant.Step(&p, s, plugs, room, 1)
			if second%4 == 3 {
				m.Air.Step(&m.Constants, plugs.Humidifier, plugs.ExhaustFan, 4)
			}
		}
		after := s.Truth(&p)
		if got := m.Air.RH(&m.Constants); math.Abs(got-after.RelativeHumidity) > 0.02 {
			t.Errorf("%+v: RH %.3f foreseen from %.3f, the plant's is %.3f", plugs, got, before.RelativeHumidity, after.RelativeHumidity)
		}
		if moved := math.Abs(after.CO2PPM - before.CO2PPM); math.Abs(m.Air.CO2-after.CO2PPM) > 2+0.05*moved {
			t.Errorf("%+v: CO2 %.0f foreseen from %.0f, the plant's is %.0f", plugs, m.Air.CO2, before.CO2PPM, after.CO2PPM)
		}
	}
}

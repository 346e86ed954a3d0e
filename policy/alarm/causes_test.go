package alarm_test

import (
	"testing"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
)

// TestAJumpIsOneAlarm: the only sensor of CO2 steps up by 500 ppm, and plugs go by it for a while. That it stands above the maximum, and
// that the fan dries the air for it, is laid to the sensor; humidity that is low by readings of its own is not.
func TestAJumpIsOneAlarm(t *testing.T) {
	for _, q := range []chamber.Quantity{chamber.CO2, chamber.Temperature} {
		d := newDesk(t)
		d.run(2*time.Hour, d.sound)
		sensor, from, by := co2A, 800.0, 500.0
		if q == chamber.Temperature {
			sensor, from, by = tempA, 17, 6
		}
		d.run(10*time.Minute, func(i int) float64 {
			if v := d.sound(i); i != sensor {
				return v
			}
			return from + by
		})
		if d.suspect[sensor] != alarm.Jumped {
			t.Fatalf("%s: suspect %q", q, d.suspect[sensor])
		}
		*d.e.Air.Of(chamber.Inside, q) = chamber.Estimate{}
		*d.e.Heeded.Of(chamber.Inside, q) = chamber.Estimate{Value: from + by, OK: true}
		d.set(chamber.RelativeHumidity, 0.8)
		d.step()
		high := map[chamber.Quantity]alarm.Name{chamber.CO2: alarm.CO2High, chamber.Temperature: alarm.TemperatureHigh}[q]
		if c := d.c.Of(high); !c.Active || c.Cause != alarm.SensorDisagrees {
			t.Errorf("%s: %+v", high, *c)
		}
		want := alarm.Name("")
		if q == chamber.CO2 {
			want = alarm.SensorDisagrees
		}
		if c := d.c.Of(alarm.HumidityLow); !c.Active || c.Cause != want {
			t.Errorf("%s jumped: dry air has the cause %q, want %q", q, c.Cause, want)
		}
	}
}

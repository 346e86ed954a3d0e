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

// TestNothingIsHeard: where a breaker has tripped, neither sensors nor plugs speak. That is one alarm, and it says so. One sensor that
// speaks, or one plug, and the chamber has power.
func TestNothingIsHeard(t *testing.T) {
	for _, c := range []struct {
		name         string
		sensor, plug bool // one that speaks
		out          bool // plug_disobeys is out of service
		code         alarm.Code
		cause        alarm.Name // of silent sensors
	}{
		{"nothing", false, false, false, alarm.NothingHeard, alarm.PlugDisobeys},
		{"a sensor on its battery", true, false, false, alarm.Unheard, ""},
		{"a plug elsewhere", false, true, false, alarm.Unheard, ""},
		{"nothing, and nobody wants to hear of plugs", false, false, true, alarm.NothingHeard, ""},
	} {
		d := newDesk(t)
		d.run(10*time.Minute, d.sound)
		d.mute = true
		d.mid = func() {
			if c.plug {
				d.e.Reports = append(d.e.Reports, chamber.PlugReport{Plug: 1, HasOn: true, At: d.e.Now})
			}
		}
		lives := alarm.State{}
		if c.out {
			lives.Of(alarm.PlugDisobeys).Phase = alarm.OutOfService
		}
		d.e.Lives = &lives
		p := &d.e.Plugs[0]
		p.HasTold, p.Told, p.DisagreesSince = true, true, d.e.Now
		for i := range d.e.Sensors {
			d.e.Sensors[i] = alarm.SensorView{Silent: i != rhA || !c.sensor, Fresh: i == rhA && c.sensor, SilentSince: d.e.Now}
		}
		d.e.Fallback = []chamber.Quantity{chamber.CO2}
		d.run(3*time.Minute, nil)
		plug, silent, fallback := d.c.Of(alarm.PlugDisobeys), d.c.Of(alarm.SensorSilent), d.c.Of(alarm.FallbackActive)
		if !plug.Active || plug.Code != c.code || plug.Cause != "" || (plug.About == "") != (c.code == alarm.NothingHeard) {
			t.Errorf("%s: plugs %+v", c.name, *plug)
		}
		if !silent.Active || silent.Cause != c.cause || fallback.Cause != alarm.SensorSilent {
			t.Errorf("%s: sensors %+v, fallback %+v", c.name, *silent, *fallback)
		}
	}
}

package lab

import (
	"slices"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/plant"
)

// course is what the air truly was in the last minutes, and what the humidifier drew in the last day.
type course struct {
	minutes []plant.Truth // the newest last
	drawn   []float64     // grams since the start, by the hour
	left    float64       // grams in the reservoir
	flow    float64       // share of the clean filter's
	early   float64       // times the hours before it is empty that a person is to be told, at which that is not too early
	empty   time.Duration // when it was last empty; 0: never
	now     time.Duration
	next    time.Duration
	hour    time.Duration
}

// remembered is how far back a limit alarm's condition may lie: its on-delay, the sensor's lag, and a deadband's worth.
const remembered = 50

// How early a low reservoir may be told of, as a multiple of when it should be: on a first filling nothing but the label is known,
// which is off by a fifth, of what was drawn.
const early, earlyByLabel = 1.5, 2.0

func (c *course) add(at time.Duration, rig *plant.Rig, p *plant.Params, ranDry bool) {
	c.early = earlyByLabel
	if ranDry {
		c.early = early
	}
	if rig.State.ReservoirG <= 1 {
		c.empty = at
	}
	c.left, c.flow = rig.State.ReservoirG, rig.State.FilterFlow(p)
	if at >= c.hour {
		c.hour = at + time.Hour
		c.drawn = append(c.drawn, rig.State.Total.MistG)
		if len(c.drawn) > 25 {
			c.drawn = c.drawn[1:]
		}
	}
	c.now = at
	if at < c.next {
		return
	}
	c.next = at + time.Minute
	c.minutes = append(c.minutes, rig.State.Truth(p))
	if len(c.minutes) > remembered {
		c.minutes = c.minutes[1:]
	}
}

func (c course) fork() course {
	c.minutes, c.drawn = slices.Clone(c.minutes), slices.Clone(c.drawn)
	return c
}

// drier reports whether the air was truly drier than that in one of the last minutes.
func (c *course) drier(rh float64) bool {
	return slices.ContainsFunc(c.minutes, func(x plant.Truth) bool { return x.RelativeHumidity < rh })
}

// holds reports whether an alarm's condition is true, or was a moment ago.
func (c *course) holds(n alarm.Name, t *crop.Target) bool {
	ever := func(out func(x *plant.Truth) bool) bool {
		for i := range c.minutes {
			if out(&c.minutes[i]) {
				return true
			}
		}
		return false
	}
	switch n {
	case alarm.HumidityLow:
		return ever(func(x *plant.Truth) bool { return x.RelativeHumidity < t.RelativeHumidity.Low })
	case alarm.HumidityHigh:
		return ever(func(x *plant.Truth) bool { return x.RelativeHumidity > t.RelativeHumidity.High })
	case alarm.CO2High:
		return ever(func(x *plant.Truth) bool { return x.CO2PPM > t.CO2MaxPPM })
	case alarm.TemperatureLow:
		return ever(func(x *plant.Truth) bool { return x.AirC < t.TemperatureC.Low })
	case alarm.TemperatureHigh:
		return ever(func(x *plant.Truth) bool { return x.AirC > t.TemperatureC.High })
	case alarm.ReservoirLow:
		hours := float64(len(c.drawn) - 1)
		return hours > 0 && c.left < c.early*warnBefore.Hours()*(c.drawn[len(c.drawn)-1]-c.drawn[0])/hours
	case alarm.ReservoirDry:
		return c.empty > 0 && c.now-c.empty < time.Hour
	case alarm.FilterClogged:
		return c.flow < 0.8
	}
	return false
}

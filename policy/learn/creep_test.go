package learn_test

import (
	"math"
	"testing"
	"time"

	"gillkeeper/policy/learn"
	"gillkeeper/policy/plant"
)

// TestSlowSensorDoesNotCreep has the learner follow a chamber for twelve days by a sensor that needs three minutes, in air that stays
// what it is. The air goes by the closed-form solution of the balance that the tracer decay method of ASTM E741 rests on,
// C(t) = Cs + (C0 - Cs)·exp(-(q+l)t) with Cs = Croom + g/(q+l), and the sensor by that of a first-order lag. At any lag flow, generation
// and lag tell nearly the same story: a filter that holds its guess of the noise for truth creeps along it, by a fifth in that time.
func TestSlowSensorDoesNotCreep(t *testing.T) {
	const (
		volume             = 0.5
		lag, noise         = 189.0, 13.0 // s, ppm
		room               = 480.0
		leak, made         = 0.5 / 3600, 2000.0 / 3600 // 1/s, ppm/s
		every              = 8                         // s
		spinUp             = 3.5                       // s
		highest, lowest    = 760.0, 720.0
		purgeEvery, purgeS = 6 * 3600, 180
	)
	flow := 40.0 / 3600
	moved := flow * 3600 * volume
	looks, held := 0, 0
	chambers, days := uint64(4), 12
	if raceDetector {
		chambers = 1
	}
	for seed := range chambers {
		n := plant.Noise{State: 11 + seed}
		var off []float64
		var s learn.State
		co2, seen := 700.0, 700.0
		fan, spun, until, purged := 0.0, 0.0, 0, 0
		for at := 0; at < days*86400; at += every {
			for range every {
				spun += math.Max(-1/spinUp, math.Min(fan-spun, 1/spinUp))
				q := leak + flow*spun
				steady := room + made/q
				// Behind the lag, the decay of the air and that of the sensor's own difference overlap.
				decay, follow := math.Exp(-q), math.Exp(-1/lag)
				seen = steady + (seen-steady)*follow + (co2-steady)/(1-q*lag)*(decay-follow)
				co2 = steady + (co2-steady)*decay
			}
			f := learn.Facts{Now: start.Add(time.Duration(at) * time.Second), VolumeM3: volume, RatedFlow: 30, AirC: 18, RoomC: 18, RoomRH: 0.5,
				RoomCO2: room + noise*n.Normal()}
			if at%32 == 0 {
				f.CO2, f.RoomCO2New = []float64{seen + noise*n.Normal()}, true
			}
			learnedCO2 := s.CO2.X[0] // what is learned decides what is seen, as in a chamber
			if at >= until {
				switch {
				case at-purged >= purgeEvery:
					fan, purged, until = 1, at, at+purgeS
				case learnedCO2 > highest:
					fan, until = 1, at+32
				case learnedCO2 < lowest:
					fan, until = 0, at+32
				}
			}
			f.Fan = fan
			s = s.Learn(&f)
			if at%86400 == 0 && at > 86400 {
				k := s.Knowledge(volume, 0)
				looks++
				if low, high := k.FanM3PerH.Interval(); low < moved && moved < high {
					held++
				}
				off = append(off, math.Log(k.FanM3PerH.Value/moved), math.Log(k.CO2LagS.Value/lag))
			}
		}
		t.Logf("chamber %d, flow and lag by the day: %+.2f", seed, off)
	}
	if held*10 < looks*7 {
		t.Errorf("the 90 %% interval of the flow holds in %d of %d looks", held, looks)
	}
}

// TestFanMovesNoMoreThanItsLabel: what a chamber teaches that is hardly richer in CO2 than its room is noise, by which a fan came to
// move five times its label. Half as much again is believed at the most.
func TestFanMovesNoMoreThanItsLabel(t *testing.T) {
	c := newChamber()
	c.roomSeen = true
	c.run(time.Hour)
	c.learned.CO2.X[2] = math.Log(400 / c.p.VolumeM3 / 3600) // the fan's air changes a second
	c.run(time.Minute)
	if got := c.learned.Knowledge(c.p.VolumeM3, 0).FanM3PerH.Value; got > 1.5*80+0.1 {
		t.Errorf("by its label a fan moves 80 m³/h, it is taken to move %.0f", got)
	}
}

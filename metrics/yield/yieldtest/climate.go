package yieldtest

import (
	"math"
	"time"

	"gillkeeper/metrics/yield"
)

// climate writes the hours of one chamber.
func (m *maker) climate(n int) {
	c := &m.season.Chambers[n]
	t := m.tables[c.Name]
	own := m.rng.NormFloat64() // what sets one chamber apart from another
	var dryLeft, staleLeft int
	var alarm, stale time.Time
	for h := range Days * 24 {
		i := c.Climate.Add(hours(float64(h)), time.Hour)
		w, want := t.w[h], t.want[h]
		if !t.set[h] {
			want = yield.Want{RHLow: 0.85, RHHigh: 0.95, LowC: 14, HighC: 20, CO2MaxPPM: 2000}
			w = weather{stale: 0.3, dry: 0.2}
		}
		dryLeft = m.spell(dryLeft, h+5, w.dry)
		staleLeft = m.spell(staleLeft, h, w.stale)
		m.air(&c.Climate, i, h, want, w, own, dryLeft > 0, staleLeft > 0)
		m.plugs(&c.Climate, i, h, w, dryLeft > 0)
		coarse(&c.Climate, i)
		alarm = m.alarm(c.Name, "humidity_low", alarm, hours(float64(h)), dryLeft > 0)
		stale = m.alarm(c.Name, "co2_high", stale, hours(float64(h)), staleLeft > 0)
	}
}

// spell is one bad time in every sixteen hours, the longer the worse things are. It gives how many hours are left.
func (m *maker) spell(left, h int, worse float64) int {
	if left > 0 {
		return left - 1
	}
	if h%16 == 0 {
		return int(math.Round(12*worse + 0.7*m.rng.NormFloat64()))
	}
	return 0
}

func (m *maker) air(c *yield.Climate, i, h int, want yield.Want, w weather, own float64, dry, stale bool) {
	rh := want.RHLow + 0.4*(want.RHHigh-want.RHLow) + 0.004*m.rng.NormFloat64()
	rh = math.Min(rh, want.RHHigh-0.001)
	rh = math.Max(rh, want.RHLow+0.002)
	if dry {
		rh = want.RHLow - 0.03 - 0.06*w.dry*m.rng.Float64()
	}
	co2 := want.CO2MaxPPM * (0.72 + 0.04*m.rng.NormFloat64())
	if stale {
		co2 = want.CO2MaxPPM * (1.1 + 0.3*m.rng.Float64())
	}
	temp := (want.LowC+want.HighC)/2 + 0.4*own + 0.5*w.warmer + 0.6*math.Sin(2*math.Pi*float64(h%24-9)/24) + 0.15*m.rng.NormFloat64()
	c.TemperatureC[i], c.RH[i], c.CO2[i] = temp, rh, co2
	c.RHMin[i], c.RHMax[i] = rh-0.012*m.rng.Float64(), math.Min(1, rh+0.012*m.rng.Float64())
	c.CO2Max[i] = co2 * (1 + 0.05*m.rng.Float64())
	c.VPD[i] = magnus(temp) * (1 - rh)
	c.AirChanges[i] = math.Max(0.3, 3+0.5*own+0.6*w.air+0.2*m.rng.NormFloat64())
	c.Respiration[i] = 1.2 + 0.1*m.rng.NormFloat64()
}

func (m *maker) plugs(c *yield.Climate, i, h int, w weather, dry bool) {
	hour := h % 24
	lit := 0.0
	if length := 12 + 1.2*w.lamp; float64(hour) >= 8 && float64(hour) < 8+length {
		lit = math.Min(1, 8+length-float64(hour))
	}
	mist, fan := 0.06+0.01*m.rng.Float64(), math.Max(0.01, 0.05+0.01*w.air)
	if dry {
		mist = 0.01
	}
	c.Light[i], c.Mist[i], c.Fan[i] = lit, mist, fan
	c.WaterG[i] = 280 * mist
	c.EnergyWh[i] = 26*mist + 18*fan + 9*lit
}

// alarm opens and closes the record of an alarm. A spell of less than eight hours is none.
func (m *maker) alarm(chamber, name string, since, now time.Time, bad bool) time.Time {
	switch {
	case bad && since.IsZero():
		return now.Add(15 * time.Minute)
	case !bad && !since.IsZero():
		if now.Sub(since) > 8*time.Hour {
			m.season.Alarms = append(m.season.Alarms, yield.Alarm{Chamber: chamber, Alarm: name, Priority: "medium", From: since, To: now.Add(10 * time.Minute)})
		}
		return time.Time{}
	}
	return since
}

// coarse rounds to what sensors and learning are good for, which also keeps the recorded season small.
func coarse(c *yield.Climate, i int) {
	round := func(v *float64, to float64) { *v = math.Round(*v/to) * to }
	for _, v := range []*float64{&c.RH[i], &c.RHMin[i], &c.RHMax[i]} {
		round(v, 0.001)
	}
	for _, v := range []*float64{&c.TemperatureC[i], &c.AirChanges[i], &c.Respiration[i]} {
		round(v, 0.1)
	}
	for _, v := range []*float64{&c.CO2[i], &c.CO2Max[i]} {
		round(v, 10)
	}
	for _, v := range []*float64{&c.VPD[i], &c.WaterG[i], &c.EnergyWh[i]} {
		round(v, 1)
	}
	for _, v := range []*float64{&c.Mist[i], &c.Fan[i], &c.Light[i]} {
		round(v, 0.01)
	}
}

// magnus is the saturation pressure over water in Pa (Magnus' formula with the coefficients of the WMO).
func magnus(t float64) float64 { return 611.2 * math.Exp(17.62*t/(243.12+t)) }

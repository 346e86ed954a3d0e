package diagnose

import (
	"math"

	"gillkeeper/policy/air"
	"gillkeeper/policy/species"
)

// Change is what to change, in numbers of this chamber, and what that costs. A value that is 0 is not said.
type Change struct {
	CO2MaxPPM  float64 `json:"co2_max_ppm,omitempty"` // the limit to set
	RHLow      float64 `json:"rh_low,omitempty"`      // the range to set
	RHHigh     float64 `json:"rh_high,omitempty"`
	TempC      float64 `json:"temperature_c,omitempty"` // to bring the air to
	LightHours float64 `json:"light_hours,omitempty"`   // a day
	PickByDay  float64 `json:"pick_by_day,omitempty"`   // of fruiting
	WatchDip   bool    `json:"watch_dip,omitempty"`     // find what happened at that moment: a dry reservoir, an open door
	AirChanges float64 `json:"air_changes,omitempty"`   // an hour that this takes, and how many there were
	AirChanged float64 `json:"air_changed,omitempty"`
	FanShare   float64 `json:"fan_share,omitempty"` // of time, and what it was
	FanWas     float64 `json:"fan_was,omitempty"`
	FanShort   bool    `json:"fan_short,omitempty"`  // even a fan that always runs does not do
	RoomShort  bool    `json:"room_short,omitempty"` // the room's air is not below the limit
	MistGPerH  float64 `json:"mist_g_per_h,omitempty"`
	MistShare  float64 `json:"mist_share,omitempty"` // of time, and what it was
	MistWas    float64 `json:"mist_was,omitempty"`
	MistShort  bool    `json:"mist_short,omitempty"` // even a humidifier that always runs does not do
	RHReached  float64 `json:"rh_reached,omitempty"` // with MistShort: the humidity that is left
	LitersADay float64 `json:"liters_a_day,omitempty"`
	LitersWas  float64 `json:"liters_was,omitempty"`
}

// means are what the window's air and plugs were on the whole.
type means struct{ rh, tempC, co2, roomRH, roomC, roomCO2, fan, mist float64 }

func (w *span) means() means {
	m := means{}
	for _, x := range []struct {
		into *float64
		of   func(*Bucket) Value
	}{
		{&m.rh, func(b *Bucket) Value { return b.RH }}, {&m.tempC, func(b *Bucket) Value { return b.TempC }},
		{&m.co2, func(b *Bucket) Value { return b.CO2 }}, {&m.roomRH, func(b *Bucket) Value { return b.RoomRH }},
		{&m.roomC, func(b *Bucket) Value { return b.RoomC }}, {&m.roomCO2, func(b *Bucket) Value { return b.RoomCO2 }},
		{&m.fan, func(b *Bucket) Value { return b.Fan }}, {&m.mist, func(b *Bucket) Value { return b.Mist }},
	} {
		sum, hours := 0.0, 0.0
		for i := range w.buckets {
			if v := x.of(w.buckets[i]); v.OK {
				sum += v.Mean * w.buckets[i].Span.Hours()
				hours += w.buckets[i].Span.Hours()
			}
		}
		*x.into = math.NaN()
		if hours > 0 {
			*x.into = sum / hours
		}
	}
	return m
}

// change works out what would help.
func (c *Case) change(cause Cause, v *view) *Change {
	var w *span
	for _, s := range c.Signs {
		if signs[s].causes[cause] > 0 {
			w = c.window(s)
			break
		}
	}
	if w == nil {
		return nil
	}
	row, ok := c.Table.Lookup(c.Batch.Species, w.stage)
	if !ok {
		return nil
	}
	m := w.means()
	out := &Change{}
	switch cause {
	case HighCO2:
		out.CO2MaxPPM = c.freshAir(out, &m, &row)
	case LowHumidity:
		out.RHLow, out.RHHigh = row.RelativeHumidity.Low, row.RelativeHumidity.High
		c.mist(out, &m, row.RelativeHumidity.Middle(), changesAt(c, m.fan))
	case DryDip:
		out.WatchDip = true
	case Wet:
		out.RHLow, out.RHHigh = math.Min(row.RelativeHumidity.Low, 0.85), math.Min(row.RelativeHumidity.High, 0.92)
		c.mist(out, &m, (out.RHLow+out.RHHigh)/2, changesAt(c, m.fan))
	case Heat:
		out.TempC = row.TemperatureC.High
	case Cold:
		out.TempC = row.TemperatureC.Low
	case Swings:
		out.TempC = row.TemperatureC.Middle()
	case LowLight:
		out.LightHours = row.LightHours
	case LatePicking:
		if fr, ok := c.Table.Lookup(c.Batch.Species, species.Fruiting); ok {
			out.PickByDay = fr.Days.High
		}
	default:
		return nil
	}
	return out
}

// changesAt is the air changes an hour with the fan on for a share of time; 0 when they are not known.
func changesAt(c *Case, share float64) float64 {
	if math.IsNaN(share) || c.Chamber.FanOn == 0 {
		return 0
	}
	return c.Chamber.FanOff + share*(c.Chamber.FanOn-c.Chamber.FanOff)
}

// typicalRoomCO2 is a lived-in room's where none is measured. Common practice.
const typicalRoomCO2 = 550

// fanBusy is the share of time from which on a fan has no more to give.
const fanBusy = 0.8

// freshAir lowers the limit so that the window's mean comes below the species' own, and says what fan and mist that
// takes. It gives the limit to set; 0 where none helps.
func (c *Case) freshAir(out *Change, m *means, row *species.Row) float64 {
	limit := row.CO2MaxPPM
	// The present limit let the mean come to m.co2: aim at nine tenths of the species' limit.
	set := math.Round(0.9*limit/10) * 10
	k := &c.Chamber
	room := m.roomCO2
	if math.IsNaN(room) {
		room = typicalRoomCO2
	}
	if set <= room {
		out.RoomShort = true
		return set
	}
	if k.CO2GPerH == 0 || k.FanOn <= k.FanOff || k.VolumeM3 == 0 {
		if m.fan >= fanBusy && m.co2 > limit { // no limit makes it run any more
			out.FanShort, out.FanWas = true, m.fan
			return 0
		}
		return set
	}
	pressure, ok := air.BarometricPressure(air.Meters(k.AltitudeM))
	density, ok2 := air.CO2Density(air.Celsius(or(m.tempC, 18)), pressure)
	if !ok || !ok2 {
		return set
	}
	// G = N·V·ρ·(C − C_room)
	need := k.CO2GPerH / (k.VolumeM3 * float64(density) * (set - room) * 1e-6)
	out.AirChanges, out.AirChanged = need, changesAt(c, m.fan)
	out.FanWas = or(m.fan, 0)
	out.FanShare = (need - k.FanOff) / (k.FanOn - k.FanOff)
	if out.FanShare > 1 {
		out.FanShare, out.FanShort = 1, true
		need = k.FanOn
	}
	out.FanShare = math.Max(out.FanShare, 0)
	c.mist(out, m, row.RelativeHumidity.Middle(), math.Max(need, k.FanOff))
	return set
}

// mist says what vapor the fan carries off at so many air changes with the air at a humidity, and what mist and water
// make up for it.
func (c *Case) mist(out *Change, m *means, rh, changes float64) {
	k := &c.Chamber
	if changes == 0 || k.VolumeM3 == 0 || math.IsNaN(m.roomRH) || math.IsNaN(m.roomC) {
		return
	}
	inside, ok := vapor(or(m.tempC, 18), rh)
	room, ok2 := vapor(m.roomC, m.roomRH)
	if !ok || !ok2 {
		return
	}
	out.MistGPerH = math.Max(0, changes*k.VolumeM3*(inside-room))
	if k.VaporGPerH == 0 {
		return
	}
	out.MistShare, out.MistWas = out.MistGPerH/k.VaporGPerH, or(m.mist, 0)
	if out.MistShare > 1 {
		out.MistShort, out.MistShare = true, 1
		full, ok := vapor(or(m.tempC, 18), 1)
		if ok {
			out.RHReached = math.Min(rh, (room+k.VaporGPerH/(changes*k.VolumeM3))/full)
		}
	}
	out.LitersADay = 24 * out.MistShare * k.MistGPerH / 1000
	out.LitersWas = 24 * out.MistWas * k.MistGPerH / 1000
}

// vapor is the water in a cubic meter of air, in g.
func vapor(tempC, rh float64) (float64, bool) {
	g, ok := air.VaporDensity(air.Celsius(tempC), air.Ratio(math.Min(math.Max(rh, 0), 1)))
	return float64(g), ok
}

func or(v, otherwise float64) float64 {
	if math.IsNaN(v) {
		return otherwise
	}
	return v
}

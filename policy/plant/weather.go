package plant

// Weather is a room's air over time: a mean, a daily course, slow changes, and people who come and go and breathe.
// It depends on nothing but its fields and the time asked for.
type Weather struct {
	Seed       uint64  `json:"seed"`
	AirC       float64 `json:"air_c"`        // mean
	DailyK     float64 `json:"daily_k"`      // half the daily swing
	SlowK      float64 `json:"slow_k"`       // half the swing over days
	Humidity   float64 `json:"humidity"`     // relative, 0..1, at the mean temperature
	SlowShare  float64 `json:"slow_share"`   // half the swing of water vapor over days, relative
	CO2PPM     float64 `json:"co2_ppm"`      // with nobody there
	VisitPPM   float64 `json:"visit_ppm"`    // the most that one visit would add if it never ended
	CO2MaxPPM  float64 `json:"co2_max_ppm"`  // that the room never passes
	StartHour  float64 `json:"start_hour"`   // of the day, at second 0
	MixingHour float64 `json:"mixing_hours"` // in which the room's air is renewed

	// Record is the room's air as it was recorded, a row every RecordS seconds from second 0 on; nothing else counts then
	// but StartHour. Between rows the air changes evenly, before and after them not at all.
	Record  []Room  `json:"record,omitempty"`
	RecordS float64 `json:"record_s,omitempty"`
}

// At is the room's air s seconds after the start.
func (w *Weather) At(s float64) Room {
	if len(w.Record) > 0 && w.RecordS > 0 {
		return w.recorded(s / w.RecordS)
	}
	hour := w.StartHour + float64(s*perHour)
	n := Noise{State: w.Seed}
	slowT, slowV := slow(&n, hour), slow(&n, hour)
	// Warmest at 16 h, as rooms are: common practice.
	t := w.AirC + float64(w.DailyK*cosine((hour-16)*(1.0/24))) + float64(w.SlowK*slowT)
	pressure := float64(w.Humidity*Saturation(w.AirC)) * (1 + float64(w.SlowShare*slowV))
	rh := pressure / Saturation(t)
	co2 := w.CO2PPM
	day := int64(hour * (1.0 / 24))
	for d := day - 1; d <= day; d++ {
		if d >= 0 {
			co2 += w.visits(d, hour)
		}
	}
	if w.CO2MaxPPM > 0 && co2 > w.CO2MaxPPM {
		co2 = w.CO2MaxPPM
	}
	return Room{AirC: t, RelativeHumidity: clamp(rh, 0.05, 0.98), CO2PPM: co2}
}

// recorded is the air so many rows after the first.
func (w *Weather) recorded(row float64) Room {
	last := len(w.Record) - 1
	row = clamp(row, 0, float64(last))
	i := min(int(row), last)
	a, b := w.Record[i], w.Record[min(i+1, last)]
	part := row - float64(i)
	between := func(x, y float64) float64 { return x + float64((y-x)*part) }
	return Room{AirC: between(a.AirC, b.AirC), RelativeHumidity: between(a.RelativeHumidity, b.RelativeHumidity), CO2PPM: between(a.CO2PPM, b.CO2PPM)}
}

// slow is a course between -1 and 1 made of three waves of 9 to 70 hours.
func slow(n *Noise, hour float64) float64 {
	var sum float64
	for _, period := range [3]float64{9, 26, 70} {
		sum += cosine(hour/float64(period*n.Uniform(0.8, 1.2)) + n.Uniform(0, 1))
	}
	return float64(sum * (1.0 / 3))
}

// visits is what the people of one day have added to the room's carbon dioxide by the given hour.
func (w *Weather) visits(day int64, hour float64) float64 {
	n := Noise{State: w.Seed ^ uint64(day+1)*0x9e3779b97f4a7c15}
	n.Uint64()
	var sum float64
	for range n.Uint64() % 4 {
		from := float64(day*24) + n.Uniform(7, 22)
		lasts := n.Uniform(0.2, 2)
		rise := float64(w.VisitPPM * n.Uniform(0.3, 1))
		if hour <= from {
			continue
		}
		stayed := min(hour-from, lasts)
		part := 1 - exp(-stayed/w.MixingHour)
		sum += float64(float64(rise*part) * exp(-(hour-from-stayed)/w.MixingHour))
	}
	return sum
}

func clamp(x, low, high float64) float64 { return max(low, min(high, x)) }

package alarm

import "gillkeeper/policy/chamber"

// Exposure keeps means of the room's CO2 over eight hours and a quarter of an hour, in constant memory. Within a
// slot the order is lost, so a mean may rest on up to one slot too much; the oldest slot counts by the share of it that
// is still inside.
type Exposure struct {
	Quarters window `json:"quarters,omitzero"` // 32 slots of 15 min, and the one leaving
	Minutes  window `json:"minutes,omitzero"`  // 15 slots of 1 min, and the one leaving
}

const (
	quarterSlots, quarterSeconds = 33, 900.0
	minuteSlots, minuteSeconds   = 16, 60.0
)

// window is a ring of slots that sum value times seconds.
type window struct {
	Dose    [quarterSlots]float64 `json:"dose"`    // ppm seconds
	Covered [quarterSlots]float64 `json:"covered"` // seconds measured
	Slot    int                   `json:"slot"`    // being filled
	Into    float64               `json:"into"`    // seconds of the slot that have passed
	Age     float64               `json:"age"`     // seconds since the first measurement, at most the window
}

// add lets dt seconds pass with a value, or without one.
func (w *window) add(value float64, ok bool, dt, slotSeconds float64, slots int) {
	for dt > 0 {
		part := min(dt, slotSeconds-w.Into)
		if ok {
			w.Dose[w.Slot] += value * part
			w.Covered[w.Slot] += part
		}
		if ok || w.Age > 0 {
			w.Age = min(w.Age+part, slotSeconds*float64(slots-1))
		}
		w.Into += part
		dt -= part
		if w.Into >= slotSeconds {
			w.Slot = (w.Slot + 1) % slots
			w.Into, w.Dose[w.Slot], w.Covered[w.Slot] = 0, 0, 0
		}
	}
}

// mean is the time-weighted mean over the whole window as 29 CFR 1910.1000(d)(1)(i) sums it: what was not measured
// before the first reading counts as no exposure; gaps since count as the mean of the rest.
func (w *window) mean(slotSeconds float64, slots int) float64 {
	var dose, covered float64
	for i := range slots {
		share := 1.0
		if i == (w.Slot+1)%slots { // the oldest is leaving
			share = 1 - w.Into/slotSeconds
		}
		dose += share * w.Dose[i]
		covered += share * w.Covered[i]
	}
	if covered == 0 {
		return 0
	}
	whole := slotSeconds * float64(slots-1)
	return dose / covered * w.Age / whole
}

// roomCO2 raises room_co2_unsafe from the room's own sensor. The chamber's CO2 says nothing about the air people
// breathe.
func (s *detection) roomCO2() {
	if !s.e.Spec.Has(chamber.CO2, chamber.Room) {
		return
	}
	est := &s.e.Air.Room.CO2
	if est.OK || s.Room.Quarters.Age > 0 {
		s.Room.Quarters.add(est.Value, est.OK, s.dt, quarterSeconds, quarterSlots)
		s.Room.Minutes.add(est.Value, est.OK, s.dt, minuteSeconds, minuteSlots)
	}
	c := s.out.Of(RoomCO2Unsafe)
	back := 0.0
	if s.was(RoomCO2Unsafe) {
		back = Of(RoomCO2Unsafe).Deadband
	}
	eight := s.Room.Quarters.mean(quarterSeconds, quarterSlots)
	quarter := s.Room.Minutes.mean(minuteSeconds, minuteSlots)
	c.Quantity = chamber.CO2
	switch {
	case est.OK && est.Value >= unsafeAtOnce-back:
		c.Active, c.Code, c.Value, c.Bound = true, AtOnce, est.Value, unsafeAtOnce
	case quarter >= unsafeQuarterHour-back:
		c.Active, c.Code, c.Value, c.Bound = true, QuarterHour, quarter, unsafeQuarterHour
	case eight >= unsafeEightHours-back:
		c.Active, c.Code, c.Value, c.Bound = true, EightHours, eight, unsafeEightHours
	}
}

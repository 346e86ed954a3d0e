package alarm

import (
	"math"

	"gillkeeper/policy/chamber"
)

// Baseline keeps the lowest CO2 of chamber and room over slots of half a day. A sensor that calibrates itself takes the
// lowest air of its window for outdoor air of 400 ppm; in a chamber that air is never as low, so its readings sink until
// their lowest stands at 400, whatever the room holds.
type Baseline struct {
	Slots [baselineSlots]Lowest `json:"slots,omitzero"` // a ring, the newest at Next-1
	Next  int                   `json:"next,omitempty"` // slots that were filled
	For   float64               `json:"for"`            // seconds of the present slot
	Now   Lowest                `json:"now,omitzero"`
	Air   Lowest                `json:"air,omitzero"` // smoothed, so that one low reading is none
	Since bool                  `json:"since,omitempty"`
}

// Lowest is a pair of CO2 readings in ppm.
type Lowest struct {
	Inside float64 `json:"inside"`
	Room   float64 `json:"room"`
}

const (
	baselineSlots  = 14 // a week
	baselineSlot   = 12 * 3600.0
	baselineSmooth = 120.0 // seconds
	// Outdoor air is what such sensors believe in: 400 ppm. Readings stand a little lower at their lowest, by their noise.
	baselineLow, baselineHigh = 365.0, 425.0
	// baselineRoom: the room must be higher than any error of its own sensor could make of outdoor air.
	baselineRoom = 485.0
	// baselineQuick slots in a row, each of them pinned, are enough; or a whole week whose lowest is.
	baselineQuick = 3
)

// advance takes in one step.
func (b *Baseline) advance(inside, room float64, dt float64) {
	if !b.Since {
		b.Air, b.Since = Lowest{inside, room}, true
		b.Now = b.Air
	}
	share := 1 - math.Exp(-dt/baselineSmooth)
	b.Air.Inside += share * (inside - b.Air.Inside)
	b.Air.Room += share * (room - b.Air.Room)
	b.Now.Inside, b.Now.Room = min(b.Now.Inside, b.Air.Inside), min(b.Now.Room, b.Air.Room)
	if b.For += dt; b.For >= baselineSlot {
		b.Slots[b.Next%baselineSlots] = b.Now
		b.Next++
		b.For, b.Now = 0, b.Air
	}
}

// pinned reports whether the chamber's lowest stands at 400 ppm although the room is higher, and how high.
func (b *Baseline) pinned() (room float64, yes bool) {
	room, all := math.Inf(1), math.Inf(1)
	quick := 0
	for n := 1; n <= min(b.Next, baselineSlots); n++ {
		l := &b.Slots[(b.Next-n)%baselineSlots]
		room, all = min(room, l.Room), min(all, l.Inside)
		if quick == n-1 && l.Inside >= baselineLow && l.Inside <= baselineHigh && l.Room >= baselineRoom {
			if quick = n; quick == baselineQuick {
				return room, true
			}
		}
	}
	return room, b.Next >= baselineSlots && all >= baselineLow && all <= baselineHigh && room >= baselineRoom
}

// rezeroed raises sensor_disagrees for a CO2 sensor that re-zeroes itself.
func (s *detection) rezeroed(c *Condition) {
	in, room := &s.e.Air.Inside.CO2, &s.e.Air.Room.CO2
	if in.OK && room.OK {
		s.Baseline.advance(in.Value, room.Value, s.dt)
	}
	level, yes := s.Baseline.pinned()
	if !yes || c.Active {
		return
	}
	for i := range s.e.Spec.Sensors {
		if spec := &s.e.Spec.Sensors[i]; spec.Quantity == chamber.CO2 && spec.Place == chamber.Inside {
			c.name(i, spec, Rezeroed, s.Baseline.Now.Inside, s.e.Now)
			c.Bound = level
			return
		}
	}
}

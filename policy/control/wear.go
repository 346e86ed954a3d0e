package control

import (
	"math"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
)

// Wear holds a plug to its budget of switchings a day: the price of a switching rises while the plug is switched more
// often than what is left of the day allows, and falls while it is less. The crop goes before: the price falls as well
// while the crop's air suffers more than a budget may make it.
type Wear struct {
	From  time.Time `json:"from,omitzero"` // when the present day of the budget began; zero: there is none
	At    time.Time `json:"at,omitzero"`   // of the last look
	Seen  int64     `json:"seen"`          // the plug's counter then
	Used  int64     `json:"used"`          // switchings in the present day
	Rate  float64   `json:"rate"`          // switchings an hour of late
	Price float64   `json:"price"`         // logarithm of the factor on the price of a switching
	Harm  float64   `json:"harm"`          // what the crop suffered of late, in shares of what it may; see [Scene.suffers]
}

// How the price follows.
const (
	wearDay    = 24 * time.Hour
	wearMemory = time.Hour // of the rate
	// wearFollow is the time in which the price grows by e while twice to three times as much is switched as may be.
	wearFollow = 40 * time.Minute
	// wearMost is the highest price, as a factor: as much as some minutes at ten points from the aim.
	wearMost = 60.0
	// What is left of a budget is spread over the rest of its day, but between a quarter and twice of what an hour has in
	// the mean: nobody should notice when a day ends.
	wearLeast, wearTwice = 0.25, 2.0
)

// Shares of the time for which a budget may bring the crop's air out of the range of its humidity, and CO2 above its
// maximum.
const (
	mayBeOff   = 0.10
	mayBeStale = 0.02
)

// suffers is what the crop bears now for the plugs' sake, in parts of what it may.
func (sc *Scene) suffers() float64 {
	harm := 0.0
	in, band, most := &sc.Air.Inside, sc.Target.RelativeHumidity, sc.Target.CO2MaxPPM
	if e := in.RelativeHumidity; e.OK && (e.Value < band.Low || e.Value > band.High) {
		harm = 1 / mayBeOff
	}
	if room := sc.Air.Room.CO2; room.OK {
		most = bearable(most, room.Value)
	}
	if e := in.CO2; e.OK && sc.Target.CO2MaxPPM > 0 && e.Value > most {
		harm = 1 / mayBeStale
	}
	return harm
}

// follow takes a look at a plug.
func (w Wear) follow(spec *chamber.Plug, p *guard.Plug, suffers float64, now time.Time) Wear {
	budget := spec.SwitchingsPerDay
	if budget <= 0 {
		return Wear{}
	}
	mean := budget / wearDay.Hours()
	if w.From.IsZero() || now.Before(w.At) || !w.sane() {
		return Wear{From: now, At: now, Seen: p.Switches, Rate: mean}
	}
	dt := min(now.Sub(w.At), time.Minute)
	n := max(0, p.Switches-w.Seen)
	w.At, w.Seen = now, p.Switches
	if now.Sub(w.From) >= wearDay {
		w.From, w.Used = now, 0
	}
	w.Used += n
	memory := wearMemory.Hours()
	w.Rate = w.Rate*math.Exp(-dt.Hours()/memory) + float64(n)/memory
	left := (wearDay - now.Sub(w.From)).Hours()
	allowed := clamp((budget-float64(w.Used))/max(left, 0.5), wearLeast*mean, wearTwice*mean)
	w.Harm += (suffers - w.Harm) * dt.Hours() / memory
	over := clamp(min(math.Log(max(w.Rate, 1e-3*mean)/allowed), 1-w.Harm), -1, 1)
	w.Price = clamp(w.Price+over*dt.Seconds()/wearFollow.Seconds(), 0, math.Log(wearMost))
	return w
}

// GivesWay reports whether a budget of so many switchings a day gives way: more are made, and fewer would harm the crop.
func (w *Wear) GivesWay(budget float64) bool { return w.Harm > 0.5 && w.Rate > budget/wearDay.Hours() }

// Factor is by how much a switching is dearer than without a budget.
func (w *Wear) Factor() float64 { return math.Exp(w.Price) }

// sane reports whether it can be worked with: a stored state may hold anything.
func (w *Wear) sane() bool {
	return w.Rate >= 0 && w.Rate < 1e6 && w.Price >= 0 && w.Price <= math.Log(wearMost)+1e-9 && w.Used >= 0 && w.Seen >= 0 &&
		w.Harm >= 0 && w.Harm <= 1/min(mayBeOff, mayBeStale)+1e-9
}

// Package chamber holds the vocabulary of a fruiting chamber: what it measures, which plugs it has and what they
// say. Every other package of policy speaks in these terms.
//
// It must never decide anything. Start reading at [Spec].
package chamber

import (
	"fmt"
	"time"
)

// Quantity is what a sensor measures. Values are always SI as used throughout the program: relative humidity as a
// ratio 0..1, temperature in degrees Celsius, carbon dioxide as ppm by volume, illuminance in lux.
type Quantity uint8

// The quantities a sensor can measure.
const (
	RelativeHumidity Quantity = iota + 1
	Temperature
	CO2
	Illuminance
)

var quantityNames = [...]string{RelativeHumidity: "relative_humidity", Temperature: "temperature", CO2: "co2", Illuminance: "illuminance"}

// Quantities lists every quantity in the order in which tables show them.
func Quantities() []Quantity { return []Quantity{RelativeHumidity, Temperature, CO2, Illuminance} }

func (q Quantity) String() string { return nameOf(quantityNames[:], int(q)) }

// MarshalText gives the word used in the configuration.
func (q Quantity) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText accepts the words of the configuration.
func (q *Quantity) UnmarshalText(b []byte) error {
	i, err := indexOf(quantityNames[:], string(b), "quantity")
	*q = Quantity(i)
	return err
}

// Plausible reports whether v is a value that the quantity can physically have in air that people enter.
// Anything else is a broken reading and is never used.
func (q Quantity) Plausible(v float64) bool {
	lo, hi := q.Bounds()
	return v >= lo && v <= hi // false for NaN
}

// Bounds gives the lowest and highest plausible value. Capacitive humidity sensors report a little above
// saturation when wet, so a ratio up to 1.05 is taken (and clamped to 1 by the decoder). They report 0 when they are dead (common
// practice), and no air that people enter is drier than 1.5 %: a reading from 0 to 1 % is that, or a ratio taken for percent.
// Nor is any warmer than 60 °C: what reads so is in Fahrenheit, or the 85 °C that a common digital thermometer gives before its first
// measurement (common practice).
func (q Quantity) Bounds() (low, high float64) {
	switch q {
	case RelativeHumidity:
		return 0.015, 1.05
	case Temperature:
		return -40, 60
	case CO2:
		return 100, 100_000
	case Illuminance:
		return 0, 200_000
	}
	return 1, 0
}

// Place is where a sensor hangs.
type Place uint8

// The places.
const (
	Inside Place = iota + 1 // in the chamber
	Room                    // in the room whose air the chamber takes in
)

var placeNames = [...]string{Inside: "chamber", Room: "room"}

func (p Place) String() string { return nameOf(placeNames[:], int(p)) }

// MarshalText gives the word used in the configuration.
func (p Place) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText accepts the words of the configuration.
func (p *Place) UnmarshalText(b []byte) error {
	i, err := indexOf(placeNames[:], string(b), "place")
	*p = Place(i)
	return err
}

// Role is the one thing a plug does.
type Role uint8

// The roles.
const (
	Humidifier Role = iota + 1
	ExhaustFan
	CirculationFan
	Lamp
	Heater
	Cooler
)

var roleNames = [...]string{Humidifier: "humidifier", ExhaustFan: "exhaust_fan", CirculationFan: "circulation_fan", Lamp: "lamp", Heater: "heater", Cooler: "cooler"}

// Roles lists every role in the order in which tables show them.
func Roles() []Role {
	return []Role{Humidifier, ExhaustFan, CirculationFan, Lamp, Heater, Cooler}
}

func (r Role) String() string { return nameOf(roleNames[:], int(r)) }

// MarshalText gives the word used in the configuration.
func (r Role) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText accepts the words of the configuration.
func (r *Role) UnmarshalText(b []byte) error {
	i, err := indexOf(roleNames[:], string(b), "role")
	*r = Role(i)
	return err
}

// Spec is what the configuration says of one chamber: facts that do not change while it runs. It is shared between
// goroutines and never written after it was made.
type Spec struct {
	Name      string         `json:"name"`
	VolumeM3  float64        `json:"volume_m3"`
	AltitudeM float64        `json:"altitude_m"`
	Zone      *time.Location `json:"-"` // of the site; nil means UTC
	// AutoAdvance has batches moved to the stage that they have surely reached, without a person.
	AutoAdvance bool     `json:"auto_advance,omitempty"`
	Sensors     []Sensor `json:"sensors"`
	Plugs       []Plug   `json:"plugs"`
}

// Sensor is one measured quantity at one place. Its index in [Spec.Sensors] is its identity while the program runs;
// its name is what outlives a change of configuration.
type Sensor struct {
	Name                string        `json:"name"`
	Quantity            Quantity      `json:"quantity"`
	Place               Place         `json:"place"`
	MaxAge              time.Duration `json:"max_age"`              // older readings count as silence
	CompensatesPressure bool          `json:"compensates_pressure"` // CO2 only
	// Device names what the sensor is part of, where that is known: its quantities are measured at one spot.
	Device string `json:"device,omitempty"`
}

// Plug is a switched outlet with one role. Its index in [Spec.Plugs] is its identity while the program runs.
type Plug struct {
	Name            string        `json:"name"`
	Role            Role          `json:"role"`
	MinOn           time.Duration `json:"min_on"`
	MinOff          time.Duration `json:"min_off"`
	MaxOn           time.Duration `json:"max_on"`                     // 0: no limit (never 0 for humidifier and heater)
	OutputGPerH     float64       `json:"output_g_per_h,omitempty"`   // humidifier, rated; 0: unknown
	FlowM3PerH      float64       `json:"flow_m3_per_h,omitempty"`    // fans, rated; 0: unknown
	ReservoirLiters float64       `json:"reservoir_liters,omitempty"` // humidifier; 0: unknown
	WarnBefore      time.Duration `json:"warn_before,omitempty"`      // humidifier: before its water runs out; 0: a day
	CleanAfter      time.Duration `json:"clean_after,omitempty"`      // humidifier: its reservoir is due for cleaning; 0: a week
	CleanLiters     float64       `json:"clean_liters,omitempty"`     // humidifier: or when so much went through it; 0: 15 L
	Reports         bool          `json:"reports"`                    // has a state topic
	Meters          bool          `json:"meters"`                     // has a power topic
	Timed           bool          `json:"timed"`                      // understands "on for so many seconds"
	// SwitchingsPerDay is a budget of wear: how often it should be switched a day at the most, on and off each counting;
	// 0: none.
	SwitchingsPerDay float64 `json:"switchings_per_day,omitempty"`
	// Levels are the shares of full output at which a plug that can be dimmed, or has several speeds, may run, ascending,
	// each above 0 and at most 1. Nil: it is on or off.
	Levels []float64 `json:"levels,omitempty"`
}

// Modulates reports whether the plug runs at more than one level.
func (p *Plug) Modulates() bool { return len(p.Levels) > 0 }

// Least is the lowest output at which the plug runs, as a share of the full one.
func (p *Plug) Least() float64 {
	if p.Modulates() {
		return p.Levels[0]
	}
	return 1
}

// Most is the highest.
func (p *Plug) Most() float64 {
	if p.Modulates() {
		return p.Levels[len(p.Levels)-1]
	}
	return 1
}

// AtLeast is the lowest output not below a share of the full one, or the highest where all are below. It forgives a
// thousandth.
func (p *Plug) AtLeast(share float64) float64 {
	for _, l := range p.Levels {
		if l >= share-1e-3 {
			return l
		}
	}
	return p.Most()
}

// SameLevel is how far apart two outputs may be to count as the same: plugs round, and report what they rounded to.
const SameLevel = 0.04

// Order is what a plug is told.
type Order struct {
	On    bool
	Level float64       // share of full output, 0..1, of a plug that modulates; 0 with On: full
	For   time.Duration // it turns itself off after that, where it can; 0: it does not
}

// Output is the share of full output that the order asks for.
func (o Order) Output() float64 { return output(o.On, o.Level) }

func output(on bool, level float64) float64 {
	switch {
	case !on:
		return 0
	case level > 0:
		return level
	}
	return 1
}

// Plug returns the index of the first plug with that role, or -1.
func (s *Spec) Plug(r Role) int {
	for i := range s.Plugs {
		if s.Plugs[i].Role == r {
			return i
		}
	}
	return -1
}

// First returns the index of the first plug with the role of the i-th. Plugs of one role run together, as one device: the others do as
// that one, and what they give adds up.
func (s *Spec) First(i int) int { return s.Plug(s.Plugs[i].Role) }

// Rating is what the plugs of a role are rated for together, such as [Plug.FlowM3PerH]. One without a rating is taken to be like
// the others; 0: none has one.
func (s *Spec) Rating(r Role, of func(*Plug) float64) float64 {
	sum, rated, all := 0.0, 0.0, 0.0
	for i := range s.Plugs {
		if p := &s.Plugs[i]; p.Role == r {
			all++
			if v := of(p); v > 0 {
				sum, rated = sum+v, rated+1
			}
		}
	}
	if rated == 0 {
		return 0
	}
	return sum * all / rated
}

// Share is the part of what all plugs of its role give that the i-th is rated for; an equal part, where one has no rating.
func (s *Spec) Share(i int, of func(*Plug) float64) float64 {
	role, all, sum, even := s.Plugs[i].Role, 0.0, 0.0, false
	for j := range s.Plugs {
		if p := &s.Plugs[j]; p.Role == role {
			all, sum, even = all+1, sum+of(p), even || of(p) <= 0
		}
	}
	if even {
		return 1 / all
	}
	return of(&s.Plugs[i]) / sum
}

// Output and Flow are ratings of a plug, for [Spec.Rating] and [Spec.Share].
func Output(p *Plug) float64 { return p.OutputGPerH }

// Flow is [Output] for fans.
func Flow(p *Plug) float64 { return p.FlowM3PerH }

// Thermometer gives the index of the temperature sensor at the spot of a humidity sensor: the only one of the same
// device, which has no other humidity sensor. It is -1 where nobody can tell.
func (s *Spec) Thermometer(i int) int {
	found := -1
	for j := range s.Sensors {
		x := &s.Sensors[j]
		if j == i || s.Sensors[i].Device == "" || x.Device != s.Sensors[i].Device || x.Place != s.Sensors[i].Place {
			continue
		}
		switch {
		case x.Quantity == s.Sensors[i].Quantity, x.Quantity == Temperature && found >= 0:
			return -1
		case x.Quantity == Temperature:
			found = j
		}
	}
	return found
}

// Has reports whether a sensor of that quantity hangs at that place.
func (s *Spec) Has(q Quantity, p Place) bool {
	for i := range s.Sensors {
		if s.Sensors[i].Quantity == q && s.Sensors[i].Place == p {
			return true
		}
	}
	return false
}

// Only gives the index of the sensor of that quantity at that place where there is just one, else -1.
func (s *Spec) Only(q Quantity, p Place) int {
	only := -1
	for i := range s.Sensors {
		if s.Sensors[i].Quantity == q && s.Sensors[i].Place == p {
			if only >= 0 {
				return -1
			}
			only = i
		}
	}
	return only
}

// Reading is one value that a sensor delivered, already in the program's units and plausible.
type Reading struct {
	Sensor   int       `json:"sensor"` // index in Spec.Sensors
	Value    float64   `json:"value"`
	At       time.Time `json:"at"`                 // arrival, on the keeper's clock
	Retained bool      `json:"retained,omitempty"` // last known, age unknown: shown, never used
}

// Liveness is what a sensor's liveness topic says: false means that its maker declared it gone.
type Liveness struct {
	Sensor int       `json:"sensor"`
	Alive  bool      `json:"alive"`
	At     time.Time `json:"at"`
}

// Refusal says that a sensor spoke and could not be used: not what the configuration says of it, a value that cannot be, or too old.
type Refusal struct {
	Sensor int       `json:"sensor"`
	Old    bool      `json:"old,omitempty"` // for nothing but its own time stamp
	At     time.Time `json:"at"`
}

// PlugReport is what a plug says of itself: its state, its power, or both.
type PlugReport struct {
	Plug     int       `json:"plug"` // index in Spec.Plugs
	At       time.Time `json:"at"`
	HasOn    bool      `json:"has_on,omitempty"`
	On       bool      `json:"on,omitempty"`
	Level    float64   `json:"level,omitempty"` // share of full output; 0 with On: it does not say, or full
	HasWatts bool      `json:"has_watts,omitempty"`
	Watts    float64   `json:"watts,omitempty"`
	Retained bool      `json:"retained,omitempty"`
}

// Band is a range with the value to aim at: Low ≤ Aim ≤ High.
type Band struct {
	Low  float64 `json:"low"`
	Aim  float64 `json:"aim"`
	High float64 `json:"high"`
}

// Holds reports whether v lies in the band.
func (b Band) Holds(v float64) bool { return v >= b.Low && v <= b.High }

func nameOf(names []string, i int) string {
	if i > 0 && i < len(names) {
		return names[i]
	}
	return fmt.Sprintf("unknown(%d)", i)
}

func indexOf(names []string, word, kind string) (int, error) {
	for i := 1; i < len(names); i++ {
		if names[i] == word {
			return i, nil
		}
	}
	return 0, fmt.Errorf("%q is no %s", word, kind)
}

// Estimate is the voted value of one quantity at one place.
type Estimate struct {
	Value float64   `json:"value"`
	OK    bool      `json:"ok"`          // false: no fresh, trusted reading; Value is then the last known
	At    time.Time `json:"at,omitzero"` // of the newest reading that took part
	Used  int       `json:"used"`        // how many sensors took part
}

// Heard reports whether there is a value to show, fresh or not. A retained copy has a value and no time: its age is not known.
func (e *Estimate) Heard() bool { return e.OK || !e.At.IsZero() || e.Value != 0 }

// Air is the voted state of the air, by place and quantity.
type Air struct {
	Inside Measured `json:"chamber"`
	Room   Measured `json:"room"`
}

// Measured holds one estimate for each quantity.
type Measured struct {
	RelativeHumidity Estimate `json:"relative_humidity"`
	Temperature      Estimate `json:"temperature"`
	CO2              Estimate `json:"co2"`
	Illuminance      Estimate `json:"illuminance"`
}

// Of returns the estimate of one quantity at one place.
func (a *Air) Of(p Place, q Quantity) *Estimate {
	set := &a.Inside
	if p == Room {
		set = &a.Room
	}
	switch q {
	case Temperature:
		return &set.Temperature
	case CO2:
		return &set.CO2
	case Illuminance:
		return &set.Illuminance
	}
	return &set.RelativeHumidity
}

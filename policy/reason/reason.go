// Package reason holds the reasons behind a decision as data: a code, the numbers that decided, and until when it
// holds. Words are made at the edge, so that a page, a command and a test read the same reason.
//
// It must never hold prose. Start reading at [Reason].
package reason

import (
	"math"
	"time"

	"gillkeeper/policy/chamber"
)

// Code names why. Codes are stable: journals and dashboards keep them.
type Code string

// The codes. The comment says which fields of [Reason] carry what.
const (
	NoBatch         Code = "no_batch"        // nothing grows here: the plug rests
	NoTarget        Code = "no_target"       // no row of the climate table fits
	BelowAim        Code = "below_aim"       // Quantity, Value, Bound = switching point
	AboveAim        Code = "above_aim"       // Quantity, Value, Bound
	StaleRoom       Code = "stale_room"      // fresh air from a room that is itself no fresher than the maximum: Quantity, Value, Bound = switching point, Predicted = what the room's is taken for
	InBand          Code = "in_band"         // Quantity, Value, Bound = aim
	Pulse           Code = "pulse"           // For = length, Predicted = what it is expected to reach
	WaitEffect      Code = "wait_effect"     // the last pulse has not shown yet: Until
	TooCoarse       Code = "too_coarse"      // the shortest run would lead further off than rest: Quantity, Value, Bound = aim, Predicted
	FanLoss         Code = "fan_loss"        // mist timed with the fan: Value = grams the fan will carry off
	AirOutTooWet    Code = "air_out_too_wet" // drying by fan: Value = chamber vapor pressure, Bound = room's, Pa
	RoomNoHelp      Code = "room_no_help"    // the room's air would not help: humidity: Value = room, Bound = chamber, Pa; CO2: Value = chamber, Bound = what the room's is taken for
	FreshAir        Code = "fresh_air"       // fresh air by the clock: Value = air changes per hour wanted
	Photoperiod     Code = "photoperiod"     // lamp: Value = hours of light, Until = next change
	MinOn           Code = "min_on"          // held on: Until
	MinOff          Code = "min_off"         // held off: Until
	MaxOn           Code = "max_on"          // longest run reached: Value = seconds run
	Hand            Code = "hand"            // under a person's hand: Until
	HandAtPlug      Code = "hand_at_plug"    // switched at the plug itself: Until
	Fallback        Code = "fallback"        // Quantity has no usable reading; Value = duty used
	NoSensor        Code = "no_sensor"       // Quantity is not measured at all
	HeaterNoReading Code = "heater_no_reading"
	ReservoirDry    Code = "reservoir_dry" // Until = next probe
	Interlock       Code = "interlock"     // Other = the plug that forbids
	Repeat          Code = "repeat"        // wanted state sent again: the plug disagrees
	Remind          Code = "remind"        // wanted state sent again: the plug never says what it does
	LinkDown        Code = "link_down"     // the broker is away: nothing is sent
	Observe         Code = "observe"       // decided and shown, not commanded
	ChamberOpen     Code = "chamber_open"  // door open: rest until it is shut
	Planned         Code = "planned"       // chosen by the plan: Plan, Value = its cost, Bound = that of doing otherwise
	Prove           Code = "prove"         // air without mist, to see whether the sensors of Quantity dip: Until
	Purge           Code = "purge"         // a longer fan run to learn the air flow: Until
)

// Reason is one ground of a decision.
type Reason struct {
	Code      Code             `json:"code"`
	Quantity  chamber.Quantity `json:"quantity,omitempty"`
	Value     float64          `json:"value"`
	Bound     float64          `json:"bound"`
	Predicted float64          `json:"predicted"`
	For       time.Duration    `json:"for,omitempty"`
	Until     time.Time        `json:"until,omitzero"`
	Other     string           `json:"other,omitempty"`
	Plan      *Plan            `json:"plan,omitempty"` // what was expected; nobody may write to it
}

// Plan is what a plan expects of the next minutes with a run of one plug and without it, the other plugs as planned.
// One of the two was chosen.
type Plan struct {
	Ahead   time.Duration `json:"ahead"`           // how far it looks
	Runs    bool          `json:"runs"`            // the run was chosen, not the rest
	In      time.Duration `json:"in,omitempty"`    // until the run begins; of a plug that runs and is to rest, until it ends
	For     time.Duration `json:"for"`             // its length; of a plug that runs, what is left of it, or how much longer it might have run
	Level   float64       `json:"level,omitempty"` // share of full output, of a plug that modulates
	Now     Air           `json:"now"`
	With    Course        `json:"with"`
	Without Course        `json:"without"` // of a plug that runs: with its end as soon as may be
	Decided Cost          `json:"decided,omitempty"`
	Trim    float64       `json:"trim,omitempty"` // relative humidity taken off the aim, beside which it stood for long
}

// Air is the air of the chamber: relative humidity as a ratio, CO2 in ppm (0: nobody measures it), degrees Celsius.
type Air struct {
	RH   float64 `json:"rh"`
	CO2  float64 `json:"co2_ppm"`
	AirC float64 `json:"air_c"`
}

// Course is how the air is expected to go: the lowest and highest values on the way, and the last.
type Course struct {
	Low  Air `json:"low"`
	High Air `json:"high"`
	End  Air `json:"end"`
}

// Cost names what a plan avoids. Of all costs the one that decided is that by which the way not chosen would have cost
// most more than the way chosen.
type Cost string

// The costs.
const (
	TooDry    Cost = "too_dry"   // air drier than the aim
	TooWet    Cost = "too_wet"   // air wetter than the aim
	TooStale  Cost = "too_stale" // CO2 near or above its maximum
	TooFresh  Cost = "too_fresh" // CO2 below the least that is wanted
	Sooner    Cost = "sooner"    // that the plugs would have to switch again sooner
	Switching Cost = "switching" // wear of a switching
	Water     Cost = "water"
	FanRun    Cost = "fan_run" // the fan's running
)

// Take widens the course by one more value of the air.
func (c *Course) Take(a Air) {
	c.Low = Air{min(c.Low.RH, a.RH), min(c.Low.CO2, a.CO2), min(c.Low.AirC, a.AirC)}
	c.High = Air{max(c.High.RH, a.RH), max(c.High.CO2, a.CO2), max(c.High.AirC, a.AirC)}
	c.End = a
}

// Rounded gives the air to a thousandth, a ppm and a tenth of a degree: finer is no forecast.
func (a Air) Rounded() Air {
	return Air{math.Round(a.RH*1000) / 1000, math.Round(a.CO2), math.Round(a.AirC*10) / 10}
}

// Rounded rounds each value of the course.
func (c Course) Rounded() Course {
	return Course{c.Low.Rounded(), c.High.Rounded(), c.End.Rounded()}
}

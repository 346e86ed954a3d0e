// Package reason holds the reasons behind a decision as data: a code, the numbers that decided, and until when it
// holds. Words are made at the edge, so that a page, a command and a test read the same reason.
//
// It must never hold prose. Start reading at [Reason].
package reason

import (
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
	InBand          Code = "in_band"         // Quantity, Value, Bound = aim
	Pulse           Code = "pulse"           // For = length, Predicted = what it is expected to reach
	WaitEffect      Code = "wait_effect"     // the last pulse has not shown yet: Until
	TooCoarse       Code = "too_coarse"      // the shortest run would lead further off than rest: Quantity, Value, Bound = aim, Predicted
	FanLoss         Code = "fan_loss"        // mist timed with the fan: Value = grams the fan will carry off
	AirOutTooWet    Code = "air_out_too_wet" // drying by fan: Value = chamber vapor pressure, Bound = room's, Pa
	RoomNoHelp      Code = "room_no_help"    // the room's air would not help: Value = room, Bound = wanted
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
	LinkDown        Code = "link_down"     // the broker is away: nothing is sent
	Observe         Code = "observe"       // decided and shown, not commanded
	ChamberOpen     Code = "chamber_open"  // door open: rest until it is shut
	Planned         Code = "planned"       // chosen by the plan: Value = cost with, Bound = cost without
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
}

// Package alarm holds the detectors, the life of an alarm in the words of ISA-18.2 and IEC 62682, and what is known
// of the humidifier's water.
//
// One step of a chamber calls, in this order: [Detectors.WatchSensors], which names the sensors not to be used;
// [Reservoir.Advance]; [Detectors.Detect], which gives one condition for each alarm; and [Advance], which turns
// conditions into the lives of alarms and says what changed.
//
// It must never command a plug, and never rest on a reading that is stale, retained or suspect. Start reading at
// [Declared] and [Advance].
package alarm

import (
	"encoding/json"
	"time"

	"gillkeeper/policy/chamber"
)

// Name is an alarm's name as metrics and commands show it.
type Name string

// The alarms that can occur.
const (
	HumidityLow     Name = "humidity_low"
	HumidityHigh    Name = "humidity_high"
	CO2High         Name = "co2_high"
	TemperatureLow  Name = "temperature_low"
	TemperatureHigh Name = "temperature_high"
	ReservoirLow    Name = "reservoir_low"
	ReservoirDry    Name = "reservoir_dry"
	HumidifierWeak  Name = "humidifier_weak"
	FanFailed       Name = "fan_failed"
	FilterClogged   Name = "filter_clogged"
	PlugDisobeys    Name = "plug_disobeys"
	SensorSilent    Name = "sensor_silent"
	SensorStuck     Name = "sensor_stuck"
	SensorDisagrees Name = "sensor_disagrees"
	ChamberOpen     Name = "chamber_open"
	RoomCO2Unsafe   Name = "room_co2_unsafe"
	HarvestDue      Name = "harvest_due"
	StageOverdue    Name = "stage_overdue"
	BrokerLost      Name = "broker_lost"
	FallbackActive  Name = "fallback_active"
	JournalFailing  Name = "journal_failing"
	CleaningDue     Name = "cleaning_due"
)

// N is how many alarms there are.
const N = 22

// names gives each alarm its place in the arrays. New alarms go to the end of it.
var names = [N]Name{
	HumidityLow, HumidityHigh, CO2High, TemperatureLow, TemperatureHigh, ReservoirLow, ReservoirDry, HumidifierWeak,
	FanFailed, FilterClogged, PlugDisobeys, SensorSilent, SensorStuck, SensorDisagrees, ChamberOpen, RoomCO2Unsafe,
	HarvestDue, StageOverdue, BrokerLost, FallbackActive, JournalFailing, CleaningDue,
}

var places = func() map[Name]int {
	m := make(map[Name]int, N)
	for i, n := range names {
		m[n] = i
	}
	return m
}()

// Names lists every alarm, in the order of [Declared] and of [Conditions].
func Names() [N]Name { return names }

// Index gives an alarm's place in [Conditions] and [State.Lives], or -1 for a name that is none.
func (n Name) Index() int {
	if i, ok := places[n]; ok {
		return i
	}
	return -1
}

// Code says more about a condition than its alarm's name does. Codes are stable: journals keep them.
type Code string

// The codes.
const (
	EndOfRange   Code = "end_of_range"   // humidity_high: the reading stands at the end of what the sensor can show
	StuckOn      Code = "stuck_on"       // plug_disobeys: told off and yet on
	StuckOff     Code = "stuck_off"      // plug_disobeys: told on and yet off
	Unheard      Code = "unheard"        // plug_disobeys: it says nothing; Value is 1 where it was on when it last did
	NothingHeard Code = "nothing_heard"  // plug_disobeys: neither sensors nor plugs of the chamber speak
	Unusable     Code = "unusable"       // sensor_silent: it speaks, and what it says cannot be used
	Outdated     Code = "outdated"       // sensor_silent: what it says is old by its own time stamps
	Seldom       Code = "seldom"         // sensor_silent: it comes back by itself each time, and is silent again
	Constant     Code = "constant"       // sensor_stuck: exactly the same value for too long
	Saturated    Code = "saturated"      // sensor_stuck: a humidity sensor that stays at saturation
	Jumped       Code = "jumped"         // sensor_disagrees: a step that the air cannot have made
	Drifted      Code = "drifted"        // sensor_disagrees: the only one of humidity reads higher than the water used allows
	Rezeroed     Code = "rezeroed"       // sensor_disagrees: a CO2 sensor that takes its chamber's lowest air for outdoor air
	Outlier      Code = "outlier"        // sensor_disagrees: one sensor against the middle of three or more
	Moved        Code = "moved"          // sensor_disagrees: elsewhere than it usually is, seen from the others
	Pair         Code = "pair"           // sensor_disagrees: two sensors apart, neither known to be wrong
	BelowRoom    Code = "below_room"     // sensor_disagrees: CO2 in the chamber reads below the room's
	NoPower      Code = "no_power"       // fan_failed: on, and draws none
	NoEffect     Code = "no_effect"      // fan_failed: on, and the air does not change
	Severe       Code = "severe"         // filter_clogged, humidifier_weak: little is left
	EightHours   Code = "eight_hours"    // room_co2_unsafe: mean over eight hours
	QuarterHour  Code = "quarter_hour"   // room_co2_unsafe: mean over fifteen minutes
	AtOnce       Code = "at_once"        // room_co2_unsafe: a single reading
	LinkBreaks   Code = "link_breaks"    // broker_lost: the connection comes back each time, and breaks off again soon
	SetAside     Code = "set_aside"      // journal_failing: its file was damaged; a new one is kept
	TakenAway    Code = "taken_away"     // journal_failing: somebody took its file away; a new one is kept
	ByPower      Code = "by_power"       // reservoir_dry: the plug's power fell
	ByResponse   Code = "by_response"    // reservoir_dry: the air did not answer to mist
	ByWaterCount Code = "by_water_count" // reservoir_low: the water balance
	ByDays       Code = "by_days"        // cleaning_due: so long since it was cleaned
	ByLiters     Code = "by_liters"      // cleaning_due: so much water since
)

// Past reports whether the code is of something that happened and is not there for a time: nobody need be told that it is over.
func (c Code) Past() bool { return c == SetAside || c == TakenAway }

// Condition is what a detector says of one alarm now. Units are those of the quantity; a share is 0..1.
type Condition struct {
	Active   bool             `json:"active,omitempty"`
	Unknown  bool             `json:"unknown,omitempty"` // cannot be told now: the alarm stays as it is
	Code     Code             `json:"code,omitempty"`
	Quantity chamber.Quantity `json:"quantity,omitzero"`
	Value    float64          `json:"value,omitempty"`
	Bound    float64          `json:"bound,omitempty"`
	About    string           `json:"about,omitempty"` // the sensor, plug, batch or file; the first when there are several
	Also     string           `json:"also,omitempty"`  // the others, with commas between them
	Since    time.Time        `json:"since,omitzero"`
	// By is when it will matter at the present pace; zero: not known, or now.
	By time.Time `json:"by,omitzero"`
	// Instances has a bit for each sensor, plug or batch concerned, by its index modulo 64; a new one alarms anew.
	Instances uint64 `json:"instances,omitempty"`
	// Cause is the alarm that this one follows from. It is then attached to that one and not sent by itself.
	Cause Name `json:"cause,omitempty"`
	// Suppress asks for suppression by design, because of Cause.
	Suppress bool `json:"suppress,omitempty"`
	// ByHand: it can come from what somebody switched at a plug, and is not sent by itself for as long.
	ByHand bool `json:"by_hand,omitempty"`
	// Worse raises the priority by one step above the declared one.
	Worse bool `json:"worse,omitempty"`
}

// Priority is that of an alarm with this condition.
func (c *Condition) Priority(n Name) Priority {
	p := Of(n).Priority
	if c.Worse && p < Urgent {
		p++
	}
	return p
}

// also names one more that a condition is about.
func (c *Condition) also(name string) {
	if c.Also != "" {
		name = c.Also + ", " + name
	}
	c.Also = name
}

// Names are all that a condition is about.
func (c *Condition) Names() string {
	if c.Also == "" {
		return c.About
	}
	return c.About + ", " + c.Also
}

// Instance is the bit of a sensor, plug or batch by its index in Instances.
func Instance(i int) uint64 { return 1 << uint(i%64) }

// Conditions holds one condition for each alarm, by [Name.Index].
type Conditions [N]Condition

// Of returns the condition of one alarm, for reading and writing. It panics on a name that is none.
func (c *Conditions) Of(n Name) *Condition { return &c[n.Index()] }

// State is the life of every alarm of one chamber. The zero value is a chamber in which all is normal.
type State struct {
	Now   time.Time // of the last step
	Lives [N]Life   // by [Name.Index]
}

// Of returns the life of one alarm. It panics on a name that is none.
func (s *State) Of(n Name) *Life { return &s.Lives[n.Index()] }

// Active reports whether the alarm stands: raised and not returned to normal, or latched. Shelved, suppressed and
// out of service do not count.
func (s *State) Active(n Name) bool { return s.Of(n).Phase.Active() }

// Meet takes note that a person did what an alarm asks for. Its off-delay is for readings that come and go: where somebody acted, it
// ends in the next step in which its condition does not hold, and stands on where it still does.
func (s State) Meet(n Name) State {
	s.Of(n).Met = true
	return s
}

// stateJSON keeps only what is not at rest, by name, so that a new alarm in a later version moves nothing.
type stateJSON struct {
	Now   time.Time  `json:"now,omitzero"`
	Lives []lifeJSON `json:"lives,omitempty"`
}

type lifeJSON struct {
	Alarm Name `json:"alarm"`
	Life
}

// MarshalJSON writes the alarms that are not at rest, in the order of [Names].
func (s State) MarshalJSON() ([]byte, error) {
	j := stateJSON{Now: s.Now}
	for i := range s.Lives {
		if s.Lives[i] != (Life{}) {
			j.Lives = append(j.Lives, lifeJSON{names[i], s.Lives[i]})
		}
	}
	return json.Marshal(j)
}

// UnmarshalJSON reads what MarshalJSON wrote. An alarm that this version does not know is left out.
func (s *State) UnmarshalJSON(b []byte) error {
	var j stateJSON
	if err := json.Unmarshal(b, &j); err != nil {
		return err
	}
	*s = State{Now: j.Now}
	for _, l := range j.Lives {
		if i := l.Alarm.Index(); i >= 0 {
			s.Lives[i] = l.Life
		}
	}
	return nil
}

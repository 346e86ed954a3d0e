package alarm

import (
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/learn"
)

// Evidence is everything that the detectors may look at in one step. Whoever fills it leaves out nothing on purpose:
// a field at its zero value means "not known", and the detector that needs it stays silent.
type Evidence struct {
	Now    time.Time
	Spec   *chamber.Spec
	Target crop.Target
	// Air is the voted air of this step. It must not rest on the sensors that [Detectors.WatchSensors] named.
	Air chamber.Air
	// Heeded is what is not in Air, because the only sensor of it seems to have jumped, but plugs go by it all the same.
	Heeded chamber.Air
	// Foreseen is what sensors in the chamber are to read now by what was learned of it.
	Foreseen learn.Foreseen
	// Likely is how this step's readings surprised the learner.
	Likely learn.Likely
	// Vapor is what moves the vapor of the chamber, as learned, and Jumps how often that was found to be another chamber.
	Vapor  learn.Vapor
	Jumps  int
	Jumped learn.Jumped // what did so the last time
	// Sensors has one view for each of Spec.Sensors.
	Sensors []SensorView
	// Plugs has one for each of Spec.Plugs, after this step's reports.
	Plugs []guard.Plug
	// Readings and Reports are those that came since the last step, in order; retained ones are left aside here.
	Readings []chamber.Reading
	Reports  []chamber.PlugReport

	Link           bool      // commands can leave and readings arrive
	LinkLost       time.Time // since when not
	LinkSince      time.Time // when they last could anew
	JournalFailing bool
	Anew           Anew // that the journal was begun anew since the last step
	// Fallback lists the quantities for which a plug runs its learned duty.
	Fallback []chamber.Quantity
	// HarvestDue and StageOverdue come from the crop.
	HarvestDue   Due
	StageOverdue Due

	Reservoir *Reservoir // after this step's Advance; nil: no humidifier
	// Learned is what was identified of the chamber, where it is known well enough.
	Learned Learned
	// Lives are the alarms as the last step left them; nil: all are in service.
	Lives *State
}

func (e *Evidence) outOfService(n Name) bool {
	return e.Lives != nil && e.Lives.Of(n).Phase == OutOfService
}

// met reports whether a person has just done what an alarm asks for.
func (e *Evidence) met(n Name) bool { return e.Lives != nil && e.Lives.Of(n).Met }

// wetter is how many times as much vapor saturated air in the chamber holds as the room's; 0: not known.
func (e *Evidence) wetter() float64 {
	full, ok := vaporDensity(e.Air.Inside.Temperature.Value, 1)
	if !ok || !e.Air.Inside.Temperature.OK {
		return 0
	}
	return full / e.roomMoist().Vapor
}

// SensorView is what is known of one sensor.
type SensorView struct {
	Fresh       bool      // a live reading within MaxAge, and not declared gone
	Silent      bool      // no live reading for longer than MaxAge, or declared gone
	SilentSince time.Time // when Silent
	Every       float64   // seconds between two readings, when it reports too seldom for its MaxAge; 0: it does not
	Refused     bool      // when Silent: it speaks, and cannot be used
	Old         bool      // when Refused: for its own time stamps alone
	Value       float64   // of the newest live reading, when Fresh
	At          time.Time
}

// Due is something the crop asks of a person.
type Due struct {
	Active bool
	Batch  string // the one that has waited longest
	Since  time.Time
	Others []string // batches of which the same is due
	// Instances has a bit for each batch, as that of a [Condition] has for sensors.
	Instances uint64
}

// Learned is what was identified of the chamber, each with its relative standard deviation. A value of 0 means not
// known.
type Learned struct {
	Flow   float64 // of the exhaust fan, in any unit that does not change
	FlowSD float64
	Mist   float64 // mist for a second of on-time, the same
	MistSD float64
	Crop   float64 // CO2 that the crop gives off in the mean of a day, the same
	// MistInDoubt says that mist has not shown as it did, for long.
	MistInDoubt bool
	Exchange
}

// Exchange is what moves the CO2 of a chamber.
type Exchange struct {
	Made float64 `json:"made"` // by the crop, ppm a second; 0: not known
	Fan  float64 `json:"fan"`  // air changes a second by the fan at full speed
	Leak float64 `json:"leak"` // air changes a second without it
	Room float64 `json:"room"` // CO2 of the room as the chamber's sensor would show it, ppm
}

// Package policy decides what to do in one chamber at one moment, and why: values in, values out.
//
// [Policy.Step] takes the chamber's state and what happened since, and gives the next state and a decision. The same
// state and inputs give the same decision, bit for bit, on every machine; so a recorded night can be replayed.
//
// It must never do I/O, read a clock, start a goroutine, log, or depend on the order of a map. Start reading at
// [Policy.Step].
package policy

import (
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/calibration"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/control"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/learn"
	"gillkeeper/policy/reason"
	"gillkeeper/policy/species"
)

// Policy is everything that stays the same from step to step: the chamber's facts and the climate table. It is
// immutable and may be shared.
type Policy struct {
	Spec     *chamber.Spec
	Climates *species.Table
	Observe  bool // decide and show, command nothing
	Rules    bool // never plan by what was learned: the rules alone decide
	NoPurge  bool // never run the fan longer only to learn from it
}

// Input is what happened since the last step.
type Input struct {
	// Now is the keeper's steady clock: it never goes back while a process lives. All durations rest on it.
	Now time.Time `json:"now"`
	// Wall is the calendar's clock, which people and daylight saving may move. Only the photoperiod rests on it.
	Wall time.Time `json:"wall"`
	// Link is whether commands can leave now.
	Link bool `json:"link"`
	// LinkUp is set once after the broker's connection (re)opened: plug states are read anew and the wanted
	// state is sent again.
	LinkUp bool `json:"link_up,omitempty"`
	// Readings, Liveness, Refusals and Reports are in order of arrival.
	Readings []chamber.Reading    `json:"readings,omitempty"`
	Liveness []chamber.Liveness   `json:"liveness,omitempty"`
	Refusals []chamber.Refusal    `json:"refusals,omitempty"`
	Reports  []chamber.PlugReport `json:"reports,omitempty"`
	// Unsent lists plugs whose last command did not leave (index in Spec.Plugs).
	Unsent []int `json:"unsent,omitempty"`
	// Actions are what people did, already checked by [Policy.Check] and durable.
	Actions []Action `json:"actions,omitempty"`
	// JournalFailing is whether the store refuses to be written.
	JournalFailing bool `json:"journal_failing,omitempty"`
	// JournalAnew is that the store's file was damaged, or taken away, and begun anew: once for each time.
	JournalAnew alarm.Anew `json:"journal_anew,omitzero"`
}

// State is a chamber's whole state: one value that can be written, sent and resumed. It marshals to JSON and back
// without loss.
type State struct {
	Schema    int                `json:"schema"`
	Now       time.Time          `json:"now"` // of the last step
	Air       chamber.Air        `json:"air"`
	Sensors   []SensorState      `json:"sensors"` // one for each of Spec.Sensors
	Plugs     []guard.Plug       `json:"plugs"`   // one for each of Spec.Plugs
	Crop      crop.State         `json:"crop"`
	Target    crop.Target        `json:"target"`
	Control   control.State      `json:"control"`
	Learn     learn.State        `json:"learn"` // what is known of the chamber by watching it
	Purge     Purge              `json:"purge,omitzero"`
	Reservoir alarm.Reservoir    `json:"reservoir"`
	Filling   *Filling           `json:"filling,omitempty"` // the last refill, while it can be taken back; never written to
	Detectors alarm.Detectors    `json:"detectors"`
	Alarms    alarm.State        `json:"alarms"`
	Totals    Totals             `json:"totals"`
	LinkLost  time.Time          `json:"link_lost,omitzero"`  // since when the broker is away; zero: it is there
	LinkSince time.Time          `json:"link_since,omitzero"` // since when it is there
	Woke      time.Time          `json:"woke,omitzero"`       // when the program last came out of a sleep, such as that of its machine
	Short     []chamber.Quantity `json:"short,omitempty"`     // quantities that some plug runs without: fallback
	Beside    *Beside            `json:"beside,omitempty"`    // while it only observes
	Done      []string           `json:"done,omitempty"`      // IDs of the last actions, so that none is done twice
}

// SensorState is what is known of one sensor.
type SensorState struct {
	Name    string    `json:"name"`
	Value   float64   `json:"value"`            // last trusted-or-not value, corrected
	At      time.Time `json:"at,omitzero"`      // of the last fresh reading; zero: none yet
	Watched time.Time `json:"watched,omitzero"` // since when it is listened to
	Known   bool      `json:"known"`            // Value holds something
	Live    bool      `json:"live"`             // Value came from a fresh reading, not a retained copy
	Dead    bool      `json:"dead,omitempty"`   // its liveness topic says gone
	Silent  bool      `json:"silent,omitempty"` // no fresh reading within MaxAge
	Refused time.Time `json:"refused,omitzero"` // of the last message that could not be used
	Old     bool      `json:"old,omitempty"`    // for its own time stamp alone
	Seldom  float64   `json:"seldom,omitempty"` // times that it was silent and came back by itself, faded by readings in time
	Pause   float64   `json:"pause,omitempty"`  // seconds between two readings, the last time
	Suspect string    `json:"suspect,omitempty"`
	Spot    Spot      `json:"spot,omitzero"`   // how it usually reads beside the others
	Taught  time.Time `json:"taught,omitzero"` // when a reading of it was last told to the learner

	Raw         float64                  `json:"raw"`                  // the last reading as the sensor gave it
	RawAt       time.Time                `json:"raw_at,omitzero"`      // of the last fresh one, whether used or not
	Calibration calibration.Correction   `json:"calibration,omitzero"` // zero: none
	Earlier     []calibration.Correction `json:"earlier,omitempty"`    // corrections before it, the newest first
	Aside       time.Time                `json:"aside,omitzero"`       // until then its readings are watched, not used
}

// Fresh reports whether the sensor's last reading is not too old to count now. Whether it is believed is another matter.
func (x *SensorState) Fresh(spec *chamber.Sensor, now time.Time) bool {
	return x.Live && !x.Silent && now.Sub(x.At) <= spec.MaxAge
}

// Filling is a refill that a person said, and the reservoir as it was before.
type Filling struct {
	ID     string          `json:"id"`
	At     time.Time       `json:"at"` // steady time
	Before alarm.Reservoir `json:"before"`
}

// Totals are the counters that only ever grow and survive a restart.
type Totals struct {
	InRange []RangeTotal `json:"in_range,omitempty"` // by stage and quantity
	Stages  []StageTotal `json:"stages,omitempty"`   // by batch, species, stage and flush
	// Harvests are of the flushes that once were said to have given more than they are now.
	Harvests []HarvestTotal `json:"harvests,omitempty"`
}

// RangeTotal counts for how long a quantity was observed, and in range, during a stage.
type RangeTotal struct {
	Quantity        chamber.Quantity `json:"quantity"`
	Stage           species.Stage    `json:"stage"`
	ObservedSeconds float64          `json:"observed_seconds"`
	InRangeSeconds  float64          `json:"in_range_seconds"`
	// The same of the time in which the reservoir was dry, which is part of both.
	DryObserved float64 `json:"dry_observed_seconds,omitempty"`
	DryInRange  float64 `json:"dry_in_range_seconds,omitempty"`
}

// StageTotal counts for how long a batch was in a stage of a flush.
type StageTotal struct {
	Batch   string        `json:"batch"`
	Species string        `json:"species"`
	Stage   species.Stage `json:"stage"`
	Flush   int           `json:"flush"`
	Seconds float64       `json:"seconds"`
}

// HarvestTotal is the most that a flush was ever said to have given. What is undone or corrected afterward lowers the record, and
// no counter.
type HarvestTotal struct {
	Batch   string  `json:"batch"`
	Species string  `json:"species"`
	Flush   int     `json:"flush"`
	FreshG  float64 `json:"fresh_g"`
}

// Decision is what to do now.
type Decision struct {
	At     time.Time      `json:"at"`
	Plugs  []PlugDecision `json:"plugs"` // one for each of Spec.Plugs
	Wake   time.Time      `json:"wake"`  // step again at the latest then
	Events []Event        `json:"events,omitempty"`
}

// PlugDecision is what one plug should do, and why.
type PlugDecision struct {
	On      bool            `json:"on"`
	Level   float64         `json:"level,omitempty"` // with On: share of full output of a plug that modulates; 0: full
	Send    bool            `json:"send,omitempty"`  // publish the command now
	For     time.Duration   `json:"for,omitempty"`   // with a timed payload: switch off by itself after this
	Reasons []reason.Reason `json:"reasons"`         // the strongest first
}

// Order is what the plug is told.
func (d *PlugDecision) Order() chamber.Order {
	return chamber.Order{On: d.On, Level: d.Level, For: d.For}
}

// Event is something worth keeping: a switch, an alarm's change, a person's action, a hand at the plug.
type Event struct {
	At        time.Time        `json:"at"`
	Kind      EventKind        `json:"kind"`
	Plug      string           `json:"plug,omitempty"`
	On        bool             `json:"on,omitempty"`
	Alarm     alarm.Name       `json:"alarm,omitempty"`
	Phase     string           `json:"phase,omitempty"`
	Priority  string           `json:"priority,omitempty"`
	Notify    bool             `json:"notify,omitempty"` // a person should be told
	Condition *alarm.Condition `json:"condition,omitempty"`
	Action    *Action          `json:"action,omitempty"`
	Reasons   []reason.Reason  `json:"reasons,omitempty"`
}

// Code is that of the alarm's condition; "" where there is none.
func (e *Event) Code() alarm.Code {
	if e.Condition == nil {
		return ""
	}
	return e.Condition.Code
}

// EventKind names what happened.
type EventKind string

// The kinds of events.
const (
	PlugSwitched EventKind = "plug_switched" // commanded on or off
	PlugByHand   EventKind = "plug_by_hand"  // switched at the plug itself
	HandOver     EventKind = "hand_over"     // a hand's time is up: control resumes
	AlarmChanged EventKind = "alarm_changed"
	PersonActed  EventKind = "person_acted"
	RefillSeen   EventKind = "refill_seen" // noticed, not said
)

// Snapshot is an immutable picture of one chamber for pages, commands and metrics. Nobody may write to what it
// points at.
type Snapshot struct {
	Spec     *chamber.Spec `json:"spec"`
	Wall     time.Time     `json:"wall"`
	State    State         `json:"state"`
	Decision Decision      `json:"decision"`
	Observe  bool          `json:"observe"`
	// Proposals are the stages that batches seem to have reached.
	Proposals []crop.Proposal `json:"proposals,omitempty"`
}

// Wear gives what a plug's budget of switchings has come to; nil where it has none.
func (s *Snapshot) Wear(plug int) *control.Wear {
	if plug >= len(s.Spec.Plugs) || s.Spec.Plugs[plug].SwitchingsPerDay == 0 {
		return nil
	}
	w := &s.State.Control.FanWear
	if s.Spec.Plugs[plug].Role == chamber.Humidifier {
		w = &s.State.Control.MistWear
	}
	if w.From.IsZero() {
		return nil
	}
	return w
}

// Modulates reports whether a plug of the picture runs at more than one level.
func (s *Snapshot) Modulates(plug int) bool {
	return plug < len(s.Spec.Plugs) && s.Spec.Plugs[plug].Modulates()
}

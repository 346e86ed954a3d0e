package policy

import (
	"bytes"
	"encoding/json"
	"time"

	"gillkeeper/policy/calibration"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/species"
)

// ActionKind names what a person did.
type ActionKind string

// The kinds of actions.
const (
	// BatchAdd: Batch, Species, Strain, Supplements, Position, SubstrateKg, DryKg, Inoculated, Stage
	BatchAdd    ActionKind = "batch_add"
	BatchRetire ActionKind = "batch_retire" // Batch
	StageSet    ActionKind = "stage_set"    // Batch, Stage
	HarvestDone ActionKind = "harvest"      // Batch, FreshG, Done, Marks, Photos
	LossSeen    ActionKind = "loss"         // Batch, Cause, Grams
	NoteMade    ActionKind = "note"         // Batch, Note, Photos
	Undo        ActionKind = "undo"         // Batch, Of
	Correct     ActionKind = "correct"      // Batch, Of, Amended
	Import      ActionKind = "import"       // Entries: all of them or none

	Refilled    ActionKind = "refill"       // Liters; 0 means full; Cleaned
	RefillUndo  ActionKind = "refill_undo"  // Of: the last refill, at most [RefillUndoFor] ago
	HandSet     ActionKind = "hand"         // Plug, Hand, For
	AlarmAck    ActionKind = "alarm_ack"    // Alarm
	AlarmShelve ActionKind = "alarm_shelve" // Alarm, For

	AlarmUnack        ActionKind = "alarm_unack"          // Alarm
	AlarmUnshelve     ActionKind = "alarm_unshelve"       // Alarm
	AlarmOutOfService ActionKind = "alarm_out_of_service" // Alarm
	AlarmInService    ActionKind = "alarm_in_service"     // Alarm

	Calibrate      ActionKind = "calibrate"       // Sensor, Calibration
	CalibrateClear ActionKind = "calibrate_clear" // Sensor
	SensorAside    ActionKind = "sensor_aside"    // Sensor, For; 0 takes it back
)

// Action is what a person did. Which fields count depends on Kind.
type Action struct {
	ID          string        `json:"id"` // unique, made at the edge; the same action twice is done once
	Kind        ActionKind    `json:"kind"`
	At          time.Time     `json:"at"`            // wall time
	By          string        `json:"by,omitempty"`  // how it came: command, page, topic
	When        time.Time     `json:"when,omitzero"` // wall time for which an entry of the crop's record holds; zero: At
	Batch       string        `json:"batch,omitempty"`
	Species     string        `json:"species,omitempty"`
	Strain      string        `json:"strain,omitempty"`
	SubstrateKg float64       `json:"substrate_kg,omitempty"`
	DryKg       float64       `json:"dry_kg,omitempty"`
	Stage       species.Stage `json:"stage,omitempty"`
	FreshG      float64       `json:"fresh_g,omitempty"`
	Done        bool          `json:"done,omitempty"`
	Liters      float64       `json:"liters,omitempty"`
	Cleaned     bool          `json:"cleaned,omitempty"` // the reservoir was cleaned before
	Plug        string        `json:"plug,omitempty"`    // a plug's name or role
	Hand        Hand          `json:"hand,omitempty"`
	For         time.Duration `json:"for,omitempty"`
	Alarm       string        `json:"alarm,omitempty"`
	Note        string        `json:"note,omitempty"`
	Sensor      string        `json:"sensor,omitempty"`
	// Calibration is the correction with the readings that it rests on. Nobody writes to what it points at.
	Calibration *calibration.Correction `json:"calibration,omitempty"`

	Supplements string         `json:"supplements,omitempty"`
	Position    string         `json:"position,omitempty"`
	Inoculated  time.Time      `json:"inoculated,omitzero"`
	Marks       []string       `json:"marks,omitempty"`
	Photos      []string       `json:"photos,omitempty"`
	Cause       crop.LossCause `json:"cause,omitempty"`
	Grams       float64        `json:"grams,omitempty"`
	Of          string         `json:"of,omitempty"`      // ID of the entry that is undone or corrected
	Amended     *Action        `json:"amended,omitempty"` // what that entry says from now on; the old one stays written down
	Entries     []Action       `json:"entries,omitempty"`
	// Outcome is what became of the batches by an entry that reaches into the past, see [Policy.Settle].
	Outcome *Outcome `json:"outcome,omitempty"`
}

// resent is how long after an action it may be sent again because the answer was lost. What says "six hours ago" names a moment that
// is as much later then.
const resent = 10 * time.Minute

// Repeats reports whether the action asks for what another one did: it is that one, sent again because the answer was lost. When it was
// sent, and what was worked out from what it says, may differ; the batch of an entry that corrects another is worked out.
func (a *Action) Repeats(of *Action) bool {
	if !aboutSame(a.When, of.When) || !aboutSame(a.Inoculated, of.Inoculated) || (a.Amended == nil) != (of.Amended == nil) {
		return false
	}
	if a.Amended != nil && !a.Amended.Repeats(of.Amended) {
		return false
	}
	x, y := a.asked(), of.asked()
	if x.Batch == "" {
		y.Batch = ""
	}
	// As they are written down: so a field that is added some day counts too, and an empty list is none.
	one, err := json.Marshal(&x)
	other, fault := json.Marshal(&y)
	return err == nil && fault == nil && bytes.Equal(one, other)
}

// asked is what the action asks for: without when and how it came, what was worked out, and what [Action.Repeats] compares apart.
func (a *Action) asked() Action {
	b := *a
	b.ID, b.At, b.By, b.When, b.Inoculated, b.Amended, b.Outcome = "", time.Time{}, "", time.Time{}, time.Time{}, nil, nil
	if a.Calibration != nil {
		c := *a.Calibration
		c.At, c.Before, c.Drift = time.Time{}, time.Time{}, 0
		b.Calibration = &c
	}
	return b
}

func aboutSame(a, b time.Time) bool {
	return a.IsZero() == b.IsZero() && (a.IsZero() || a.Sub(b).Abs() <= resent)
}

// Hand is what a person wants of a plug.
type Hand string

// The words of the hand command.
const (
	HandOn   Hand = "on"
	HandOff  Hand = "off"
	HandAuto Hand = "auto"
)

// Refusal says why an action cannot be done: which field, what it was, what is allowed, and the nearest right word
// where there is one. Its message is one line that says what, where and what to do.
type Refusal struct {
	Field   string // as in the action's JSON
	Value   string
	Allowed string // what to do instead
	Missing bool   // the thing named does not exist
	Unfit   bool   // it exists, and this cannot be done with it as it stands; Allowed says why
}

func (r *Refusal) Error() string {
	s := r.Field + " " + quoted(r.Value)
	switch {
	case r.Unfit:
		return s + ": " + r.Allowed
	case r.Missing:
		s += " does not exist"
	default:
		s += " is not allowed"
	}
	if r.Allowed != "" {
		s += "; " + r.Allowed
	}
	return s
}

func quoted(s string) string { return `"` + s + `"` }

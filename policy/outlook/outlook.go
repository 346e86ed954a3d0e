// Package outlook answers a grower who wants to leave for some days: when the reservoir runs dry, what comes due, how
// likely the air stays in range, what no sensor would show, and what to do before leaving.
//
// It runs the real policy from the chamber's present state on simulated chambers: what was learned is taken with its
// uncertainty, what was not is drawn from the family of such chambers, and the room's weather goes on as it was of late,
// each time a little differently. So an answer is a range and never a single number.
//
// It must never change the state that it is given, or do I/O; whoever asks shares the runs out over processors. Start
// reading at [Question.Run] and [Sum].
package outlook

import (
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
)

// Question is what is asked, and everything that the answer rests on. It is not written to.
type Question struct {
	Policy *policy.Policy
	State  policy.State  // of the chamber, as it stands
	Wall   time.Time     // the calendar at State.Now
	For    time.Duration // how long the grower is away; at most [Longest]
	Room   Room          // the air that the chamber takes in, as it was of late
	Told   bool          // somebody would be told of an alarm
	// OwnDoubt is by how much crop and grower move the use of water from day to day besides the weather, as a relative
	// standard deviation; see [UsualDoubt].
	OwnDoubt float64
	// Thorough simulates all of the time asked for, and not some hours of it in each run: minutes instead of seconds.
	Thorough bool
}

// The bounds of a question.
const (
	Longest     = 14 * 24 * time.Hour
	UsualDoubt  = 0.15
	UsualRuns   = 32 // that an answer rests on
	LeastRuns   = 8  // below which there is no answer
	draws       = 20 // of rate and water left, for each run
	earlyShare  = 0.10
	lateShare   = 0.90
	doubtful    = 0.50 // chance of staying in range below which nobody should leave
	leastDutyH  = 6.0  // hours that the present use must rest on to be believed
	fullDutyH   = 24.0 // and to be believed wholly: a day and a night
	ownDay      = 0.25 // relative standard deviation of a day's use about that of other days
	leastDuty   = 1e-4 // below which nothing is told from never
	unknownRate = 300  // g/h of one disc, where there is no rating
)

// Verdict is the plain answer.
type Verdict string

// The answers.
const (
	Leave      Verdict = "leave"
	LeaveAfter Verdict = "leave_after" // what Deeds say
	Stay       Verdict = "do_not_leave"
)

// Outlook is the answer.
type Outlook struct {
	Chamber  string        `json:"chamber"`
	From     time.Time     `json:"from"` // on the calendar, as all moments here
	For      time.Duration `json:"for"`
	Runs     int           `json:"runs"`
	Learned  bool          `json:"learned"` // the chamber is known by its own readings, not by what such chambers are
	Thorough bool          `json:"thorough"`

	Verdict Verdict       `json:"verdict"`
	Because []Reason      `json:"because,omitempty"` // why not to leave
	Deeds   []Deed        `json:"deeds"`             // before leaving, the most needed first
	SafeFor time.Duration `json:"safe_for"`          // how long to be away at the most by water and crop, all deeds done

	Water  *Water     `json:"water,omitempty"` // nil: no humidifier
	Ranges []Range    `json:"ranges"`
	Due    []Due      `json:"due"`
	Gaps   []Gap      `json:"gaps"`   // what no sensor would show
	Stands []Standing `json:"stands"` // alarms that stand now
}

// Water is when the humidifier's reservoir runs dry.
type Water struct {
	Known    bool    `json:"known"` // how much is in it now
	Liters   float64 `json:"liters"`
	PerDay   float64 `json:"liters_per_day"` // likely, over the time away
	Now      Dry     `json:"now"`            // with what is in it
	Full     Dry     `json:"full"`           // when it is filled before leaving
	Capacity float64 `json:"capacity_liters,omitempty"`
	// AtPresent is when it runs dry at the use of the last UsedHours, a day at most, and nothing else: what is told of the reservoir
	// elsewhere. 0 hours: it cannot be told.
	AtPresent time.Duration `json:"at_present"`
	UsedHours float64       `json:"used_hours"`
	DryNow    bool          `json:"dry_now"`
	RateKnown bool          `json:"rate_known"` // the draw was seen from full to dry, not read off a label
}

// Dry is when a reservoir runs dry, as time from now. Beyond the time asked for it goes on at the use of the last day.
type Dry struct {
	OK       bool          `json:"ok"`
	Earliest time.Duration `json:"earliest"` // one time in ten it is before that
	Likely   time.Duration `json:"likely"`   // half the times
	Latest   time.Duration `json:"latest"`   // nine times in ten it is before that
	Chance   float64       `json:"chance"`   // of running dry within the time asked for
}

// Range is how a quantity is likely to be kept, provided that the reservoir does not run dry.
type Range struct {
	Quantity chamber.Quantity `json:"quantity"`
	Share    float64          `json:"share"`  // of the time in range, half the times
	Low      float64          `json:"low"`    // one time in ten it is less
	Chance   float64          `json:"chance"` // that no alarm of it is raised
}

// Due is something of a batch that comes due while the grower is away, or is due already.
type Due struct {
	crop.Due
	Harvest bool `json:"harvest"` // picking, not only a stage's end
	Already bool `json:"already"`
	Over    bool `json:"over"` // its latest usual time comes before the return
}

// Standing is an alarm that stands now.
type Standing struct {
	Alarm    alarm.Name     `json:"alarm"`
	Code     alarm.Code     `json:"code,omitempty"`
	Priority alarm.Priority `json:"priority"`
}

// DeedKind names something to do before leaving.
type DeedKind string

// The deeds.
const (
	FillReservoir DeedKind = "fill_reservoir"
	Pick          DeedKind = "pick"          // Batch
	PickRest      DeedKind = "pick_rest"     // Batch, of whose flush some is picked
	MendAlarm     DeedKind = "mend_alarm"    // Alarm
	BeTold        DeedKind = "be_told"       // nobody would hear of an alarm
	AskRefill     DeedKind = "ask_refill"    // somebody must fill up By
	AskPick       DeedKind = "ask_pick"      // somebody must pick Batch By
	MeasureWater  DeedKind = "measure_water" // how much is in the reservoir is not known
)

// Deed is something to do before leaving.
type Deed struct {
	Kind  DeedKind   `json:"kind"`
	Must  bool       `json:"must"` // do not leave without it
	Batch string     `json:"batch,omitempty"`
	Alarm alarm.Name `json:"alarm,omitempty"`
	Code  alarm.Code `json:"code,omitempty"` // of the alarm
	By    time.Time  `json:"by,omitzero"`
}

// ReasonKind names why not to leave.
type ReasonKind string

// The reasons.
const (
	RunsDry    ReasonKind = "runs_dry"     // even when full; At the earliest
	Overripe   ReasonKind = "overripe"     // Batch, At
	OutOfRange ReasonKind = "out_of_range" // Quantity, Chance
	Unlearned  ReasonKind = "unlearned"    // nothing is known of the chamber yet
)

// Reason is why not to leave.
type Reason struct {
	Kind     ReasonKind       `json:"kind"`
	Batch    string           `json:"batch,omitempty"`
	Quantity chamber.Quantity `json:"quantity,omitzero"`
	Chance   float64          `json:"chance,omitempty"`
	At       time.Time        `json:"at,omitzero"`
}

// GapKind names something that could go wrong and that nothing would show.
type GapKind string

// The gaps.
const (
	NotMeasured   GapKind = "not_measured"   // Quantity in the chamber
	OneSensor     GapKind = "one_sensor"     // Quantity: if it lies, little or nothing contradicts it
	RoomUnknown   GapKind = "room_unknown"   // Quantity in the room: its weather is guessed
	NoReport      GapKind = "no_report"      // Plug does not say whether it obeys
	NoMeter       GapKind = "no_meter"       // Plug: a dry or dead humidifier shows only by the air's answer
	NoTimer       GapKind = "no_timer"       // Plug stays on if the program or the network dies while it runs
	RateByLabel   GapKind = "rate_by_label"  // no filling was seen from full to dry yet
	HeatUnlearned GapKind = "heat_unlearned" // heater or cooler are simulated as typical
)

// Gap is something that could go wrong and that nothing would show.
type Gap struct {
	Kind     GapKind          `json:"kind"`
	Quantity chamber.Quantity `json:"quantity,omitzero"`
	Plug     string           `json:"plug,omitempty"`
}

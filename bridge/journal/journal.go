package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"time"

	"gillkeeper/policy"
)

// Journal is the store. It may be used by many goroutines at once. Every implementation passes the same suite of
// tests.
type Journal interface {
	// Act stores what a person did. When it returns without an error the action survives a power cut. Seq grows
	// with every action of the journal. The same action again, by its ID, is stored once and gives the first Seq; the same
	// ID for another chamber, or for an action that says something else, gives [ErrIDTaken].
	Act(ctx context.Context, chamber string, a policy.Action) (seq int64, err error)
	// Switch stores commands before they leave. When it returns without an error they survive the end of the
	// process at any instruction (a power cut may take the last seconds of them). It goes before Save, Note, Minutes
	// and Prune and waits for no more than one short transaction of theirs.
	Switch(ctx context.Context, sw []Switched) error
	// Save stores snapshots of chambers, each whole or not at all, and drops the switches before them. A snapshot that
	// has applied fewer actions than the stored one is refused with [ErrBehind]; the others are stored all the same.
	Save(ctx context.Context, snaps []Saved) error
	// Note adds events to the log in their order. The first n were stored, also when err is not nil: repeat the rest.
	Note(ctx context.Context, events []Noted) (n int, err error)
	// Minutes stores aggregates; one of the same series and start replaces the stored one, so a batch can be repeated.
	Minutes(ctx context.Context, ms []Minute) error

	// Load gives the last snapshot of a chamber and what came after it.
	Load(ctx context.Context, chamber string) (Loaded, error)
	// Events gives logged events of one chamber, oldest first. It yields at most one error, as the last pair.
	Events(ctx context.Context, q EventQuery) iter.Seq2[Noted, error]
	// LastSwitches gives for each plug of the chamber its last plug_switched event at or before a moment, in order of
	// the plugs' names.
	LastSwitches(ctx context.Context, chamber string, at time.Time) ([]policy.Event, error)
	// Actions gives what people did, in order of Seq; with a batch's name it is that batch's history. It yields at most
	// one error, as the last pair.
	Actions(ctx context.Context, q ActionQuery) iter.Seq2[Acted, error]
	// History gives aggregates of one chamber in order of time, then place and quantity. It yields at most one error, as
	// the last pair.
	History(ctx context.Context, q HistoryQuery) iter.Seq2[Minute, error]
	// Latest is the latest moment that anything in the journal carries; zero when it is empty. A paced clock starts
	// there, so that time does not go back.
	Latest(ctx context.Context) (time.Time, error)

	// Prune forgets events and aggregates by age and puts older aggregates together, in transactions as short as those of
	// Note, and says by how many there are fewer. Actions and snapshots are kept for ever: they are the grower's record.
	Prune(ctx context.Context, r Retention) (int64, error)
	// Close ends the journal. What was stored stays stored.
	Close() error
}

// What a journal can answer beside faults of the disk. Test for them with errors.Is. The last two only come of opening, which says
// which file it is about.
var (
	ErrClosed  = errors.New("journal: it is closed")
	ErrIDTaken = errors.New("journal: the action's id belongs to another action; give it a new one")
	ErrBehind  = errors.New("journal: the snapshot has applied fewer actions than the stored one; load the chamber first")
	ErrLocked  = errors.New("another process or journal has the file open; stop it first")
	ErrNewer   = errors.New("the file was made by a newer gillkeeper; run that one, or move the file away")
)

// Switched is a command to a plug, written ahead.
type Switched struct {
	Chamber string
	Plug    string
	On      bool
	At      time.Time // on the keeper's clock
}

// Saved is a chamber's whole state at a moment.
type Saved struct {
	Chamber string
	Seq     int64           // of the last action that State has applied; 0: none
	At      time.Time       // on the keeper's clock
	State   json.RawMessage // a [policy.State]
}

// Noted is an event of one chamber.
type Noted struct {
	Chamber string
	Event   policy.Event
}

// Acted is a stored action.
type Acted struct {
	Seq     int64
	Chamber string
	Action  policy.Action
}

// Loaded is what a chamber resumes from.
type Loaded struct {
	OK    bool  // there is a snapshot
	Saved Saved // the last one, when OK
	// Actions came after the snapshot (Seq above Saved.Seq), in order. Without a snapshot: all.
	Actions []Acted
	// Switches were written at or after Saved.At, in order of writing. One at Saved.At itself may already be part of
	// State; to apply it again must change nothing.
	Switches []Switched
}

// EventQuery says which events: those at or after From and before To. A zero field does not narrow.
type EventQuery struct {
	Chamber string // must be given
	From    time.Time
	To      time.Time
	Kinds   []policy.EventKind
	Plug    string
	Newest  int // only the newest so many, still oldest first; 0: all
}

// ActionQuery says which actions: those at or after From and before To. A zero field does not narrow.
type ActionQuery struct {
	Chamber string
	Batch   string
	From    time.Time
	To      time.Time
	Kinds   []policy.ActionKind
}

// Span is the least width of an aggregate.
const Span = time.Minute

// Minute is one aggregate of one series over [Minute.Span] from Start on.
type Minute struct {
	Chamber string
	// Place is "chamber" or "room"; for a plug, the plug's name; or [PlaceTarget], [PlaceLearned].
	Place string
	// Quantity is the configuration's word for what was measured, or one of the words beside [PlugOn].
	Quantity string
	Start    time.Time
	Span     time.Duration // 0: one minute
	// Mean, Min and Max are in the unit of the quantity's metric. For a plug Mean is the share of time on.
	Mean, Min, Max float64
	N              int // how many values they rest on
	// Seconds in range; for a plug, on.
	Seconds float64
}

// HistoryQuery says which aggregates: those that start at or after From and before To. A zero field does not narrow.
type HistoryQuery struct {
	Chamber  string // must be given
	Place    string
	Quantity string
	Without  []string // places to leave out, which spares the time to read them
	From     time.Time
	To       time.Time
	// Step puts aggregates together to that width, on whole multiples of it since 1970 UTC; 0: as stored.
	Step time.Duration
}

// Retention says from which moment on things are kept. Zero keeps them all.
type Retention struct {
	Events  time.Time
	Minutes time.Time // aggregates of any width
	// Aggregates before these moments are put together to ten minutes, and to hours, instead of being forgotten.
	ByTen, ByHour time.Time
}

var errNoChamber = errors.New("journal: name the chamber to ask for")

// checkAction says what is wrong with an action before it is stored.
func checkAction(chamber string, a *policy.Action) error {
	switch {
	case chamber == "":
		return errors.New("journal: an action needs a chamber")
	case a.ID == "":
		return errors.New("journal: an action needs an id, so that it is done only once")
	}
	return checkTime("action", a.At)
}

// The years that nanoseconds since 1970 in 64 bits can hold.
var (
	earliest = time.Date(1678, 1, 1, 0, 0, 0, 0, time.UTC)
	latest   = time.Date(2262, 1, 1, 0, 0, 0, 0, time.UTC)
)

func checkTime(what string, t time.Time) error {
	if !t.IsZero() && (t.Before(earliest) || t.After(latest)) {
		return fmt.Errorf("journal: the time of the %s, %s, is outside the years 1678 to 2261", what, t.Format(time.RFC3339))
	}
	return nil
}

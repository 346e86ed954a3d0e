package alarm

import (
	"slices"
	"time"
)

// Phase is an alarm's state as ISA-18.2 and IEC 62682 name them (letters A to I in the standards' state diagram).
type Phase uint8

// The states.
const (
	Normal                 Phase = iota // A
	Unacknowledged                      // B
	Acknowledged                        // C
	ReturnedUnacknowledged              // D: returned to normal, unacknowledged
	LatchedUnacknowledged               // E
	LatchedAcknowledged                 // F
	Shelved                             // G: by a person, with an end
	SuppressedByDesign                  // H: by a stated cause
	OutOfService                        // I: by a person, without an end
)

var phaseNames = [...]string{
	"normal", "unacknowledged", "acknowledged", "returned_unacknowledged", "latched_unacknowledged",
	"latched_acknowledged", "shelved", "suppressed_by_design", "out_of_service",
}

func (p Phase) String() string {
	if int(p) < len(phaseNames) {
		return phaseNames[p]
	}
	return "unknown"
}

// MarshalText gives the word for the state.
func (p Phase) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText accepts the words that MarshalText gives. An unknown word is taken as normal: the conditions raise the
// alarm again if it stands.
func (p *Phase) UnmarshalText(b []byte) error {
	*p = Phase(max(0, slices.Index(phaseNames[:], string(b))))
	return nil
}

// Active reports whether the state is one in which the alarm stands.
func (p Phase) Active() bool {
	return p == Unacknowledged || p == Acknowledged || p == LatchedUnacknowledged || p == LatchedAcknowledged
}

// Life is one alarm's life. Times passed are kept as durations that only grow by steady time, so that a clock set
// back does no harm.
type Life struct {
	Phase Phase     `json:"phase,omitzero"`
	Since time.Time `json:"since,omitzero"` // of the phase
	// Condition is the newest active condition; once the alarm has returned unacknowledged, the last one that it stood for.
	Condition Condition `json:"condition,omitzero"`
	Raised    time.Time `json:"raised,omitzero"` // when it last became unacknowledged

	Standing bool          `json:"standing,omitempty"` // the condition after on-delay and off-delay
	Early    bool          `json:"early,omitempty"`    // it stands before its on-delay is over, for what follows from it
	Seen     bool          `json:"seen,omitempty"`     // the condition as of the last step
	Met      bool          `json:"met,omitempty"`      // a person did what it asks for since: it ends with its condition, without the off-delay
	Hushed   bool          `json:"hushed,omitempty"`   // it was suppressed when it was last active, and has not ceased for as long as the off-delay
	OnFor    time.Duration `json:"on_for,omitempty"`   // active without a break
	OffFor   time.Duration `json:"off_for,omitempty"`  // inactive without a break
	AloneFor time.Duration `json:"alone_for,omitempty"`

	Told      bool          `json:"told,omitempty"`       // this occurrence was sent
	EverTold  bool          `json:"ever_told,omitempty"`  // SinceTold means something
	SinceTold time.Duration `json:"since_told,omitempty"` // up to a day
	LastTold  uint64        `json:"last_told,omitempty"`  // instances that were sent
	// Gone are those of them that were not concerned any more a while later: back again, they are news.
	Gone      uint64        `json:"gone,omitempty"`
	ToldAt    time.Time     `json:"told_at,omitzero"` // of the last that was sent
	SpreadFor time.Duration `json:"spread_for,omitempty"`
	CalmFor   time.Duration `json:"calm_for,omitempty"` // that it has been normal since it last stood, up to a day
	News      bool          `json:"news,omitempty"`     // it had been normal for so long that it is news, however short a while ago it was told
	Anew      int           `json:"anew,omitempty"`     // times in a row that it was told for that

	Raises     int           `json:"raises,omitempty"`      // in a row, each within [chatterWindow] of the one before
	SinceRaise time.Duration `json:"since_raise,omitempty"` // up to a day

	ShelvedLeft     time.Duration `json:"shelved_left,omitempty"`
	WasAcknowledged bool          `json:"was_acknowledged,omitempty"` // before it was suppressed
	WasTold         bool          `json:"was_told,omitempty"`         // the same: it had been sent, and has not ceased since
	// Unacked is the phase to which taking the last acknowledgment back leads; Normal: there is none to take back.
	Unacked Phase `json:"unacked,omitzero"`
}

// Change is one transition of one alarm, or word of an alarm that was held back until now (From == To).
type Change struct {
	Alarm     Name      `json:"alarm"`
	Priority  Priority  `json:"priority"`
	From      Phase     `json:"from"`
	To        Phase     `json:"to"`
	At        time.Time `json:"at"`
	Condition Condition `json:"condition"`
	// Notify: a person should be told. Not set when it follows from another alarm, or was told a short while ago.
	Notify bool `json:"notify,omitempty"`
}

// The bounds of an alarm's life.
const (
	// maxStep is the longest time between two steps that counts toward a delay: what happened while the program was
	// down is not known.
	maxStep = 5 * time.Minute
	// chatterWindow: an alarm raised again within it is restless, and its off-delay doubles each time.
	chatterWindow = time.Hour
	chatterMost   = 4 // doublings
	// calmAfter: an alarm that has been normal for so long is news when it comes again, however short a while ago it was told. Each
	// time in a row it must have been normal for twice as long, up to [Priority.again]: one that comes and goes by the hour is told of
	// once more, not all day.
	calmAfter = time.Hour
	// earlyTold: an alarm that was raised for what follows from it is told when it has lasted for so long. That costs the crop nothing,
	// and a sensor that only got wet is mostly dry by then.
	earlyTold = 10 * time.Minute
	// handMost: an alarm that a hand at a plug explains waits to be told for so long at the most. A plug that is switched over and over
	// has other controls on it, and nobody there.
	handMost = 30 * time.Minute
	// dayLong bounds timers that only matter within a day.
	dayLong = 24 * time.Hour
)

// Advance takes every alarm one step further: what the conditions make of it, in steady time. It never blocks on the
// clock: a now before the last one counts as no time passed.
func Advance(s State, now time.Time, conditions Conditions) (State, []Change) {
	var passed time.Duration
	if !s.Now.IsZero() && now.After(s.Now) {
		passed = now.Sub(s.Now)
	}
	s.Now = now
	var changes []Change
	for i := range s.Lives {
		l := &s.Lives[i]
		from := l.Phase
		l.age(passed)
		if l.EverTold {
			l.calm(&Declared[i], &conditions[i], min(passed, maxStep))
		}
		l.observe(&Declared[i], conditions[i], min(passed, maxStep))
		to := l.next(&Declared[i], &conditions[i])
		if to != from {
			l.enter(to, now)
		}
		notify := l.tell(&Declared[i], min(passed, maxStep), now)
		if to != from || notify {
			changes = append(changes, change(i, from, to, now, l, notify))
		}
	}
	for i := range s.Lives {
		if l, d := &s.Lives[i], &Declared[i]; l.Phase.Active() && l.Seen && slices.Contains(d.FollowsFrom, l.Condition.Cause) {
			changes = s.bear(l.Condition.Cause, d.OnDelay, now, &conditions, changes)
		}
	}
	return s, changes
}

// bear raises what a standing alarm follows from, however long its own on-delay is: it is that alarm's cause, and people look for it and
// hear of it in its place.
func (s *State) bear(root Name, follower time.Duration, now time.Time, conditions *Conditions, changes []Change) []Change {
	i := root.Index()
	l, c := &s.Lives[i], &conditions[i]
	if l.Standing || !c.Active || c.Suppress || l.OnFor < follower || l.Phase == OutOfService {
		return changes
	}
	l.Standing, l.Early, l.Condition = true, true, *c
	from := l.Phase
	if to := l.next(&Declared[i], c); to != from {
		l.enter(to, now)
		changes = append(changes, change(i, from, to, now, l, false))
	}
	return changes
}

// age lets the timers run that run in every state.
func (l *Life) age(passed time.Duration) {
	if l.Phase == Shelved {
		l.ShelvedLeft -= passed
	}
	if l.EverTold {
		l.SinceTold = min(dayLong, l.SinceTold+passed)
	}
	if l.Raises > 0 {
		l.SinceRaise = min(dayLong, l.SinceRaise+passed)
	}
}

// calm counts for how long it has been normal. Normal for as long as it is kept from being told again, all is as if it never was.
func (l *Life) calm(d *Declaration, c *Condition, passed time.Duration) {
	if l.Standing || c.Active || c.Unknown || l.Phase == Shelved || l.Phase == OutOfService {
		return
	}
	if l.CalmFor = min(dayLong, l.CalmFor+passed); l.CalmFor >= d.Priority.again() {
		l.Anew = 0
	}
}

// observe runs on-delay and off-delay.
func (l *Life) observe(d *Declaration, c Condition, passed time.Duration) {
	switch {
	case l.Phase == OutOfService:
		l.Standing, l.Early, l.Seen, l.Met, l.Hushed, l.OnFor, l.OffFor = false, false, false, false, false, 0, 0
		return
	case c.Unknown:
		l.Hushed = l.Hushed && c.Suppress
		return
	case c.Active:
		if l.Hushed && !c.Suppress && !l.Standing {
			l.OnFor = 0 // a suppressed condition starts its delay anew when it is released
		}
		if l.Seen {
			l.OnFor += passed
		}
		l.Seen, l.OffFor, l.Hushed, l.Met = true, 0, c.Suppress, false
		if l.EverTold && l.SinceTold >= d.Priority.again() {
			l.Gone |= l.LastTold &^ c.Instances
		}
		switch {
		case !c.Suppress && l.OnFor >= d.OnDelay:
			l.Standing, l.Early = true, false
		case c.Suppress && l.Phase == Shelved:
			l.Standing, l.Early = false, false // when the shelf's time is over it is nothing yet to be raised
		}
		if l.Phase != ReturnedUnacknowledged || l.Standing { // what it said before it was over is not what may come again
			l.Condition = c
		}
	default:
		if !l.Seen {
			l.OffFor += passed
		}
		l.Seen, l.OnFor = false, 0
		if l.Met || l.OffFor >= l.offDelay(d) {
			l.Standing, l.Early, l.OffFor, l.Hushed, l.Met = false, false, 0, false, false
			l.WasAcknowledged, l.WasTold = false, false
		}
	}
}

// offDelay grows when the alarm comes and goes: chattering is damped by keeping it, not by hiding it.
func (l *Life) offDelay(d *Declaration) time.Duration {
	return d.OffDelay << min(max(l.Raises-2, 0), chatterMost)
}

// spread reports whether a condition concerns a sensor or plug that nobody was told of.
func (l *Life) spread(c *Condition) bool { return c.Instances&^(l.LastTold&^l.Gone) != 0 }

// next is the state diagram.
func (l *Life) next(d *Declaration, c *Condition) Phase {
	p := l.Phase
	switch p {
	case OutOfService:
		return p
	case Shelved:
		if l.ShelvedLeft > 0 {
			return p
		}
		return standingOr(l.Standing && !c.Suppress, Unacknowledged, Normal)
	case SuppressedByDesign:
		if c.Suppress || l.Hushed {
			return p // a condition that comes and goes stays suppressed over its off-delay
		}
		if l.Standing && l.WasAcknowledged {
			return Acknowledged
		}
		return standingOr(l.Standing, Unacknowledged, Normal)
	}
	if c.Suppress && (c.Active && l.OnFor >= d.OnDelay || p.Active()) {
		return SuppressedByDesign
	}
	if l.Standing {
		if p == Acknowledged && !l.spread(c) {
			return Acknowledged
		}
		return Unacknowledged
	}
	switch {
	case p == Unacknowledged && d.Latched:
		return LatchedUnacknowledged
	case p == Unacknowledged:
		return ReturnedUnacknowledged
	case p == Acknowledged && d.Latched:
		return LatchedAcknowledged
	case p == Acknowledged:
		return Normal
	}
	return p
}

func standingOr(standing bool, yes, no Phase) Phase {
	if standing {
		return yes
	}
	return no
}

// enter keeps the books of a transition.
func (l *Life) enter(to Phase, now time.Time) {
	if to == SuppressedByDesign {
		l.WasAcknowledged, l.WasTold = l.Phase == Acknowledged, l.Phase.Active() && l.Standing && l.Told
	}
	same := l.Phase == SuppressedByDesign && l.WasTold // it stood all the time, and whoever was told knows
	if to == Unacknowledged && !same {
		if l.Raises == 0 || l.SinceRaise > chatterWindow {
			l.Raises = 0
		}
		l.Raises = min(l.Raises+1, chatterMost+2)
		l.SinceRaise, l.Raised, l.Told, l.AloneFor = 0, now, false, 0
		l.News, l.CalmFor = l.CalmFor >= calmAfter<<l.Anew, 0
		if l.Phase == Shelved && l.ShelvedLeft <= 0 { // it was put off until now, however short a while ago it was told
			l.EverTold = false
		}
	}
	if to == Normal || to == Acknowledged {
		l.LastTold, l.Gone = l.Condition.Instances, 0
	}
	if to != Shelved {
		l.ShelvedLeft = 0
	}
	switch ceased := l.Phase == Acknowledged && l.Unacked != Normal; {
	case ceased && to == Normal:
		l.Unacked = ReturnedUnacknowledged
	case ceased && to == LatchedAcknowledged:
		l.Unacked = LatchedUnacknowledged
	default:
		l.Unacked = Normal
	}
	l.Phase, l.Since = to, now
}

// tell decides whether a person is to hear of it now. An alarm that follows from another is told only when it stands
// by itself for as long as its on-delay; one that was told a short while ago waits. One that was told is told again when
// it spreads: nobody may be there to acknowledge it, and a second sensor or plug is not the first.
func (l *Life) tell(d *Declaration, passed time.Duration, now time.Time) bool {
	if l.Phase != Unacknowledged {
		return false
	}
	if l.Early && l.OnFor < earlyTold {
		return false
	}
	spread := l.spread(&l.Condition)
	if l.Told && (!spread || !l.Seen) {
		l.SpreadFor = 0
		return false
	}
	if l.Condition.Cause != "" || l.Condition.ByHand && now.Sub(l.Raised) < handMost {
		l.AloneFor = -d.OnDelay
		return false
	}
	if l.AloneFor < 0 {
		if l.Seen { // what has ceased with its cause merely waits for its off-delay
			l.AloneFor = min(0, l.AloneFor+passed)
		}
		return false
	}
	switch {
	case l.Told:
		if l.SpreadFor += passed; l.SpreadFor < d.OnDelay {
			return false
		}
	case l.EverTold && !spread && l.SinceTold < d.Priority.again():
		if !l.News {
			return false
		}
		l.Anew = min(l.Anew+1, chatterMost)
	}
	l.News = false
	l.Told, l.EverTold, l.SinceTold, l.ToldAt = true, true, 0, now
	l.LastTold, l.Gone, l.SpreadFor = l.Condition.Instances, 0, 0
	return true
}

func change(i int, from, to Phase, now time.Time, l *Life, notify bool) Change {
	return Change{Alarm: names[i], Priority: l.Condition.Priority(names[i]), From: from, To: to, At: now, Condition: l.Condition, Notify: notify}
}

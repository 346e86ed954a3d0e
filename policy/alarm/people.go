package alarm

import (
	"fmt"
	"time"
)

// MaxShelve is the longest time for which an alarm can be shelved: a week away. Whoever wants it gone for longer takes
// it out of service, which says so.
const MaxShelve = 7 * 24 * time.Hour

// Refused says why a person's wish cannot be done.
type Refused struct {
	Alarm  Name
	Why    string
	Length *time.Duration // what is wrong, where that is the time asked for and not the state of the alarm
}

func (r *Refused) Error() string { return fmt.Sprintf("alarm %s: %s", r.Alarm, r.Why) }

// Acknowledge says that a person knows. Acknowledging a latched alarm that was acknowledged already resets it.
// It fails with [*Refused] when there is nothing to acknowledge.
func Acknowledge(s State, n Name, now time.Time) (State, Change, error) {
	to, from := Normal, phaseOf(&s, n)
	switch from {
	case Unacknowledged:
		to = Acknowledged
	case LatchedUnacknowledged:
		to = LatchedAcknowledged
	case ReturnedUnacknowledged, LatchedAcknowledged:
	default:
		return refuse(s, n, "there is nothing to acknowledge")
	}
	s, c, err := move(s, n, to, now)
	if err == nil {
		s.Of(n).Unacked = from
	}
	return s, c, err
}

// Unacknowledge takes the last acknowledgment back, as a slip of the finger that the standards' diagram does not know: the
// alarm is again as if nobody had seen it, and what was told of it is not told anew. It fails with [*Refused] when there is
// no acknowledgment to take back.
func Unacknowledge(s State, n Name, now time.Time) (State, Change, error) {
	i := n.Index()
	if i < 0 || s.Lives[i].Unacked == Normal {
		return refuse(s, n, "there is no acknowledgment to take back")
	}
	l := &s.Lives[i]
	from := l.Phase
	l.Phase, l.Since, l.Unacked = l.Unacked, now, Normal
	return s, change(i, from, l.Phase, now, l, false), nil
}

// Shelve hides an alarm until its time is up, whatever becomes of its condition. Shelving again sets a new end.
// It fails with [*Refused] on a time that is not positive or longer than [MaxShelve], and when out of service.
func Shelve(s State, n Name, length time.Duration, now time.Time) (State, Change, error) {
	if length <= 0 || length > MaxShelve {
		return s, Change{}, &Refused{Alarm: n, Length: &length,
			Why: fmt.Sprintf("give a time up to %gh, which is a week, such as 2h", MaxShelve.Hours())}
	}
	if phaseOf(&s, n) == OutOfService {
		return refuse(s, n, "it is out of service; return it to service first")
	}
	s, c, err := move(s, n, Shelved, now)
	if err == nil {
		s.Of(n).ShelvedLeft = length
	}
	return s, c, err
}

// Unshelve ends shelving early. It fails with [*Refused] when the alarm is not shelved.
func Unshelve(s State, n Name, now time.Time) (State, Change, error) {
	if phaseOf(&s, n) != Shelved {
		return refuse(s, n, "it is not shelved")
	}
	return move(s, n, standingOr(s.Of(n).Standing, Unacknowledged, Normal), now)
}

// SetOutOfService takes an alarm out of service, or returns it. Its delays start anew on return.
// It fails with [*Refused] when that is so already.
func SetOutOfService(s State, n Name, out bool, now time.Time) (State, Change, error) {
	switch is := phaseOf(&s, n) == OutOfService; {
	case is && out:
		return refuse(s, n, "it is out of service already")
	case !is && !out:
		return refuse(s, n, "it is in service already")
	}
	to := Normal
	if out {
		to = OutOfService
	}
	return move(s, n, to, now)
}

// ShelvedUntil gives the end of shelving, or the zero time.
func (s *State) ShelvedUntil(n Name) time.Time {
	if l := s.Of(n); l.Phase == Shelved {
		return s.Now.Add(l.ShelvedLeft)
	}
	return time.Time{}
}

func phaseOf(s *State, n Name) Phase {
	if i := n.Index(); i >= 0 {
		return s.Lives[i].Phase
	}
	return Normal
}

func move(s State, n Name, to Phase, now time.Time) (State, Change, error) {
	i := n.Index()
	if i < 0 {
		return refuse(s, n, "there is no such alarm")
	}
	l := &s.Lives[i]
	from := l.Phase
	l.enter(to, now)
	if to == OutOfService {
		l.Standing, l.Seen, l.Hushed, l.OnFor, l.OffFor = false, false, false, 0, 0
	}
	return s, change(i, from, to, now, l, false), nil
}

func refuse(s State, n Name, why string) (State, Change, error) {
	if n.Index() < 0 {
		why = "there is no such alarm"
	}
	return s, Change{}, &Refused{Alarm: n, Why: why}
}

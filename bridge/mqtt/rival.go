package mqtt

import "time"

// Two clients of one id throw each other out in turn, forever: a broker drops the older of two.
const (
	// rivalRounds is how many brief connections in a row the broker must have closed for another client to be the likely cause. A
	// broker that hangs up on the daemon's announcement does so birthTries times.
	rivalRounds = birthTries + 1
	// rivalReminder is after how long the log repeats that another client is there.
	rivalReminder = time.Hour
)

const rivalAdvice = "another client with this id is probably connected to the broker, and the two throw each other out again and again; " +
	"stop the other one, or give one of the two another broker.client_id"

// brief is the longest that a connection lasts against another client that is as patient as this one: as long as that waits before
// it comes back, and a little.
func brief(retryMost time.Duration) time.Duration { return 2 * retryMost }

// rival tells of another client with the same id. It belongs to the session's goroutine.
type rival struct {
	rounds int // brief connections in a row that the broker closed
	said   time.Time
}

// ended takes in the end of a connection and reports whether another client with the same id is likely to be behind it. A connection
// that never came about says nothing of one, unless it is known already. Where the broker itself was away meanwhile, it was that: a broker
// that is restarted several times closes as many connections.
func (r *rival) ended(up time.Duration, err error, retryMost time.Duration) bool {
	switch {
	case up > brief(retryMost):
		r.rounds = 0
	case hungUp(err) && (up > 0 || r.there()):
		r.rounds++
		return r.there()
	case up == 0 && !hungUp(err):
		r.rounds = 0
	}
	return false
}

func (r *rival) there() bool { return r.rounds >= rivalRounds }

// sayRival says once, and again after a while, who is likely to close the connections: each round of theirs would fill the log.
func (s *Session) sayRival(err error) {
	if !s.rival.said.IsZero() && time.Since(s.rival.said) < rivalReminder {
		return
	}
	s.rival.said = time.Now()
	s.o.Log.Error(rivalAdvice, "broker", s.o.URL.Redacted(), "client_id", s.o.ClientID,
		"next_reminder", rivalReminder, "error", cause(err))
}

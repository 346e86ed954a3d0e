package notify

import (
	"time"

	"golang.org/x/time/rate"
)

// Quiet is the part of the day in which only urgent messages are sent. It may go over midnight. The zero value is none.
type Quiet struct {
	From, To time.Duration // since midnight, by the clock of the site
}

// Holds reports whether a moment of the site's clock lies in it.
func (q Quiet) Holds(local time.Time) bool {
	if q.From == q.To {
		return false
	}
	at := sinceMidnight(local)
	if q.From < q.To {
		return at >= q.From && at < q.To
	}
	return at >= q.From || at < q.To
}

// sinceMidnight is the time of day as a clock on the wall shows it.
func sinceMidnight(local time.Time) time.Duration {
	h, m, s := local.Clock()
	return time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(s)*time.Second
}

// The limits of one service. Urgent messages pass them.
const (
	burst     = 5
	oneEvery  = 10 * time.Minute
	gatherFor = 5 * time.Second // what is raised together is told together
)

// newBucket limits how many messages leave: a few at once, and then one now and then. What finds it empty waits, and goes together with
// what comes meanwhile.
func newBucket() *rate.Limiter { return rate.NewLimiter(rate.Every(oneEvery), burst) }

// The pauses between attempts.
const (
	firstPause   = 30 * time.Second
	longestPause = 30 * time.Minute
)

// pause is how long to wait after so many failed attempts.
func pause(tries int) time.Duration {
	return min(longestPause, firstPause<<min(max(tries-1, 0), 10))
}

package device

import "time"

// What controllers may have done to a chamber: a person or a rule sets a few things at once, and then nothing for minutes. What is done
// goes into the journal for good, so two controllers that answer each other must not write it full.
const (
	mostAtOnce = 20
	oneEvery   = 3 * time.Second
)

// pace says how much may be done now. It belongs to one goroutine.
type pace struct {
	spent int       // of mostAtOnce
	since time.Time // from when the next is earned back
}

// take reports whether one more may be done, and counts it.
func (p *pace) take(now time.Time) bool {
	if earned := int(now.Sub(p.since) / oneEvery); earned > 0 {
		p.spent = max(0, p.spent-earned)
		p.since = p.since.Add(time.Duration(earned) * oneEvery)
	}
	if p.spent == 0 {
		p.since = now
	}
	if p.spent >= mostAtOnce {
		return false
	}
	p.spent++
	return true
}

package device

import (
	"time"

	"golang.org/x/time/rate"
)

// What controllers may have done to a chamber: a person or a rule sets a few things at once, and then nothing for minutes. What is done
// goes into the journal for good, so two controllers that answer each other must not write it full.
const (
	mostAtOnce = 20
	oneEvery   = 3 * time.Second
)

func newPace() *rate.Limiter { return rate.NewLimiter(rate.Every(oneEvery), mostAtOnce) }

package webtest

import (
	"context"
	"time"

	"gillkeeper/policy"
)

// AlarmEvents gives what became of alarms and what people did, from one moment of the calendar on and before another.
func (t *Twin) AlarmEvents(ctx context.Context, chamber string, from, to time.Time) ([]policy.Event, error) {
	all, err := t.Events(ctx, chamber, from, to)
	var out []policy.Event
	for _, e := range all {
		if e.Kind == policy.AlarmChanged || e.Kind == policy.PersonActed {
			out = append(out, e)
		}
	}
	return out, err
}

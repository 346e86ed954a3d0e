package daemon

import (
	"context"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
)

// How long the journal keeps what it may forget, and how often it looks. Actions of people and snapshots are kept for
// ever.
const (
	keepEvents  = 2 * 365 * 24 * time.Hour
	keepMinutes = 3 * 365 * 24 * time.Hour
	tidyEvery   = 6 * time.Hour
)

// tidy prunes the journal now and then.
func (d *Daemon) tidy(ctx context.Context) {
	tick := time.NewTicker(tidyEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		now := d.clock.Wall()
		n, err := d.journal.Prune(ctx, journal.Retention{Events: now.Add(-keepEvents), Minutes: now.Add(-keepMinutes)})
		if err != nil && ctx.Err() == nil {
			d.log.Warn("the journal could not be pruned", "error", err)
		} else if n > 0 {
			d.log.Info("the journal was pruned", "rows", n)
		}
	}
}

// unwritable is a journal whose file cannot be opened: it holds in memory what control needs and refuses everything
// that must last, so that nobody takes it for kept.
type unwritable struct {
	*journal.Memory
	err error
}

func (u *unwritable) Act(context.Context, string, policy.Action) (int64, error) { return 0, u.err }
func (u *unwritable) ActTogether(context.Context, []journal.Acted) ([]int64, error) {
	return nil, u.err
}
func (u *unwritable) Switch(context.Context, []journal.Switched) error   { return u.err }
func (u *unwritable) Save(context.Context, []journal.Saved) error        { return u.err }
func (u *unwritable) Note(context.Context, []journal.Noted) (int, error) { return 0, u.err }
func (u *unwritable) Minutes(context.Context, []journal.Minute) error    { return u.err }

package daemon

import (
	"context"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
)

// How often the journal forgets what it may forget and puts older history together. The first time comes soon enough for
// a machine that runs some hours a day only, and late enough for a start with much else to do.
const (
	tidyFirst = 20 * time.Minute
	tidyEvery = 6 * time.Hour
)

// tidy prunes the journal now and then.
func (d *Daemon) tidy(ctx context.Context) {
	next := time.NewTimer(d.tidyFirst)
	defer next.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-next.C:
			next.Reset(tidyEvery)
		}
		n, err := d.journal.Prune(ctx, d.retention(d.clock.Wall()))
		if err != nil && ctx.Err() == nil {
			d.log.Warn("the journal could not be pruned", "error", err)
		} else if n > 0 {
			d.log.Info("the journal was pruned", "rows", n)
		}
	}
}

// retention says what is to be kept, by the present configuration.
func (d *Daemon) retention(now time.Time) journal.Retention {
	d.mu.Lock()
	defer d.mu.Unlock()
	ago := func(span time.Duration) time.Time {
		if span <= 0 { // a configuration that was not read from a file keeps everything
			return time.Time{}
		}
		return now.Add(-span)
	}
	k := &d.config.Journal
	return journal.Retention{Events: ago(k.Events), Minutes: ago(k.Hours), ByTen: ago(k.Minutes), ByHour: ago(k.TenMinutes)}
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

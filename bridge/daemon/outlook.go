package daemon

import (
	"context"
	"time"

	"gillkeeper/bridge/forecast"
	"gillkeeper/policy/outlook"
)

// outlook answers how a chamber will fare while nobody is there. The chamber was found by whoever asks.
func (d *Daemon) outlook(ctx context.Context, name string, length time.Duration, thorough bool, progress func(done, of int)) (outlook.Outlook, error) {
	snap, ok := d.keeper.Snapshot(name)
	p := d.keeper.Policy(name)
	if !ok || p == nil {
		return outlook.Outlook{}, context.Canceled // given up this moment
	}
	d.mu.Lock()
	told := len(d.config.Notify) > 0
	d.mu.Unlock()
	return d.ahead.Ask(ctx, &outlook.Question{
		Policy: p, State: p.Fit(snap.State), Wall: snap.Wall, For: length, Thorough: thorough, Told: told, OwnDoubt: outlook.UsualDoubt,
		Room: forecast.Room(ctx, d.journal, name, snap.Wall),
	}, progress)
}

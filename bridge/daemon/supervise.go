package daemon

import (
	"context"
	"fmt"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
)

// stalledAfter is the time in which every worker of the keeper turns at least once, with room to spare: one turn a minute
// is the rule.
const stalledAfter = 2 * time.Minute

// statusEvery is how often the service manager is told how the daemon does.
const statusEvery = 30 * time.Second

// supervised tells the service manager, where it asked for it, that the daemon is up, how it does, and that it is alive:
// the watchdog is fed by the control loop's own progress, so that a daemon whose deciding hangs is started anew even
// if the rest of it still answers. Without a service manager it does nothing.
func (d *Daemon) supervised(ctx context.Context) {
	notifyManager(daemon.SdNotifyReady)
	defer notifyManager(daemon.SdNotifyStopping)
	within, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		d.log.Warn("the service manager's watchdog cannot be fed", "error", err)
	}
	every := statusEvery
	if within > 0 {
		every = min(every, within/3)
	}
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		notifyManager("STATUS=" + d.status())
		if within > 0 && !d.keeper.Stalled(d.stalled) {
			notifyManager(daemon.SdNotifyWatchdog)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// status is one line on how the daemon does.
func (d *Daemon) status() string {
	all := d.keeper.Snapshots()
	if err := d.ready(); err != nil {
		return fmt.Sprintf("%d chambers; %v", len(all), err)
	}
	if d.keeper.Failing() {
		return fmt.Sprintf("%d chambers kept; the journal cannot be written", len(all))
	}
	return fmt.Sprintf("%d chambers kept", len(all))
}

// notifyManager sends one message. That it cannot be sent is no reason to do anything else than go on.
func notifyManager(state string) { _, _ = daemon.SdNotify(false, state) }

package daemon

import (
	"context"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/notify"
	"gillkeeper/bridge/web/api"
	"gillkeeper/policy"
)

// openDesk makes the desk that tells people of alarms, with what was still to be sent at the last stop.
func (d *Daemon) openDesk(ctx context.Context, c *config.Config) {
	outbox, _ := d.journal.(journal.Records)
	d.metrics.ExpectNotifications(notify.Results())
	d.desk = notify.New(ctx, notify.Options{
		Services: d.services(c), Site: deskSite(c), Outbox: outbox, Wall: d.clock.Wall, Counter: d.metrics, Log: d.log, Pace: d.clock.Pace(),
		Unlinked:  d.unlinked,
		Snapshots: func() []*policy.Snapshot { return d.keeper.Snapshots() },
	})
}

// happened hands on what was decided in a chamber.
func (d *Daemon) happened(snap *policy.Snapshot, events []policy.Event) {
	d.desk.Happened(snap, events)
}

// services opens the places that messages go to. The configuration was checked, so that none fails here; one that does
// all the same is said and left out.
func (d *Daemon) services(c *config.Config) []notify.Service {
	var all []notify.Service
	for i := range c.Notify {
		n := &c.Notify[i]
		to, err := notify.Open(n.URL.Reveal())
		if err != nil {
			d.log.Error("a place to send messages to cannot be used", "service", n.Name, "error", err)
			continue
		}
		all = append(all, notify.Service{
			Name: n.Name, Scheme: notify.Scheme(n.URL.Reveal()), Notifier: to, MinPriority: n.MinPriority,
			Quiet: notify.Quiet{From: n.Quiet[0], To: n.Quiet[1]}, HasDaily: n.HasDaily, Daily: n.Daily,
		})
	}
	return all
}

func deskSite(c *config.Config) notify.Site {
	return notify.Site{Name: c.Site.Name, Zone: c.Site.Zone, Fahrenheit: c.Site.Fahrenheit, TwelveHour: c.Site.TwelveHour}
}

// notifications says how each place that messages go to works.
func (d *Daemon) notifications() []api.Notification {
	var all []api.Notification
	for _, s := range d.desk.Status() {
		x := api.Notification{Name: s.Name, Scheme: s.Scheme, Waiting: s.Waiting, Fault: s.Fault}
		if !s.Failing.IsZero() {
			x.FailingSince = new(s.Failing.UTC())
		}
		if !s.LastSent.IsZero() {
			x.LastSent = new(s.LastSent.UTC())
		}
		all = append(all, x)
	}
	return all
}

package daemon

import (
	"context"
	"sync"
	"time"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/homie/device"
	"gillkeeper/bridge/mqtt"
)

// withdrawWithin is how long taking devices back may hold up a new configuration.
const withdrawWithin = 3 * time.Second

// showTiming is how much is published; tests are more hasty.
var showTiming = device.Production()

// show is the chambers as devices on the broker, for as long as one session lasts. The zero value shows nothing.
type show struct {
	publisher *device.Publisher
	stop      context.CancelFunc
	wg        sync.WaitGroup
}

// show fills in what a session needs to show the chambers of a configuration.
func (d *Daemon) show(c *config.Config, o *mqtt.Options) *show {
	if !c.Broker.Homie.Publish {
		o.Presence = mqtt.Presence{Off: true}
		return &show{}
	}
	p := device.New(device.Options{
		Domain: c.Broker.Homie.Domain, Root: mqtt.RootID(c.Broker.ClientID), Name: c.Site.Name, Version: d.version, Observe: d.observe,
		Settable: c.Broker.Homie.Settable, Snapshots: d.keeper.Snapshots, Act: d.keeper.Act, Counter: o.Counter, Log: d.log, Timing: showTiming,
	})
	o.Presence, o.Listen = p.Presence(), append(o.Listen, p.Listeners()...)
	return &show{publisher: p}
}

// run keeps the devices up to date until hide, or ctx's end.
func (s *show) run(ctx context.Context, session *mqtt.Session) {
	if s.publisher == nil {
		return
	}
	ctx, s.stop = context.WithCancel(ctx)
	s.wg.Go(func() { s.publisher.Run(ctx, session) })
}

// hide ends run. Where the next configuration shows other devices, or none, these are taken back.
func (s *show) hide(ctx context.Context, session *mqtt.Session, old, next *config.Broker) {
	if s.publisher == nil {
		return
	}
	s.stop()
	s.wg.Wait()
	if next == nil || next.Homie.Publish && next.Homie.Domain == old.Homie.Domain && mqtt.RootID(next.ClientID) == mqtt.RootID(old.ClientID) {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, withdrawWithin)
	defer cancel()
	// A broker that is away keeps showing them as lost.
	_ = s.publisher.Withdraw(ctx, session)
}

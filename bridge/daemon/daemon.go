// Package daemon puts the parts together: configuration in, a running bridge out. It starts them in the order in which
// they need each other and stops them in the order in which that is safe.
//
// It must never decide anything itself, or import the simulated chambers. Start reading at [New] and [Daemon.Run].
package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"gillkeeper/bridge/broker"
	"gillkeeper/bridge/clock"
	"gillkeeper/bridge/config"
	"gillkeeper/bridge/forecast"
	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/keeper"
	"gillkeeper/bridge/mqtt"
	"gillkeeper/bridge/notify"
	"gillkeeper/bridge/web"
	"gillkeeper/metrics"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
)

// Options are what a daemon needs. Config is required.
type Options struct {
	Config  *config.Config
	Observe bool    // decide and show, command nothing
	Pace    float64 // clock seconds in a real second, for drills; 0 and 1: the real clock
	Build   metrics.Info
	Log     *slog.Logger // nil says nothing
}

// Daemon is the bridge with everything it runs.
type Daemon struct {
	observe bool
	version string
	log     *slog.Logger

	journal journal.Journal
	clock   *clock.Clock
	stalled time.Duration // real time after which a keeper that did not turn hangs
	keeper  *keeper.Keeper
	metrics *metrics.Set
	web     *web.Server
	broker  *broker.Broker // nil: the broker is somebody else's
	desk    *notify.Desk
	ahead   forecast.Desk
	// tidyFirst is how long after the start the journal is put in order for the first time.
	tidyFirst time.Duration
	begun     chan struct{} // closed once Run has a session, or could not make one

	reloading sync.Mutex // held while a new configuration is taken, and while plugs are brought to rest: both need the connection to themselves
	ended     bool       // nothing more is taken; guarded by reloading

	mu      sync.Mutex // protects what a reload changes
	config  *config.Config
	session *mqtt.Session
	inlet   *keeper.Inlet
	shown   *show

	link atomic.Pointer[mqtt.Session] // session, for whoever may not wait for mu: it is held while a session ends
}

// New starts everything but the deciding: the journal is open, the chambers are resumed, the page's address is bound
// and the embedded broker, where one is wanted, listens. On an error nothing is left running.
func New(ctx context.Context, o Options) (d *Daemon, err error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	d = &Daemon{observe: o.Observe, version: o.Build.Version, log: o.Log, config: o.Config, tidyFirst: tidyFirst, begun: make(chan struct{})}
	defer func() {
		if err != nil {
			d.close()
			d = nil
		}
	}()
	if err = d.openJournal(ctx); err != nil {
		return d, err
	}
	d.clock, d.stalled = clock.System(), stalledAfter
	if o.Pace > 0 && o.Pace != 1 {
		d.clock = clock.Pace(o.Pace)
		d.stalled = time.Duration(float64(stalledAfter) / min(o.Pace, 1))
	}
	d.metrics = metrics.New(o.Build, func() []*policy.Snapshot { return d.keeper.Counted() })
	if d.keeper, err = keeper.New(keeper.Options{Clock: d.clock, Journal: d.journal, Observer: d.metrics, Happened: d.happened, Log: o.Log}); err != nil {
		return d, err
	}
	d.openDesk(ctx, o.Config)
	if err = d.keeper.Adopt(ctx, d.policies(o.Config)); err != nil {
		return d, err
	}
	if o.Config.Broker.Embedded {
		b := &o.Config.Broker
		d.broker, err = broker.Start(broker.Options{Listen: b.Listen, Username: b.Username, Password: b.Password.Reveal(), Log: o.Log})
		if err != nil {
			return d, err
		}
	}
	d.web, err = web.New(web.Options{
		Listen: o.Config.HTTP.Listen, Backend: backend{d.keeper, d}, Metrics: d.metrics.Handler(), Site: siteOf(o.Config),
		Access: accessOf(o.Config), Hosts: o.Config.HTTP.Hosts, Base: o.Config.HTTP.BasePath, Version: o.Build.Version, Log: o.Log, Now: d.clock.Wall, Notifications: d.notifications, Ahead: d.outlook,
	})
	return d, err
}

// openJournal opens the store. One that is damaged was set aside; one that cannot be written leaves the daemon to go on
// from memory. One that another daemon holds is a reason not to start: two would fight over the plugs.
func (d *Daemon) openJournal(ctx context.Context) error {
	path := d.config.Journal.Path
	j, opened, err := journal.Open(ctx, path)
	switch {
	case err == nil:
		d.tell(path, &opened)
		d.journal = j
		return nil
	case errors.Is(err, journal.ErrLocked), errors.Is(err, journal.ErrNewer):
		return err
	}
	d.log.Error("the journal cannot be opened; control goes on from memory, and what people do is refused", "path", path, "error", err)
	d.journal = &unwritable{Memory: journal.NewMemory(), err: err}
	return nil
}

// tell says what was out of the ordinary when the journal was opened.
func (d *Daemon) tell(path string, o *journal.Opened) {
	if o.SetAside != "" {
		d.log.Error("the journal was damaged; it was set aside and a new one begun", "path", path, "set_aside", o.SetAside,
			"why", o.Why, "actions_saved", o.Actions, "chambers_saved", o.Chambers)
	}
	if o.BadLines > 0 {
		d.log.Error("the second copy of what people did was damaged; it was set aside and written anew", "path", path, "set_aside", o.LinesAside, "bad_lines", o.BadLines)
	}
	if o.Failing != nil {
		d.log.Error("the journal cannot be used at present; control goes on from memory, what people do is refused, and it is tried again every second", "path", path, "error", o.Failing)
	}
}

// Run keeps the chambers until ctx ends. Then it turns off what could do harm unwatched, says good-bye to the broker,
// saves, and returns.
func (d *Daemon) Run(ctx context.Context) error {
	defer d.close()
	work, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	err := d.connect(work)
	close(d.begun)
	if err != nil {
		return err
	}
	var wg sync.WaitGroup
	served := make(chan error, 1)
	wg.Go(func() {
		err := d.web.Run(work)
		if err != nil {
			stop(err)
		}
		served <- err
	})
	wg.Go(func() { d.tidy(work) })
	wg.Go(func() { d.desk.Run(work) })
	wg.Go(func() { d.supervised(work) })
	kept := d.keeper.Run(work)
	d.reloading.Lock() // a new configuration that is half taken has no connection over which plugs could be turned off
	defer d.reloading.Unlock()
	d.ended = true
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
	defer cancel()
	rested := d.keeper.Rest(last)
	d.mu.Lock()
	d.shown.hide(last, d.session, &d.config.Broker, nil)
	d.session.Stop()
	d.mu.Unlock()
	wg.Wait()
	if rested != nil {
		d.log.Warn("not everything came to rest", "error", rested)
	}
	return errors.Join(<-served, kept)
}

// connect makes a session for the present configuration and points the keeper at it.
func (d *Daemon) connect(ctx context.Context) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	c := d.config
	var names []string
	for i := range c.Chambers {
		names = append(names, c.Chambers[i].Spec.Name)
	}
	inlet, err := d.keeper.Inlet(names)
	if err != nil {
		return err
	}
	o := mqtt.OptionsFor(&c.Broker)
	if d.broker != nil {
		if o.URL, err = url.Parse(d.broker.URL()); err != nil {
			return err
		}
	}
	o.Bindings = mqtt.Bind(c.Chambers)
	o.Sink, o.Counter, o.Log, o.Wall = inlet, counter{d.metrics}, d.log, d.clock.Wall
	var words []string
	for _, r := range mqtt.Results() {
		words = append(words, r.String())
	}
	d.metrics.Expect(words, names...)
	d.metrics.Reloaded(true, time.Now())
	o.LinkUp = func() {
		d.metrics.Connected(true)
		d.keeper.Link(true)
	}
	o.LinkDown = func(cause error) {
		d.metrics.Connected(false)
		d.keeper.Link(false)
	}
	shown := d.show(c, &o)
	s, err := mqtt.Start(o)
	if err != nil {
		return err
	}
	d.session, d.shown, d.inlet = s, shown, inlet
	d.link.Store(s)
	shown.run(ctx, s)
	d.keeper.Connect(inlet, s)
	return nil
}

// backend is the keeper as the page and the commands see it.
type backend struct {
	*keeper.Keeper
	d *Daemon
}

func (b backend) Ready() error { return b.d.ready() }

// ready is [keeper.Keeper.Ready], which knows of the broker only that it is not there: a grower has to learn why without reading a log.
func (d *Daemon) ready() error {
	err := d.keeper.Ready()
	if why := d.unlinked(); why != "" && errors.Is(err, keeper.ErrNoBroker) {
		return fmt.Errorf("%w: %s", err, why)
	}
	return err
}

// unlinked says why the broker is not connected, and what to do; "" while it is, or where that is not known.
func (d *Daemon) unlinked() string {
	s := d.link.Load()
	if s == nil {
		return ""
	}
	status := s.Status()
	return status.Why()
}

// counter hands counts of messages on to the metrics.
type counter struct{ set *metrics.Set }

func (c counter) Message(chamber string, r mqtt.Result) { c.set.Count(chamber, r.String()) }

// Reload takes a new configuration whole. What cannot change while the daemon runs is an error that says so, and then
// nothing has changed. Before Run has got that far, it waits. Where ctx ends meanwhile, plugs can be turned off once it has returned, by
// the old configuration or by the new one.
func (d *Daemon) Reload(ctx context.Context, c *config.Config) error {
	select {
	case <-d.begun:
	case <-ctx.Done():
		return ctx.Err()
	}
	d.reloading.Lock()
	defer d.reloading.Unlock()
	if d.ended {
		return errEnded
	}
	d.mu.Lock()
	old, session, shown, inlet := d.config, d.session, d.shown, d.inlet
	d.mu.Unlock()
	if session == nil {
		return errors.New("the daemon could not start")
	}
	if err := fixed(old, c); err != nil {
		return err
	}
	shown.hide(ctx, session, &old.Broker, &c.Broker)
	d.keeper.Connect(nil, nil)
	inlet.Close() // that plugs go off now is nobody's hand
	d.leave(ctx, old, c, session)
	if ctx.Err() != nil {
		d.keeper.Connect(inlet, session)
		return context.Cause(ctx)
	}
	session.Stop()
	if err := d.keeper.Adopt(context.WithoutCancel(ctx), d.policies(c)); err != nil {
		return errors.Join(err, d.connect(ctx))
	}
	d.mu.Lock()
	d.config = c
	d.mu.Unlock()
	d.desk.Adopt(d.services(c), deskSite(c))
	d.web.Adopt(siteOf(c), accessOf(c))
	if err := d.connect(ctx); err != nil || ctx.Err() == nil {
		return err
	}
	d.linked(relinkWithin)
	return context.Cause(ctx)
}

var errEnded = errors.New("the daemon ends")

// relinkWithin bounds the wait for a connection over which plugs are then turned off.
const relinkWithin = 3 * time.Second

// linked waits until the connection to the broker stands, but no longer than that.
func (d *Daemon) linked(within time.Duration) {
	look := time.NewTicker(20 * time.Millisecond)
	defer look.Stop()
	for end := time.Now().Add(within); !d.link.Load().Up() && time.Now().Before(end); {
		<-look.C
	}
}

// leave turns off what could do harm once nobody watches it, as at a clean stop: plugs that the new configuration has no word of. It
// says which chambers are left, and what grows in them.
func (d *Daemon) leave(ctx context.Context, old, c *config.Config, by keeper.Publisher) {
	ctx, cancel := context.WithTimeout(ctx, leaveWithin)
	defer cancel()
	kept, commanded := map[string]bool{}, map[string]bool{}
	for i := range c.Chambers {
		kept[c.Chambers[i].Spec.Name] = true
		for j := range c.Chambers[i].Plugs {
			commanded[c.Chambers[i].Plugs[j].CommandTopic] = true
		}
	}
	for i, p := range d.policies(old) {
		snap, ok := d.keeper.Snapshot(p.Spec.Name)
		if !ok {
			continue
		}
		_, stop := p.Rest(snap.State, snap.State.Now)
		for _, plug := range stop {
			if commanded[old.Chambers[i].Plugs[plug].CommandTopic] {
				continue
			}
			if err := by.Send(ctx, i, plug, chamber.Order{}); err != nil {
				d.log.Warn("a plug that is no longer in the configuration runs and could not be turned off", "chamber", p.Spec.Name, "plug", p.Spec.Plugs[plug].Name, "error", err)
			}
		}
		if kept[p.Spec.Name] {
			continue
		}
		var growing []string
		for j := range snap.State.Crop.Batches {
			if b := &snap.State.Crop.Batches[j]; b.Retired.IsZero() {
				growing = append(growing, b.Name)
			}
		}
		d.log.Warn("a chamber is no longer in the configuration; what was recorded of it is kept under its name, and comes back with it",
			"chamber", p.Spec.Name, "batches", growing)
	}
}

// leaveWithin bounds the rest of plugs that a new configuration leaves.
const leaveWithin = 3 * time.Second

// fixed lists what differs between two configurations and cannot be changed while the daemon runs.
func fixed(old, c *config.Config) error {
	var faults []error
	say := func(what string) {
		faults = append(faults, fmt.Errorf("%s: %s differs from the running one; restart gillkeeper to change it", c.Path, what))
	}
	if old.HTTP.Listen != c.HTTP.Listen {
		say("[http] listen")
	}
	if !slices.Equal(old.HTTP.Hosts, c.HTTP.Hosts) || old.HTTP.BasePath != c.HTTP.BasePath {
		say("[http] hosts or base_path")
	}
	if old.Journal.Path != c.Journal.Path {
		say("[journal] path")
	}
	if old.Broker.Embedded != c.Broker.Embedded || c.Broker.Embedded && (old.Broker.Listen != c.Broker.Listen || old.Broker.Username != c.Broker.Username || old.Broker.Password.Reveal() != c.Broker.Password.Reveal()) {
		say("[broker] url or [broker.embedded]")
	}
	return errors.Join(faults...)
}

// policies makes the policy of every chamber.
func (d *Daemon) policies(c *config.Config) []*policy.Policy {
	var all []*policy.Policy
	for i := range c.Chambers {
		all = append(all, &policy.Policy{Spec: c.Chambers[i].Spec, Climates: c.Table, Observe: d.observe})
	}
	return all
}

func siteOf(c *config.Config) web.Site {
	return web.Site{Name: c.Site.Name, Zone: c.Site.Zone, Fahrenheit: c.Site.Fahrenheit, TwelveHour: c.Site.TwelveHour}
}

func accessOf(c *config.Config) web.Access {
	return web.Access{Token: c.HTTP.Token.Reveal(), ReadToken: c.HTTP.ReadToken.Reveal()}
}

// Keeper is the owner of the chambers, for whoever runs the daemon in its own process.
func (d *Daemon) Keeper() *keeper.Keeper { return d.keeper }

// Clock is the daemon's clock.
func (d *Daemon) Clock() *clock.Clock { return d.clock }

// Web is where page, interface and metrics are served, host:port.
func (d *Daemon) Web() string { return d.web.Addr().String() }

// Broker is the address of the embedded broker, or "".
func (d *Daemon) Broker() string {
	if d.broker == nil {
		return ""
	}
	return d.broker.URL()
}

// close ends what New began. It may be called again.
func (d *Daemon) close() {
	if d.web != nil {
		done, cancel := context.WithCancel(context.Background())
		cancel()
		_ = d.web.Run(done) // a server that never ran only closes its listener; one that did is over
		d.web = nil
	}
	if d.broker != nil {
		d.broker.Stop()
	}
	if d.journal != nil {
		if err := d.journal.Close(); err != nil {
			d.log.Error("the journal did not close well", "error", err)
		}
		d.journal = nil
	}
}

// Refused takes down that a new configuration was not taken.
func (d *Daemon) Refused() { d.metrics.Reloaded(false, time.Now()) }

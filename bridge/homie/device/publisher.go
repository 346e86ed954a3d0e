package device

import (
	"context"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"gillkeeper/bridge/homie"
	"gillkeeper/bridge/mqtt"
	"gillkeeper/policy"
)

// Broker is the open connection by which changes leave.
type Broker interface {
	// Publish sends with QoS 1 and returns when the broker has it.
	Publish(ctx context.Context, topic string, payload []byte, retain bool) error
	// Tell sends once, with QoS 0 and not retained: what is of no use later.
	Tell(topic string, payload []byte) error
}

// Options are what a publisher needs. Root, Snapshots and Act are required.
type Options struct {
	Domain   string // default: homie
	Root     string // id of the root device
	Name     string // what people call the site; may be empty
	Version  string // of the daemon
	Observe  bool   // the daemon commands nothing
	Settable bool   // controllers may set stage, refill and hand

	Snapshots func() []*policy.Snapshot // of all chambers, by name
	Act       func(ctx context.Context, chamber string, a policy.Action) (*policy.Snapshot, error)
	Counter   mqtt.Counter // nil counts nothing
	Log       *slog.Logger // nil says nothing

	Timing Timing // zero: [Production]
}

// Timing bounds how much is published.
type Timing struct {
	Look     time.Duration // between looks for changes
	Value    time.Duration // at least between two values of one number
	Describe time.Duration // at least between two descriptions of one device
	Most     int           // messages at one look; what is left goes at the next
	Act      time.Duration // for an action to be done
	Complain time.Duration // at least between two log messages to controllers
}

// Production is the timing of daily use: a switch shows within a second, a number at most every ten.
func Production() Timing {
	return Timing{Look: time.Second, Value: 10 * time.Second, Describe: 10 * time.Second, Most: 500, Act: 5 * time.Second, Complain: time.Second}
}

// Publisher shows chambers on a broker. Make one for each session with [New]; give the session [Publisher.Presence] and
// [Publisher.Listeners], and let [Publisher.Run] run while the session does.
type Publisher struct {
	o       Options
	render  rendering
	sets    chan set
	left    chan leftover
	dropped sync.Once
	paces   map[string]*rate.Limiter // of the chambers, by device; belongs to Run

	mu         sync.Mutex // held while publishing, so that announcing and updating do not mix
	announced  bool       // on this connection
	withdrawn  bool       // for good
	shown      map[string]*shown
	next       int // where the next look begins, so that no chamber is always last
	complained time.Time
}

// shown is a device as the broker holds it.
type shown struct {
	image     *image
	snapshot  *policy.Snapshot     // that the image was made of; nil: none
	complete  bool                 // nothing of the image waits
	described homie.Description    // as it was published last
	at        time.Time            // when
	sent      map[string]string    // retained topic to payload
	sentAt    map[string]time.Time // of numbers
}

// New makes a publisher. Nothing is published before a session announces it.
func New(o Options) *Publisher {
	if o.Domain == "" {
		o.Domain = homie.DefaultDomain
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Counter == nil {
		o.Counter = uncounted{}
	}
	if o.Timing == (Timing{}) {
		o.Timing = Production()
	}
	return &Publisher{o: o, render: rendering{root: o.Root, settable: o.Settable},
		sets: make(chan set, mostWaiting), left: make(chan leftover, mostWaiting), shown: map[string]*shown{}, paces: map[string]*rate.Limiter{}}
}

type uncounted struct{}

func (uncounted) Message(string, mqtt.Result) {}

// Presence is what a session needs to show the devices when it connects and to say good-bye for them.
func (p *Publisher) Presence() mqtt.Presence {
	return mqtt.Presence{Domain: p.o.Domain, Announce: p.announce, Farewell: p.farewell}
}

type publish = func(topic string, payload []byte, retain bool) error

// announce publishes every device whole: children first, as the convention has it, then what belongs to the root. The
// session puts init before and ready after it.
func (p *Publisher) announce(ctx context.Context, out publish) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.announced = false
	for _, s := range p.o.Snapshots() {
		if err := ctx.Err(); err != nil {
			return err
		}
		x := p.showing(p.render.deviceID(s.Spec.Name))
		x.snapshot, x.image = s, p.render.render(s)
		if err := p.describe(x, out, true); err != nil {
			return err
		}
	}
	x := p.showing(p.o.Root)
	x.image = p.root()
	if err := p.describe(x, out, false); err != nil {
		return err
	}
	p.announced = true
	return nil
}

// showing finds or makes what is known of a device.
func (p *Publisher) showing(id string) *shown {
	x := p.shown[id]
	if x == nil {
		x = &shown{sent: map[string]string{}, sentAt: map[string]time.Time{}}
		p.shown[id] = x
	}
	return x
}

// describe publishes a device anew: its description, everything retained, and what it no longer has as empty.
func (p *Publisher) describe(x *shown, out publish, child bool) error {
	base := homie.Topic(p.o.Domain, x.image.id) + "/"
	state := func(s string) error {
		if !child {
			return nil // the session's
		}
		return out(base+"$state", []byte(s), true)
	}
	if err := state(homie.Init); err != nil {
		return err
	}
	now := time.Now()
	if d := x.image.description; !d.Same(&x.described) {
		d.Version = max(x.described.Version+1, now.Unix()) // higher than any before, of earlier runs too
		x.described = d
	}
	if err := out(base+"$description", x.described.Marshal(), true); err != nil {
		return err
	}
	x.at = now
	kept := map[string]bool{}
	for _, m := range x.image.retained(p.o.Domain) {
		if err := out(m.topic, []byte(m.payload), true); err != nil {
			return err
		}
		x.sent[m.topic], x.sentAt[m.topic], kept[m.topic] = m.payload, now, true
	}
	for _, topic := range slices.Sorted(maps.Keys(x.sent)) {
		if kept[topic] {
			continue
		}
		if err := out(topic, nil, true); err != nil {
			return err
		}
		x.forget(topic)
	}
	x.complete = true
	return state(homie.Ready)
}

func (x *shown) forget(topic string) {
	delete(x.sent, topic)
	delete(x.sentAt, topic)
}

// root is the daemon's own device.
func (p *Publisher) root() *image {
	m := newImage(p.o.Root)
	m.description.Name = p.o.Name
	if m.description.Name == "" {
		m.description.Name = "gillkeeper"
	}
	m.description.Type = "fruiting-chambers"
	for id := range p.shown {
		if id != p.o.Root {
			m.description.Children = append(m.description.Children, id)
		}
	}
	slices.SortFunc(m.description.Children, strings.Compare)
	n := m.node("daemon", "gillkeeper", "daemon")
	n.show("version", homie.Property{Name: "Version", Datatype: homie.String}, homie.Text(p.o.Version))
	n.show("observe", homie.Property{Name: "Decides and shows, commands nothing", Datatype: homie.Boolean}, homie.Bool(p.o.Observe))
	return m
}

// farewell says of every chamber that it goes on purpose.
func (p *Publisher) farewell(ctx context.Context, out publish) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case p.withdrawn:
		return mqtt.ErrWithdrawn
	case !p.announced:
		return nil
	}
	p.announced = false
	for _, id := range slices.Sorted(maps.Keys(p.shown)) {
		if id == p.o.Root {
			continue
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := out(homie.Topic(p.o.Domain, id, "$state"), []byte(homie.Disconnected), true); err != nil {
			return err
		}
	}
	return nil
}

// Withdraw takes everything back, as if the devices had never been: for when they are no longer wanted.
func (p *Publisher) Withdraw(ctx context.Context, b Broker) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.announced, p.withdrawn = false, true
	for _, id := range slices.Sorted(maps.Keys(p.shown)) {
		topics := slices.Sorted(maps.Keys(p.shown[id].sent))
		for _, t := range append([]string{homie.Topic(p.o.Domain, id, "$state"), homie.Topic(p.o.Domain, id, "$description")}, topics...) {
			if err := b.Publish(ctx, t, nil, true); err != nil {
				return err
			}
		}
	}
	clear(p.shown)
	return nil
}

// Run publishes what changes and does what controllers set, until ctx ends.
func (p *Publisher) Run(ctx context.Context, b Broker) {
	tick := time.NewTicker(p.o.Timing.Look)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			p.update(ctx, b)
		case s := <-p.sets:
			p.obey(ctx, b, s)
		}
	}
}

// update publishes what differs from what was sent. On an error the connection is lost, or soon will be: the next one
// announces everything.
func (p *Publisher) update(ctx context.Context, b Broker) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.announced {
		return
	}
	budget := p.o.Timing.Most
	out := func(topic string, payload []byte, retain bool) error {
		budget--
		return b.Publish(ctx, topic, payload, retain)
	}
	if err := p.clearLeftovers(out, &budget); err != nil {
		p.announced = false
		return
	}
	all := p.o.Snapshots()
	for i := range all {
		if budget <= 0 {
			p.next = (p.next + i) % len(all)
			return
		}
		if err := p.refresh(all[(p.next+i)%len(all)], out, &budget); err != nil {
			p.announced = false
			return
		}
	}
}

// refresh brings one chamber up to date as far as the budget goes.
func (p *Publisher) refresh(s *policy.Snapshot, out publish, budget *int) error {
	x := p.shown[p.render.deviceID(s.Spec.Name)]
	if x == nil || x.snapshot == s && x.complete {
		return nil // not announced: the next session's
	}
	if x.snapshot != s {
		x.snapshot, x.image = s, p.render.render(s)
	}
	now := time.Now()
	if !x.image.description.Same(&x.described) {
		if x.complete = false; now.Sub(x.at) < p.o.Timing.Describe {
			return nil
		}
		return p.describe(x, out, true)
	}
	x.complete = true
	for _, m := range x.image.retained(p.o.Domain) {
		if old, ok := x.sent[m.topic]; ok && old == m.payload {
			continue
		}
		if *budget <= 0 || m.slow && now.Sub(x.sentAt[m.topic]) < p.o.Timing.Value {
			x.complete = false
			continue
		}
		if err := out(m.topic, []byte(m.payload), true); err != nil {
			return err
		}
		x.sent[m.topic], x.sentAt[m.topic] = m.payload, now
	}
	return p.resolve(x, out)
}

// resolve removes alerts that are over.
func (p *Publisher) resolve(x *shown, out publish) error {
	base := homie.Topic(p.o.Domain, x.image.id, "$alert") + "/"
	for _, topic := range slices.Sorted(maps.Keys(x.sent)) {
		id, isAlert := strings.CutPrefix(topic, base)
		if _, stands := x.image.alerts[id]; !isAlert || stands {
			continue
		}
		if err := out(topic, nil, true); err != nil {
			return err
		}
		x.forget(topic)
	}
	return nil
}

package mqtt

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"time"

	"gillkeeper/bridge/homie"
)

// The daemon's patience with a broker that hangs up when it announces itself.
const (
	// birthTries is after how many connections that ended while the daemon announced itself it stops doing so for
	// birthRest: some brokers hang up on a publisher without the right to a topic. Climate goes before presence.
	birthTries = 3
	birthRest  = 10 * time.Minute
)

// Presence is how the daemon shows itself on the broker: as a Homie 5 root device whose last will says that it is
// lost. The zero value announces the bare device.
type Presence struct {
	Off    bool   // no last will, nothing announced
	Domain string // first level of its topics; default: homie
	// Announce publishes what belongs between the states init and ready, the root's $description last. Nil publishes a
	// description without children. It is called again on every connection.
	Announce func(ctx context.Context, publish func(topic string, payload []byte, retain bool) error) error
	// Farewell publishes what belongs before the state disconnected, at an end on purpose. Nil publishes nothing. With
	// [ErrWithdrawn] the state is not said either.
	Farewell func(ctx context.Context, publish func(topic string, payload []byte, retain bool) error) error
}

// ErrWithdrawn says that the devices were removed from the broker: nothing is to be said of them any more.
var ErrWithdrawn = errors.New("the devices were removed")

// RootID is the Homie id of the root device that belongs to a client id: lower-case letters, digits and hyphens.
func RootID(clientID string) string {
	if id := strings.Trim(homie.ID(clientID), "-"); id != "" {
		return id
	}
	return "gillkeeper"
}

// topic is a topic of the root device.
func (o *Options) presenceTopic(level string) string {
	domain := o.Presence.Domain
	if domain == "" {
		domain = homie.DefaultDomain
	}
	return homie.Topic(domain, RootID(o.ClientID), level)
}

// presence belongs to the session's goroutine, but for stateTopic, which never changes.
type presence struct {
	o          *Options
	stateTopic string // "": no presence
	failures   int    // births in a row that the connection did not survive
	failed     time.Time
}

func newPresence(o *Options) presence {
	if o.Presence.Off {
		return presence{o: o}
	}
	return presence{o: o, stateTopic: o.presenceTopic("$state")}
}

// birth announces the daemon: init, what it is, ready.
func (p *presence) birth(ctx context.Context, l *link) {
	if p.stateTopic == "" || p.failures >= birthTries && time.Since(p.failed) < birthRest {
		return
	}
	err := p.announce(ctx, l)
	switch {
	case err == nil:
		p.failures = 0
	case ctx.Err() == nil:
		p.failures++
		p.failed = time.Now()
		if p.failures >= birthTries {
			p.o.Log.Error("the broker ends the connection when the daemon announces itself; going on without",
				"topic", p.o.presenceTopic("#"), "error", err)
		}
	}
}

func (p *presence) announce(ctx context.Context, l *link) error {
	if err := p.state(ctx, l, homie.Init); err != nil {
		return err
	}
	announce := p.o.Presence.Announce
	if announce == nil {
		announce = p.bare
	}
	if err := announce(ctx, l.publisher(ctx)); err != nil {
		return err
	}
	return p.state(ctx, l, homie.Ready)
}

func (p *presence) bare(_ context.Context, publish func(string, []byte, bool) error) error {
	description, err := json.Marshal(map[string]any{"homie": "5.0", "version": 1, "name": "gillkeeper"})
	if err != nil {
		return err
	}
	return publish(p.o.presenceTopic("$description"), description, true)
}

// gainsay says that the daemon is there after its last will said otherwise: the will of an earlier connection may fire
// after this one announced itself. An error ends the connection, which is seen elsewhere.
func (p *presence) gainsay(ctx context.Context, l *link) {
	if p.failures == 0 {
		_ = p.state(ctx, l, homie.Ready)
	}
}

// end says that the daemon goes on purpose.
func (p *presence) end(ctx context.Context, l *link) {
	if p.stateTopic == "" || p.failures > 0 {
		return
	}
	if p.o.Presence.Farewell != nil {
		most, cancel := context.WithTimeout(ctx, p.o.Timing.Goodbye/2) // the root's own word matters more
		defer cancel()
		if err := p.o.Presence.Farewell(most, l.publisher(most)); errors.Is(err, ErrWithdrawn) {
			return
		}
	}
	_ = p.state(ctx, l, homie.Disconnected)
}

func (p *presence) state(ctx context.Context, l *link, state string) error {
	return l.publish(ctx, p.stateTopic, []byte(state), true)
}

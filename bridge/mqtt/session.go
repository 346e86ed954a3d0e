// Package mqtt connects the chambers to an MQTT 3.1.1 broker: what sensors and plugs say comes in as values, commands
// go out.
//
// A retained copy is last known, of unknown age, and says so. A command leaves on an open connection or not at all: it
// is not queued, and a connection that does not acknowledge it in time is reset, so that nothing old arrives late. Each
// connection has a client of its own, since a client that reconnects sends what was left of the connection before.
//
// It must never know of policies, keep a chamber's state, or block on what takes its values. Start reading at [Start]
// for the connection, at [Bind] for the topics.
package mqtt

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"gillkeeper/bridge/mqtt/topic"
	"gillkeeper/policy/chamber"
)

// ErrLinkDown says that there is no open connection to the broker. Nothing was sent; decide anew when it is up.
var ErrLinkDown = errors.New("no open connection to the broker")

// ErrUnconfirmed says that the broker did not acknowledge in time. The connection was reset: if the message has not
// arrived by now, it never will, but for what the broker itself holds up. Decide anew.
var ErrUnconfirmed = errors.New("the broker did not acknowledge")

// Session keeps a connection to one broker, over as many connections as it takes. Several sessions may run in one
// process, each with its own client id.
type Session struct {
	o      Options
	said   once
	cancel context.CancelFunc
	done   chan struct{}
	link   atomic.Pointer[link] // nil while commands cannot leave

	mu     sync.Mutex
	status Status

	// What follows belongs to the goroutine of run.
	presence presence
	rival    rival
	// homie belongs to the goroutine that takes messages; connections follow each other.
	homie homieWatch
}

// Status is how a session stands.
type Status struct {
	Up    bool
	Since time.Time // of the last change, on the machine's clock
	Err   error     // why it is not up; nil before the first attempt ended
}

// Why says in few words why a session is not up, and what to do about it; "" while it is, and before the first attempt ended.
func (s *Status) Why() string {
	if s.Up || s.Err == nil {
		return ""
	}
	return cause(s.Err)
}

// Start begins to connect and returns. The error says what is wrong with the options; a broker that cannot be reached
// is none, it is tried again until [Session.Stop].
func Start(o Options) (*Session, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(context.Background())
	s := &Session{o: o, cancel: cancel, done: make(chan struct{}), status: Status{Since: time.Now()}}
	s.presence, s.homie = newPresence(&s.o), newHomieWatch(o.Bindings)
	go s.run(ctx)
	return s, nil
}

// Stop ends the session: the broker is told that it ends on purpose, and nothing runs any more when Stop returns. It
// takes no longer than the timing's Goodbye and a little, and may be called again.
func (s *Session) Stop() {
	s.cancel()
	<-s.done
}

// Up reports whether commands can leave.
func (s *Session) Up() bool { return s.link.Load() != nil }

// Status tells how the session stands.
func (s *Session) Status() Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.status
}

// Send commands a plug, with QoS 1 and not retained, and returns when the broker has it. Any error means that it must
// be taken as not sent and decided anew: [ErrLinkDown], [ErrUnconfirmed], or the cause of ctx's end. Indexes are those of
// the bindings.
func (s *Session) Send(ctx context.Context, of, plug int, o chamber.Order) error {
	p := &s.o.Bindings.chambers[of].plugs[plug]
	return s.Publish(ctx, p.CommandTopic, []byte(p.Payload(o)), false)
}

// Publish sends a message with QoS 1 and returns when the broker has it. Its errors are those of [Session.Send], and
// one for an illegal topic.
func (s *Session) Publish(ctx context.Context, name string, payload []byte, retain bool) error {
	if err := topic.CheckPublish(name); err != nil {
		return err
	}
	l := s.link.Load()
	if l == nil {
		return ErrLinkDown
	}
	return l.publish(ctx, name, payload, retain)
}

// Tell sends a message once, with QoS 0 and not retained, and does not wait for it to arrive: for what is of no use
// later. Its errors are [ErrLinkDown], and one for an illegal topic.
func (s *Session) Tell(name string, payload []byte) error {
	if err := topic.CheckPublish(name); err != nil {
		return err
	}
	l := s.link.Load()
	if l == nil || !l.client.IsConnectionOpen() {
		return ErrLinkDown
	}
	l.client.Publish(name, 0, false, payload) // bounded by the write timeout
	return nil
}

// run connects again and again until ctx ends.
func (s *Session) run(ctx context.Context) {
	defer close(s.done)
	t := s.o.Timing
	wait := t.RetryFirst
	for {
		up, err := s.connection(ctx)
		if ctx.Err() != nil {
			s.note(false, errors.New("stopped"))
			return
		}
		if s.rival.ended(up, err, t.RetryMost) {
			s.note(false, &explained{advice: rivalAdvice, err: err})
			s.sayRival(err)
		} else if s.note(false, err); s.said.first("link", cause(err)) {
			s.o.Log.Error("no connection to the broker; trying again", "broker", s.o.URL.Redacted(), "error", err)
		}
		if up > t.RetryMost {
			wait = t.RetryFirst
		}
		// Spread out, so that many daemons do not come back at the same moment.
		select {
		case <-time.After(wait/2 + rand.N(wait/2+1)):
		case <-ctx.Done():
			continue
		}
		wait = min(2*wait, t.RetryMost)
	}
}

// connection lives through one connection and tells how long it was up and why it ended.
func (s *Session) connection(ctx context.Context) (up time.Duration, err error) {
	l, err := s.dial(ctx)
	if err != nil {
		return 0, explainDial(err)
	}
	refused, err := s.subscribe(ctx, l, s.filters())
	if err != nil {
		l.discard(err)
		return 0, fmt.Errorf("the broker did not answer a subscription: %w", explain(err))
	}
	began := time.Now()
	s.link.Store(l)
	s.note(true, nil)
	if s.said.forget("link") {
		s.o.Log.Info("connected to the broker again", "broker", s.o.URL.Redacted())
	}
	s.o.LinkUp()
	err = s.attend(ctx, l, refused)
	s.link.Store(nil)
	if ctx.Err() != nil {
		s.farewell(l)
	} else {
		l.discard(err)
	}
	s.o.LinkDown(err)
	return time.Since(began), err
}

// attend sees to an open connection until it is lost or ctx ends: announces the daemon, asks again for subscriptions
// that were refused, and gainsays a last will that comes late.
func (s *Session) attend(ctx context.Context, l *link, refused []string) error {
	s.presence.birth(ctx, l)
	wait := s.o.Timing.RefusedFirst
	var alone <-chan time.Time
	if s.rival.there() {
		alone = time.After(brief(s.o.Timing.RetryMost))
	}
	var again <-chan time.Time // goes on over whatever else happens
	for {
		if again == nil && len(refused) > 0 {
			again = time.After(wait)
		}
		select {
		case <-ctx.Done():
			return errors.New("stopped")
		case <-l.down:
			return explain(l.cause)
		case <-alone:
			s.rival = rival{}
			s.o.Log.Info("connected to the broker and left alone: the other client with this id is gone", "broker", s.o.URL.Redacted(),
				"client_id", s.o.ClientID)
		case <-l.declaredLost:
			s.presence.gainsay(ctx, l)
		case <-again:
			var err error
			if refused, err = s.subscribe(ctx, l, s.only(refused)); err != nil {
				return fmt.Errorf("the broker did not answer a subscription: %w", explain(err))
			}
			again, wait = nil, min(2*wait, s.o.Timing.RefusedMost)
		}
	}
}

// farewell ends an open connection on purpose.
func (s *Session) farewell(l *link) {
	ctx, cancel := context.WithTimeout(context.Background(), s.o.Timing.Goodbye)
	defer cancel()
	s.presence.end(ctx, l)
	l.close(s.o.Timing.Goodbye)
}

func (s *Session) note(up bool, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if up != s.status.Up || s.status.Err == nil {
		s.status.Since = time.Now()
	}
	s.status.Up, s.status.Err = up, err
}

// once remembers what was said, so that the log names each cause one time.
type once struct {
	mu   sync.Mutex
	said map[[2]string]bool
}

// first reports whether the pair is new.
func (o *once) first(about, what string) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	k := [2]string{about, what}
	if o.said[k] {
		return false
	}
	if o.said == nil {
		o.said = map[[2]string]bool{}
	}
	o.said[k] = true
	return true
}

// forget drops everything about one thing and reports whether there was something.
func (o *once) forget(about string) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	n := len(o.said)
	for k := range o.said {
		if k[0] == about {
			delete(o.said, k)
		}
	}
	return len(o.said) < n
}

package mqtt

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"sync/atomic"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gillkeeper/bridge/homie"
)

// discardPatience is for a client to notice that its connection was closed.
const discardPatience = 2 * time.Second

// link is one connection, with a client of its own. A paho client that reconnects by itself sends again what the
// connection before did not acknowledge, and a publisher that waited out the outage inside it sends on the new one;
// either way a command would arrive late. A client that dies with its connection cannot.
type link struct {
	client paho.Client
	wire   atomic.Pointer[wire]
	asked  atomic.Pointer[certificateAsked] // nil: the broker asked for none
	ack    time.Duration

	down         chan struct{} // closed when the connection is lost
	cause        error         // why; set before down is closed
	declaredLost chan struct{} // our own last will was seen
}

// dial opens a connection and waits for the broker's consent.
func (s *Session) dial(ctx context.Context) (*link, error) {
	l := &link{ack: s.o.Timing.Ack, down: make(chan struct{}), declaredLost: make(chan struct{}, 1)}
	l.client = paho.NewClient(s.clientOptions(ctx, l))
	token := l.client.Connect()
	select {
	case <-token.Done():
	case <-ctx.Done():
		if w := l.wire.Load(); w != nil {
			w.drop(context.Cause(ctx)) // dialing ends by ctx, waiting for consent by this
		}
		<-token.Done()
	}
	if err := token.Error(); err != nil {
		if a := l.asked.Load(); a != nil {
			err = &certificateAsked{none: a.none, shown: a.shown, err: err}
		}
		return nil, err
	}
	return l, nil
}

func (s *Session) clientOptions(ctx context.Context, l *link) *paho.ClientOptions {
	t := s.o.Timing
	o := paho.NewClientOptions().
		AddBroker(s.o.URL.String()).
		SetClientID(s.o.ClientID).
		SetUsername(s.o.Username).
		SetPassword(s.o.Password.Reveal()).
		SetProtocolVersion(4). // 3.1.1, without falling back to 3.1 when a password is wrong
		SetCleanSession(true). // what the broker kept of an outage is old; what is retained is asked for
		SetAutoReconnect(false).
		SetConnectRetry(false).
		// In order: a plug's "on" and "off" must not overtake each other. The deadlocks that ordering is known for come
		// from handlers that wait, and ours never does.
		SetOrderMatters(true).
		SetKeepAlive(t.KeepAlive).
		SetPingTimeout(t.PingTimeout).
		SetConnectTimeout(t.Connect).
		SetWriteTimeout(t.Write).
		SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { s.receive(l, m) }).
		SetConnectionLostHandler(func(_ paho.Client, err error) {
			l.cause = err
			close(l.down)
		}).
		SetCustomOpenConnectionFn(func(u *url.URL, _ paho.ClientOptions) (net.Conn, error) {
			w, err := open(ctx, u, s.o.TLS, t, l.asked.Store)
			if err != nil {
				return nil, err
			}
			l.wire.Store(w)
			return w, nil
		})
	if s.presence.stateTopic != "" {
		o.SetBinaryWill(s.presence.stateTopic, []byte(homie.Lost), 1, true)
	}
	return o
}

// publish sends with QoS 1 and waits until the broker has it.
func (l *link) publish(ctx context.Context, topic string, payload []byte, retain bool) error {
	if !l.client.IsConnectionOpen() {
		return ErrLinkDown
	}
	limit := time.NewTimer(l.ack)
	defer limit.Stop()
	token := l.client.Publish(topic, 1, retain, payload) // bounded by the write timeout
	select {
	case <-token.Done():
		if err := token.Error(); err != nil {
			l.drop(err)
			return fmt.Errorf("%w: %w", ErrUnconfirmed, err)
		}
		return nil
	case <-l.down:
		return fmt.Errorf("%w: %w", ErrUnconfirmed, l.cause)
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-limit.C:
		// It may lie in a buffer on the way. Resetting the connection empties ours, and makes the broker refuse the
		// rest.
		l.drop(fmt.Errorf("%w within %v", ErrUnconfirmed, l.ack))
		return ErrUnconfirmed
	}
}

// publisher is publish for whoever is lent the connection.
func (l *link) publisher(ctx context.Context) func(topic string, payload []byte, retain bool) error {
	return func(topic string, payload []byte, retain bool) error { return l.publish(ctx, topic, payload, retain) }
}

// drop resets the connection; what was not delivered never will be.
func (l *link) drop(cause error) {
	if w := l.wire.Load(); w != nil {
		w.drop(cause)
	}
}

// discard drops the connection and waits until nothing of the client runs.
func (l *link) discard(cause error) {
	l.drop(cause)
	select {
	case <-l.down: // the client's last act
	case <-time.After(discardPatience):
		l.client.Disconnect(uint(discardPatience.Milliseconds()))
	}
}

// close ends the connection in the way that keeps the last will from being published.
func (l *link) close(patience time.Duration) {
	if w := l.wire.Load(); w != nil {
		w.polite()
	}
	l.client.Disconnect(uint(patience.Milliseconds()))
	l.drop(errors.New("closed")) // where DISCONNECT could not be said in time
}

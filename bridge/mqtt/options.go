package mqtt

import (
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"time"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/mqtt/topic"
)

// Options are what a session needs. URL, ClientID and Bindings are required.
type Options struct {
	URL      *url.URL    // scheme mqtt, mqtts, ws or wss
	TLS      *tls.Config // for mqtts and wss
	ClientID string      // of this session alone: a broker drops the older of two
	Username string
	Password config.Secret

	Bindings *Bindings
	Sink     Sink       // nil takes nothing
	Counter  Counter    // nil counts nothing
	Listen   []Listener // what else to subscribe to
	Presence Presence
	Log      *slog.Logger // nil says nothing

	// LinkUp is called when the connection is open and every subscription was answered: commands can leave, and what
	// plugs and sensors retain has been asked for. LinkDown is called when that ends, with the cause. Both are called
	// in turn by one goroutine and may not call Stop.
	LinkUp   func()
	LinkDown func(cause error)

	Wall   func() time.Time // to judge time stamps in payloads; nil: the machine's
	Timing Timing           // zero: [Production]
}

// Listener takes messages that no binding names, such as commands of controllers.
type Listener struct {
	Filter string
	// Handle is called from one goroutine with all other messages and must not block. It may not keep the payload.
	Handle func(topic string, payload []byte, retained bool)
}

// Timing is how patient a session is.
type Timing struct {
	KeepAlive    time.Duration // silence after which the broker is asked for a sign of life; whole seconds
	PingTimeout  time.Duration // for its answer
	Connect      time.Duration // from dialing to the broker's consent
	Write        time.Duration // for handing bytes to the network
	Ack          time.Duration // for the broker's acknowledgement; then the connection counts as dead
	RetryFirst   time.Duration // before connecting again; doubles each time
	RetryMost    time.Duration
	RefusedFirst time.Duration // before asking again for a subscription that was refused; doubles each time
	RefusedMost  time.Duration
	Goodbye      time.Duration // for saying that the session ends
}

// Production is the timing of daily use: a broker that vanished without a word is noticed within 25 s, and within 5 s
// when a command was under way.
func Production() Timing {
	return Timing{
		KeepAlive: 15 * time.Second, PingTimeout: 5 * time.Second, Connect: 10 * time.Second,
		Write: 5 * time.Second, Ack: 5 * time.Second,
		RetryFirst: 2 * time.Second, RetryMost: 30 * time.Second,
		RefusedFirst: 10 * time.Second, RefusedMost: 5 * time.Minute,
		Goodbye: 2 * time.Second,
	}
}

// OptionsFor fills in what the configuration says of a broker on the network. For the embedded broker, set URL to
// where it listens.
func OptionsFor(b *config.Broker) Options {
	return Options{URL: b.URL, TLS: b.TLS(), ClientID: b.ClientID, Username: b.Username, Password: b.Password}
}

// check fills in what was left out and says what is wrong.
func (o *Options) check() error {
	if o.URL == nil || o.Bindings == nil {
		return errors.New("mqtt session: a broker URL and bindings are needed")
	}
	switch o.URL.Scheme {
	case "mqtt", "ws":
	case "mqtts", "wss":
		if o.TLS == nil {
			o.TLS = &tls.Config{MinVersion: tls.VersionTLS12, ServerName: o.URL.Hostname()}
		}
	default:
		return fmt.Errorf("mqtt session: broker URL %s has an unknown scheme; use mqtt, mqtts, ws or wss", o.URL.Redacted())
	}
	if o.URL.Port() == "" {
		return fmt.Errorf("mqtt session: broker URL %s has no port; add one, such as :1883", o.URL.Redacted())
	}
	if o.ClientID == "" {
		return errors.New("mqtt session: a client id is needed, so that the broker knows an old session from a new one")
	}
	for _, name := range o.Bindings.Topics() {
		if err := topic.CheckName(name); err != nil {
			return fmt.Errorf("mqtt session: %w", err)
		}
	}
	for _, l := range o.Listen {
		if err := topic.CheckFilter(l.Filter); err != nil {
			return fmt.Errorf("mqtt session: %w", err)
		}
	}
	if o.Sink == nil {
		o.Sink = nowhere{}
	}
	if o.Counter == nil {
		o.Counter = nowhere{}
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.LinkUp == nil {
		o.LinkUp = func() {}
	}
	if o.LinkDown == nil {
		o.LinkDown = func(error) {}
	}
	if o.Wall == nil {
		o.Wall = time.Now
	}
	if o.Timing == (Timing{}) {
		o.Timing = Production()
	}
	return nil
}

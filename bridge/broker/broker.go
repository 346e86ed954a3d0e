// Package broker is a small MQTT broker inside the program, for the demonstration and for people who have none yet.
//
// It must never be what safety rests on: a household's own broker serves better, and this one is kept behind four
// methods so that it can be replaced. Start reading at [Start].
package broker

import (
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// The caps keep one bad client from taking the machine with it.
const (
	maxClients       = 1024
	maxInflight      = 8192             // unacknowledged QoS 1 and 2 messages for one client; more are dropped
	maxWritesPending = 8192             // messages waiting for one slow client; more are dropped
	maxReceive       = 1024             // unacknowledged messages from one client
	maxPacket        = 256 << 10        // bytes; a reading is below 64 KiB
	maxRetained      = 256 << 20        // bytes of retained messages, each with retainedCost; beyond, none on new topics
	retainedCost     = 4 << 10          // bytes that the engine needs for a retained message beside topic and payload, as measured
	maxSession       = 60 * 60          // seconds that an absent client's session is kept
	maxMessageAge    = 24 * 60 * 60     // seconds; MQTT 5 only, 3.1.1 has no expiry
	connectTimeout   = 10 * time.Second // from accepting a connection to its CONNECT
	goodbyeTimeout   = time.Second      // to tell clients that the broker stops
	neverAgain       = 1 << 30          // seconds between the engine's $SYS topics, which nobody may read here
)

// Options says where to listen and whom to let in.
type Options struct {
	// Listen is host:port. Port 0 takes a free one. A host that is not a loopback address needs credentials.
	Listen string
	// Username and Password are what clients must show. Both empty: anyone on this machine.
	Username, Password string
	// TLS encrypts the connections; nil does not.
	TLS *tls.Config
	// MayRead and MayWrite narrow who sees and says what; nil allows everything. They must be safe to call from
	// several goroutines.
	MayRead, MayWrite func(username, topic string) bool
	// Log gets what the broker has to say; nil discards it.
	Log *slog.Logger
}

// Broker is a running broker.
type Broker struct {
	server *mochi.Server
	door   *door
	stop   sync.Once
}

// Start listens and serves until [Broker.Stop]. The error says what is wrong with the options, or why the address
// cannot be had.
func Start(o Options) (*Broker, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	log := o.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	listener, err := net.Listen("tcp", o.Listen)
	if err != nil {
		return nil, fmt.Errorf("embedded broker cannot listen on %s: %w; choose another address or stop what uses it", o.Listen, err)
	}
	server := mochi.New(&mochi.Options{
		Capabilities:           capabilities(),
		Logger:                 slog.New(muffled{log.Handler()}),
		SysTopicResendInterval: neverAgain,
	})
	d := newDoor(listener, o.TLS, log, func() {
		for _, c := range server.Clients.GetAll() {
			if !c.Closed() {
				_ = server.DisconnectClient(c, packets.ErrServerShuttingDown) // its error is the reason just given
			}
		}
	})
	if err := errors.Join(server.AddHook(newGuard(o), nil), server.AddHook(newIdentifiers(), nil), server.AddHook(newRetained(maxRetained, log), nil), server.AddHook(&takeover{server: server, door: d}, nil), server.AddListener(d)); err != nil {
		listener.Close()
		return nil, fmt.Errorf("embedded broker: %w", err)
	}
	if err := server.Serve(); err != nil {
		listener.Close()
		return nil, fmt.Errorf("embedded broker: %w", err)
	}
	return &Broker{server: server, door: d}, nil
}

// Addr is the address that it listens on, host:port.
func (b *Broker) Addr() string { return b.door.Address() }

// URL is what a client on this machine connects to.
func (b *Broker) URL() string {
	scheme := "mqtt"
	if b.door.tls != nil {
		scheme = "mqtts"
	}
	return scheme + "://" + b.Addr()
}

// Clients is how many clients are connected.
func (b *Broker) Clients() int {
	n := 0
	for _, c := range b.server.Clients.GetAll() {
		if !c.Closed() {
			n++
		}
	}
	return n
}

// Stop closes every connection and waits until nothing of the broker runs any more. Retained messages and sessions
// are gone afterwards. Calling it again does nothing.
func (b *Broker) Stop() {
	b.stop.Do(func() { _ = b.server.Close() }) // its error is always nil
}

func capabilities() *mochi.Capabilities {
	c := mochi.NewDefaultServerCapabilities()
	c.MaximumClients = maxClients
	c.MaximumInflight = maxInflight
	c.MaximumClientWritesPending = maxWritesPending
	c.ReceiveMaximum = maxReceive
	c.MaximumPacketSize = maxPacket
	c.MaximumSessionExpiryInterval = maxSession
	c.MaximumMessageExpiryInterval = maxMessageAge
	return c
}

func (o *Options) check() error {
	host, _, err := net.SplitHostPort(o.Listen)
	if err != nil {
		return fmt.Errorf("embedded broker cannot listen on %q: %w; write host:port, such as 127.0.0.1:1883", o.Listen, err)
	}
	if (o.Username == "") != (o.Password == "") {
		return errors.New("embedded broker has a username or a password but not both; set both or neither")
	}
	if o.Username == "" && !loopback(host) {
		return fmt.Errorf("embedded broker would let anyone on the network in at %s; set username and password_file, or listen on 127.0.0.1", o.Listen)
	}
	return nil
}

// loopback holds for what only this machine can reach. A name is not looked up, but for the one that RFC 6761 §6.3
// reserves: an answer may change after it was asked.
func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

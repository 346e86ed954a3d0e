// Package config reads the configuration: TOML text in, one checked value out, or every fault of the text at once,
// each with its line, the value, what is allowed and the nearest right word.
//
// It must never guess at a grower's meaning, print a secret, or let a value through that a later package would have to
// check again. Start reading at [Load]; what may stand in the file is listed by [Keys].
package config

import (
	"crypto/tls"
	"crypto/x509"
	"math"
	"net"
	"net/url"
	"strings"
	"time"

	"gillkeeper/bridge/pointer"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// Config is a whole checked configuration. It is shared between goroutines and never written after it was made.
type Config struct {
	Site     Site
	Broker   Broker
	HTTP     HTTP
	Journal  Journal
	Notify   []Notify
	Chambers []Chamber          // at least one
	Climates []species.Override // the grower's own rows, each species and stage once
	Table    *species.Table     // the built-in table with Climates laid over it

	Path string // of the file, as it was given
	Text []byte // of the file, as it was read
	Hash string // SHA-256 of Text, hexadecimal
}

// Site is where the chambers stand.
type Site struct {
	Name       string
	Zone       *time.Location // never nil
	AltitudeM  float64
	Fahrenheit bool // pages and tables show degrees Fahrenheit
	TwelveHour bool // and the time of day as 2:05 pm
}

// Broker is how to reach the MQTT broker.
type Broker struct {
	Embedded bool     // the broker runs inside the daemon, at Listen
	URL      *url.URL // scheme mqtt, mqtts, ws or wss, with host and port; nil when Embedded
	Listen   string   // host and port of the embedded broker; set also when it isn't used
	ClientID string
	Username string
	Password Secret // set only with Username
	Homie    HomieShow

	roots *x509.CertPool   // nil: the system's
	pair  *tls.Certificate // nil: none
}

// Secure reports whether the connection is encrypted.
func (b *Broker) Secure() bool {
	return b.URL != nil && (b.URL.Scheme == "mqtts" || b.URL.Scheme == "wss")
}

// TLS gives the settings of an encrypted connection, or nil when the connection isn't encrypted. Every call gives a
// value of its own.
func (b *Broker) TLS() *tls.Config {
	if !b.Secure() {
		return nil
	}
	c := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: b.URL.Hostname(), RootCAs: b.roots}
	if b.pair != nil {
		c.Certificates = []tls.Certificate{*b.pair}
	}
	return c
}

// Journal is where what must last is kept.
type Journal struct {
	Path string // a file; absolute unless the configuration's folder is relative

	// How long history is kept by the minute, by ten minutes, and at all; and how long events are.
	Minutes, TenMinutes, Hours, Events time.Duration
}

// Notify is one service that carries messages to people.
type Notify struct {
	Name        string           // of the file that holds the address, as it is written there; unique
	URL         Secret           // the address itself is a credential
	MinPriority alarm.Priority   // less is not sent
	Quiet       [2]time.Duration // from when to when only urgent alarms are sent, since midnight; equal: never
	HasDaily    bool
	Daily       time.Duration // when a line on every chamber is sent, since midnight
}

// Chamber is one chamber: its facts for the policies, and how each sensor and plug speaks.
type Chamber struct {
	Spec    *chamber.Spec
	Sensors []SensorBinding // index-aligned with Spec.Sensors
	Plugs   []PlugBinding   // index-aligned with Spec.Plugs
}

// SensorBinding is how one sensor speaks. Where neither Pointer nor SenMLName is given, the payload is the number.
type SensorBinding struct {
	Topic        string
	HasPointer   bool            // the payload is JSON
	Pointer      pointer.Pointer // where the number is in it
	SenMLName    string          // the payload is a SenML pack; the resolved name of the record, or empty
	Unit         Unit            // of the number; of a SenML record only when that names none
	AliveTopic   string          // a retained liveness topic, or empty
	AlivePayload string          // what it says while the sensor lives
	Homie        *HomieRef       // Topic is a property of a Homie device; nil: it is not
}

// PlugBinding is how one plug speaks.
type PlugBinding struct {
	CommandTopic   string
	OnPayload      string
	OffPayload     string
	TimedOnPayload string // with {seconds} in it; empty: the plug can't time itself

	// LevelPayload is what sets a plug that modulates, with {level} in it and perhaps {seconds}, and LevelFull the number
	// that stands for full output, in commands and in what the plug says of itself. Empty: it is on or off.
	LevelPayload string
	LevelFull    float64

	StateTopic      string // empty: the plug says nothing of itself
	HasStatePointer bool
	StatePointer    pointer.Pointer
	StateOn         string // what it says when it is on; a JSON true or number compares by its text
	StateOff        string // of a plug that modulates also empty: only numbers say it

	PowerTopic      string // watts; empty: it doesn't meter
	HasPowerPointer bool
	PowerPointer    pointer.Pointer

	Homie      *HomieRef // CommandTopic and StateTopic are those of a property of a Homie device; nil: they are not
	HomiePower *HomieRef // PowerTopic is a property of one; nil: it is not
}

// Payload is an order as the plug is told it. Times are rounded up to whole seconds.
func (p *PlugBinding) Payload(o chamber.Order) string {
	switch {
	case p.LevelPayload != "" && (o.On || p.OffPayload == ""):
		return expandSeconds(strings.ReplaceAll(p.LevelPayload, levelMark, p.Level(o.Output())), o.For)
	case !o.On:
		return p.OffPayload
	case o.For > 0 && p.TimedOnPayload != "":
		return expandSeconds(p.TimedOnPayload, o.For)
	}
	return p.OnPayload
}

// Level writes a share of full output as the plug's number: whole ones, unless full output is a small number.
func (p *PlugBinding) Level(share float64) string {
	v := share * p.LevelFull
	if p.LevelFull < fineBelow {
		return number(math.Round(v*1000) / 1000)
	}
	return number(math.Round(v))
}

// fineBelow is the number for full output below which levels are not whole numbers.
const fineBelow = 10

// loopback reports whether an address given as host and port can be reached from this machine only.
func loopback(listen string) bool {
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return false
	}
	return loopbackHost(host)
}

// samePort reports whether two addresses of this machine cannot both be listened on. Port 0 is any that is free.
func samePort(a, b string) bool {
	host, port, err := net.SplitHostPort(a)
	other, otherPort, otherErr := net.SplitHostPort(b)
	if err != nil || otherErr != nil || port != otherPort || port == "0" {
		return false
	}
	every := func(host string) bool { ip := net.ParseIP(host); return host == "" || ip != nil && ip.IsUnspecified() }
	return host == other || every(host) || every(other)
}

func loopbackHost(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

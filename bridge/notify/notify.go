// Package notify tells people of alarms: it turns what happened in the chambers into messages, keeps them until they
// are sent, and sends them by mail, by a plain webhook, or by one of the many services of a library.
//
// One root cause is one message; what follows from it stands in that message. A message is kept over a restart, tried
// again until it is through, held back in quiet hours unless it is urgent, and put together with others when many come
// at once. Whoever was told of an alarm is told when it is over.
//
// It must never hold up the owner of the chambers, decide whether something is an alarm, or let an address show: the
// address of a service is a secret. Start reading at [Desk] and, for how a message leaves, at [Open].
package notify

import (
	"context"
	"errors"
	"net/url"
	"strings"
	"time"

	"gillkeeper/policy/alarm"
)

// Notifier carries messages to one place. It may be called from one goroutine at a time.
type Notifier interface {
	// Send returns nil once the other side has taken the message. Its errors show nothing of the address but the host. One in
	// which a [*Partly] is was taken for some of those whom it is for, and is not to be sent again; a [*Busy] says when to try.
	Send(ctx context.Context, m *Message) error
}

// Partly is the error of a message that was taken for some recipients and not for others.
type Partly struct{ Err error }

func (p *Partly) Error() string { return p.Err.Error() }

// Busy is the error of an attempt after which the other side asks to be left alone for a while.
type Busy struct {
	Err error
	For time.Duration
}

func (b *Busy) Error() string { return b.Err.Error() }

// Kind says what a message is about.
type Kind string

// The kinds.
const (
	Raised   Kind = "alarm"    // an alarm stands
	Returned Kind = "returned" // an alarm that was told of is over
	Daily    Kind = "daily"    // how the chambers are, once a day
	Several  Kind = "several"  // several of the others in one, in Parts
	Test     Kind = "test"     // asked for by a person
)

// Message is what people are told. Its JSON is what a webhook gets.
type Message struct {
	ID       string         `json:"id"` // the same message keeps it when it is sent again
	Kind     Kind           `json:"kind"`
	Site     string         `json:"site,omitempty"`
	Priority alarm.Priority `json:"priority"`
	Title    string         `json:"title"` // one line
	Text     string         `json:"text"`  // lines, without the title
	Chamber  string         `json:"chamber,omitempty"`
	Alarm    alarm.Name     `json:"alarm,omitempty"`
	State    string         `json:"state,omitempty"` // of the alarm, in the words of ISA-18.2
	At       time.Time      `json:"at"`              // of what happened, on the calendar
	Parts    []Message      `json:"parts,omitempty"` // with [Several]
}

// sendTimeout bounds one attempt.
const sendTimeout = 30 * time.Second

// Open makes the notifier of an address. Addresses are http:// and https:// for a webhook, smtp:// and smtps:// for
// mail, and whatever else the library knows. Its errors show nothing of the address but its scheme.
func Open(address string) (Notifier, error) {
	u, err := url.Parse(address)
	if err != nil || u.Scheme == "" {
		return nil, &sendError{"it holds no address with a scheme, such as https://… or smtp://…"}
	}
	var n Notifier
	switch strings.ToLower(u.Scheme) {
	case "http", "https":
		n, err = newWebhook(u)
	case "smtp", "smtps":
		n, err = newMail(u)
	default:
		n, err = newLibrary(address, u)
	}
	if _, ours := errors.AsType[*sendError](err); ours {
		return nil, err
	}
	if err != nil {
		return nil, &sendError{text: redactorOf(address).clean(err.Error())}
	}
	return &discreet{Notifier: n, redactor: redactorOf(address)}, nil
}

// Scheme gives the part of an address that may be shown.
func Scheme(address string) string {
	if scheme, _, ok := strings.Cut(address, ":"); ok && len(scheme) < 32 && !strings.ContainsAny(scheme, "/@") {
		return strings.ToLower(scheme)
	}
	return "unknown"
}

// TestMessage is what a person asks for to see whether messages arrive.
func TestMessage(site string, now time.Time) *Message {
	return &Message{
		ID: "test-" + now.UTC().Format("20060102T150405.000"), Kind: Test, Site: site, Priority: alarm.Low, At: now.UTC(),
		Title: titled(site, "Test message from gillkeeper"),
		Text:  "Somebody asked for this message to see whether it arrives. Nothing is wrong, and there is nothing to do.",
	}
}

// titled puts the site before a title.
func titled(site, title string) string {
	if site == "" {
		return title
	}
	return site + ": " + title
}

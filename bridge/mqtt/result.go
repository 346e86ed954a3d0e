package mqtt

import (
	"fmt"

	"gillkeeper/policy/chamber"
)

// MaxPayload is the largest payload that is looked at, in bytes. A climate reading takes tens of bytes.
const MaxPayload = 64 << 10

// Result is what became of a message.
type Result uint8

// The results. A message counts once for each chamber that it concerns.
const (
	OK           Result = iota // handed over
	Retained                   // handed over as last known: its age is unknown, or it is older than the sensor's max_age
	BadPayload                 // not what the configuration says of it
	Implausible                // a number that the quantity cannot have
	TooLarge                   // above MaxPayload
	UnknownTopic               // nobody asked for it; has no chamber
)

var resultNames = [...]string{"ok", "retained", "bad_payload", "implausible", "too_large", "unknown_topic"}

// Results lists every result.
func Results() []Result {
	return []Result{OK, Retained, BadPayload, Implausible, TooLarge, UnknownTopic}
}

func (r Result) String() string { return resultNames[r] }

// Counter counts messages by chamber and result. It is called for every message: it must be fast and safe for several
// goroutines. The chamber of [UnknownTopic] is empty.
type Counter interface {
	Message(chamber string, r Result)
}

// Sink takes what sensors and plugs say. Chambers are counted as in the configuration; sensors and plugs as in the
// chamber's Spec. It is called from one goroutine, in the order of arrival, and must not block: while it does, no
// message comes in and none is acknowledged. It stamps the time of arrival, which is left zero here. A sink whose
// consumer lags keeps the newest of each sensor.
type Sink interface {
	Reading(chamber int, r chamber.Reading)
	Liveness(chamber int, l chamber.Liveness)
	Refusal(chamber int, r chamber.Refusal)
	Report(chamber int, r chamber.PlugReport)
}

// fault is why something was refused. The cause is one of few words, so that each is logged once; the detail may quote
// what a stranger sent.
type fault struct {
	result Result
	cause  string
	detail string
	absent bool // a sound document that is about something else
}

func bad(cause, format string, args ...any) *fault {
	return &fault{result: BadPayload, cause: cause, detail: fmt.Sprintf(format, args...)}
}

package config

import (
	"fmt"
	"log/slog"
)

// redacted is all that is ever shown of a secret.
const redacted = "(secret)"

// Secret is a password, a token or an address with one in it. However it is printed, logged or marshaled, it shows
// nothing of itself; only [Secret.Reveal] gives it away.
type Secret struct{ value string }

// NewSecret wraps a secret.
func NewSecret(s string) Secret { return Secret{s} }

// Reveal gives the secret itself, for the one place that needs it.
func (s Secret) Reveal() string { return s.value }

// Empty reports whether there is no secret.
func (s Secret) Empty() bool { return s.value == "" }

func (s Secret) String() string {
	if s.value == "" {
		return ""
	}
	return redacted
}

// Format redacts under every verb, %#v and %x too.
func (s Secret) Format(f fmt.State, _ rune) { _, _ = f.Write([]byte(s.String())) }

// LogValue redacts in logs.
func (s Secret) LogValue() slog.Value { return slog.StringValue(s.String()) }

// MarshalText redacts in JSON and TOML.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

package notify

import (
	"strings"
	"testing"

	"github.com/nicholas-fedor/shoutrrr/pkg/types"
)

// TestALibraryThatPanics has failed to send: chambers are kept on, nothing secret is shown, and the next attempt is made.
func TestALibraryThatPanics(t *testing.T) {
	panics := true
	l := &library{send: func(string, *types.Params) []error {
		if panics {
			panic("no answer in ntfy://host/topsecret")
		}
		return nil
	}}
	n := &discreet{Notifier: l, redactor: redactorOf("ntfy://host/topsecret")}
	m := &Message{Title: "loft: too dry", Text: "81 %"}
	if err := n.Send(t.Context(), m); err == nil || !strings.Contains(err.Error(), "failed") || strings.Contains(err.Error(), "topsecret") {
		t.Errorf("a panic gives %v", err)
	}
	panics = false
	if err := n.Send(t.Context(), m); err != nil {
		t.Errorf("after a panic: %v", err)
	}
}

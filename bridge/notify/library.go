package notify

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"sync/atomic"

	"github.com/nicholas-fedor/shoutrrr/pkg/router"
	"github.com/nicholas-fedor/shoutrrr/pkg/types"

	"gillkeeper/policy/nearest"
)

// library sends through a service that the library knows.
type library struct {
	send   func(text string, params *types.Params) []error
	titled bool        // the service shows a title by itself
	busy   atomic.Bool // the last attempt has not come back
}

// titledSchemes are the services that have a title apart from the text.
var titledSchemes = []string{"bark", "discord", "generic", "gotify", "ifttt", "join", "lark", "matrix", "mattermost", "notifiarr",
	"ntfy", "opsgenie", "pushbullet", "pushover", "slack", "teams", "telegram"}

func newLibrary(address string, u *url.URL) (Notifier, error) {
	scheme, _, _ := strings.Cut(strings.ToLower(u.Scheme), "+")
	r, err := router.New(nil)
	if err != nil {
		return nil, err
	}
	known := slices.DeleteFunc(r.ListServices(), func(s string) bool { return s == "logger" })
	known = append(known, "http", "https", "smtps")
	slices.Sort(known)
	if !slices.Contains(known, scheme) {
		hint := "known are " + strings.Join(known, ", ")
		if n := nearest.Word(scheme, known); n != "" {
			hint = "did you mean " + n
		}
		return nil, &sendError{fmt.Sprintf("its address begins with %q, which is not a service known here; %s", scheme, hint)}
	}
	if err := r.AddService(address); err != nil {
		return nil, &sendError{fmt.Sprintf("its address does not fit the service %s: %s", scheme, redactorOf(address).clean(err.Error()))}
	}
	return &library{send: r.Send, titled: slices.Contains(titledSchemes, scheme)}, nil
}

// Send hands the message to the library, whose calls know no context: one that does not come back is left behind, and
// nothing more is sent that way until it does.
func (l *library) Send(ctx context.Context, m *Message) error {
	if !l.busy.CompareAndSwap(false, true) {
		return errors.New("the last attempt still waits for an answer")
	}
	text, params := m.Text, types.Params{}
	if l.titled {
		params.SetTitle(m.Title)
	} else {
		text = m.Title + "\n\n" + text
	}
	done := make(chan error, 1)
	go func() {
		err := l.attempt(text, &params)
		l.busy.Store(false)
		done <- err
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// attempt sends. A library that panics at what a service answers has failed to send, and no more than that: chambers are kept on.
func (l *library) attempt(text string, params *types.Params) (err error) {
	defer func() {
		if v := recover(); v != nil {
			err = fmt.Errorf("the library that speaks to the service failed: %v", v)
		}
	}()
	return errors.Join(l.send(text, params)...)
}

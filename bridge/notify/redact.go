package notify

import (
	"context"
	"errors"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"
)

// redacted stands for whatever must not show.
const redacted = "(secret)"

// redactor takes the secret parts of one address out of texts.
type redactor struct{ parts []string }

// shortest is how long a part must be to be taken out: shorter ones, such as a port, occur by chance.
const shortest = 4

// redactorOf lists everything in an address that may be a secret: the whole, user and password, each piece of the path
// and of the query, and the host where it is no host's name; some services put keys in its place.
func redactorOf(address string) redactor {
	var r redactor
	add := func(s string) {
		for _, form := range []string{s, url.PathEscape(s), url.QueryEscape(s), strings.ToLower(s)} {
			if len(form) >= shortest {
				r.parts = append(r.parts, form)
			}
		}
	}
	add(address)
	u, err := url.Parse(address)
	if err != nil {
		return r
	}
	add(u.String())
	add(u.Redacted())
	if u.User != nil {
		add(u.User.String())
		add(u.User.Username())
		if p, ok := u.User.Password(); ok {
			add(p)
		}
	}
	if u.Host != u.Scheme && !strings.ContainsAny(u.Host, ".") && u.Hostname() != "localhost" && !strings.Contains(u.Hostname(), ":") {
		add(u.Host)
		add(u.Hostname())
	}
	add(u.Opaque)
	add(u.Path)
	for piece := range strings.SplitSeq(u.Path, "/") {
		add(piece)
	}
	add(u.RawQuery)
	for _, values := range u.Query() {
		for _, v := range values {
			add(v)
		}
	}
	add(u.Fragment)
	slices.SortFunc(r.parts, func(a, b string) int { return len(b) - len(a) })
	r.parts = slices.Compact(r.parts)
	return r
}

func (r redactor) clean(s string) string {
	for _, p := range r.parts {
		s = strings.ReplaceAll(s, p, redacted)
	}
	s = strings.Join(strings.Fields(s), " ")
	if len(s) > longestError {
		s = strings.ToValidUTF8(s[:longestError], "") + "…"
	}
	return s
}

// longestError bounds what another side's answer may put into a log.
const longestError = 300

// sendError is an error whose text is fit to be shown. It wraps nothing, so that nothing of the address can be had from
// it.
type sendError struct{ text string }

func (e *sendError) Error() string { return e.text }

// discreet is a notifier whose errors show nothing of its address, and which gives up in time.
type discreet struct {
	Notifier
	redactor redactor
}

func (d *discreet) Send(ctx context.Context, m *Message) error {
	ctx, cancel := context.WithTimeoutCause(ctx, sendTimeout, errTimeout)
	defer cancel()
	err := d.Notifier.Send(ctx, m)
	if err == nil {
		return nil
	}
	do := advice(err)
	if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, os.ErrDeadlineExceeded) {
		err = errTimeout
	}
	if u, ok := errors.AsType[*url.Error](err); ok {
		err = u.Err // without the address
	}
	clean := &sendError{text: d.redactor.clean(err.Error())}
	if do != "" {
		clean.text = do + " (" + clean.text + ")"
	}
	if _, ok := errors.AsType[*Partly](err); ok {
		return &Partly{clean}
	}
	if b, ok := errors.AsType[*Busy](err); ok {
		return &Busy{clean, b.For}
	}
	return clean
}

var errTimeout = errors.New("no answer within " + sendTimeout.Round(time.Second).String())

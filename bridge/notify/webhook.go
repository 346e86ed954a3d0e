package notify

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"time"
)

// webhook posts messages as JSON.
type webhook struct {
	url    string
	client *http.Client
}

func newWebhook(u *url.URL) (Notifier, error) {
	if u.Host == "" {
		return nil, &sendError{"its address has no host; write https://host/…"}
	}
	return &webhook{url: u.String(), client: &http.Client{
		Timeout: sendTimeout,
		// Elsewhere than where the grower said, a message is not for.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}, nil
}

// mostAnswer is how much of an answer is read, in bytes.
const mostAnswer = 4096

func (w *webhook) Send(ctx context.Context, m *Message) error {
	body, err := json.Marshal(m)
	if err != nil {
		return err
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, w.url, bytes.NewReader(body))
	if err != nil {
		return err
	}
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("User-Agent", "gillkeeper")
	r.Header.Set("Idempotency-Key", m.ID)
	answer, err := w.client.Do(r)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	_, _ = io.Copy(io.Discard, io.LimitReader(answer.Body, mostAnswer)) // so that the connection can be used again
	switch {
	case answer.StatusCode/100 == 2:
		return nil
	case answer.StatusCode/100 == 3:
		return fmt.Errorf("it answers %s, which leads elsewhere; write down the final address", answer.Status)
	}
	err = fmt.Errorf("it answers %s", answer.Status)
	switch answer.StatusCode {
	case http.StatusBadRequest, http.StatusUnauthorized, http.StatusForbidden, http.StatusNotFound, http.StatusMethodNotAllowed, http.StatusGone:
		err = fmt.Errorf("it answers %s; check the address, and the key in it if it has one", answer.Status)
	}
	if after := retryAfter(answer.Header.Get("Retry-After"), time.Now()); after > 0 {
		return &Busy{err, after}
	}
	return err
}

// retryAfter reads the header of that name (RFC 9110, section 10.2.3): seconds, or a date. 0: it says nothing.
func retryAfter(text string, now time.Time) time.Duration {
	if s, err := strconv.ParseUint(text, 10, 31); err == nil {
		return time.Duration(s) * time.Second
	}
	if at, err := http.ParseTime(text); err == nil {
		return max(0, at.Sub(now))
	}
	return 0
}

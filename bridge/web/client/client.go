// Package client asks a running daemon over its HTTP API, for the commands.
//
// It must never print, and never send the token with a request that only reads, unless the daemon asks for it, or to another
// address than the one named.
// Start reading at [New].
package client

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"

	"gillkeeper/bridge/web/api"
)

// The limits of one request.
const (
	timeout   = 20 * time.Second // longer than the daemon takes for an action
	mostReply = 64 << 20         // bytes; ten thousand chambers are less
)

// Client asks one daemon.
type Client struct {
	server string // without a slash at the end
	token  string
	http   *http.Client
}

// New checks the address of a daemon, such as http://127.0.0.1:9420. The token may be empty.
func New(server, token string) (*Client, error) {
	u, err := url.Parse(server)
	if err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Host == "" || u.RawQuery != "" || u.Fragment != "" || u.User != nil {
		if u != nil && u.User != nil {
			server = u.Redacted()
		}
		return nil, fmt.Errorf("%q is not an address of a daemon; write it like http://127.0.0.1:9420", server)
	}
	return &Client{server: strings.TrimRight(server, "/"), token: token, http: &http.Client{
		Timeout:       timeout,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}, nil
}

// Site gives the daemon as a whole.
func (c *Client) Site(ctx context.Context) (api.Site, error) { return get[api.Site](ctx, c, "/site") }

// Chambers gives every chamber.
func (c *Client) Chambers(ctx context.Context) (api.Chambers, error) {
	return get[api.Chambers](ctx, c, "/chambers")
}

// Chamber gives one chamber.
func (c *Client) Chamber(ctx context.Context, name string) (api.Chamber, error) {
	return get[api.Chamber](ctx, c, "/chambers/"+url.PathEscape(name))
}

// Why gives the reasons of now, or of the moment that at names unless it is empty.
func (c *Client) Why(ctx context.Context, chamber, at string) (api.Why, error) {
	path := "/chambers/" + url.PathEscape(chamber) + "/why"
	if at != "" {
		path += "?" + url.Values{"at": {at}}.Encode()
	}
	return get[api.Why](ctx, c, path)
}

// Batches gives every batch that grows, or with retired every batch.
func (c *Client) Batches(ctx context.Context, retired bool) (api.Batches, error) {
	path := "/batches"
	if retired {
		path += "?retired=true"
	}
	got, err := get[api.Batches](ctx, c, path)
	if err == nil && got.Batches == nil { // not "none grows": the daemon gives an empty list then
		err = c.foreign(http.StatusOK)
	}
	return got, err
}

// Alarms gives every alarm that is not at rest.
func (c *Client) Alarms(ctx context.Context) (api.Alarms, error) {
	return get[api.Alarms](ctx, c, "/alarms")
}

// Refill says that a reservoir is full or holds so many liters.
func (c *Client) Refill(ctx context.Context, chamber string, a api.Refill) (api.Done, error) {
	return c.act(ctx, "/chambers/"+url.PathEscape(chamber)+"/refill", a)
}

// Hand puts a plug under hand.
func (c *Client) Hand(ctx context.Context, chamber string, a api.HandSet) (api.Done, error) {
	return c.act(ctx, "/chambers/"+url.PathEscape(chamber)+"/hand", a)
}

// AddBatch puts a batch into a chamber.
func (c *Client) AddBatch(ctx context.Context, chamber string, a api.BatchAdd) (api.Done, error) {
	return c.act(ctx, "/chambers/"+url.PathEscape(chamber)+"/batches", a)
}

// SetStage moves a batch to a stage.
func (c *Client) SetStage(ctx context.Context, batch string, a api.StageSet) (api.Done, error) {
	return c.act(ctx, "/batches/"+url.PathEscape(batch)+"/stage", a)
}

// Harvest records a weighing.
func (c *Client) Harvest(ctx context.Context, batch string, a api.Harvest) (api.Done, error) {
	return c.act(ctx, "/batches/"+url.PathEscape(batch)+"/harvest", a)
}

// Retire takes a batch out.
func (c *Client) Retire(ctx context.Context, batch string, a api.Retire) (api.Done, error) {
	return c.act(ctx, "/batches/"+url.PathEscape(batch)+"/retire", a)
}

// Ack acknowledges an alarm.
func (c *Client) Ack(ctx context.Context, chamber, alarm string, a api.Ack) (api.Done, error) {
	return c.act(ctx, "/alarms/"+url.PathEscape(chamber)+"/"+url.PathEscape(alarm)+"/ack", a)
}

// Shelve hides an alarm for a while.
func (c *Client) Shelve(ctx context.Context, chamber, alarm string, a api.Shelve) (api.Done, error) {
	return c.act(ctx, "/alarms/"+url.PathEscape(chamber)+"/"+url.PathEscape(alarm)+"/shelve", a)
}

func get[T any](ctx context.Context, c *Client, path string) (T, error) {
	var v T
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, c.server+api.Base+path, nil)
	if err != nil {
		return v, err
	}
	err = c.do(req, &v)
	if p, ok := errors.AsType[*api.Problem](err); ok && p.Code == api.CodeTokenMissing && c.token != "" {
		again := req.Clone(ctx)
		again.Header.Set("Authorization", "Bearer "+c.token)
		err = c.do(again, &v)
	}
	return v, err
}

// act sends an action with an id of its own: when the connection breaks, the same action can be sent again and is done
// once. The transport does so by itself when it sees the header.
func (c *Client) act(ctx context.Context, path string, action any) (api.Done, error) {
	body, err := json.Marshal(action)
	if err != nil {
		return api.Done{}, err
	}
	return c.send(ctx, http.MethodPost, path, body)
}

// send is act for any method; no body is sent where there is none.
func (c *Client) send(ctx context.Context, method, path string, body []byte) (api.Done, error) {
	var done api.Done
	req, err := http.NewRequestWithContext(ctx, method, c.server+api.Base+path, bytes.NewReader(body))
	if err != nil {
		return done, err
	}
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	req.Header.Set("Idempotency-Key", rand.Text())
	if c.token != "" {
		req.Header.Set("Authorization", "Bearer "+c.token)
	}
	if err := c.do(req, &done); err != nil {
		return done, err
	}
	if done.ID == "" { // another program's answer of "done" is none: the action must not be taken for acknowledged
		return done, c.foreign(http.StatusOK)
	}
	return done, nil
}

func (c *Client) do(req *http.Request, into any) error {
	req.Header.Set("Accept", "application/json, application/problem+json")
	resp, err := c.http.Do(req)
	if err != nil {
		return c.unreached(req.Context(), err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(io.LimitReader(resp.Body, mostReply))
	if err != nil {
		return fmt.Errorf("the answer of %s broke off: %w; try again", c.server, err)
	}
	if resp.StatusCode == http.StatusOK {
		if err := json.Unmarshal(body, into); err != nil {
			return c.foreign(resp.StatusCode)
		}
		return nil
	}
	var p api.Problem
	if json.Unmarshal(body, &p) != nil || p.Detail == "" {
		return c.foreign(resp.StatusCode)
	}
	return &p
}

// unreached says in one line why there was no answer.
func (c *Client) unreached(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if u, ok := errors.AsType[*url.Error](err); ok {
		err = u.Err
	}
	if n, ok := errors.AsType[net.Error](err); ok && n.Timeout() {
		return fmt.Errorf("%s does not answer in time; try again, or name another with --server", c.server)
	}
	if o, ok := errors.AsType[*net.OpError](err); ok && o.Op == "dial" {
		return fmt.Errorf("nothing answers at %s: is `gillkeeper run` running? or name another with --server", c.server)
	}
	return fmt.Errorf("%s cannot be asked: %w; check --server", c.server, err)
}

func (c *Client) foreign(status int) error {
	return fmt.Errorf("what answers at %s (status %d) is no gillkeeper, or another version of it; check --server", c.server, status)
}

package client

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"net/http"
	"net/url"

	"gillkeeper/bridge/web/api"
)

// Loss records what did not become crop.
func (c *Client) Loss(ctx context.Context, batch string, a api.LossAdd) (api.Done, error) {
	return c.act(ctx, "/batches/"+url.PathEscape(batch)+"/loss", a)
}

// Note writes something beside a batch.
func (c *Client) Note(ctx context.Context, batch string, a api.NoteAdd) (api.Done, error) {
	return c.act(ctx, "/batches/"+url.PathEscape(batch)+"/note", a)
}

// Record gives the whole life of a batch.
func (c *Client) Record(ctx context.Context, batch string) (api.BatchRecord, error) {
	return get[api.BatchRecord](ctx, c, "/batches/"+url.PathEscape(batch)+"/record")
}

// Records gives the whole life of every batch of a chamber, or of all chambers when it is empty.
func (c *Client) Records(ctx context.Context, chamber string) (api.Records, error) {
	return get[api.Records](ctx, c, "/records"+asked(map[string]string{"chamber": chamber}))
}

// Entries gives what was written into the crop's record, of a chamber and a batch unless they are empty; with standing
// only what holds, as corrected.
func (c *Client) Entries(ctx context.Context, chamber, batch string, standing bool) (api.Entries, error) {
	q := map[string]string{"chamber": chamber, "batch": batch}
	if standing {
		q["standing"] = "true"
	}
	return get[api.Entries](ctx, c, "/entries"+asked(q))
}

// Undo takes an entry back.
func (c *Client) Undo(ctx context.Context, entry string, a api.EntryUndo) (api.Done, error) {
	return c.act(ctx, "/entries/"+url.PathEscape(entry)+"/undo", a)
}

// Correct says what an entry should have been.
func (c *Client) Correct(ctx context.Context, entry string, a api.EntryCorrect) (api.Done, error) {
	return c.act(ctx, "/entries/"+url.PathEscape(entry)+"/correct", a)
}

// Import brings entries in. What cannot be gives an [api.Problem] with its faults.
func (c *Client) Import(ctx context.Context, in api.Import) (api.Imported, error) {
	var out api.Imported
	body, err := json.Marshal(in)
	if err != nil {
		return out, err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, c.server+api.Base+"/import", bytes.NewReader(body))
	if err != nil {
		return out, err
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Idempotency-Key", rand.Text())
	if c.token != "" {
		req.Header.Set("Authorization", "Bearer "+c.token)
	}
	return out, c.do(req, &out)
}

// asked writes parameters, leaving out empty ones.
func asked(q map[string]string) string {
	v := url.Values{}
	for name, value := range q {
		if value != "" {
			v.Set(name, value)
		}
	}
	if len(v) == 0 {
		return ""
	}
	return "?" + v.Encode()
}

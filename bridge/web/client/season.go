package client

import (
	"context"
	"net/url"

	"gillkeeper/bridge/web/api"
)

// Season gives what a report is made of, of one chamber, from one moment to another; an empty one is the default.
func (c *Client) Season(ctx context.Context, chamber, from, to string) (api.Season, error) {
	q := url.Values{}
	if chamber != "" {
		q.Set("chamber", chamber)
	}
	if from != "" {
		q.Set("from", from)
	}
	if to != "" {
		q.Set("to", to)
	}
	path := "/season"
	if len(q) > 0 {
		path += "?" + q.Encode()
	}
	return get[api.Season](ctx, c, path)
}

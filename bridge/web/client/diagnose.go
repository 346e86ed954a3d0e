package client

import (
	"context"
	"net/url"
	"strings"

	"gillkeeper/bridge/web/api"
)

// Diagnose ranks the causes of what is seen on a batch, at a moment unless at is empty. The batch may be left out where
// one grows alone.
func (c *Client) Diagnose(ctx context.Context, chamber, batch, at string, signs []string) (api.Diagnosis, error) {
	return get[api.Diagnosis](ctx, c, "/chambers/"+url.PathEscape(chamber)+"/diagnosis"+
		asked(map[string]string{"sign": strings.Join(signs, ","), "batch": batch, "at": at}))
}

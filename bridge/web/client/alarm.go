package client

import (
	"context"
	"net/url"

	"gillkeeper/bridge/web/api"
)

func alarmPath(chamber, alarm, what string) string {
	return "/alarms/" + url.PathEscape(chamber) + "/" + url.PathEscape(alarm) + "/" + what
}

// Unack takes the last acknowledgment of an alarm back.
func (c *Client) Unack(ctx context.Context, chamber, alarm string, a api.Ack) (api.Done, error) {
	return c.act(ctx, alarmPath(chamber, alarm, "unack"), a)
}

// Unshelve ends the shelving of an alarm early.
func (c *Client) Unshelve(ctx context.Context, chamber, alarm string, a api.Unshelve) (api.Done, error) {
	return c.act(ctx, alarmPath(chamber, alarm, "unshelve"), a)
}

// OutOfService takes an alarm out of service.
func (c *Client) OutOfService(ctx context.Context, chamber, alarm string, a api.Service) (api.Done, error) {
	return c.act(ctx, alarmPath(chamber, alarm, "out-of-service"), a)
}

// InService returns an alarm to service.
func (c *Client) InService(ctx context.Context, chamber, alarm string, a api.Service) (api.Done, error) {
	return c.act(ctx, alarmPath(chamber, alarm, "in-service"), a)
}

// AlarmHistory gives what became of alarms between two moments as people write them, of one chamber or with "" of all.
// An empty from is a week before to, an empty to is now.
func (c *Client) AlarmHistory(ctx context.Context, chamber, from, to string) (api.AlarmHistory, error) {
	q := url.Values{}
	for name, value := range map[string]string{"chamber": chamber, "from": from, "to": to} {
		if value != "" {
			q.Set(name, value)
		}
	}
	path := "/alarms/history"
	if len(q) > 0 {
		path += "?" + q.Encode()
	}
	return get[api.AlarmHistory](ctx, c, path)
}

package client

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strconv"

	"gillkeeper/bridge/web/api"
)

// Outlook asks how a chamber will fare in the coming days. progress hears how far the answer is.
func (c *Client) Outlook(ctx context.Context, chamber string, days float64, thorough bool, progress func(done, of int)) (api.Outlook, error) {
	q := url.Values{"days": {strconv.FormatFloat(days, 'f', -1, 64)}}
	if thorough {
		q.Set("thorough", "true")
	}
	path := c.server + api.Base + "/chambers/" + url.PathEscape(chamber) + "/outlook?" + q.Encode()
	resp, err := c.lines(ctx, path, false)
	if err == nil && resp.StatusCode == http.StatusUnauthorized && c.token != "" {
		resp.Body.Close()
		resp, err = c.lines(ctx, path, true)
	}
	if err != nil {
		return api.Outlook{}, err
	}
	defer resp.Body.Close()
	in := bufio.NewScanner(resp.Body)
	in.Buffer(nil, 4<<20)
	if resp.StatusCode != http.StatusOK {
		var p api.Problem
		if !in.Scan() || json.Unmarshal(in.Bytes(), &p) != nil || p.Detail == "" {
			return api.Outlook{}, c.foreign(resp.StatusCode)
		}
		return api.Outlook{}, &p
	}
	for in.Scan() {
		var line api.OutlookProgress
		if err := json.Unmarshal(in.Bytes(), &line); err != nil {
			return api.Outlook{}, c.foreign(resp.StatusCode)
		}
		switch {
		case line.Problem != nil:
			return api.Outlook{}, line.Problem
		case line.Outlook != nil:
			return *line.Outlook, nil
		}
		progress(line.Done, line.Of)
	}
	if ctx.Err() != nil {
		return api.Outlook{}, context.Cause(ctx)
	}
	return api.Outlook{}, fmt.Errorf("the answer of %s broke off; try again", c.server)
}

// lines asks for an answer in lines, which may take longer than others.
func (c *Client) lines(ctx context.Context, path string, token bool) (*http.Response, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, path, nil)
	if err != nil {
		return nil, err
	}
	req.Header.Set("Accept", "application/x-ndjson, application/problem+json")
	if token {
		req.Header.Set("Authorization", "Bearer "+c.token)
	}
	slow := *c.http
	slow.Timeout = 0 // ctx ends it
	resp, err := slow.Do(req)
	if err != nil {
		return nil, c.unreached(ctx, err)
	}
	return resp, nil
}

package web_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"gillkeeper/bridge/web/api"
)

func TestOutlook(t *testing.T) {
	s := serve(t, nil)
	status, h, body := s.ask(t, "GET", "/api/v1/chambers/loft/outlook?days=4", "")
	var o api.Outlook
	if err := json.Unmarshal(body, &o); err != nil || status != 200 || h.Get("Content-Type") != "application/json" {
		t.Fatalf("%d %s: %v", status, body, err)
	}
	if o.Verdict != "leave_after" || o.Answer != "Leave for 4 d after this: fill the reservoir, and record it with refill." || o.Until.Sub(o.From).Hours() != 96 {
		t.Errorf("%+v", o)
	}
	if want := "2.1 L are in the reservoir, at 0.9 L a day: dry in about 2 d 8 h, one time in ten within 40 h (Thu 23 Apr 02:30); chance that it runs dry before you are back 97 %"; !strings.HasPrefix(o.Water.Text, want) {
		t.Errorf("says %q, want %q", o.Water.Text, want)
	}
	for query, want := range map[string]int{"?days=0": 400, "?days=15": 400, "?days=NaN": 400, "?days=x": 400, "?thorough=yes": 400, "?dais=3": 400, "?days=0.5&thorough=true": 200} {
		if status, _, body := s.ask(t, "GET", "/api/v1/chambers/loft/outlook"+query, ""); status != want {
			t.Errorf("%s: %d %s", query, status, body)
		}
	}
	if status, _, _ := s.ask(t, "GET", "/api/v1/chambers/attic/outlook", ""); status != 404 {
		t.Errorf("no such chamber: %d", status)
	}
}

func TestOutlookInLines(t *testing.T) {
	s := serve(t, nil)
	req, err := http.NewRequestWithContext(t.Context(), "GET", s.url+"/api/v1/chambers/cellar/outlook", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Accept", "application/x-ndjson")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	d := json.NewDecoder(resp.Body)
	var last api.OutlookProgress
	n := 0
	for ; d.More(); n++ {
		last = api.OutlookProgress{}
		if err := d.Decode(&last); err != nil {
			t.Fatal(err)
		}
	}
	if n != 5 || last.Outlook == nil || last.Outlook.Verdict != "do_not_leave" || len(last.Outlook.Because) != 2 {
		t.Errorf("%d lines, the last %+v", n, last)
	}
}

package web_test

import (
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/web"
	"gillkeeper/bridge/web/webtest"
)

func newProxy(t testing.TB, h http.Handler) string {
	t.Helper()
	p := httptest.NewServer(h)
	t.Cleanup(p.Close)
	t.Cleanup(http.DefaultTransport.(*http.Transport).CloseIdleConnections)
	return p.URL
}

// TestOversizedForms: OWASP ASVS 4.0, V13.1 and V5: what is too large is refused before it is worked on.
func TestOversizedForms(t *testing.T) {
	s := serve(t, nil)
	b := browse(t, s.url).open("do/note?chamber=loft&batch=oyster-12")
	b.submit("do/note", map[string]string{"note": strings.Repeat("x", 80<<10)})
	if b.status != 413 {
		t.Errorf("a form of 80 KiB: %d", b.status)
	}
	b.open("/do/note?chamber=loft&batch=oyster-12")
	many := map[string]string{}
	for i := range 2000 {
		many[fmt.Sprintf("f%d", i)] = "x"
	}
	if b.submit("do/note", many); b.status >= 500 {
		t.Errorf("two thousand fields: %d", b.status)
	}
	long := strings.Repeat("a", 10<<10)
	for _, path := range []string{"/chamber/" + long, "/login?next=" + long, "/do/" + long, "/chamber/loft?at=" + long} {
		status, _, body := s.ask(t, "GET", path, "")
		if status >= 500 || len(body) > 60<<10 {
			t.Errorf("%.20s: %d, %d bytes", path, status, len(body))
		}
	}
}

// TestSlowRequests: a client that sends a byte now and then, or says nothing in the middle, holds nothing for long.
func TestSlowRequests(t *testing.T) {
	t.Parallel()
	const form = "POST /do/refill HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 2000\r\n\r\nchamber=loft"
	for name, c := range map[string]struct {
		sends string
		drip  bool // a byte each tenth of a second after that
		most  time.Duration
	}{
		"silent in the headers":       {"POST /do/refill HTTP/1.1\r\nHost: localhost\r\n", false, 4 * time.Second},
		"a byte of headers at a time": {"GET / HTTP/1.1\r\nHost: localhost\r\nX-Long: ", true, 4 * time.Second},
		"silent in the form":          {form, false, 12 * time.Second},
		"a byte of a form at a time":  {form, true, 12 * time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := serve(t, nil)
			c1, err := net.Dial("tcp", s.Addr().String())
			if err != nil {
				t.Fatal(err)
			}
			defer c1.Close()
			began := time.Now()
			fmt.Fprint(c1, c.sends)
			ended := make(chan struct{})
			go func() {
				defer close(ended)
				_ = c1.SetReadDeadline(began.Add(c.most + 20*time.Second))
				_, _ = io.Copy(io.Discard, c1) // until the server ends it
			}()
			tick := time.NewTicker(100 * time.Millisecond)
			defer tick.Stop()
			for open := true; open; {
				select {
				case <-ended:
					open = false
				case <-tick.C:
					if c.drip {
						fmt.Fprint(c1, "a")
					}
				}
			}
			if took := time.Since(began); took > c.most {
				t.Errorf("it was held for %s", took.Round(time.Second))
			}
		})
	}
}

// TestCrossSiteEverywhere: OWASP cheat sheet on cross-site request forgery. Nothing that changes anything can be had by a page
// from elsewhere, whatever the browser says of where it comes from, and nothing by a form that this browser was not given.
func TestCrossSiteEverywhere(t *testing.T) {
	s := serve(t, nil)
	var described struct {
		Paths map[string]map[string]json.RawMessage `json:"paths"`
	}
	_, _, body := s.ask(t, "GET", "/api/v1/openapi.json", "")
	if err := json.Unmarshal(body, &described); err != nil {
		t.Fatal(err)
	}
	type target struct{ method, path, kind string }
	var all []target
	fill := strings.NewReplacer("{chamber}", "loft", "{batch}", "oyster-12", "{sensor}", "chamber-co2", "{alarm}", "co2_high", "{entry}", "1")
	for path, methods := range described.Paths {
		for method := range methods {
			if method != "get" {
				all = append(all, target{strings.ToUpper(method), "/api/v1" + fill.Replace(path), "application/json"})
			}
		}
	}
	if len(all) < 15 {
		t.Fatalf("only %d actions are described", len(all))
	}
	for _, what := range []string{"pick", "stage", "batch", "retire", "refill", "hand", "ack", "shelve", "note", "undo"} {
		all = append(all, target{"POST", "/do/" + what, "application/x-www-form-urlencoded"})
	}
	all = append(all, target{"POST", "/login", "application/x-www-form-urlencoded"}, target{"POST", "/logout", "application/x-www-form-urlencoded"})
	done := func() int {
		n := 0
		for range s.Record.Actions(t.Context(), journal.ActionQuery{}) {
			n++
		}
		return n
	}
	before := done()
	for _, x := range all {
		for _, from := range [][]string{{"Sec-Fetch-Site", "cross-site"}, {"Sec-Fetch-Site", "same-site"}, {"Origin", "https://evil.example"}, {"Origin", "null"}} {
			text := "chamber=loft&batch=oyster-12&sure=yes&id=abcdefgh12345678"
			if x.kind == "application/json" {
				text = "{}"
			}
			if status, _, answer := s.ask(t, x.method, x.path, text, append([]string{"Content-Type", x.kind}, from...)...); status != 403 {
				t.Errorf("%s %s from %v: %d %.200s", x.method, x.path, from, status, answer)
			}
		}
		if x.kind == "application/json" {
			continue
		}
		if status, _, _ := s.ask(t, "POST", x.path, "chamber=loft&batch=oyster-12&sure=yes&id=abcdefgh12345678&form=guessed", "Content-Type", x.kind, "Origin", s.url); status != 403 {
			t.Errorf("%s with a form that nobody was given: %d", x.path, status)
		}
	}
	if n := done(); n != before {
		t.Errorf("%d actions were done", n-before)
	}
}

// TestForgedHostEverywhere: a name that somebody else's DNS leads here answers nothing, and what a client claims of a proxy
// opens no other door.
func TestForgedHostEverywhere(t *testing.T) {
	s := serve(t, nil)
	for _, path := range []string{"/", "/chamber/loft", "/chamber/loft/diagnose", "/chamber/loft/outlook", "/report", "/report/season", "/do/pick?chamber=loft", "/login", "/live",
		"/api/v1/site", "/api/v1/openapi.json", "/metrics", "/healthz", "/page.js", "/nothing"} {
		for _, claims := range [][]string{{"Host", "evil.example"}, {"Host", "evil.example", "X-Forwarded-Host", "localhost"}, {"Host", "localhost.evil.example"}} {
			if status, _, _ := s.ask(t, "GET", path, "", claims...); status != 421 {
				t.Errorf("%s as %v: %d", path, claims, status)
			}
		}
		if path == "/live" { // it would not end
			continue
		}
		if status, h, _ := s.ask(t, "GET", path, "", "X-Forwarded-Host", "evil.example"); strings.Contains(h.Get("Location"), "evil") || status == 421 {
			t.Errorf("%s with a claimed name: %d, to %s", path, status, h.Get("Location"))
		}
	}
}

// TestScriptInEveryFreeText: what people may type freely comes back as text, wherever it is shown. The strings are of the
// OWASP cheat sheet on filter evasion.
func TestScriptInEveryFreeText(t *testing.T) {
	const evil = `"><script>alert(1)</script><svg onload=alert(1)>'`
	spec := func(o *web.Options) { o.Site.Name = evil }
	s := serve(t, spec)
	bad := []string{"<script>alert", "<svg onload"}
	check := func(b *browser) {
		t.Helper()
		for _, x := range bad {
			if strings.Contains(b.body, x) {
				t.Errorf("%s: %q is taken as markup", b.at, x)
			}
		}
	}
	b := browse(t, s.url)
	for _, form := range []struct{ page, what, field string }{
		{"do/pick?chamber=loft&batch=oyster-12", "do/pick", "fresh_g"}, {"do/pick?chamber=loft&batch=oyster-12", "do/pick", "batch"},
		{"do/pick?chamber=loft&batch=oyster-12", "do/pick", "note"}, {"do/stage?chamber=loft&batch=oyster-12", "do/stage", "stage"},
		{"do/batch?chamber=loft", "do/batch", "name"}, {"do/batch?chamber=loft", "do/batch", "species"}, {"do/batch?chamber=loft", "do/batch", "strain"},
		{"do/refill?chamber=loft", "do/refill", "liters"}, {"do/hand?chamber=loft&plug=mister", "do/hand", "plug"},
		{"do/hand?chamber=loft&plug=mister", "do/hand", "for"}, {"do/ack?chamber=cellar&alarm=humidity_low", "do/ack", "alarm"},
		{"do/shelve?chamber=cellar&alarm=humidity_low", "do/shelve", "for"}, {"do/note?chamber=loft&batch=oyster-12", "do/note", "note"},
		{"do/refill?chamber=loft", "do/refill", "chamber"}, {"do/refill?chamber=loft", "do/refill", "id"}, {"login", "login", "next"}, {"login", "login", "token"},
	} {
		b.submitAt(form.page, form.what, map[string]string{form.field: evil})
		check(b)
		if b.status >= 500 {
			t.Errorf("%s %s: %d", form.page, form.field, b.status)
		}
	}
	q := url.QueryEscape(evil)
	for _, page := range []string{"/?x=" + q, "/chamber/loft?at=" + q, "/chamber/loft?span=" + q, "/chamber/loft?done=" + q, "/chamber/" + url.PathEscape(evil),
		"/do/pick?chamber=loft&batch=" + q, "/do/hand?chamber=loft&plug=" + q, "/do/ack?chamber=loft&alarm=" + q, "/do/" + url.PathEscape(evil), "/login?next=" + q} {
		check(b.open(page))
	}
	b.submitAt("do/batch?chamber=loft", "do/batch", map[string]string{"name": "x-1", "species": "pleurotus-ostreatus", "substrate_kg": "3", "dry_kg": "1", "strain": evil})
	b.submit("do/batch", nil)
	check(b)
	check(b.open("/chamber/loft"))
	if !strings.Contains(b.body, "&lt;script&gt;") {
		t.Error("the strain is not shown")
	}
	for _, page := range []string{"/", "/chamber/loft?span=flush", "/chamber/loft/diagnose?sign=long-stems&batch=x-1", "/chamber/loft/outlook?days=4", "/report/season?chamber=loft"} {
		if check(b.open(page)); b.status != 200 {
			t.Errorf("%s: %d", page, b.status)
		}
	}
}

// TestBadlyNamedChamber: a name of 63 characters, digits first, everything that is allowed and nothing that helps.
func TestBadlyNamedChamber(t *testing.T) {
	name := "0-" + strings.Repeat("x", 59) + "-0"
	s := serve(t, nil)
	s.Add(webtest.Spec(name, time.UTC), webtest.Air{RH: 0.7, TemperatureC: 18, CO2: 900, RoomRH: 0.5, RoomC: 18})
	b := browse(t, s.url).open("/").holds(name)
	b.open("chamber/"+name).holds(name, "What runs, and why")
	b.submitAt("do/refill?chamber="+name, "do/refill", nil).holds("The filling is written down.")
	if b.at.Path != "/chamber/"+name {
		t.Errorf("it leads to %s", b.at)
	}
}

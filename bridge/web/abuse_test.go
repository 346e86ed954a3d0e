package web_test

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

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

// TestSlowRequests: a client that sends a byte now and then holds nothing for long.
func TestSlowRequests(t *testing.T) {
	if testing.Short() {
		t.Skip("takes as long as the server waits for headers")
	}
	t.Parallel()
	s := serve(t, nil)
	c, err := net.Dial("tcp", s.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	began := time.Now()
	fmt.Fprint(c, "POST /do/refill HTTP/1.1\r\nHost: localhost\r\n")
	_ = c.SetReadDeadline(time.Now().Add(20 * time.Second))
	r := bufio.NewReader(c)
	if resp, err := http.ReadResponse(r, nil); err == nil {
		resp.Body.Close()
	}
	_, err = io.ReadAll(r)
	if took := time.Since(began); err != nil || took > 10*time.Second {
		t.Errorf("after %s: %v", took.Round(time.Second), err)
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

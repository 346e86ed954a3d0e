package web_test

import (
	"bufio"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"gillkeeper/bridge/web"
	"gillkeeper/bridge/web/api"
)

const refill = "/api/v1/chambers/loft/refill"

func TestToken(t *testing.T) {
	s := serve(t, func(o *web.Options) { o.Access.Token = "correct horse" })
	for _, c := range []struct {
		auth   string
		status int
		code   string
	}{
		{"", 401, "token_missing"},
		{"Bearer", 401, "token_missing"},
		{"Bearer wrong", 401, "token_wrong"},
		{"Bearer correct", 401, "token_wrong"},
		{"Basic correct horse", 401, "token_wrong"},
		{"Bearer correct horse", 200, ""},
		{"bearer correct horse", 200, ""}, // RFC 9110, section 11.1: the scheme's case does not count
	} {
		status, h, body := s.ask(t, "POST", refill, "{}", "Authorization", c.auth)
		if status != c.status {
			t.Errorf("%q: %d %s", c.auth, status, body)
			continue
		}
		if status == 401 {
			if p := decoded[api.Problem](t, body); p.Code != c.code || strings.Contains(p.Detail, "correct") {
				t.Errorf("%q: %s", c.auth, body)
			}
			if !strings.HasPrefix(h.Get("WWW-Authenticate"), "Bearer") {
				t.Errorf("%q: no challenge", c.auth)
			}
		}
	}
	if status, _, _ := s.ask(t, "GET", "/api/v1/chambers", ""); status != 200 {
		t.Errorf("reading needs a token: %d", status)
	}
	s.Adopt(web.Site{}, web.Access{Token: "new one"})
	if status, _, _ := s.ask(t, "POST", refill, "{}", "Authorization", "Bearer correct horse"); status != 401 {
		t.Errorf("the old token still works: %d", status)
	}
}

func TestWrongTokensAreSlowedDown(t *testing.T) {
	var ahead atomic.Int64
	s := serve(t, func(o *web.Options) {
		o.Access.Token = "right"
		start := o.Now()
		o.Now = func() time.Time { return start.Add(time.Duration(ahead.Load())) }
	})
	for i := range 10 {
		if status, _, _ := s.ask(t, "POST", refill, "{}", "Authorization", fmt.Sprintf("Bearer wrong%d", i)); status != 401 {
			t.Fatalf("wrong token %d: %d", i, status)
		}
	}
	status, h, body := s.ask(t, "POST", refill, "{}", "Authorization", "Bearer right")
	if status != 429 || h.Get("Retry-After") == "" {
		t.Errorf("after ten wrong tokens: %d %s", status, body)
	}
	if status, _, _ := s.ask(t, "GET", "/api/v1/chambers", ""); status != 200 {
		t.Errorf("reading is held up too: %d", status)
	}
	ahead.Store(int64(61 * time.Second))
	if status, _, body := s.ask(t, "POST", refill, "{}", "Authorization", "Bearer right"); status != 200 {
		t.Errorf("a minute later: %d %s", status, body)
	}
}

// TestAForgottenScriptLocksNobodyOut: it repeats the token of before every second from the same address. It is held up; the right token
// is not, nor is one who gives none and is asked for it. A guesser who hides behind it has ten guesses a minute, as ever.
func TestAForgottenScriptLocksNobodyOut(t *testing.T) {
	s := serve(t, func(o *web.Options) { o.Access = web.Access{Token: "right", ReadToken: "looks"} })
	ask := func(token string) int {
		status, _, _ := s.ask(t, "POST", refill, "{}", "Authorization", token)
		return status
	}
	for i := range 30 {
		if got, want := ask("Bearer of before"), map[bool]int{true: 401, false: 429}[i < 10]; got != want {
			t.Fatalf("the script's request %d: %d, want %d", i, got, want)
		}
	}
	if got := ask("Bearer right"); got != 200 {
		t.Errorf("the right token: %d", got)
	}
	if status, _, _ := s.ask(t, "GET", "/api/v1/chambers", ""); status != 401 {
		t.Errorf("without a token: %d, want 401, or a client never sends its own", status)
	}
	for i := range 9 { // with that of the script ten
		if got := ask(fmt.Sprintf("Bearer guess%d", i)); got != 429 {
			t.Fatalf("guess %d: %d", i, got)
		}
	}
	if got := ask("Bearer right"); got != 429 {
		t.Errorf("the right token as the eleventh guess: %d", got)
	}
}

func TestHost(t *testing.T) {
	s := serve(t, func(o *web.Options) { o.Hosts = []string{"grow.lan"} })
	_, port, _ := net.SplitHostPort(s.Addr().String())
	for host, want := range map[string]int{
		"localhost:" + port:  200,
		"LocalHost":          200,
		"127.0.0.1":          200,
		"[::1]:" + port:      200,
		"grow.lan":           200,
		"GROW.lan.:" + port:  200,
		"evil.example":       421,
		"evil.example:9420":  421,
		"localhost.evil.com": 421,
		"127.0.0.1.evil.com": 421,
		"192.168.1.7":        421, // a loopback listener is not reached by it
	} {
		for _, path := range []string{"/", "/api/v1/chambers", "/metrics"} {
			if status, _, body := s.ask(t, "GET", path, "", "Host", host); status != want {
				t.Errorf("Host %s %s: %d %.100s", host, path, status, body)
			}
		}
	}
}

func TestBeyondLoopback(t *testing.T) {
	open := func(change func(*web.Options)) *served {
		s := serve(t, func(o *web.Options) {
			o.Listen = "0.0.0.0:0"
			if change != nil {
				change(o)
			}
		})
		_, port, _ := net.SplitHostPort(s.Addr().String())
		s.url = "http://127.0.0.1:" + port
		return s
	}
	s := open(nil)
	status, _, body := s.ask(t, "POST", refill, "{}")
	if p := decoded[api.Problem](t, body); status != 403 || p.Code != "no_token_set" || !strings.Contains(p.Detail, "token_file") {
		t.Errorf("an action without any token set: %d %s", status, body)
	}
	if s.Acts() || get[api.Site](t, s, "/api/v1/site").Acts {
		t.Error("it says that it takes actions")
	}
	if status, _, _ := s.ask(t, "GET", "/api/v1/chambers", "", "Host", "shed.lan"); status != 200 {
		t.Errorf("reading under a name: %d", status)
	}
	s = open(func(o *web.Options) { o.Access.Token, o.Hosts = "right", []string{"shed.lan"} })
	if status, _, body := s.ask(t, "POST", refill, "{}", "Authorization", "Bearer right", "Host", "shed.lan"); status != 200 {
		t.Errorf("with the token: %d %s", status, body)
	}
	if status, _, _ := s.ask(t, "GET", "/", "", "Host", "evil.example"); status != 421 {
		t.Errorf("a name that is not configured: %d", status)
	}
}

func TestCrossOrigin(t *testing.T) {
	s := serve(t, nil)
	for _, c := range []struct {
		headers []string
		want    int
	}{
		{[]string{"Sec-Fetch-Site", "cross-site"}, 403},
		{[]string{"Sec-Fetch-Site", "same-site"}, 403},
		{[]string{"Origin", "https://evil.example"}, 403},
		{[]string{"Origin", "null"}, 403},
		{[]string{"Sec-Fetch-Site", "same-origin"}, 200},
		{[]string{"Origin", s.url}, 200},
		{nil, 200}, // no browser
	} {
		status, _, body := s.ask(t, "POST", refill, "{}", c.headers...)
		if status != c.want {
			t.Errorf("%v: %d %s", c.headers, status, body)
		}
	}
	// What a form of a foreign page can send without asking: not JSON.
	for _, kind := range []string{"text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", ""} {
		if status, _, body := s.ask(t, "POST", refill, "{}", "Content-Type", kind); status != 415 {
			t.Errorf("Content-Type %q: %d %s", kind, status, body)
		}
	}
}

func TestSecurityHeaders(t *testing.T) {
	s := serve(t, nil)
	for _, path := range []string{"/", "/page.css", "/api/v1/chambers", "/api/v1/nothing", "/healthz"} {
		_, h, _ := s.ask(t, "GET", path, "")
		csp := h.Get("Content-Security-Policy")
		if !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") || !strings.Contains(csp, "frame-ancestors 'none'") {
			t.Errorf("%s: policy %q", path, csp)
		}
		if h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Referrer-Policy") != "no-referrer" {
			t.Errorf("%s: headers %v", path, h)
		}
		if h.Get("Access-Control-Allow-Origin") != "" {
			t.Errorf("%s: open to other origins", path)
		}
	}
}

func TestHeadersTooLarge(t *testing.T) {
	s := serve(t, nil)
	req, err := http.NewRequest("GET", s.url+"/api/v1/chambers", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("X-Long", strings.Repeat("x", 64<<10))
	resp, err := s.client.Do(req)
	if err != nil {
		return // cut off before all was sent
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("%d", resp.StatusCode)
	}
}

// TestOldProtocol: a request without a Host comes from no browser that we know of, and is refused like a foreign name. Simple health
// checkers ask so, and get their answer; under a foreign name nobody does.
func TestOldProtocol(t *testing.T) {
	s := serve(t, nil)
	for _, x := range []struct {
		request string
		want    int
	}{
		{"GET / HTTP/1.0\r\n\r\n", 421},
		{"GET /metrics HTTP/1.0\r\n\r\n", 421},
		{"GET /api/v1/site HTTP/1.0\r\n\r\n", 421},
		{"GET /healthz/.. HTTP/1.0\r\n\r\n", 421},
		{"GET /healthz HTTP/1.0\r\n\r\n", 200},
		{"HEAD /healthz HTTP/1.0\r\n\r\n", 200},
		{"GET /readyz HTTP/1.0\r\n\r\n", 200},
		{"POST /readyz HTTP/1.0\r\n\r\n", 405},
		{"GET /healthz HTTP/1.0\r\nHost: evil.example\r\n\r\n", 421},
		{"GET /readyz HTTP/1.1\r\nHost: evil.example\r\n\r\n", 421},
	} {
		c, err := net.Dial("tcp", s.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprint(c, x.request)
		resp, err := http.ReadResponse(bufio.NewReader(c), nil)
		if err != nil {
			t.Fatal(err)
		}
		if resp.StatusCode != x.want {
			t.Errorf("%q: %d, want %d", x.request, resp.StatusCode, x.want)
		}
		if err := errors.Join(resp.Body.Close(), c.Close()); err != nil {
			t.Error(err)
		}
	}
}

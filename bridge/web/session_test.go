package web_test

import (
	"fmt"
	"net/http"
	"net/http/httputil"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"gillkeeper/bridge/web"
)

func TestLogin(t *testing.T) {
	s := serve(t, func(o *web.Options) { o.Access.Token = "correct horse" })
	b := browse(t, s.url).open("do/pick?chamber=loft&batch=oyster-12")
	if b.at.Path != "/login" || b.status != 200 {
		t.Fatalf("without a token the form is at %s", b.at)
	}
	b.submit("login", map[string]string{"token": "wrong"}).holds("This token is wrong.", `role="alert"`)
	if b.status != 401 {
		t.Errorf("a wrong token: %d", b.status)
	}
	b.submit("login", map[string]string{"token": " correct horse "})
	if b.at.RequestURI() != "/do/pick?batch=oyster-12&chamber=loft" && b.at.RequestURI() != "/do/pick?chamber=loft&batch=oyster-12" {
		t.Errorf("the right token leads to %s", b.at.RequestURI())
	}
	b.submit("do/pick", map[string]string{"fresh_g": "10"}).submit("do/pick", nil).holds("10 g of oyster-12 written down.")
	b.submit("logout", nil)
	if b.open("do/pick?chamber=loft&batch=oyster-12"); b.at.Path != "/login" {
		t.Errorf("after logging out the form is at %s", b.at)
	}
}

// TestSessionCookie: what the browser keeps, and that nobody else can make it.
func TestSessionCookie(t *testing.T) {
	var ahead atomic.Int64
	s := serve(t, func(o *web.Options) {
		o.Access.Token = "correct horse"
		start := o.Now()
		o.Now = func() time.Time { return start.Add(time.Duration(ahead.Load())) }
	})
	b := browse(t, s.url).open("login")
	_, fields := b.form("login")
	fields.Set("token", "correct horse")
	login := func(headers ...string) string {
		h := append([]string{"Content-Type", "application/x-www-form-urlencoded", "Cookie", b.client.Jar.Cookies(b.at)[0].String()}, headers...)
		status, got, body := s.ask(t, "POST", "/login", fields.Encode(), h...)
		if status != 303 {
			t.Fatalf("login: %d %s", status, body)
		}
		return got.Get("Set-Cookie")
	}
	cookie := login()
	for _, want := range []string{"HttpOnly", "SameSite=Strict", "Max-Age=2592000"} {
		if !strings.Contains(cookie, want) {
			t.Errorf("the cookie lacks %s: %s", want, cookie)
		}
	}
	if strings.Contains(cookie, "Secure") || strings.Contains(cookie, "horse") || strings.Contains(cookie, "Path") {
		t.Errorf("the cookie is %s", cookie)
	}
	if got := login("X-Forwarded-Proto", "https"); !strings.Contains(got, "; Secure") {
		t.Errorf("behind https the cookie is %s", got)
	}
	name, value, _ := strings.Cut(strings.SplitN(cookie, ";", 2)[0], "=")
	acts := func(value string) bool {
		status, _, _ := s.ask(t, "POST", refill, "{}", "Cookie", name+"="+value)
		return status == 200
	}
	if !acts(value) {
		t.Fatal("the session may not act")
	}
	parts := strings.Split(value, ".")
	for what, forged := range map[string]string{
		"a longer life": parts[0] + ".9999999999." + parts[2] + "." + parts[3],
		"another name":  parts[0] + "." + parts[1] + ".AAAA." + parts[3],
		"no signature":  parts[0] + "." + parts[1] + "." + parts[2] + ".",
		"nothing":       "", "dots": "...", "a role that is none": "3." + parts[1] + "." + parts[2] + "." + parts[3],
	} {
		if acts(forged) {
			t.Errorf("a cookie with %s is taken", what)
		}
	}
	ahead.Store(int64(31 * 24 * time.Hour))
	if acts(value) {
		t.Error("a session lives for ever")
	}
	ahead.Store(0)
	s.Adopt(web.Site{}, web.Access{Token: "another"})
	if acts(value) {
		t.Error("a session outlives its token")
	}
}

// TestReadToken: who has it may look and not act; who has none does not even look.
func TestReadToken(t *testing.T) {
	s := serve(t, func(o *web.Options) { o.Access = web.Access{Token: "correct horse", ReadToken: "long lens"} })
	for path, want := range map[string]int{
		"/": 303, "/chamber/loft": 303, "/api/v1/chambers": 401, "/api/v1/site": 401, "/live": 401,
		"/metrics": 200, "/healthz": 200, "/readyz": 200, "/page.css": 200, "/login": 200,
	} {
		if status, _, _ := s.ask(t, "GET", path, ""); status != want {
			t.Errorf("%s without a token: %d", path, status)
		}
	}
	for token, want := range map[string]int{"long lens": 200, "correct horse": 200, "nonsense": 401} {
		for _, path := range []string{"/api/v1/chambers", "/"} {
			if status, _, _ := s.ask(t, "GET", path, "", "Authorization", "Bearer "+token); status != want {
				t.Errorf("%s with %q: %d", path, token, status)
			}
		}
	}
	if status, _, body := s.ask(t, "POST", refill, "{}", "Authorization", "Bearer long lens"); status != 403 || !strings.Contains(string(body), "token_reads") {
		t.Errorf("acting with the token to look: %d %s", status, body)
	}
	b := browse(t, s.url)
	b.submitAt("login", "login", map[string]string{"token": "long lens"}).holds("loft")
	if b.at.Path != "/" || b.status != 200 {
		t.Errorf("looking: %d at %s", b.status, b.at)
	}
	if b.open("do/refill?chamber=loft"); b.at.Path != "/login" {
		t.Errorf("a reader is led to %s", b.at)
	}
	s.Adopt(web.Site{}, web.Access{Token: "correct horse", ReadToken: "another"})
	if b.open("/"); b.at.Path != "/login" {
		t.Error("a reader's session outlives its token")
	}
}

func TestWrongTokensInTheForm(t *testing.T) {
	s := serve(t, func(o *web.Options) { o.Access.Token = "right" })
	b := browse(t, s.url)
	for i := range 10 {
		b.submitAt("login", "login", map[string]string{"token": fmt.Sprintf("wrong%d", i)})
	}
	b.submitAt("login", "login", map[string]string{"token": "right"}).holds("Too many wrong tokens.")
	if b.status != 429 || b.header.Get("Retry-After") == "" {
		t.Errorf("the eleventh: %d", b.status)
	}
	// A proxy on this machine says for whom it asks: others are not held up.
	if status, _, _ := s.ask(t, "POST", refill, "{}", "Authorization", "Bearer right", "X-Forwarded-For", "192.0.2.1, 198.51.100.7"); status != 200 {
		t.Errorf("another visitor of the same proxy: %d", status)
	}
}

// TestWaysBack: after logging in one is led back into the page, and never away from it.
func TestWaysBack(t *testing.T) {
	s := serve(t, func(o *web.Options) { o.Access.Token = "right" })
	for next, want := range map[string]string{
		"chamber/loft?span=7d":  "/chamber/loft",
		"https://evil.example/": "/", "//evil.example": "/", "/\\evil.example": "/", "../../x": "/", "javascript:alert(1)": "/",
		"\thttps://evil.example": "/", "chamber/../../x": "/", "": "/",
	} {
		b := browse(t, s.url)
		b.submitAt("login?"+url.Values{"next": {next}}.Encode(), "login", map[string]string{"token": "right"})
		if b.at.Host != b.base.Host || b.at.Path != want {
			t.Errorf("%q leads to %s", next, b.at)
		}
	}
}

// submitAt opens a page and sends its form.
func (b *browser) submitAt(page, word string, change map[string]string) *browser {
	b.t.Helper()
	u, _ := b.base.Parse(page)
	return b.open(u.String()).submit(word, change)
}

// TestBehindAProxy: under a path of another server, which takes the path away or leaves it.
func TestBehindAProxy(t *testing.T) {
	for _, strips := range []bool{true, false} {
		s := serve(t, func(o *web.Options) {
			o.Access.Token, o.Hosts = "right", []string{"farm.example"}
			if !strips {
				o.Base = "/grow"
			}
		})
		inner, _ := url.Parse(s.url)
		proxy := newProxy(t, &httputil.ReverseProxy{Rewrite: func(r *httputil.ProxyRequest) {
			r.SetURL(inner)
			r.SetXForwarded()
			r.Out.Header.Set("X-Forwarded-Proto", "https")
			r.Out.Host = "farm.example"
			if strips {
				r.Out.URL.Path = strings.TrimPrefix(r.In.URL.Path, "/grow")
			}
		}})
		b := browse(t, proxy+"/grow")
		b.client.Jar, b.origin = plainJar{b.client.Jar}, "https://farm.example"
		b.open("do/refill?chamber=loft")
		if b.at.Path != "/grow/login" {
			t.Fatalf("strips %v: led to %s", strips, b.at)
		}
		b.submit("login", map[string]string{"token": "right"})
		b.submit("do/refill", map[string]string{"liters": "2"}).holds("The filling is written down.")
		if b.at.Path != "/grow/chamber/loft" {
			t.Errorf("strips %v: the action leads to %s", strips, b.at)
		}
		if snap, _ := s.Snapshot("loft"); snap.State.Reservoir.Liters != 2 {
			t.Errorf("strips %v: it was not done", strips)
		}
		for _, m := range links.FindAllStringSubmatch(b.body, -1) {
			if strings.HasPrefix(m[1], "/") {
				t.Errorf("a link to %s leaves the path", m[1])
			}
		}
	}
}

// plainJar keeps cookies for https only as if the connection to the proxy were one.
type plainJar struct{ http.CookieJar }

func (j plainJar) SetCookies(u *url.URL, cookies []*http.Cookie) {
	for _, c := range cookies {
		c.Secure = false
	}
	j.CookieJar.SetCookies(u, cookies)
}

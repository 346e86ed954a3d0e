package web

import (
	"crypto/sha256"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"gillkeeper/bridge/web/api"
)

// outer is what every request passes first: no panic ends the process, every answer carries the security headers, the
// host is one of ours, and a page from elsewhere cannot act.
func (s *Server) outer(next http.Handler) http.Handler {
	origin := http.NewCrossOriginProtection()
	origin.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.writeProblem(w, &api.Problem{Status: http.StatusForbidden, Code: api.CodeCrossOrigin,
			Detail: "a page from another origin may not act here; open gillkeeper's own page, or use the command line"})
	}))
	// A proxy may ask under another name than the browser did: then the page's own origin is known by its name.
	for _, h := range s.hosts {
		for _, scheme := range []string{"http://", "https://"} {
			_ = origin.AddTrustedOrigin(scheme + bracketed(h)) // a name that makes no origin is no browser's
		}
	}
	inner := origin.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer s.rescue(w, r)
		setHeaders(w.Header())
		if rest, ok := strings.CutPrefix(r.URL.Path, s.base+"/"); ok && s.base != "" {
			r.URL.Path, r.URL.RawPath = "/"+rest, ""
		}
		if !s.hostKnown(r.Host) && !anonymous(r) {
			s.writeProblem(w, &api.Problem{Status: http.StatusMisdirectedRequest, Code: api.CodeHost, Value: r.Host,
				Detail: fmt.Sprintf("%s is not a name of this server; use %s", oneLine(strconv.Quote(r.Host)), s.Addr())})
			return
		}
		most := int64(maxBody)
		switch {
		case r.URL.Path == api.Base+"/import":
			most = maxImport
		case s.first != nil && r.URL.Path == "/start/file":
			most = maxDraft
		}
		r.Body = http.MaxBytesReader(w, r.Body, most)
		inner.ServeHTTP(w, r)
	})
}

// anonymous reports whether a request without a name asks only whether the daemon lives and is ready, as simple health checkers do over
// HTTP/1.0. A browser that a foreign name led here sends that name, and neither page holds a secret or does anything.
func anonymous(r *http.Request) bool {
	return r.Host == "" && (r.URL.Path == "/healthz" || r.URL.Path == "/readyz")
}

// rescue turns a panic into an answer. The request's text is not logged: it may carry a secret.
func (s *Server) rescue(w http.ResponseWriter, r *http.Request) {
	v := recover()
	if v == nil {
		return
	}
	if v == http.ErrAbortHandler {
		panic(v)
	}
	s.log.Error("request handler panicked", "path", r.URL.Path, "panic", fmt.Sprint(v), "stack", string(debug.Stack()))
	s.writeProblem(w, &api.Problem{Status: http.StatusInternalServerError, Code: api.CodeInternal,
		Detail: "gillkeeper made a mistake answering this; control goes on; see its log and report it"})
}

// setHeaders: nothing from elsewhere is loaded, nobody frames the page, nothing is kept by caches on the way.
func setHeaders(h http.Header) {
	h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; "+
		"connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
}

// hostKnown guards against DNS rebinding: a foreign page that makes its own name point here still sends its own name.
// Addresses are fine, because a page cannot rebind those. Beyond loopback without any name configured, every name is taken,
// because the name of the machine in its network is not known; actions need the token there.
func (s *Server) hostKnown(hostport string) bool {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	host = strings.ToLower(strings.Trim(strings.TrimSuffix(host, "."), "[]"))
	if host == "" {
		return false
	}
	if host == "localhost" || slices.ContainsFunc(s.hosts, func(h string) bool { return strings.EqualFold(h, host) }) {
		return true
	}
	if ip, err := netip.ParseAddr(host); err == nil {
		return ip.Unmap().IsLoopback() || !s.loopback
	}
	return !s.loopback && len(s.hosts) == 0
}

func bracketed(host string) string {
	if strings.Contains(host, ":") {
		return "[" + host + "]"
	}
	return host
}

// mayRead checks that a request is allowed to look.
func (s *Server) mayRead(w http.ResponseWriter, r *http.Request) error {
	if s.freeRole() >= reader {
		return nil
	}
	return s.mayBe(w, r, reader)
}

// mayAct checks that a request is allowed to act.
func (s *Server) mayAct(w http.ResponseWriter, r *http.Request) error {
	if s.freeRole() >= actor {
		return nil
	}
	if !s.settings.Load().secrets.hasAct {
		return &api.Problem{Status: http.StatusForbidden, Code: api.CodeNoToken,
			Detail: "this daemon can be reached from other machines and has no token, so it takes no action; set [http] token_file"}
	}
	return s.mayBe(w, r, actor)
}

// mayBe checks session or token of a request.
func (s *Server) mayBe(w http.ResponseWriter, r *http.Request, least role) error {
	if x := s.sessionOf(r); x != nil && x.role >= least {
		return nil
	}
	scheme, given, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	if given == "" {
		w.Header().Set("WWW-Authenticate", `Bearer realm="gillkeeper"`)
		return &api.Problem{Status: http.StatusUnauthorized, Code: api.CodeTokenMissing,
			Detail: "this needs the token; set GILLKEEPER_TOKEN or give --token-file"}
	}
	from := s.remote(r)
	if !strings.EqualFold(scheme, "Bearer") {
		given = r.Header.Get("Authorization") // good for nothing, whatever it holds
	}
	got, wait := s.judge(from, strings.TrimSpace(given))
	if wait > 0 {
		w.Header().Set("Retry-After", strconv.Itoa(int(wait/time.Second)+1))
		return &api.Problem{Status: http.StatusTooManyRequests, Code: api.CodeTokenLimit,
			Detail: fmt.Sprintf("too many wrong tokens from %s; wait %d s", from, int(wait/time.Second)+1)}
	}
	if got == nobody {
		w.Header().Set("WWW-Authenticate", `Bearer realm="gillkeeper", error="invalid_token"`)
		return &api.Problem{Status: http.StatusUnauthorized, Code: api.CodeTokenWrong,
			Detail: "the token is wrong; compare it with the file that the daemon's [http] token_file names"}
	}
	if got < least {
		w.Header().Set("WWW-Authenticate", `Bearer realm="gillkeeper", error="insufficient_scope"`)
		return &api.Problem{Status: http.StatusForbidden, Code: api.CodeTokenReads,
			Detail: "this token is good for looking only; an action needs the one in the file that [http] token_file names"}
	}
	return nil
}

// remote names who asks for the purpose of counting: an address, or for IPv6 its network, which is one household's. A
// proxy on this machine says last for whom it asks; nobody else is believed.
func (s *Server) remote(r *http.Request) string {
	ap, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return "unknown"
	}
	a := ap.Addr().Unmap().WithZone("")
	if list := r.Header.Values("X-Forwarded-For"); a.IsLoopback() && len(list) > 0 {
		_, last, _ := cutLast(","+list[len(list)-1], ",")
		if told, err := netip.ParseAddr(strings.TrimSpace(last)); err == nil {
			a = told.Unmap().WithZone("")
		}
	}
	if a.Is6() && !a.IsLoopback() {
		if p, err := a.Prefix(64); err == nil {
			return p.String()
		}
	}
	return a.String()
}

// Wrong tokens: ten in a minute are more than a person mistypes; with one try every six seconds no token of any length
// worth the name is found.
const (
	wrongMost   = 10
	wrongWindow = time.Minute
	wrongKept   = 1024 // addresses remembered
)

// judge gives what a token is good for, or how long its address must wait. Once so many different ones were wrong, none is looked at:
// that is somebody who guesses. Something that repeats the same few, such as a forgotten script with the token of before, guesses
// nothing, and keeps nobody with the right one from acting.
func (s *Server) judge(from, token string) (got role, wait time.Duration) {
	now := s.now()
	wait, guesses := s.wrong.wait(from, now)
	if guesses {
		return nobody, wait
	}
	if got = s.settings.Load().secrets.roleOf(token); got != nobody {
		return got, 0
	}
	s.wrong.count(from, token, now)
	return nobody, wait
}

// wrongTokens counts wrong tokens by address.
type wrongTokens struct {
	mu   sync.Mutex
	seen map[string]*wrongCount // guarded by mu
}

type wrongCount struct {
	n     int
	since time.Time
	tried [][sha256.Size]byte // the different ones, hashed; at most wrongMost
}

func newWrongTokens() *wrongTokens { return &wrongTokens{seen: map[string]*wrongCount{}} }

// wait gives how long that address must wait with a wrong token, or 0; guesses: with any.
func (t *wrongTokens) wait(from string, now time.Time) (left time.Duration, guesses bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	c := t.seen[from]
	if c == nil || c.n < wrongMost {
		return 0, false
	}
	left = c.since.Add(wrongWindow).Sub(now)
	if left <= 0 || left > wrongWindow { // over, or the calendar was set back
		delete(t.seen, from)
		return 0, false
	}
	return left, len(c.tried) >= wrongMost
}

func (t *wrongTokens) count(from, token string, now time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	c := t.seen[from]
	if c == nil || now.Sub(c.since) >= wrongWindow || now.Before(c.since) {
		if len(t.seen) >= wrongKept {
			t.forget(now)
		}
		c = &wrongCount{since: now}
		t.seen[from] = c
	}
	c.n++
	if sum := sha256.Sum256([]byte(token)); len(c.tried) < wrongMost && !slices.Contains(c.tried, sum) {
		c.tried = append(c.tried, sum)
	}
}

// forget makes room: what is over goes, and when nothing is, everything does. A flood from so many addresses is not
// stopped by counting them.
func (t *wrongTokens) forget(now time.Time) {
	for k, c := range t.seen {
		if now.Sub(c.since) >= wrongWindow {
			delete(t.seen, k)
		}
	}
	if len(t.seen) >= wrongKept {
		clear(t.seen)
	}
}

package web

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"time"
)

// role is what a visitor may do.
type role uint8

const (
	nobody role = iota // may not even look
	reader
	actor
)

func (r role) String() string { return [...]string{"nobody", "reader", "actor"}[r] }

// The limits of a browser's session.
const (
	sessionLife  = 30 * 24 * time.Hour // a phone in the grow room stays logged in
	mostRevoked  = 10_000              // sessions ended before their time that are remembered
	longestToken = 4096                // bytes of a token typed into the form
)

// secrets are the tokens of the moment, in the forms in which they are compared. The zero value has none.
type secrets struct {
	act, read       [sha256.Size]byte // of the tokens
	hasAct, hasRead bool
	actKey, readKey []byte // sign sessions: with the token, they change and every session ends
}

func newSecrets(token, readToken string) secrets {
	return secrets{
		act: sha256.Sum256([]byte(token)), read: sha256.Sum256([]byte(readToken)),
		hasAct: token != "", hasRead: readToken != "",
		actKey: sign([]byte(token), "session that may act"), readKey: sign([]byte(readToken), "session that may look"),
	}
}

// roleOf gives what a token is good for. Both are always compared, each in constant time.
func (x *secrets) roleOf(token string) role {
	sum := sha256.Sum256([]byte(token))
	mayAct := subtle.ConstantTimeCompare(sum[:], x.act[:]) == 1 && x.hasAct
	mayRead := subtle.ConstantTimeCompare(sum[:], x.read[:]) == 1 && x.hasRead
	switch {
	case mayAct:
		return actor
	case mayRead:
		return reader
	}
	return nobody
}

func (x *secrets) key(r role) []byte {
	switch {
	case r == actor && x.hasAct:
		return x.actKey
	case r == reader && x.hasRead:
		return x.readKey
	}
	return nil
}

func sign(key []byte, text string) []byte {
	m := hmac.New(sha256.New, key)
	m.Write([]byte(text))
	return m.Sum(nil)
}

// session is a browser that has shown a token. It lives in a signed cookie alone, so that a restart ends none; a changed
// token ends them all.
type session struct {
	role  role
	until time.Time
	nonce string // tells sessions apart; its forms carry a signature of it
}

func (x *secrets) seal(c session) string {
	text := fmt.Sprintf("%d.%d.%s", c.role, c.until.Unix(), c.nonce)
	return text + "." + base64.RawURLEncoding.EncodeToString(sign(x.key(c.role), text))
}

// open reads a cookie's value; false for one that was not signed here, or is over.
func (x *secrets) open(value string, now time.Time) (session, bool) {
	text, mac, ok := cutLast(value, ".")
	given, err := base64.RawURLEncoding.DecodeString(mac)
	parts := strings.Split(text, ".")
	if !ok || err != nil || len(parts) != 3 || len(value) > 512 {
		return session{}, false
	}
	var c session
	switch parts[0] {
	case "1":
		c.role = reader
	case "2":
		c.role = actor
	}
	key := x.key(c.role)
	seconds, err := strconv.ParseInt(parts[1], 10, 64)
	if key == nil || err != nil || !hmac.Equal(given, sign(key, text)) {
		return session{}, false
	}
	c.until, c.nonce = time.Unix(seconds, 0), parts[2]
	return c, now.Before(c.until) && c.until.Sub(now) <= sessionLife+time.Hour
}

func cutLast(s, sep string) (before, after string, ok bool) {
	if i := strings.LastIndex(s, sep); i >= 0 {
		return s[:i], s[i+len(sep):], true
	}
	return s, "", false
}

// revoked remembers sessions that ended before their time, until they would have ended anyway.
type revoked struct {
	mu   sync.Mutex
	seen map[string]time.Time // guarded by mu; nonce to end
}

func (x *revoked) add(c session, now time.Time) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.seen == nil {
		x.seen = map[string]time.Time{}
	}
	if len(x.seen) >= mostRevoked {
		for nonce, until := range x.seen {
			if now.After(until) {
				delete(x.seen, nonce)
			}
		}
	}
	if len(x.seen) < mostRevoked {
		x.seen[c.nonce] = c.until
	}
}

func (x *revoked) has(c session) bool {
	x.mu.Lock()
	defer x.mu.Unlock()
	_, ok := x.seen[c.nonce]
	return ok
}

// visitor is who asks, as far as the request shows it.
type visitor struct {
	role    role
	session *session // nil: by token, or without any
	form    string   // what a form must carry back: a page from elsewhere cannot know it
}

// cookieName tells two daemons on one machine apart: cookies do not heed ports.
func (s *Server) cookieName() string {
	_, port, _ := net.SplitHostPort(s.listener.Addr().String())
	return "gillkeeper-" + port
}

// sessionOf gives the session of a request's cookie, or nil.
func (s *Server) sessionOf(r *http.Request) *session {
	c, err := r.Cookie(s.cookieName())
	if err != nil {
		return nil
	}
	x, ok := s.settings.Load().secrets.open(c.Value, s.now())
	if !ok || s.revoked.has(x) {
		return nil
	}
	return &x
}

// freeRole is what may be done without a token.
func (s *Server) freeRole() role {
	switch set := s.settings.Load(); {
	case set.secrets.hasRead:
		return nobody
	case !set.secrets.hasAct && s.loopback:
		return actor
	}
	return reader
}

// setCookie sets a cookie. Without a path the browser takes the folder of the request, which is the page's root also
// behind a proxy when the request lies there.
func (s *Server) setCookie(w http.ResponseWriter, r *http.Request, name, value, path string, life time.Duration) {
	c := &http.Cookie{Name: name, Value: value, Path: path, HttpOnly: true, SameSite: http.SameSiteStrictMode, MaxAge: int(life / time.Second),
		Secure: r.TLS != nil || strings.EqualFold(r.Header.Get("X-Forwarded-Proto"), "https")}
	if life < 0 {
		c.MaxAge = -1
	}
	w.Header().Add("Set-Cookie", c.String())
}

// visitorOf gives who looks at the page. formNonce is from the cookie that ties a form without a session to its browser.
func (s *Server) visitorOf(r *http.Request) visitor {
	v := visitor{role: s.freeRole()}
	nonce := ""
	if c, err := r.Cookie(s.cookieName() + "-form"); err == nil && len(c.Value) <= 64 {
		nonce = c.Value
	}
	key := []byte("form without a session")
	if x := s.sessionOf(r); x != nil {
		v.session, v.role, nonce = x, max(v.role, x.role), x.nonce
		key = s.settings.Load().secrets.key(x.role)
	}
	if nonce != "" {
		v.form = base64.RawURLEncoding.EncodeToString(sign(key, "form "+nonce)[:18])
	}
	return v
}

// formFits reports whether a form came from a page that was served to this browser.
func (v *visitor) formFits(r *http.Request) bool {
	return v.form != "" && subtle.ConstantTimeCompare([]byte(v.form), []byte(r.PostFormValue("form"))) == 1
}

// login takes a token typed into the form, and gives a session or says why not.
func (s *Server) login(w http.ResponseWriter, r *http.Request, token string) (status int, problem string) {
	if len(token) > longestToken {
		token = "" // good for nothing
	}
	got, wait := s.judge(s.remote(r), strings.TrimSpace(token))
	if wait > 0 {
		w.Header().Set("Retry-After", strconv.Itoa(int(wait/time.Second)+1))
		return http.StatusTooManyRequests, fmt.Sprintf("Too many wrong tokens. Wait %d s.", int(wait/time.Second)+1)
	}
	if got == nobody {
		return http.StatusUnauthorized, "This token is wrong. Compare it with the file that the daemon's configuration names."
	}
	x := session{role: got, until: s.now().Add(sessionLife), nonce: rand.Text()}
	s.setCookie(w, r, s.cookieName(), s.settings.Load().secrets.seal(x), "", sessionLife)
	return http.StatusSeeOther, ""
}

// localPath keeps a way back inside the page: a path below its root, without scheme, host or step upwards.
func localPath(next string) string {
	u, err := url.Parse(next)
	if err != nil || next == "" || len(next) > 512 || u.IsAbs() || u.Host != "" || u.User != nil || strings.HasPrefix(u.Path, "/") ||
		strings.ContainsAny(next, "\\\r\n\t") || strings.Contains("/"+u.Path+"/", "/../") || strings.HasPrefix(u.Path, "//") {
		return ""
	}
	u.Fragment = ""
	return (&url.URL{Path: u.Path, RawQuery: u.RawQuery}).String()
}

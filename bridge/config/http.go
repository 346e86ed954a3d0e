package config

import (
	"fmt"
	"net/netip"
	"regexp"
	"strings"
)

// HTTP is where page, interface and metrics are served, and to whom.
type HTTP struct {
	Listen    string   // host and port
	Token     Secret   // to act; empty: actions need none, which is allowed on loopback only
	ReadToken Secret   // to look; empty: whoever reaches the page may look
	Hosts     []string // names under which the page is reached, lower case, besides addresses and localhost
	BasePath  string   // before every path where a proxy in front leaves it there; empty, or with a slash first and none last
}

// mostHosts is more names than a machine has.
const mostHosts = 32

var (
	hostName = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]*[a-z0-9])?(\.[a-z0-9]([a-z0-9-]*[a-z0-9])?)*$`) // RFC 1123 section 2.1
	basePath = regexp.MustCompile(`^(/[A-Za-z0-9._~-]+)*$`)
)

// hostsKind reads a list of names.
var hostsKind = kind{name: "list of names", allowed: fmt.Sprintf(`up to %d names without scheme and port, such as ["grow.lan"]`, mostHosts), read: func(raw any) (any, *complaint) {
	list, ok := raw.([]any)
	if !ok {
		return nil, wrongType(raw, "a list of names")
	}
	if len(list) > mostHosts {
		return nil, &complaint{what: fmt.Sprintf("has %d names", len(list))}
	}
	var names []string
	for _, x := range list {
		s, ok := x.(string)
		if !ok {
			return nil, &complaint{what: "has an element that is " + typeName(x) + ", not text"}
		}
		name := strings.ToLower(strings.TrimSuffix(s, "."))
		if _, err := netip.ParseAddr(name); err != nil && (len(name) > 253 || !hostName.MatchString(name)) {
			c := &complaint{what: fmt.Sprintf("has %q, which is not a host name", s)}
			if _, rest, ok := strings.Cut(name, "://"); ok {
				name = rest
			}
			if name, _, _ = strings.Cut(name, "/"); hostName.MatchString(beforePort(name)) {
				c.nearest = beforePort(name)
			}
			return nil, c
		}
		names = append(names, name)
	}
	return names, nil
}}

func beforePort(host string) string {
	name, _, _ := strings.Cut(host, ":")
	return name
}

var basePathKind = textKind("path", `such as "/grow": letters, digits and - . _ ~ between slashes, none at the end`, func(s string) (any, *complaint) {
	if len(s) > maxText || !basePath.MatchString(s) || strings.Contains(s+"/", "/../") || strings.Contains(s+"/", "/./") {
		c := &complaint{what: "is not a path that can go in front of others"}
		if better := "/" + strings.Trim(s, "/"); better != "/" && basePath.MatchString(better) {
			c.nearest = better
		}
		return nil, c
	}
	return s, nil
})

func (r *reader) http(t *table) HTTP {
	h := HTTP{
		Listen: get[string](r, t, "listen"), Token: r.secret(t, "token_file"), ReadToken: r.secret(t, "read_token_file"),
		Hosts: get[[]string](r, t, "hosts"), BasePath: get[string](r, t, "base_path"),
	}
	if !loopback(h.Listen) && !r.given(t, "token_file") && !t.faulty["token_file"] {
		r.fault(t, "listen", Fault{What: "lets the whole network switch plugs without a token", Allowed: "set token_file, or listen on 127.0.0.1"})
	}
	if r.given(t, "read_token_file") && !r.given(t, "token_file") && !t.faulty["token_file"] {
		r.fault(t, "read_token_file", Fault{What: "guards looking while acting needs no token", Allowed: "set token_file too"})
	}
	if !h.Token.Empty() && h.Token == h.ReadToken {
		r.fault(t, "read_token_file", Fault{What: "holds the same token as token_file", Allowed: "two tokens: who may look must not be able to act"})
	}
	for _, key := range []string{"token_file", "read_token_file"} {
		secret := h.Token
		if key != "token_file" {
			secret = h.ReadToken
		}
		if n := len(secret.Reveal()); n > 0 && n < shortToken {
			r.fault(t, key, Fault{What: "names a token that is short enough to guess",
				Allowed: "use at least 16 random characters, such as openssl rand -hex 16 gives", Warning: true})
		}
	}
	return h
}

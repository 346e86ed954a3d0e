package config

import (
	"crypto/tls"
	"crypto/x509"
	"net/url"
	"slices"
	"strings"
	"time"

	"gillkeeper/bridge/notify"
	"gillkeeper/policy/alarm"
)

// build makes the configuration of the tables, and judges what is only right or wrong together. What was faulty by
// itself has its default here and isn't judged again.
func (r *reader) build(cfg *Config, top *table) {
	cfg.Site = r.site(top.first("site"))
	cfg.Broker = r.broker(top.first("broker"))
	cfg.HTTP = r.http(top.first("http"))
	if b := &cfg.Broker; b.Embedded && samePort(b.Listen, cfg.HTTP.Listen) {
		r.fault(top.first("http"), "listen", Fault{What: "is where the embedded broker listens", Allowed: "give page and broker a port each: [broker.embedded] listen is " + b.Listen})
	}
	cfg.Journal = r.journal(top.first("journal"))
	for _, t := range top.tables["notify"] {
		n := r.notify(t)
		if slices.ContainsFunc(cfg.Notify, func(o Notify) bool { return o.Name == n.Name && n.Name != "" }) {
			r.fault(t, "url_file", Fault{What: "names the address of another [[notify]] again", Allowed: "each has a file of its own"})
		}
		cfg.Notify = append(cfg.Notify, n)
	}
	r.climates(cfg, top.tables["climate"])
	r.chambers(cfg, top.tables["chamber"])
	r.journalAlone(top.first("journal"), cfg.Journal.Path)
}

func (r *reader) site(t *table) Site {
	s := Site{
		Name:       get[string](r, t, "name"),
		Zone:       get[*time.Location](r, t, "timezone"),
		AltitudeM:  get[float64](r, t, "altitude_m"),
		Fahrenheit: get[bool](r, t, "display_temperature"),
		TwelveHour: get[bool](r, t, "display_clock"),
	}
	if s.Zone == nil {
		s.Zone = time.Local
	}
	return s
}

func (r *reader) broker(t *table) Broker {
	inside := t.first("embedded")
	b := Broker{
		URL:      get[*url.URL](r, t, "url"),
		Listen:   get[string](r, inside, "listen"),
		ClientID: get[string](r, t, "client_id"),
		Username: get[string](r, t, "username"),
		Password: r.secret(t, "password_file"),
		Homie:    r.homieShow(t.first("homie")),
	}
	b.Embedded = r.given(t, "url") && b.URL == nil
	if r.given(t, "password_file") && b.Username == "" && !t.faulty["username"] {
		r.fault(t, "password_file", Fault{What: "has no username beside it", Allowed: "MQTT sends no password without a user name; set username"})
	}
	r.certificates(t, &b)
	switch {
	case b.Embedded:
		r.embedded(t, inside, &b)
	case b.URL != nil:
		r.remote(t, inside, &b)
	}
	return b
}

// embedded judges a broker inside the daemon.
func (r *reader) embedded(t, inside *table, b *Broker) {
	// A password file that can't be read has its own fault.
	if !loopback(b.Listen) && (b.Username == "" || !r.given(t, "password_file")) {
		r.fault(inside, "listen", Fault{What: "opens the embedded broker to the network without a password",
			Allowed: "set username and password_file in [broker], or listen on 127.0.0.1"})
	}
}

// remote judges a broker elsewhere.
func (r *reader) remote(t, inside *table, b *Broker) {
	if b.Listen != entryOf["broker.embedded.listen"].def {
		r.fault(inside, "listen", Fault{What: "has no effect", Allowed: `it counts only with url = "embedded"`, Warning: true})
	}
	if b.Secure() {
		return
	}
	for _, key := range []string{"ca_file", "cert_file"} {
		if r.given(t, key) {
			r.fault(t, key, Fault{What: "has no effect with " + b.URL.Scheme, Allowed: "use mqtts or wss", Warning: true})
		}
	}
	if b.Username != "" && !loopbackHost(b.URL.Hostname()) {
		r.fault(t, "url", Fault{What: "sends the password over the network in clear", Allowed: "use mqtts or wss", Warning: true})
	}
}

// certificates reads the files that an encrypted connection needs.
func (r *reader) certificates(t *table, b *Broker) {
	if data, _, ok := r.sideFile(t, "ca_file"); ok {
		b.roots = x509.NewCertPool()
		if !b.roots.AppendCertsFromPEM(data) {
			r.fault(t, "ca_file", Fault{What: "names a file without a PEM certificate", Allowed: "it begins with -----BEGIN CERTIFICATE-----"})
		}
	}
	hasCert, hasKey := r.given(t, "cert_file"), r.given(t, "key_file")
	if hasCert != hasKey && !t.faulty["cert_file"] && !t.faulty["key_file"] {
		key, other := "cert_file", "key_file"
		if hasKey {
			key, other = other, key
		}
		r.fault(t, key, Fault{What: "has no " + other + " beside it", Allowed: "a certificate is of use only with its key"})
	}
	cert, _, certOK := r.sideFile(t, "cert_file")
	key, mode, keyOK := r.sideFile(t, "key_file")
	if keyOK && mode.Perm()&0o004 != 0 {
		r.fault(t, "key_file", Fault{What: "names a file that everybody on this machine can read",
			Allowed: "take that right away: chmod o-r " + get[string](r, t, "key_file"), Warning: true})
	}
	if !certOK || !keyOK {
		return
	}
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		r.fault(t, "cert_file", Fault{What: "does not go with key_file: " + oneLine(err.Error()), Allowed: "both in PEM form, of the same key"})
		return
	}
	b.pair = &pair
}

func (r *reader) notify(t *table) Notify {
	n := Notify{
		Name: get[string](r, t, "url_file"), URL: r.secret(t, "url_file"), MinPriority: get[alarm.Priority](r, t, "min_priority"),
		Quiet: get[[2]time.Duration](r, t, "quiet"), HasDaily: r.given(t, "daily"), Daily: get[time.Duration](r, t, "daily"),
	}
	if n.URL.Empty() {
		return n
	}
	// The address is a secret: neither it nor a message that quotes it may show.
	u, err := url.Parse(n.URL.Reveal())
	switch {
	case err != nil || u.Scheme == "" || !strings.Contains(n.URL.Reveal(), ":"):
		r.fault(t, "url_file", Fault{What: "names a file without an address", Allowed: "one address with its scheme, such as https://…"})
	case u.Scheme == "http" && !loopbackHost(u.Hostname()):
		r.fault(t, "url_file", Fault{What: "holds an address that sends messages over the network in clear", Allowed: "use https", Warning: true})
	}
	if err == nil && u.Scheme != "" {
		if _, err := notify.Open(n.URL.Reveal()); err != nil {
			r.fault(t, "url_file", Fault{What: "holds an address that cannot be used: " + oneLine(err.Error()), Allowed: "gillkeeper notify test says whether messages arrive"})
		}
	}
	return n
}

package notify_test

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"gillkeeper/bridge/notify"
)

// post is a notifier that takes down what it is given, or refuses.
type post struct {
	mu   sync.Mutex
	got  []notify.Message
	at   []time.Time
	fail error
	hold chan struct{} // an attempt waits for it
	lose bool          // it takes what it is given, and its answer is lost
}

func (p *post) Send(ctx context.Context, m *notify.Message) error {
	if p.hold != nil {
		select {
		case <-p.hold:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.fail != nil {
		p.at = append(p.at, time.Now())
		return p.fail
	}
	p.got = append(p.got, *m)
	p.at = append(p.at, time.Now())
	if p.lose {
		return errors.New("connection reset by peer")
	}
	return nil
}

func (p *post) break_(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fail = err
}

func (p *post) take() []notify.Message {
	p.mu.Lock()
	defer p.mu.Unlock()
	got := p.got
	p.got = nil
	return got
}

func (p *post) attempts() []time.Time {
	p.mu.Lock()
	defer p.mu.Unlock()
	at := p.at
	p.at = nil
	return at
}

// smtpServer is the least of a mail server: it speaks RFC 5321 as far as a client that sends one mail needs, with
// STARTTLS and PLAIN where asked for.
type smtpServer struct {
	addr     string
	cert     *tls.Certificate // offers STARTTLS
	implicit bool             // TLS from the first byte
	user     string           // wants "user:password"; empty: takes everybody
	refuse   string           // a recipient that does not exist

	mu    sync.Mutex
	mails []string
	auths int
	log   []string
}

func serveSMTP(t *testing.T, s *smtpServer) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if s.implicit {
		l = tls.NewListener(l, &tls.Config{Certificates: []tls.Certificate{*s.cert}})
	}
	s.addr = l.Addr().String()
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			wg.Go(func() { s.talk(c) })
		}
	})
	t.Cleanup(func() { l.Close(); wg.Wait() })
}

func (s *smtpServer) talk(c net.Conn) {
	defer func() { c.Close() }()
	r := bufio.NewReader(c)
	say := func(line string) { fmt.Fprintf(c, "%s\r\n", line) }
	say("220 fake ready")
	secure := s.implicit
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return
		}
		line = strings.TrimSpace(line)
		s.mu.Lock()
		s.log = append(s.log, line)
		s.mu.Unlock()
		verb, rest, _ := strings.Cut(line, " ")
		switch strings.ToUpper(verb) {
		case "EHLO", "HELO":
			out := []string{"fake"}
			if s.cert != nil && !secure {
				out = append(out, "STARTTLS")
			}
			if s.user != "" {
				out = append(out, "AUTH PLAIN")
			}
			for i, x := range out {
				sep := "-"
				if i == len(out)-1 {
					sep = " "
				}
				say("250" + sep + x)
			}
		case "STARTTLS":
			say("220 go on")
			up := tls.Server(c, &tls.Config{Certificates: []tls.Certificate{*s.cert}})
			if up.Handshake() != nil {
				return
			}
			c, secure = up, true
			r = bufio.NewReader(c)
		case "AUTH":
			_, token, _ := strings.Cut(rest, " ")
			b, _ := base64.StdEncoding.DecodeString(token)
			if strings.ReplaceAll(strings.TrimPrefix(string(b), "\x00"), "\x00", ":") != s.user {
				say("535 5.7.8 no such user or password: " + string(b))
				continue
			}
			s.mu.Lock()
			s.auths++
			s.mu.Unlock()
			say("235 welcome")
		case "MAIL":
			say("250 ok")
		case "RCPT":
			if s.refuse != "" && strings.Contains(rest, s.refuse) {
				say("550 5.1.1 nobody of that name")
				continue
			}
			say("250 ok")
		case "DATA":
			say("354 go on")
			var b strings.Builder
			for {
				l, err := r.ReadString('\n')
				if err != nil {
					return
				}
				if l == ".\r\n" {
					break
				}
				b.WriteString(strings.TrimPrefix(l, "."))
			}
			s.mu.Lock()
			s.mails = append(s.mails, b.String())
			s.mu.Unlock()
			say("250 taken")
		case "QUIT":
			say("221 bye")
			return
		default:
			say("500 what")
		}
	}
}

func (s *smtpServer) seen() (mails []string, auths int, log string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]string(nil), s.mails...), s.auths, strings.Join(s.log, "\n")
}

// certificate makes a certificate of its own for 127.0.0.1 that nobody vouches for.
func certificate(t *testing.T) *tls.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "fake"}, NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	return &tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
}

// accepting gives each connection to talk.
func accepting(t *testing.T, address string, talk func(net.Conn)) (port string) {
	t.Helper()
	l, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go talk(c)
		}
	}()
	_, port, _ = net.SplitHostPort(l.Addr().String())
	return port
}

// answering says the same to everybody, whatever it is told, and hangs up.
func answering(t *testing.T, what string) string {
	t.Helper()
	return net.JoinHostPort("127.0.0.1", accepting(t, "0.0.0.0:0", func(c net.Conn) {
		_, _ = io.WriteString(c, what)
		c.Close()
	}))
}

// mute answers nothing at all.
func mute(t *testing.T) string {
	t.Helper()
	return net.JoinHostPort("127.0.0.1", accepting(t, "127.0.0.1:0", func(c net.Conn) {
		_, _ = io.Copy(io.Discard, c) // ends with the connection
	}))
}

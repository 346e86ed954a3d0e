// Package brokertest gives tests real brokers to talk to over real sockets: the embedded one and Mosquitto, with and
// without TLS and password, and a proxy that breaks the network between.
//
// It must never be imported by anything but tests. Start reading at [Kinds].
package brokertest

import (
	"bytes"
	"context"
	"crypto/tls"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"gillkeeper/bridge/broker"
	"gillkeeper/bridge/broker/realpart"
)

// Username and Password let clients into a broker of a kind that is Guarded.
const (
	Username = "grower"
	Password = "spawn & straw"
	// Devices is another user with the same password, who may do everything.
	Devices = "devices"
)

// patience is for a broker to start or stop, on a machine that has other things to do.
const patience = time.Minute

// Kind is a sort of broker.
type Kind struct {
	Name      string
	Mosquitto bool
	Guarded   bool // TLS, and a user with a password
}

// Kinds are the brokers that everything must work with.
func Kinds() []Kind {
	return []Kind{
		{Name: "embedded"}, {Name: "embedded-guarded", Guarded: true},
		{Name: "mosquitto", Mosquitto: true}, {Name: "mosquitto-guarded", Mosquitto: true, Guarded: true},
	}
}

// Server is a broker that runs for a test. Its address stays the same when it is started again.
type Server struct {
	Kind Kind
	Addr string
	CA   *Authority // of a guarded one's certificate; nil otherwise

	t       testing.TB
	dir     string
	deny    string // what clients may not subscribe to, embedded only
	rights  string // of Username, in Mosquitto's form; "": everything
	mu      sync.Mutex
	broker  *broker.Broker
	process *exec.Cmd
	exited  chan struct{}
	ran     bool // it had its address once, and keeps it
}

// Start runs a broker until the test ends. Where Mosquitto is wanted and not installed, the test is skipped, unless
// GILLKEEPER_REQUIRE=mosquitto says that it may not be.
func Start(t testing.TB, k Kind) *Server {
	t.Helper()
	s := &Server{Kind: k, t: t, dir: t.TempDir()}
	if k.Mosquitto {
		realpart.Mosquitto(t)
	}
	if k.Guarded {
		s.CA = NewAuthority(t)
	}
	s.Addr = FreeAddr(t)
	s.Run()
	t.Cleanup(s.Kill)
	return s
}

// Denying runs an embedded broker that refuses subscriptions to one topic until [Server.Grant].
func Denying(t testing.TB, topic string) *Server {
	t.Helper()
	s := &Server{t: t, deny: topic, Addr: FreeAddr(t)}
	s.Run()
	t.Cleanup(s.Kill)
	return s
}

// Limit starts a guarded Mosquitto again, where Username may only do what the lines of an ACL file say.
func (s *Server) Limit(rights string) {
	s.t.Helper()
	if !s.Kind.Mosquitto || !s.Kind.Guarded {
		s.t.Fatal("only a guarded Mosquitto knows rights")
	}
	s.Kill()
	s.rights = rights
	s.Run()
}

// Grant lets clients subscribe to everything.
func (s *Server) Grant() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.deny = ""
}

func (s *Server) mayRead(_, topic string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.deny == "" || topic != s.deny
}

// URL is where clients connect.
func (s *Server) URL() *url.URL { return s.URLAt(s.Addr) }

// URLAt is URL with another host and port, such as a proxy's.
func (s *Server) URLAt(addr string) *url.URL {
	scheme := "mqtt"
	if s.Kind.Guarded {
		scheme = "mqtts"
	}
	return &url.URL{Scheme: scheme, Host: addr}
}

// TLS is what clients of a guarded broker need; nil otherwise.
func (s *Server) TLS() *tls.Config {
	if s.CA == nil {
		return nil
	}
	return s.CA.Client()
}

// Run starts the broker, empty, after it was killed.
func (s *Server) Run() {
	s.t.Helper()
	if s.Kind.Mosquitto {
		s.runMosquitto()
		return
	}
	o := broker.Options{Listen: s.Addr, MayRead: s.mayRead}
	if s.Kind.Guarded {
		o.Username, o.Password, o.TLS = Username, Password, s.CA.Server("localhost", "127.0.0.1")
	}
	for deadline := time.Now().Add(patience); ; {
		b, err := broker.Start(o)
		if err == nil {
			s.broker = b
			return
		}
		if time.Now().After(deadline) {
			s.t.Fatalf("embedded broker: %v", err)
		}
		time.Sleep(20 * time.Millisecond) // the address may be held by a connection of the one before
	}
}

// Kill ends the broker without a word where that is possible, and waits until its address is free.
func (s *Server) Kill() {
	if s.broker != nil {
		s.broker.Stop()
		s.broker = nil
	}
	if s.process != nil {
		_ = s.process.Process.Kill()
		<-s.exited
		s.process = nil
	}
}

func (s *Server) runMosquitto() {
	s.t.Helper()
	program := realpart.Mosquitto(s.t)
	conf := filepath.Join(s.dir, "mosquitto.conf")
	for deadline := time.Now().Add(patience); ; {
		if err := os.WriteFile(conf, []byte(s.config()), 0o600); err != nil {
			s.t.Fatal(err)
		}
		said := &words{}
		cmd := exec.Command(program, "-c", conf)
		cmd.Stdout, cmd.Stderr = said, said
		if err := cmd.Start(); err != nil {
			s.t.Fatal(err)
		}
		exited := make(chan struct{})
		go func() {
			defer close(exited)
			_ = cmd.Wait()
		}()
		if listening(s.Addr, said, exited, deadline) {
			s.process, s.exited, s.ran = cmd, exited, true
			return
		}
		_ = cmd.Process.Kill()
		<-exited
		if time.Now().After(deadline) {
			s.t.Fatalf("mosquitto does not start: %s", said)
		}
		if !s.ran { // another test's broker may have taken the address that was free
			s.Addr = FreeAddr(s.t)
		}
	}
}

func (s *Server) config() string {
	host, port, err := net.SplitHostPort(s.Addr)
	if err != nil {
		s.t.Fatal(err)
	}
	lines := []string{
		"listener " + port + " " + host, "persistence false", "set_tcp_nodelay true", "max_queued_messages 0",
		"max_inflight_messages 200", "log_dest stderr", "log_type error", "log_type information",
	}
	if os.Geteuid() == 0 {
		lines = append(lines, "user root") // so that it may read the files of this test
	}
	if !s.Kind.Guarded {
		return strings.Join(append(lines, "allow_anonymous true"), "\n") + "\n"
	}
	cert, key := s.CA.Files(s.t, s.dir, "localhost", "127.0.0.1")
	passwords := filepath.Join(s.dir, "passwords")
	if out, err := exec.Command("mosquitto_passwd", "-b", "-c", passwords, Username, Password).CombinedOutput(); err != nil {
		s.t.Fatalf("mosquitto_passwd: %v: %s", err, out)
	}
	if out, err := exec.Command("mosquitto_passwd", "-b", passwords, Devices, Password).CombinedOutput(); err != nil {
		s.t.Fatalf("mosquitto_passwd: %v: %s", err, out)
	}
	if s.rights != "" {
		acl := filepath.Join(s.dir, "acl")
		if err := os.WriteFile(acl, []byte(s.rights+"\nuser "+Devices+"\ntopic readwrite #\n"), 0o600); err != nil {
			s.t.Fatal(err)
		}
		lines = append(lines, "acl_file "+acl)
	}
	return strings.Join(append(lines, "allow_anonymous false", "password_file "+passwords, "certfile "+cert, "keyfile "+key), "\n") + "\n"
}

// words is what a process has said so far.
type words struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (w *words) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.b.Write(p)
}

func (w *words) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.b.String()
}

// listening waits until Mosquitto says that it runs and something answers at its address. An answer alone may be another test's broker,
// which was quicker to take that address.
func listening(addr string, said *words, exited <-chan struct{}, deadline time.Time) bool {
	for time.Now().Before(deadline) {
		if strings.Contains(said.String(), " running") {
			if conn, err := net.Dial("tcp", addr); err == nil {
				conn.Close()
				return true
			}
		}
		select {
		case <-exited:
			return false
		case <-time.After(10 * time.Millisecond):
		}
	}
	return false
}

// FreeAddr gives an address on this machine that was free a moment ago.
func FreeAddr(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// Go runs something beside the test until the test ends, and fails it where that ends with an error.
func Go(t testing.TB, run func(ctx context.Context) error) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

package broker

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
	"go.uber.org/goleak"

	"gillkeeper/testdata/testend"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m, goleak.Cleanup(testend.Exit)) }

const patience = 5 * time.Second

func start(t *testing.T, o Options) *Broker {
	t.Helper()
	if o.Listen == "" {
		o.Listen = "127.0.0.1:0"
	}
	b, err := Start(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	return b
}

func TestWhoMayListenWithoutCredentials(t *testing.T) {
	for _, tc := range []struct {
		listen, username, password string
		want                       string // part of the error; "": it starts
	}{
		{"127.0.0.1:0", "", "", ""},
		{"localhost:0", "", "", ""},
		{"[::1]:0", "", "", ""},
		{"127.8.9.1:0", "", "", ""},
		{":0", "", "", "let anyone on the network in"},
		{"0.0.0.0:0", "", "", "let anyone on the network in"},
		{"[::]:0", "", "", "let anyone on the network in"},
		{"192.0.2.1:0", "", "", "let anyone on the network in"},
		{"farm.example:0", "", "", "let anyone on the network in"},
		{"0.0.0.0:0", "grower", "", "not both"},
		{"0.0.0.0:0", "", "secret", "not both"},
		{"0.0.0.0:0", "grower", "secret", ""},
		{"1883", "", "", "host:port"},
		{"127.0.0.1:99999", "", "", "cannot listen"},
	} {
		b, err := Start(Options{Listen: tc.listen, Username: tc.username, Password: tc.password})
		if err == nil {
			b.Stop()
		}
		if tc.want == "" {
			if err != nil && !(strings.Contains(tc.listen, "::1") && errors.As(err, new(*net.OpError))) { // no IPv6 here
				t.Errorf("%q: %v", tc.listen, err)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), tc.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q, %q, %q: error %v, want one line with %q", tc.listen, tc.username, tc.password, err, tc.want)
		}
	}
}

// dial speaks the wire's own packets, since a client library would refuse to send what is tried here.
func dial(t *testing.T, b *Broker, change func(*packets.ConnectPacket)) (net.Conn, byte) {
	t.Helper()
	conn, err := net.Dial("tcp", b.Addr())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	conn.SetDeadline(time.Now().Add(patience))
	c := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	c.ProtocolName, c.ProtocolVersion, c.CleanSession, c.Keepalive, c.ClientIdentifier = "MQTT", 4, true, 30, "raw"
	if change != nil {
		change(c)
	}
	if err := c.Write(conn); err != nil {
		t.Fatal(err)
	}
	p, err := packets.ReadPacket(conn)
	if err != nil {
		return conn, 0xff
	}
	return conn, p.(*packets.ConnackPacket).ReturnCode
}

func TestCredentials(t *testing.T) {
	b := start(t, Options{Username: "grower", Password: "spawn"})
	for _, tc := range []struct {
		username, password string
		accepted           bool
	}{
		{"grower", "spawn", true},
		{"grower", "", false},
		{"grower", "spawN", false},
		{"Grower", "spawn", false},
		{"", "", false},
	} {
		_, code := dial(t, b, func(c *packets.ConnectPacket) {
			c.Username, c.Password = tc.username, []byte(tc.password)
			c.UsernameFlag, c.PasswordFlag = tc.username != "", tc.password != ""
		})
		// MQTT 3.1.1 §3.2.2.3: 4 is a bad user name or password, 5 is not authorized.
		if accepted, refused := code == 0, code == 4 || code == 5; accepted != tc.accepted || refused == tc.accepted {
			t.Errorf("%q %q: return code %d, want accepted %v", tc.username, tc.password, code, tc.accepted)
		}
	}
}

func TestIllegalTopics(t *testing.T) {
	b := start(t, Options{})
	listener, _ := dial(t, b, func(c *packets.ConnectPacket) { c.ClientIdentifier = "listener" })
	if codes := subscribe(t, listener, "#", "a+/b", "a/#/b", "ok/+"); !bytes.Equal(codes, []byte{1, 0x80, 0x80, 1}) {
		t.Errorf("return codes %#v, want the legal filters granted and the others refused", codes)
	}
	for _, name := range []string{"a/+/b", "a/#", "", "a\x01b", "$SYS/broker/uptime", "$mine"} {
		conn, code := dial(t, b, nil)
		if code != packets.Accepted {
			t.Fatalf("return code %d", code)
		}
		publish(t, conn, name, "illegal")
		if _, err := packets.ReadPacket(conn); !errors.Is(err, io.EOF) && !errors.As(err, new(*net.OpError)) {
			t.Errorf("topic %q: error %v, want the connection closed", name, err)
		}
	}
	if _, code := dial(t, b, func(c *packets.ConnectPacket) { c.WillFlag, c.WillTopic, c.WillMessage = true, "will/#", []byte("x") }); code == packets.Accepted {
		t.Error("a last will on an illegal topic was accepted")
	}
	conn, _ := dial(t, b, nil)
	publish(t, conn, "a/b", "legal")
	got, err := packets.ReadPacket(listener)
	if err != nil {
		t.Fatal(err)
	}
	if p := got.(*packets.PublishPacket); p.TopicName != "a/b" || string(p.Payload) != "legal" {
		t.Errorf("the listener got %q on %q, want only the legal message", p.Payload, p.TopicName)
	}
}

func subscribe(t *testing.T, conn net.Conn, filters ...string) []byte {
	t.Helper()
	s := packets.NewControlPacket(packets.Subscribe).(*packets.SubscribePacket)
	s.MessageID, s.Topics = 1, filters
	for range filters {
		s.Qoss = append(s.Qoss, 1)
	}
	if err := s.Write(conn); err != nil {
		t.Fatal(err)
	}
	p, err := packets.ReadPacket(conn)
	if err != nil {
		t.Fatal(err)
	}
	return p.(*packets.SubackPacket).ReturnCodes
}

func publish(t *testing.T, conn net.Conn, topic, payload string) {
	t.Helper()
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Payload = topic, []byte(payload)
	if err := p.Write(conn); err != nil {
		t.Fatal(err)
	}
}

func TestPacketCap(t *testing.T) {
	b := start(t, Options{})
	conn, _ := dial(t, b, nil)
	publish(t, conn, "a", strings.Repeat("x", maxPacket/2))
	conn.Write([]byte{0xc0, 0}) // PINGREQ: is it still open?
	if _, err := packets.ReadPacket(conn); err != nil {
		t.Fatalf("closed after a packet below the cap: %v", err)
	}
	conn.Write([]byte{0x30, 0xff, 0xff, 0xff, 0x7f}) // PUBLISH of 256 MiB, only announced
	if _, err := packets.ReadPacket(conn); err == nil {
		t.Error("still open after a packet above the cap was announced")
	}
}

func TestReadAndWriteRights(t *testing.T) {
	b := start(t, Options{
		MayRead:  func(_, topic string) bool { return !strings.HasPrefix(topic, "secret/") },
		MayWrite: func(_, topic string) bool { return topic != "locked" },
	})
	conn, _ := dial(t, b, nil)
	if codes := subscribe(t, conn, "secret/a", "open"); !bytes.Equal(codes, []byte{0x80, 1}) {
		t.Errorf("return codes %#v, want the first refused", codes)
	}
}

// TestStop: with a client that works, one that never said a word, and one that stopped reading.
func TestStop(t *testing.T) {
	var said bytes.Buffer
	b, err := Start(Options{Listen: "127.0.0.1:0", Log: slog.New(slog.NewTextHandler(&said, nil))})
	if err != nil {
		t.Fatal(err)
	}
	client := paho.NewClient(paho.NewClientOptions().AddBroker(b.URL()).SetClientID("works").SetAutoReconnect(false))
	if token := client.Connect(); !token.WaitTimeout(patience) || token.Error() != nil {
		t.Fatalf("connect: %v", token.Error())
	}
	silent, err := net.Dial("tcp", b.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	deaf, _ := dial(t, b, func(c *packets.ConnectPacket) { c.ClientIdentifier, c.Keepalive = "deaf", 0 })
	subscribe(t, deaf, "flood")
	deaf.(*net.TCPConn).SetReadBuffer(4 << 10)
	for range 64 {
		client.Publish("flood", 0, false, strings.Repeat("x", 100<<10))
	}
	if got := b.Clients(); got != 2 {
		t.Errorf("Clients = %d, want 2", got)
	}
	began := time.Now()
	b.Stop()
	b.Stop()
	if took := time.Since(began); took > goodbyeTimeout+time.Second {
		t.Errorf("Stop took %v", took)
	}
	if _, err := net.Dial("tcp", b.Addr()); err == nil {
		t.Error("it still listens after Stop")
	}
	client.Disconnect(100)
	if said.Len() != 0 {
		t.Errorf("a quiet stop was not quiet: %s", said.String())
	}
}

// TestStopWhileClientsLeave: all at the same moment, over and over.
func TestStopWhileClientsLeave(t *testing.T) {
	for range 30 {
		b, err := Start(Options{Listen: "127.0.0.1:0"})
		if err != nil {
			t.Fatal(err)
		}
		var conns []net.Conn
		for i := range 40 {
			conn, _ := dial(t, b, func(c *packets.ConnectPacket) { c.ClientIdentifier = strconv.Itoa(i) })
			conns = append(conns, conn)
		}
		for _, c := range conns {
			go c.Close()
		}
		stopped := make(chan struct{})
		go func() {
			b.Stop()
			close(stopped)
		}()
		select {
		case <-stopped:
		case <-time.After(patience):
			t.Fatalf("Stop still runs after %v", patience)
		}
	}
}

// TestComingBackAtOnce: a client whose connection broke and that is back in the same moment is heard by what it
// subscribes to then.
func TestComingBackAtOnce(t *testing.T) {
	b := start(t, Options{})
	speaker, _ := dial(t, b, func(c *packets.ConnectPacket) { c.ClientIdentifier = "speaker" })
	old, _ := dial(t, b, nil)
	subscribe(t, old, "news")
	for round := range 300 {
		go old.Close()
		conn, code := dial(t, b, nil)
		if code != 0 {
			t.Fatalf("round %d: return code %d", round, code)
		}
		subscribe(t, conn, "news")
		p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
		p.TopicName, p.Payload = "news", []byte(strconv.Itoa(round))
		speaker.SetDeadline(time.Now().Add(patience))
		if err := p.Write(speaker); err != nil {
			t.Fatal(err)
		}
		got, err := packets.ReadPacket(conn)
		if err != nil {
			t.Fatalf("round %d: nothing heard: %v", round, err)
		}
		if n, ok := got.(*packets.PublishPacket); !ok || string(n.Payload) != strconv.Itoa(round) {
			t.Fatalf("round %d: heard %v", round, got)
		}
		old = conn
	}
}

func TestAddressInUse(t *testing.T) {
	b := start(t, Options{})
	if _, err := Start(Options{Listen: b.Addr()}); err == nil || !strings.Contains(err.Error(), b.Addr()) {
		t.Errorf("error %v, want one that names %s", err, b.Addr())
	}
}

// TestRetainedWhileSubscribing: messages are retained on new topics, and wills are, while others subscribe to all.
// It is for the race detector, and for locks that are not given back.
func TestRetainedWhileSubscribing(t *testing.T) {
	b := start(t, Options{})
	var wg sync.WaitGroup
	for i := range 4 {
		wg.Go(func() {
			for j := range 25 {
				conn, _ := dial(t, b, func(c *packets.ConnectPacket) {
					c.ClientIdentifier = fmt.Sprint("c", i, "-", j)
					c.WillFlag, c.WillRetain, c.WillTopic, c.WillMessage = true, true, fmt.Sprint("will/", i, "/", j), []byte("gone")
				})
				p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
				p.TopicName, p.Payload, p.Retain = fmt.Sprint("topic/", i, "/", j), []byte("x"), true
				s := packets.NewControlPacket(packets.Subscribe).(*packets.SubscribePacket)
				s.MessageID, s.Topics, s.Qoss = 1, []string{"#", "+/+/+"}, []byte{0, 0}
				ping := packets.NewControlPacket(packets.Pingreq)
				for _, packet := range []packets.ControlPacket{p, s, ping} {
					if err := packet.Write(conn); err != nil {
						t.Error(err)
					}
				}
				for answered := false; !answered; {
					got, err := packets.ReadPacket(conn)
					if err != nil {
						t.Error(err)
						return
					}
					_, answered = got.(*packets.PingrespPacket)
				}
				conn.Close() // without DISCONNECT: the will goes out
			}
		})
	}
	wg.Wait()
	late, _ := dial(t, b, nil)
	defer late.Close()
	subscribe(t, late, "topic/#")
	for range 100 {
		if p, err := packets.ReadPacket(late); err != nil || !p.(*packets.PublishPacket).Retain {
			t.Fatalf("%v, error %v, want 100 retained messages", p, err)
		}
	}
}

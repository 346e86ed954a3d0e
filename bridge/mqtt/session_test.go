package mqtt_test

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/config"
	"gillkeeper/bridge/mqtt"
	"gillkeeper/policy/chamber"
)

// TestNoAnswer: the broker gets commands, its answers are lost. A command that is not confirmed ends the connection.
func TestNoAnswer(t *testing.T) {
	t.Parallel()
	s := brokertest.Start(t, brokertest.Kinds()[0])
	proxy := brokertest.NewProxy(t, s.Addr)
	session, k := begin(t, s, proxy.Addr, func(o *mqtt.Options) { o.Timing = hasty(); o.Timing.KeepAlive = time.Minute })
	until(t, "the session is up", session.Up)
	proxy.Deafen()
	if err := session.Send(t.Context(), 0, 0, chamber.Order{On: true}); !errors.Is(err, mqtt.ErrUnconfirmed) {
		t.Errorf("error %v, want %v", err, mqtt.ErrUnconfirmed)
	}
	until(t, "the connection is reset", func() bool { return !session.Up() })
	until(t, "the status says what to do", func() bool {
		err := session.Status().Err
		return err != nil && strings.Contains(err.Error(), "does not answer any more; look")
	})
	proxy.Heal()
	until(t, "the session is up again", func() bool { return session.Up() && k.linked() == 2 })
}

// TestQuietBlackhole: nothing is sent, and the broker's silence is noticed all the same.
func TestQuietBlackhole(t *testing.T) {
	t.Parallel()
	s := brokertest.Start(t, brokertest.Kinds()[0])
	proxy := brokertest.NewProxy(t, s.Addr)
	session, _ := begin(t, s, proxy.Addr, inHaste)
	until(t, "the session is up", session.Up)
	proxy.Blackhole()
	began := time.Now()
	until(t, "the silence is noticed", func() bool { return !session.Up() })
	limit := 2*hasty().KeepAlive + hasty().PingTimeout + time.Second
	if took := time.Since(began); took > limit {
		t.Errorf("noticed after %v, want within %v", took, limit)
	}
	if err := session.Status().Err; err == nil || !strings.Contains(err.Error(), "does not answer any more; look") {
		t.Errorf("the status says %v, not what to do", err)
	}
}

// TestRefusedSubscription: said once, asked again, and taken when granted. Mosquitto 2.0 grants every subscription and
// then delivers nothing, so only the embedded broker can play this.
func TestRefusedSubscription(t *testing.T) {
	t.Parallel()
	s := brokertest.Denying(t, "loft/json")
	w := watch(t, s, "witness")
	session, k := begin(t, s, s.Addr, nil)
	until(t, "the session is up, but for one sensor", session.Up)
	w.say(t, "loft/plain", "90", false)
	w.say(t, "loft/json", `{"humidity":91}`, false)
	until(t, "the other sensor arrives", func() bool { return len(k.took()) == 1 })
	time.Sleep(3 * hasty().RefusedMost) // long enough to ask again and be refused
	if n := strings.Count(k.logged(), "the broker refuses a subscription"); n != 1 || !strings.Contains(k.logged(), "loft/json") {
		t.Errorf("said %d times, want once:\n%s", n, k.logged())
	}
	s.Grant()
	until(t, "the subscription is granted", func() bool { return strings.Contains(k.logged(), "grants a subscription") })
	w.say(t, "loft/json", `{"humidity":91}`, false)
	until(t, "the sensor arrives", func() bool { return len(k.took()) == 2 })
	if k.linked() != 1 {
		t.Errorf("linked %d times, want once", k.linked())
	}
}

// TestRefusedSubscriptionBesideAMocker: somebody who says without a pause that the daemon is lost does not keep it from asking again.
func TestRefusedSubscriptionBesideAMocker(t *testing.T) {
	t.Parallel()
	s := brokertest.Denying(t, "loft/json")
	w := watch(t, s, "mocker")
	session, k := begin(t, s, s.Addr, nil)
	until(t, "the session is up, but for one sensor", session.Up)
	s.Grant()
	until(t, "the subscription is granted", func() bool {
		w.say(t, "homie/5/gillkeeper-1/$state", "lost", false)
		return strings.Contains(k.logged(), "grants a subscription")
	})
}

// TestClearErrors: what is wrong with a connection is said in words that tell what to do, and once.
func TestClearErrors(t *testing.T) {
	for _, kind := range brokertest.Kinds() {
		if !kind.Guarded {
			continue
		}
		t.Run(kind.Name, func(t *testing.T) {
			t.Parallel()
			s := brokertest.Start(t, kind)
			plain := brokertest.Start(t, brokertest.Kind{Name: "plain"})
			for _, tc := range []struct {
				name   string
				change func(*mqtt.Options)
				want   string
			}{
				{"wrong password", func(o *mqtt.Options) { o.Password = config.NewSecret("straw") }, "broker.password_file"},
				{"no password", func(o *mqtt.Options) { o.Username, o.Password = "", config.Secret{} }, "broker.password_file"},
				{"wrong authority", func(o *mqtt.Options) { o.TLS = brokertest.NewAuthority(t).Client() }, "broker.ca_file"},
				{"wrong name", func(o *mqtt.Options) { o.TLS.ServerName = "elsewhere.example" }, `not for "elsewhere.example"`},
				{"TLS to a plain port", func(o *mqtt.Options) { o.URL = s.URLAt(plain.Addr) }, "broker.url"},
				{"nothing there", func(o *mqtt.Options) { o.URL = s.URLAt("127.0.0.1:1") }, "nothing listens there"},
			} {
				session, k := begin(t, s, s.Addr, tc.change)
				until(t, tc.name+" is noticed", func() bool { return session.Status().Err != nil })
				if err := session.Status().Err.Error(); !strings.Contains(err, tc.want) || strings.ContainsAny(err, "\n") || strings.Contains(err, "straw") {
					t.Errorf("%s: %q, want one line with %q", tc.name, err, tc.want)
				}
				time.Sleep(2 * hasty().RetryMost) // to try again
				if n := strings.Count(k.logged(), "no connection to the broker"); n != 1 {
					t.Errorf("%s: said %d times, want once:\n%s", tc.name, n, k.logged())
				}
				session.Stop()
			}
		})
	}
}

// TestAnswersThatAreNone: what comes back is no consent, and no refusal that MQTT 3.1.1 knows. That is said once, with what to do.
func TestAnswersThatAreNone(t *testing.T) {
	for _, tc := range []struct{ name, answer, want string }{
		{"another server", "HTTP/1.1 400 Bad Request\r\n\r\n", "no MQTT 3.1.1 broker"},
		{"a message instead of a consent", "\x30\x03\x00\x01a", "no MQTT 3.1.1 broker"},
		{"the code of another version of MQTT", "\x20\x02\x00\x84", "it may speak another version only"},
		{"an old version", "\x20\x02\x00\x01", "it may speak another version only"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			at := answering(t, func(c net.Conn) {
				if _, err := packets.ReadPacket(c); err == nil {
					_, _ = io.WriteString(c, tc.answer)
					_, _ = io.Copy(io.Discard, c)
				}
			})
			session, k := begin(t, &brokertest.Server{}, at, nil)
			until(t, "it is noticed", func() bool { return session.Status().Err != nil })
			if err := session.Status().Err.Error(); !strings.Contains(err, tc.want) || !strings.Contains(err, "broker.url") || strings.Contains(err, "\n") {
				t.Errorf("%q, want one line with %q and what to do", err, tc.want)
			}
			time.Sleep(4 * hasty().RetryMost) // to try again
			if n := strings.Count(k.logged(), "no connection to the broker"); n != 1 {
				t.Errorf("said %d times, want once:\n%s", n, k.logged())
			}
		})
	}
}

// TestCertificateWanted: a broker that wants a certificate and is shown none, or one that it does not take, says so by an alert, in TLS 1.3
// once the handshake is over; where the reset of the connection overtakes that, only the closing of it is seen. What to do is said all the
// same.
func TestCertificateWanted(t *testing.T) {
	authority, another := brokertest.NewAuthority(t), brokertest.NewAuthority(t)
	for _, version := range []uint16{tls.VersionTLS12, tls.VersionTLS13} {
		for _, reset := range []bool{false, true} {
			for _, tc := range []struct {
				name string
				show []tls.Certificate
				at   time.Time // the broker's clock
				want string
			}{
				{"none", nil, time.Now(), "name one in broker.cert_file and broker.key_file"},
				{"another authority's", another.Server("gillkeeper").Certificates, time.Now(), "no authority that the broker trusts signed the certificate in broker.cert_file"},
				{"run out", authority.ServerUntil(time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC), "gillkeeper").Certificates, time.Now(), "ran out on 2026-03-01; renew it"},
				{"run out by the broker's clock", authority.Server("gillkeeper").Certificates, time.Now().Add(48 * time.Hour), "after it saw the certificate in broker.cert_file; look in its log"},
			} {
				t.Run(fmt.Sprintf("%s %s reset %v", tls.VersionName(version), tc.name, reset), func(t *testing.T) {
					t.Parallel()
					strict := authority.Server("localhost")
					strict.ClientAuth, strict.ClientCAs, strict.MinVersion, strict.MaxVersion = tls.RequireAndVerifyClientCert, authority.Client().RootCAs, version, version
					strict.Time = func() time.Time { return tc.at }
					at := answering(t, func(c net.Conn) {
						if err := tls.Server(c, strict).Handshake(); err == nil {
							t.Error("the broker took it")
						}
						if reset {
							_ = c.(*net.TCPConn).SetLinger(0)
							return
						}
						_, _ = io.Copy(io.Discard, c) // what was sent before the alert was read: a reset would overtake that
					})
					session, _ := begin(t, &brokertest.Server{}, at, func(o *mqtt.Options) {
						o.URL = &url.URL{Scheme: "mqtts", Host: at}
						o.TLS = authority.Client()
						o.TLS.Certificates = tc.show
					})
					until(t, "it is noticed", func() bool { return session.Status().Err != nil })
					if err := session.Status().Err.Error(); !strings.Contains(err, tc.want) || strings.Contains(err, "\n") {
						t.Errorf("says %q, want one line with %q", err, tc.want)
					}
				})
			}
		}
	}
}

// TestHungUp: a broker that closes the connection, as it does with the older of two clients of one id, is told of in words that
// help, also where it does so before it has answered a subscription.
func TestHungUp(t *testing.T) {
	t.Parallel()
	at := answering(t, func(c net.Conn) {
		if _, err := packets.ReadPacket(c); err == nil {
			_ = packets.NewControlPacket(packets.Connack).Write(c)
			_, _ = packets.ReadPacket(c) // the subscription
		}
	})
	_, k := begin(t, &brokertest.Server{}, at, nil)
	until(t, "the log says what may be behind it", func() bool {
		return strings.Contains(k.logged(), "whether another client uses this broker.client_id (EOF)")
	})
	if log := k.logged(); !strings.Contains(log, "max_packet_size") || strings.Contains(log, "probably connected") {
		t.Errorf("it does not say that the packet may be too large for the broker:\n%s", log)
	}
}

// answering listens and deals with one connection after the other, each of which it closes. It gives its address.
func answering(t *testing.T, deal func(net.Conn)) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var serving sync.WaitGroup
	serving.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			deal(c)
			c.Close()
		}
	})
	t.Cleanup(func() { l.Close(); serving.Wait() })
	return l.Addr().String()
}

// TestSameIDOverWebSockets: there the end of a connection is another error, and means the same.
func TestSameIDOverWebSockets(t *testing.T) {
	t.Parallel()
	s := brokertest.Start(t, brokertest.Kinds()[0])
	u := brokertest.WebSocket(t, s)
	over := func(o *mqtt.Options) { o.URL = u }
	_, a := begin(t, s, s.Addr, over)
	_, b := begin(t, s, s.Addr, over)
	for _, k := range []*keeper{a, b} {
		until(t, "the log says what is behind it", func() bool {
			return strings.Contains(k.logged(), "another client with this id is probably connected")
		})
	}
}

// TestSameID: of two sessions with one id each throws the other out, and each log says so once, in plain words; when one is gone, the
// other says that too.
func TestSameID(t *testing.T) {
	t.Parallel()
	s := brokertest.Start(t, brokertest.Kinds()[0])
	const twin = "another client with this id is probably connected"
	first, a := begin(t, s, s.Addr, nil)
	second, b := begin(t, s, s.Addr, nil)
	for _, k := range []*keeper{a, b} {
		until(t, "the log says what is behind it", func() bool { return strings.Contains(k.logged(), twin) })
		if log := k.logged(); !strings.Contains(log, "client_id=Gillkeeper_1") || !strings.Contains(log, "another broker.client_id") {
			t.Errorf("does not say which id, or what to do:\n%s", log)
		}
	}
	until(t, "the status says it too, between two connections", func() bool {
		status := first.Status()
		return strings.Contains(status.Why(), twin)
	})
	quiet, rounds := a.logged()+b.logged(), a.linked()+b.linked()
	until(t, "they go on", func() bool { return a.linked()+b.linked() >= rounds+8 })
	if now := a.logged() + b.logged(); now != quiet {
		t.Errorf("said more in eight rounds more:\n%s", now)
	}
	second.Stop()
	until(t, "the log says that it is over", func() bool { return strings.Contains(a.logged(), "left alone") })
	if n := strings.Count(a.logged(), twin); n != 1 || !first.Up() {
		t.Errorf("said %d times, want once; up is %v:\n%s", n, first.Up(), a.logged())
	}
}

// TestStop: in every phase of a session's life it is over soon, and may be asked for twice.
func TestStop(t *testing.T) {
	t.Parallel()
	s := brokertest.Start(t, brokertest.Kinds()[0])
	proxy := brokertest.NewProxy(t, s.Addr)
	hole := brokertest.NewProxy(t, s.Addr)
	hole.Blackhole()
	for _, tc := range []struct {
		name  string
		addr  string
		phase func(*mqtt.Session)
	}{
		{"at once", s.Addr, func(*mqtt.Session) {}},
		{"nothing there", "127.0.0.1:1", func(session *mqtt.Session) {
			until(t, "an attempt", func() bool { return session.Status().Err != nil })
		}},
		{"waiting for the broker's consent", hole.Addr, func(*mqtt.Session) { time.Sleep(50 * time.Millisecond) }},
		{"up", s.Addr, func(session *mqtt.Session) { until(t, "up", session.Up) }},
		{"the network just failed", proxy.Addr, func(session *mqtt.Session) {
			until(t, "up", session.Up)
			proxy.Blackhole()
		}},
	} {
		session, _ := begin(t, s, tc.addr, inHaste)
		tc.phase(session)
		began := time.Now()
		session.Stop()
		session.Stop()
		if took := time.Since(began); took > 2*hasty().Goodbye+time.Second {
			t.Errorf("%s: Stop took %v", tc.name, took)
		}
		if session.Up() {
			t.Errorf("%s: still up", tc.name)
		}
	}
}

// TestListeners: messages that no binding names go to whom they are for; others are counted.
func TestListeners(t *testing.T) {
	t.Parallel()
	s := brokertest.Start(t, brokertest.Kinds()[0])
	w := watch(t, s, "witness")
	heard := make(chan string, 10)
	session, _ := begin(t, s, s.Addr, func(o *mqtt.Options) {
		o.Listen = []mqtt.Listener{{Filter: "homie/5/loft/+/+/set", Handle: func(topic string, payload []byte, retained bool) {
			heard <- fmt.Sprint(topic, " ", string(payload), " ", retained)
		}}}
		o.Presence.Announce = func(_ context.Context, publish func(string, []byte, bool) error) error {
			return publish("homie/5/loft/stage/name", []byte("fruiting"), true)
		}
	})
	until(t, "ready", func() bool { return session.Up() && w.saw(stateTopic+" ready") })
	if !w.saw("homie/5/loft/stage/name fruiting") {
		t.Errorf("heard %q before ready, want what Announce publishes", w.list())
	}
	w.say(t, "homie/5/loft/stage/name/set", "rest", false)
	if got := <-heard; got != "homie/5/loft/stage/name/set rest false" {
		t.Errorf("heard %q", got)
	}
}

// TestWebSocket: the same bytes inside a WebSocket.
func TestWebSocket(t *testing.T) {
	t.Parallel()
	u := brokertest.WebSocket(t, brokertest.Start(t, brokertest.Kinds()[0]))
	k := &keeper{results: map[mqtt.Result]int{}}
	session, err := mqtt.Start(mqtt.Options{URL: u, ClientID: "web", Bindings: mqtt.Bind(chambers(t)), Sink: k, Counter: k, Timing: hasty()})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Stop()
	until(t, "the session is up", session.Up)
	if err := session.Publish(t.Context(), "loft/plain", []byte("90"), false); err != nil {
		t.Fatal(err)
	}
	until(t, "the reading comes round", func() bool { return len(k.took()) == 1 })
	large := bytes.Repeat([]byte("9"), 200<<10)
	if err := session.Publish(t.Context(), "loft/plain", large, false); err != nil {
		t.Fatal(err)
	}
	until(t, "the large one is dropped", func() bool { return k.count(mqtt.TooLarge) == 1 })
	time.Sleep(hasty().KeepAlive + hasty().PingTimeout + 300*time.Millisecond)
	if !session.Up() {
		t.Errorf("the session did not outlive a ping: %v", session.Status().Err)
	}
}

func TestOptionsAreChecked(t *testing.T) {
	b := mqtt.Bind(chambers(t))
	illegal := chambers(t)
	illegal[0].Sensors[0].Topic = "a/#"
	for _, tc := range []struct {
		o    mqtt.Options
		want string
	}{
		{mqtt.Options{}, "needed"},
		{mqtt.Options{URL: &url.URL{Scheme: "http", Host: "h:1"}, ClientID: "x", Bindings: b}, "unknown scheme"},
		{mqtt.Options{URL: &url.URL{Scheme: "mqtt", Host: "h"}, ClientID: "x", Bindings: b}, "no port"},
		{mqtt.Options{URL: &url.URL{Scheme: "mqtt", Host: "h:1"}, Bindings: b}, "client id"},
		{mqtt.Options{URL: &url.URL{Scheme: "mqtt", Host: "h:1"}, ClientID: "x", Bindings: mqtt.Bind(illegal)}, "wildcard"},
		{mqtt.Options{URL: &url.URL{Scheme: "mqtt", Host: "h:1"}, ClientID: "x", Bindings: b, Listen: []mqtt.Listener{{Filter: "a#"}}}, "wildcard"},
	} {
		if s, err := mqtt.Start(tc.o); err == nil || !strings.Contains(err.Error(), tc.want) {
			if s != nil {
				s.Stop()
			}
			t.Errorf("error %v, want one with %q", err, tc.want)
		}
	}
}

func TestRootID(t *testing.T) {
	for id, want := range map[string]string{"gillkeeper": "gillkeeper", "Gillkeeper_1": "gillkeeper-1", "-a.b-": "a-b", "żółw": "w", "_": "gillkeeper"} {
		if got := mqtt.RootID(id); got != want {
			t.Errorf("RootID(%q) = %q, want %q", id, got, want)
		}
	}
}

package mqtt_test

import (
	"context"
	"errors"

	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/mqtt"
	"gillkeeper/policy/chamber"
)

// TestBrokers runs the same suite against every kind of broker, all at once: it mostly waits.
func TestBrokers(t *testing.T) {
	for _, k := range brokertest.Kinds() {
		for _, tc := range []struct {
			name string
			test func(*testing.T, brokertest.Kind)
		}{
			{"Exchange", exchange}, {"RetainedIsNeverFresh", retained}, {"KilledAndEmpty", killed}, {"Blackhole", blackhole},
			{"Presence", presence}, {"Hostile", hostile}, {"Order", order}, {"TwoSessions", two}, {"HomieDevices", homieDevices},
		} {
			t.Run(k.Name+"/"+tc.name, func(t *testing.T) {
				t.Parallel()
				tc.test(t, k)
			})
		}
	}
}

// exchange: readings, liveness and reports come in, commands go out and are not retained.
func exchange(t *testing.T, kind brokertest.Kind) {
	s := brokertest.Start(t, kind)
	w := watch(t, s, "witness")
	session, k := begin(t, s, s.Addr, nil)
	until(t, "the session is up", session.Up)
	w.say(t, "loft/plain", "93.5", false)
	w.say(t, "loft/json", `{"humidity":94.5}`, false)
	w.say(t, "loft/senml", `[{"n":"air","u":"%RH","v":95.5}]`, false)
	w.say(t, "loft/alive", "online", false)
	w.say(t, "loft/mister", "ON", false)
	until(t, "all of it arrives", func() bool { return k.count(mqtt.OK) == 5 })
	for i, want := range []float64{0.935, 0.945, 0.955} {
		if r := k.took()[i]; r.Sensor != i || r.Value != want || r.Retained || !r.At.IsZero() {
			t.Errorf("reading %d: %+v, want %v", i, r, want)
		}
	}
	if got := k.heard(); len(got) != 1 || !got[0].HasOn || !got[0].On || got[0].Retained {
		t.Errorf("reports %+v, want one that says on", got)
	}
	for _, c := range []struct {
		on    bool
		lease time.Duration
		want  string
	}{{true, 0, "ON"}, {false, 0, "OFF"}, {true, 90500 * time.Millisecond, "ON 91"}, {false, time.Minute, "OFF"}} {
		if err := session.Send(t.Context(), 0, 0, chamber.Order{On: c.on, For: c.lease}); err != nil {
			t.Fatal(err)
		}
		until(t, "the command arrives", func() bool { return slices.Contains(w.on("loft/mister/set"), c.want) })
	}
	late := watch(t, s, "late")
	until(t, "what is retained arrives", func() bool { return late.saw(stateTopic + " ready retained") })
	if got := late.on("loft/mister/set"); slices.ContainsFunc(got, isRetained) {
		t.Errorf("the broker retains the commands %q", got)
	}
	for _, topic := range []string{"", "a/+/b", "$SYS/x", "a\x00b"} {
		if err := session.Publish(t.Context(), topic, nil, false); err == nil {
			t.Errorf("published on the illegal topic %q", topic)
		}
	}
}

// retained: a copy that the broker kept is last known, on the first connection and on every one after.
func retained(t *testing.T, kind brokertest.Kind) {
	s := brokertest.Start(t, kind)
	w := watch(t, s, "witness")
	w.say(t, "loft/plain", "90", true)
	w.say(t, "loft/mister", "ON", true)
	// The embedded broker acknowledges before it passes on: whoever subscribes between gets the message live.
	until(t, "the messages have gone round", func() bool { return w.saw("loft/plain 90") && w.saw("loft/mister ON") })
	proxy := brokertest.NewProxy(t, s.Addr)
	session, k := begin(t, s, proxy.Addr, nil)
	until(t, "the copies arrive", func() bool { return k.count(mqtt.Retained) == 2 })
	w.say(t, "loft/plain", "91", true) // retained for others, live for us
	until(t, "the live reading arrives", func() bool { return k.count(mqtt.OK) == 1 })
	proxy.Cut()
	until(t, "the copies arrive again", func() bool { return k.count(mqtt.Retained) == 4 })
	until(t, "the session is up", session.Up)
	want := []chamber.Reading{{Value: 0.90, Retained: true}, {Value: 0.91}, {Value: 0.91, Retained: true}}
	if got := k.took(); !slices.Equal(got, want) {
		t.Errorf("readings %+v, want %+v", got, want)
	}
	for _, r := range k.heard() {
		if !r.Retained {
			t.Errorf("the report %+v came as fresh", r)
		}
	}
}

// killed: the broker dies and comes back empty; everything is subscribed to again, and what was decided while it was
// away is refused, not queued.
func killed(t *testing.T, kind brokertest.Kind) {
	s := brokertest.Start(t, kind)
	session, k := begin(t, s, s.Addr, nil)
	for round := range 2 {
		until(t, "the session is up", func() bool { return session.Up() && k.linked() == round+1 })
		w := watch(t, s, "witness")
		for _, topic := range []string{"loft/plain", "loft/json", "loft/senml"} {
			w.say(t, topic, map[string]string{"loft/plain": "91", "loft/json": `{"humidity":92}`, "loft/senml": `[{"n":"air","u":"%RH","v":93}]`}[topic], false)
		}
		until(t, "readings arrive", func() bool { return k.count(mqtt.OK) == 3*(round+1) })
		s.Kill()
		until(t, "the session is down", func() bool { return !session.Up() })
		if err := session.Send(t.Context(), 0, 0, chamber.Order{On: true}); !errors.Is(err, mqtt.ErrLinkDown) {
			t.Errorf("a command without a broker: %v, want %v", err, mqtt.ErrLinkDown)
		}
		s.Run()
	}
	until(t, "the session is up again", session.Up)
	w := watch(t, s, "witness")
	if err := session.Send(t.Context(), 0, 0, chamber.Order{}); err != nil {
		t.Fatal(err)
	}
	until(t, "the new command arrives", func() bool { return len(w.on("loft/mister/set")) > 0 })
	if got := w.on("loft/mister/set"); !slices.Equal(got, []string{"OFF"}) {
		t.Errorf("commands %q, want only what was decided after the outage", got)
	}
}

// presence: the last will is seen when the network fails, ready comes back, and a clean stop says disconnected and
// nothing else.
func presence(t *testing.T, kind brokertest.Kind) {
	s := brokertest.Start(t, kind)
	w := watch(t, s, "witness")
	proxy := brokertest.NewProxy(t, s.Addr)
	session, _ := begin(t, s, proxy.Addr, nil)
	until(t, "ready", func() bool { return w.saw(stateTopic + " ready") })
	if got := w.on(stateTopic); !slices.Equal(slices.DeleteFunc(got, isRetained), []string{"init", "ready"}) {
		t.Errorf("states %q", got)
	}
	if got := w.on(strings.TrimSuffix(stateTopic, "$state") + "$description"); len(got) != 1 || !strings.Contains(got[0], `"homie":"5.0"`) {
		t.Errorf("description %q", got)
	}
	proxy.Cut()
	// After it ready, and as often as it is lost.
	settled := func(lost int) func() bool {
		return func() bool {
			list := w.on(stateTopic)
			n := 0
			for _, state := range list {
				if state == stateLost {
					n++
				}
			}
			return n == lost && list[len(list)-1] == "ready" && session.Up()
		}
	}
	until(t, "lost, and ready again", settled(1))
	said := func(state string) int {
		return len(slices.DeleteFunc(w.on(stateTopic), func(s string) bool { return s != state }))
	}
	ready := said("ready")
	w.say(t, stateTopic, stateLost, true) // as a will of an earlier connection would that fires late
	// The answer may overtake what it answers: a broker keeps the order of one speaker, not of two.
	until(t, "ready after being declared lost", func() bool { return said(stateLost) == 2 && said("ready") > ready })
	w.say(t, "fence", "1", false)
	until(t, "the fence", func() bool { return w.saw("fence 1") })
	before := len(w.on(stateTopic))
	session.Stop()
	until(t, "disconnected", func() bool { return len(w.on(stateTopic)) > before })
	w.say(t, "fence", "2", false)
	until(t, "the fence", func() bool { return w.saw("fence 2") })
	if got := w.on(stateTopic)[before:]; !slices.Equal(got, []string{"disconnected"}) {
		t.Errorf("after Stop %q, want only disconnected", got)
	}
}

func isRetained(line string) bool { return strings.HasSuffix(line, " retained") }

// hostile: whatever is sent to a sensor's topic, the session stays up, counts it and takes the next good reading.
func hostile(t *testing.T, kind brokertest.Kind) {
	s := brokertest.Start(t, kind)
	w := watch(t, s, "witness")
	session, k := begin(t, s, s.Addr, nil)
	until(t, "the session is up", session.Up)
	bad := []string{"", "\x00", "\xff\xfe", "NaN", "-Infinity", `{"humidity":`, `{"humidity":{}}`, strings.Repeat("[", 1000), strings.Repeat("9", 60<<10), `[{"n":"air","v":1,"v":2}]`}
	for _, topic := range []string{"loft/plain", "loft/json", "loft/senml", "loft/mister"} {
		for _, payload := range bad {
			w.say(t, topic, payload, false)
		}
		w.say(t, topic, strings.Repeat("9", mqtt.MaxPayload+1), false)
		w.say(t, topic, strings.Repeat("9", 200<<10), false)
	}
	w.say(t, "loft/plain", "-3", false)
	w.say(t, "loft/plain", "92", false)
	until(t, "the good reading arrives", func() bool { return len(k.took()) > 0 })
	if got := k.took(); len(got) != 1 || got[0].Value != 0.92 {
		t.Errorf("readings %+v, want only the good one", got)
	}
	if k.linked() != 1 || !session.Up() {
		t.Errorf("linked %d times", k.linked())
	}
	refused := 4 * len(bad)
	if large, other := k.count(mqtt.TooLarge), k.count(mqtt.BadPayload)+k.count(mqtt.Implausible); large != 8 || other != refused+1 {
		t.Errorf("%d too large and %d otherwise refused, want 8 and %d", large, other, refused+1)
	}
	// Each cause once for each topic: 11 bad payloads on 4 topics have no more than 5 causes each.
	if n := strings.Count(k.logged(), "a payload is not used"); n < 4 || n > 20 {
		t.Errorf("%d lines in the log for %d bad payloads:\n%s", n, refused, k.logged())
	}
	for _, line := range strings.Split(k.logged(), "\n") {
		if len(line) > 1000 {
			t.Errorf("a line of %d bytes in the log", len(line))
		}
	}
}

// order: a plug's words arrive in the order in which it said them.
func order(t *testing.T, kind brokertest.Kind) {
	const words = 500
	s := brokertest.Start(t, kind)
	w := watch(t, s, "witness")
	session, k := begin(t, s, s.Addr, nil)
	until(t, "the session is up", session.Up)
	for i := range words {
		w.client.Publish("loft/mister", 1, false, map[bool]string{true: "ON", false: "OFF"}[i%3 == 0])
	}
	until(t, "all arrive", func() bool { return len(k.heard()) == words })
	for i, r := range k.heard() {
		if r.On != (i%3 == 0) {
			t.Fatalf("word %d says %v: overtaken", i, r.On)
		}
	}
}

// two: two sessions in one process, each with its own client id.
func two(t *testing.T, kind brokertest.Kind) {
	s := brokertest.Start(t, kind)
	w := watch(t, s, "witness")
	a, ka := begin(t, s, s.Addr, nil)
	b, kb := begin(t, s, s.Addr, func(o *mqtt.Options) { o.ClientID = "second" })
	until(t, "both are up", func() bool { return a.Up() && b.Up() })
	w.say(t, "loft/plain", "90", false)
	until(t, "both take the reading", func() bool { return len(ka.took()) == 1 && len(kb.took()) == 1 })
	a.Stop()
	if err := b.Send(t.Context(), 0, 0, chamber.Order{On: true}); err != nil || !b.Up() {
		t.Errorf("the second after the first stopped: %v", err)
	}
	if err := a.Send(t.Context(), 0, 0, chamber.Order{On: true}); !errors.Is(err, mqtt.ErrLinkDown) {
		t.Errorf("a command on a stopped session: %v", err)
	}
}

// outage is how long the network is gone, longer than it takes to notice, and the patience of the session. With
// GILLKEEPER_SLOW=1 it is sixty seconds at production's timing.
func outage() (away time.Duration, timing mqtt.Timing) {
	if os.Getenv("GILLKEEPER_SLOW") != "" {
		return time.Minute, mqtt.Production()
	}
	return 2 * time.Second, hasty()
}

// blackhole: the network swallows everything while commands leave. They fail in time, the link is declared down, and
// when the network is back control resumes and nothing old arrives. A client that reconnects by itself shows that the
// scene would catch it.
func blackhole(t *testing.T, kind brokertest.Kind) {
	away, timing := outage()
	s := brokertest.Start(t, kind)
	w := watch(t, s, "witness")
	proxy := brokertest.NewProxy(t, s.Addr)
	session, k := begin(t, s, proxy.Addr, func(o *mqtt.Options) { o.Timing = timing })
	until(t, "the session is up", session.Up)
	naive := reconnecting(t, s, proxy.Addr)
	if err := session.Send(t.Context(), 0, 0, chamber.Order{On: true}); err != nil {
		t.Fatal(err)
	}
	proxy.Blackhole()
	gone := time.Now()
	naive.Publish("naive", 1, false, "late")
	var wg sync.WaitGroup
	for range 5 {
		wg.Go(func() {
			began := time.Now()
			err := session.Send(context.Background(), 0, 0, chamber.Order{})
			if !errors.Is(err, mqtt.ErrUnconfirmed) && !errors.Is(err, mqtt.ErrLinkDown) {
				t.Errorf("a command into the black hole: %v", err)
			}
			if took := time.Since(began); took > timing.Ack+timing.Write+500*time.Millisecond {
				t.Errorf("a command into the black hole took %v to fail", took)
			}
		})
	}
	wg.Wait()
	for time.Since(gone) < away {
		if err := session.Send(t.Context(), 0, 0, chamber.Order{}); err == nil {
			t.Fatal("a command was confirmed by nobody")
		}
		time.Sleep(50 * time.Millisecond)
	}
	if session.Up() {
		t.Errorf("the session still thinks that it is up after %v", away)
	}
	proxy.Heal()
	until(t, "the session is up again", func() bool { return session.Up() && k.linked() >= 2 })
	if err := session.Send(t.Context(), 0, 0, chamber.Order{On: true}); err != nil {
		t.Fatal(err)
	}
	until(t, "the naive client's message arrives late", func() bool { return w.saw("naive late") })
	until(t, "the new command arrives", func() bool { return len(w.on("loft/mister/set")) >= 2 })
	if got := w.on("loft/mister/set"); !slices.Equal(got, []string{"ON", "ON"}) {
		t.Errorf("commands %q, want the two that were confirmed and none from the outage", got)
	}
}

// reconnecting is a client as the library makes it, which keeps what was not acknowledged and sends it again.
func reconnecting(t *testing.T, s *brokertest.Server, addr string) paho.Client {
	t.Helper()
	o := paho.NewClientOptions().AddBroker(s.URLAt(addr).String()).SetClientID("naive").SetTLSConfig(s.TLS()).
		SetKeepAlive(time.Second).SetPingTimeout(500 * time.Millisecond).SetConnectTimeout(500 * time.Millisecond).SetMaxReconnectInterval(time.Second)
	if s.Kind.Guarded {
		o.SetUsername(brokertest.Username).SetPassword(brokertest.Password)
	}
	c := paho.NewClient(o)
	if token := c.Connect(); !token.WaitTimeout(patience) || token.Error() != nil {
		t.Fatalf("naive client: %v", token.Error())
	}
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

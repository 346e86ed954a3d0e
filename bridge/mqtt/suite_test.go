package mqtt_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"

	"net/url"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/goleak"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/config"
	"gillkeeper/bridge/mqtt"
	"gillkeeper/bridge/pointer"
	"gillkeeper/policy/chamber"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience is how long a test waits for what should come within milliseconds.
var patience = 10 * time.Second

func init() {
	if os.Getenv("GILLKEEPER_SLOW") != "" {
		patience = time.Minute
	}
}

// calm is the production timing, but it comes back at once: where no test waits for patience to run out, a busy machine
// must not make it do so.
func calm() mqtt.Timing {
	t := mqtt.Production()
	t.RetryFirst, t.RetryMost = 50*time.Millisecond, 200*time.Millisecond
	t.RefusedFirst, t.RefusedMost = 100*time.Millisecond, 200*time.Millisecond
	return t
}

// hasty is the production timing some ten times faster, for tests of what happens when patience runs out.
func hasty() mqtt.Timing {
	return mqtt.Timing{
		KeepAlive: time.Second, PingTimeout: 500 * time.Millisecond, Connect: 3 * time.Second,
		Write: 500 * time.Millisecond, Ack: 700 * time.Millisecond,
		RetryFirst: 50 * time.Millisecond, RetryMost: 200 * time.Millisecond,
		RefusedFirst: 100 * time.Millisecond, RefusedMost: 200 * time.Millisecond,
		Goodbye: time.Second,
	}
}

func inHaste(o *mqtt.Options) { o.Timing = hasty() }

// chambers is one chamber with a plain, a JSON and a SenML sensor, and one plug.
func chambers(t testing.TB) []config.Chamber {
	t.Helper()
	p, err := pointer.Compile("/humidity")
	if err != nil {
		t.Fatal(err)
	}
	return []config.Chamber{{
		Spec: &chamber.Spec{
			Name: "loft",
			Sensors: []chamber.Sensor{
				{Name: "plain", Quantity: chamber.RelativeHumidity}, {Name: "json", Quantity: chamber.RelativeHumidity},
				{Name: "senml", Quantity: chamber.RelativeHumidity, MaxAge: time.Minute}},
			Plugs: []chamber.Plug{{Name: "mister", Role: chamber.Humidifier, Reports: true, Timed: true}},
		},
		Sensors: []config.SensorBinding{
			{Topic: "loft/plain", Unit: config.Percent, AliveTopic: "loft/alive", AlivePayload: "online"},
			{Topic: "loft/json", Unit: config.Percent, HasPointer: true, Pointer: p},
			{Topic: "loft/senml", Unit: config.Percent, SenMLName: "air"},
		},
		Plugs: []config.PlugBinding{{
			CommandTopic: "loft/mister/set", OnPayload: "ON", OffPayload: "OFF", TimedOnPayload: "ON {seconds}",
			StateTopic: "loft/mister", StateOn: "ON", StateOff: "OFF",
		}},
	}}
}

// keeper takes what a session gives and remembers it.
type keeper struct {
	mu       sync.Mutex
	readings []chamber.Reading
	liveness []chamber.Liveness
	reports  []chamber.PlugReport
	results  map[mqtt.Result]int
	ups      int
	downs    []error
	log      bytes.Buffer
}

func (k *keeper) locked(f func()) { k.mu.Lock(); defer k.mu.Unlock(); f() }

func (k *keeper) Reading(_ int, r chamber.Reading) {
	k.locked(func() { k.readings = append(k.readings, r) })
}
func (k *keeper) Liveness(_ int, l chamber.Liveness) {
	k.locked(func() { k.liveness = append(k.liveness, l) })
}
func (k *keeper) Report(_ int, r chamber.PlugReport) {
	k.locked(func() { k.reports = append(k.reports, r) })
}
func (k *keeper) Message(_ string, r mqtt.Result) { k.locked(func() { k.results[r]++ }) }
func (k *keeper) Write(p []byte) (int, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.log.Write(p)
}

func (k *keeper) logged() (s string) { k.locked(func() { s = k.log.String() }); return }
func (k *keeper) linked() (n int)    { k.locked(func() { n = k.ups }); return }
func (k *keeper) took() (r []chamber.Reading) {
	k.locked(func() { r = slices.Clone(k.readings) })
	return
}
func (k *keeper) count(r mqtt.Result) (n int) { k.locked(func() { n = k.results[r] }); return }
func (k *keeper) heard() (r []chamber.PlugReport) {
	k.locked(func() { r = slices.Clone(k.reports) })
	return
}

// begin starts a session that ends with the test. Change may alter its options.
func begin(t testing.TB, s *brokertest.Server, addr string, change func(*mqtt.Options)) (*mqtt.Session, *keeper) {
	t.Helper()
	k := &keeper{results: map[mqtt.Result]int{}}
	o := mqtt.Options{
		URL: s.URLAt(addr), TLS: s.TLS(), ClientID: "Gillkeeper_1", Bindings: mqtt.Bind(chambers(t)), Sink: k, Counter: k,
		Log: slog.New(slog.NewTextHandler(k, nil)), Timing: calm(),
		LinkUp:   func() { k.locked(func() { k.ups++ }) },
		LinkDown: func(err error) { k.locked(func() { k.downs = append(k.downs, err) }) },
	}
	if s.Kind.Guarded {
		o.Username, o.Password = brokertest.Username, config.NewSecret(brokertest.Password)
	}
	if change != nil {
		change(&o)
	}
	session, err := mqtt.Start(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(session.Stop)
	return session, k
}

// until waits for a condition of real sockets.
func until(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(patience); !ok(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("in vain: %s", what)
		}
	}
}

// witness is another client of the broker, connected without the proxy.
type witness struct {
	client paho.Client
	mu     sync.Mutex
	heard  []string // topic, payload, "retained" where it is
}

func watch(t testing.TB, s *brokertest.Server, id string) *witness {
	t.Helper()
	w := &witness{}
	o := paho.NewClientOptions().AddBroker(s.URL().String()).SetClientID(id).SetAutoReconnect(false).SetTLSConfig(s.TLS())
	if s.Kind.Guarded {
		o.SetUsername(brokertest.Username).SetPassword(brokertest.Password)
	}
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
		w.mu.Lock()
		defer w.mu.Unlock()
		line := m.Topic() + " " + string(m.Payload())
		if m.Retained() {
			line += " retained"
		}
		w.heard = append(w.heard, line)
	})
	w.client = paho.NewClient(o)
	if token := w.client.Connect(); !token.WaitTimeout(patience) || token.Error() != nil {
		t.Fatalf("witness: %v", token.Error())
	}
	if token := w.client.Subscribe("#", 1, nil); !token.WaitTimeout(patience) || token.Error() != nil {
		t.Fatalf("witness: %v", token.Error())
	}
	t.Cleanup(func() { w.client.Disconnect(100) })
	return w
}

func (w *witness) say(t testing.TB, topic, payload string, retain bool) {
	t.Helper()
	if token := w.client.Publish(topic, 1, retain, payload); !token.WaitTimeout(patience) || token.Error() != nil {
		t.Fatalf("witness publishes on %s: %v", topic, token.Error())
	}
}

func (w *witness) list() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Clone(w.heard)
}

func (w *witness) saw(line string) bool { return slices.Contains(w.list(), line) }

// on gives what was heard on one topic.
func (w *witness) on(topic string) []string {
	var list []string
	for _, line := range w.list() {
		if rest, ok := strings.CutPrefix(line, topic+" "); ok {
			list = append(list, rest)
		}
	}
	return list
}

const stateLost = "lost"

const stateTopic = "homie/5/gillkeeper-1/$state" // of the client id Gillkeeper_1

// TestBrokers runs the same suite against every kind of broker, all at once: it mostly waits.
func TestBrokers(t *testing.T) {
	for _, k := range brokertest.Kinds() {
		for _, tc := range []struct {
			name string
			test func(*testing.T, brokertest.Kind)
		}{
			{"Exchange", exchange}, {"RetainedIsNeverFresh", retained}, {"KilledAndEmpty", killed}, {"Blackhole", blackhole},
			{"Presence", presence}, {"Hostile", hostile}, {"Order", order}, {"TwoSessions", two},
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
		if err := session.Send(t.Context(), 0, 0, c.on, c.lease); err != nil {
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
		if err := session.Send(t.Context(), 0, 0, true, 0); !errors.Is(err, mqtt.ErrLinkDown) {
			t.Errorf("a command without a broker: %v, want %v", err, mqtt.ErrLinkDown)
		}
		s.Run()
	}
	until(t, "the session is up again", session.Up)
	w := watch(t, s, "witness")
	if err := session.Send(t.Context(), 0, 0, false, 0); err != nil {
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
	w.say(t, stateTopic, stateLost, true) // as a will of an earlier connection would that fires late
	until(t, "ready after being declared lost", settled(2))
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
	if err := b.Send(t.Context(), 0, 0, true, 0); err != nil || !b.Up() {
		t.Errorf("the second after the first stopped: %v", err)
	}
	if err := a.Send(t.Context(), 0, 0, true, 0); !errors.Is(err, mqtt.ErrLinkDown) {
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
	if err := session.Send(t.Context(), 0, 0, true, 0); err != nil {
		t.Fatal(err)
	}
	proxy.Blackhole()
	gone := time.Now()
	naive.Publish("naive", 1, false, "late")
	var wg sync.WaitGroup
	for range 5 {
		wg.Go(func() {
			began := time.Now()
			err := session.Send(context.Background(), 0, 0, false, 0)
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
		if err := session.Send(t.Context(), 0, 0, false, 0); err == nil {
			t.Fatal("a command was confirmed by nobody")
		}
		time.Sleep(50 * time.Millisecond)
	}
	if session.Up() {
		t.Errorf("the session still thinks that it is up after %v", away)
	}
	proxy.Heal()
	until(t, "the session is up again", func() bool { return session.Up() && k.linked() >= 2 })
	if err := session.Send(t.Context(), 0, 0, true, 0); err != nil {
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

// TestNoAnswer: the broker gets commands, its answers are lost. A command that is not confirmed ends the connection.
func TestNoAnswer(t *testing.T) {
	t.Parallel()
	s := brokertest.Start(t, brokertest.Kinds()[0])
	proxy := brokertest.NewProxy(t, s.Addr)
	session, k := begin(t, s, proxy.Addr, func(o *mqtt.Options) { o.Timing = hasty(); o.Timing.KeepAlive = time.Minute })
	until(t, "the session is up", session.Up)
	proxy.Deafen()
	if err := session.Send(t.Context(), 0, 0, true, 0); !errors.Is(err, mqtt.ErrUnconfirmed) {
		t.Errorf("error %v, want %v", err, mqtt.ErrUnconfirmed)
	}
	until(t, "the connection is reset", func() bool { return !session.Up() })
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
	if err := session.Status().Err; err == nil {
		t.Error("the status gives no cause")
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
				{"TLS to a plain port", func(o *mqtt.Options) { o.URL = s.URLAt(plain.Addr) }, "broker"},
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

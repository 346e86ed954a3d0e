package mqtt_test

import (
	"bytes"
	"flag"
	"log/slog"
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
	"gillkeeper/testdata/testend"
)

func TestMain(m *testing.M) {
	_ = flag.Set("test.parallel", "12") // parallel tests wait for brokers here, and hardly compute
	goleak.VerifyTestMain(m, goleak.Cleanup(testend.Exit))
}

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
func (k *keeper) Refusal(int, chamber.Refusal) {}
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

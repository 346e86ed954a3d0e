package sim

import (
	"bytes"
	"cmp"
	"context"
	"log/slog"
	"math"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/goleak"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/clock"
	"gillkeeper/bridge/config"
	"gillkeeper/bridge/mqtt"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
	"gillkeeper/testdata/testend"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m, goleak.Cleanup(testend.Exit)) }

// patience is how long a test waits for what should come within moments: on a loaded machine simulating, speaking and hearing
// share what little of it is left.
const patience = 2 * time.Minute

func eventually(t *testing.T, what string, f func() bool) {
	t.Helper()
	for deadline := time.Now().Add(patience); !f(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("never: %s", what)
		}
	}
}

// keeper hears the house through the daemon's own door, which was written apart from this package.
type keeper struct {
	mu       sync.Mutex
	readings map[int]chamber.Reading
	reports  map[int]chamber.PlugReport
	alive    int
	refused  int
}

func (k *keeper) Reading(_ int, r chamber.Reading) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.readings[r.Sensor] = r
}

func (k *keeper) Liveness(_ int, l chamber.Liveness) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if l.Alive {
		k.alive++
	}
}

func (k *keeper) Refusal(int, chamber.Refusal) {}

func (k *keeper) Report(_ int, r chamber.PlugReport) {
	k.mu.Lock()
	defer k.mu.Unlock()
	old := k.reports[r.Plug]
	if !r.HasOn {
		r.HasOn, r.On = old.HasOn, old.On
	}
	if !r.HasWatts {
		r.HasWatts, r.Watts = old.HasWatts, old.Watts
	}
	k.reports[r.Plug] = r
}

func (k *keeper) Message(_ string, r mqtt.Result) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if r != mqtt.OK && r != mqtt.Retained {
		k.refused++
	}
}

func (k *keeper) look(f func() bool) func() bool {
	return func() bool { k.mu.Lock(); defer k.mu.Unlock(); return f() }
}

// house runs the chamber of forms against a broker, with a keeper that listens.
func house(t *testing.T, s *brokertest.Server, pace float64) (*House, *keeper, *mqtt.Session) {
	t.Helper()
	c := forms(t)
	k := rehearse.ForSpec(c.Spec, rehearse.Load{SubstrateKg: 12, Stage: species.Fruiting}, rehearse.FamilyTarget(species.Fruiting), 5)
	o := Options{URL: s.URL(), TLS: s.TLS(), Clock: clock.Pace(pace), Chambers: []Chamber{{Config: c, Case: k}}}
	timing := mqtt.Production()
	timing.RetryFirst, timing.RetryMost = 50*time.Millisecond, 200*time.Millisecond
	timing.Connect, timing.Write, timing.Ack, timing.PingTimeout = patience, patience, patience, patience // no test waits for these to run out
	heard := mqtt.Options{URL: s.URL(), TLS: s.TLS(), ClientID: "ear", Timing: timing}
	if s.Kind.Guarded {
		o.Username, o.Password = brokertest.Username, brokertest.Password
		heard.Username, heard.Password = brokertest.Username, config.NewSecret(brokertest.Password)
	}
	h, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- h.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	ear := &keeper{readings: map[int]chamber.Reading{}, reports: map[int]chamber.PlugReport{}}
	var configs []config.Chamber
	for _, c := range h.chambers {
		configs = append(configs, c.config)
	}
	heard.Bindings, heard.Sink, heard.Counter = mqtt.Bind(configs), ear, ear
	session, err := mqtt.Start(heard)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(session.Stop)
	eventually(t, "both connected", func() bool {
		select {
		case <-h.Ready():
			return session.Up()
		default:
			return false
		}
	})
	return h, ear, session
}

// What the house says is understood, every form of it, and is about the truth.
func TestHouseIsUnderstood(t *testing.T) {
	for _, k := range brokertest.Kinds() {
		t.Run(k.Name, func(t *testing.T) { understood(t, brokertest.Start(t, k)) })
	}
}

func understood(t *testing.T, s *brokertest.Server) {
	h, ear, _ := house(t, s, 300)
	eventually(t, "five sensors, two plugs and a sign of life", ear.look(func() bool {
		return len(ear.readings) == 5 && len(ear.reports) == 2 && ear.reports[0].HasOn && ear.reports[0].HasWatts && ear.reports[1].HasOn && ear.alive > 0
	}))
	air := h.Look(0).Air
	ear.mu.Lock()
	defer ear.mu.Unlock()
	for i, c := range []struct{ want, near float64 }{
		{air.AirC, 1.5}, {air.RelativeHumidity, 0.12}, {air.AirC, 1.5}, {air.RelativeHumidity, 0.12}, {air.CO2PPM, 150},
	} {
		if got := ear.readings[i].Value; math.Abs(got-c.want) > c.near {
			t.Errorf("sensor %d says %v, the truth is %v", i, got, c.want)
		}
	}
	if ear.refused != 0 {
		t.Errorf("%d messages refused", ear.refused)
	}
}

func TestHouseObeys(t *testing.T) {
	s := brokertest.Start(t, brokertest.Kind{Name: "embedded"})
	h, ear, session := house(t, s, 60)
	if err := session.Send(t.Context(), 0, 0, chamber.Order{On: true}); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the mister reports on, and its power", ear.look(func() bool { return ear.reports[0].On && ear.reports[0].Watts > 10 }))
	if h.Look(0).ReservoirG >= h.o.Chambers[0].Case.Params.ReservoirG {
		t.Error("the mister takes no water")
	}
	if err := session.Send(t.Context(), 0, 1, chamber.Order{On: true}); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the fan reports on in its own words", ear.look(func() bool { return ear.reports[1].On }))
	if err := session.Send(t.Context(), 0, 1, chamber.Order{}); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the fan off", ear.look(func() bool { return !ear.reports[1].On }))
	commands := h.Commands()
	if len(commands) != 3 || !commands[0].On || commands[0].Plug != 0 || commands[2].On || commands[2].Plug != 1 {
		t.Fatalf("commands = %+v", commands)
	}
	// How much of the house's time passed between the two depends on the machine; the relay's is a step or two off.
	ran, n := commands[2].At.Sub(commands[1].At), len(h.Violations(0))
	if ran < 7*time.Second && n != 1 || ran > 13*time.Second && n != 0 {
		t.Errorf("%d violations after switching the fan off %v after on; its minimum is 10 s", n, ran)
	}
}

// A timed command ends by itself, a retained one is no command, nonsense is counted, and what a person does at the
// plug is reported.
func TestHouseTimedRetainedHand(t *testing.T) {
	s := brokertest.Start(t, brokertest.Kind{Name: "embedded"})
	h, ear, session := house(t, s, 60)
	if err := session.Send(t.Context(), 0, 0, chamber.Order{On: true, For: 20 * time.Second}); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the mister on", ear.look(func() bool { return ear.reports[0].On }))
	eventually(t, "the mister off by itself", ear.look(func() bool { return !ear.reports[0].On }))
	if err := session.Publish(t.Context(), "a/fan/set", []byte("banana"), false); err != nil {
		t.Fatal(err)
	}
	eventually(t, "nonsense noticed", func() bool { h.mu.Lock(); defer h.mu.Unlock(); return h.unread["a/fan/set"] == 1 })
	h.Hand(0, 1, true)
	eventually(t, "the fan reported on by hand", ear.look(func() bool { return ear.reports[1].On }))
	if n := len(h.Commands()); n != 1 {
		t.Errorf("%d commands, want 1", n)
	}
}

// A retained command waits for a house that comes later; the house must not obey it.
func TestHouseIgnoresRetainedCommand(t *testing.T) {
	s := brokertest.Start(t, brokertest.Kind{Name: "embedded"})
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + s.Addr).SetClientID("careless"))
	if tok := c.Connect(); !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	// The broker acknowledges a message before it hands it on: a house that subscribed between the two would hear it a second
	// time, as a command like any other. What its sender has back is on its way to nobody any more.
	back := make(chan struct{})
	if tok := c.Subscribe("a/fan/set", 1, func(paho.Client, paho.Message) { close(back) }); !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	if tok := c.Publish("a/fan/set", 1, true, "1"); !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	select {
	case <-back:
	case <-time.After(patience):
		t.Fatal("the command does not come back to its sender")
	}
	c.Disconnect(100)
	h, _, _ := house(t, s, 60)
	eventually(t, "the retained command noted", func() bool { return len(h.Commands()) == 1 })
	start := h.Look(0).Elapsed
	eventually(t, "ten seconds passed", func() bool { return h.Look(0).Elapsed > start+10*time.Second })
	if !h.Commands()[0].Retained || h.Look(0).On[1] {
		t.Errorf("%+v, fan on %v; want it retained and the fan off", h.Commands()[0], h.Look(0).On[1])
	}
}

// The house outlives its broker: it connects again, hears commands, and its plugs tell their state anew.
func TestHouseSurvivesBroker(t *testing.T) {
	s := brokertest.Start(t, brokertest.Kind{Name: "embedded"})
	h, ear, session := house(t, s, 60)
	s.Kill()
	eventually(t, "the session down", func() bool { return !session.Up() })
	h.Hand(0, 1, true)
	s.Run()
	eventually(t, "the session up", func() bool { return session.Up() })
	eventually(t, "the fan's state told anew", ear.look(func() bool { return ear.reports[1].On }))
	eventually(t, "commands heard again", func() bool {
		_ = session.Send(t.Context(), 0, 1, chamber.Order{})
		time.Sleep(20 * time.Millisecond)
		return !h.Look(0).On[1]
	})
}

func TestHouseFaults(t *testing.T) {
	s := brokertest.Start(t, brokertest.Kind{Name: "embedded"})
	h, ear, session := house(t, s, 300)
	if err := h.Fault(0, plant.Fault{Kind: plant.SensorStuck, Index: 9}); err == nil {
		t.Error("a fault of a sensor that is not there was taken")
	}
	if err := h.Fault(0, plant.Fault{Kind: plant.PlugDisobeys, Index: 1}); err != nil {
		t.Fatal(err)
	}
	if err := h.Fault(0, plant.Fault{Kind: plant.SensorSilent, Index: 0}); err != nil {
		t.Fatal(err)
	}
	if err := session.Send(t.Context(), 0, 1, chamber.Order{On: true}); err != nil {
		t.Fatal(err)
	}
	h.Drain(0, 0)
	if err := session.Send(t.Context(), 0, 0, chamber.Order{On: true}); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the mister meters dry running", ear.look(func() bool { return ear.reports[0].On && ear.reports[0].Watts > 0.5 && ear.reports[0].Watts < 8 }))
	ear.mu.Lock()
	delete(ear.readings, 0)
	ear.mu.Unlock()
	start := h.Look(0).Elapsed
	eventually(t, "five minutes passed", func() bool { return h.Look(0).Elapsed > start+5*time.Minute })
	eventually(t, "another sensor heard", ear.look(func() bool { _, ok := ear.readings[4]; return ok }))
	ear.mu.Lock()
	_, heard := ear.readings[0]
	fan := ear.reports[1].On
	ear.mu.Unlock()
	if heard || fan {
		t.Errorf("the silent sensor was heard %v; the fan that disobeys reports on %v", heard, fan)
	}
	h.Mend(0)
	eventually(t, "the sensor heard again", ear.look(func() bool { _, ok := ear.readings[0]; return ok }))
	if f := h.Figures(0); f.Hours != 0 {
		t.Errorf("figures of %v h within the first six", f.Hours)
	}
}

// Another client of the same id throws the house out, and the log says what may be behind it.
func TestHouseThrownOut(t *testing.T) {
	for _, k := range brokertest.Kinds() {
		if k.Guarded {
			continue // the same with a password
		}
		t.Run(k.Name, func(t *testing.T) {
			s := brokertest.Start(t, k)
			c := forms(t)
			var said logged
			h, err := New(Options{URL: s.URL(), ClientID: "twin", Clock: clock.Pace(60), Log: slog.New(slog.NewTextHandler(&said, nil)),
				Chambers: []Chamber{{Config: c, Case: rehearse.ForSpec(c.Spec, rehearse.Load{Stage: species.Pinning}, rehearse.FamilyTarget(species.Pinning), 1)}}})
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan error, 1)
			go func() { done <- h.Run(ctx) }()
			defer func() { cancel(); <-done }()
			<-h.Ready()
			other := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + s.Addr).SetClientID("twin").SetAutoReconnect(false))
			if tok := other.Connect(); !tok.WaitTimeout(patience) || tok.Error() != nil {
				t.Fatal(tok.Error())
			}
			defer other.Disconnect(100)
			eventually(t, "the log names the id", func() bool { return strings.Contains(said.String(), `another client may use the id \"twin\"`) })
		})
	}
}

// logged keeps a log.
type logged struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logged) Write(p []byte) (int, error) { l.mu.Lock(); defer l.mu.Unlock(); return l.b.Write(p) }
func (l *logged) String() string              { l.mu.Lock(); defer l.mu.Unlock(); return l.b.String() }

// Without a broker the house waits for one, and ends when it is told to.
func TestHouseWithoutBroker(t *testing.T) {
	c := forms(t)
	k := rehearse.ForSpec(c.Spec, rehearse.Load{Stage: species.Pinning}, rehearse.FamilyTarget(species.Pinning), 1)
	h, err := New(Options{URL: &url.URL{Scheme: "mqtt", Host: "127.0.0.1:1"}, Clock: clock.Pace(60), Chambers: []Chamber{{Config: c, Case: k}}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	if err := h.Run(ctx); err != nil {
		t.Error(err)
	}
	if h.Look(0).Elapsed < 5*time.Second {
		t.Errorf("only %v passed in the chamber", h.Look(0).Elapsed)
	}
}

func TestNewRefuses(t *testing.T) {
	c := forms(t)
	k := rehearse.ForSpec(c.Spec, rehearse.Load{Stage: species.Pinning}, rehearse.FamilyTarget(species.Pinning), 1)
	broken := *k
	broken.Sensors = broken.Sensors[1:]
	for _, o := range []Options{
		{},
		{URL: &url.URL{Scheme: "mqtt", Host: "x:1"}, Clock: clock.System(), Chambers: []Chamber{{Config: c, Case: &broken}}},
		{URL: &url.URL{Scheme: "mqtt", Host: "x:1"}, Clock: clock.System(), Chambers: []Chamber{{Config: c}}},
	} {
		if _, err := New(o); err == nil {
			t.Errorf("%+v is taken", o)
		}
	}
}

// Mixed messages overtake each other, and none is later than was asked for.
func TestMessagesAreMixed(t *testing.T) {
	c := forms(t)
	k := rehearse.ForSpec(c.Spec, rehearse.Load{Stage: species.Pinning}, rehearse.FamilyTarget(species.Pinning), 1)
	k.Faults = []plant.Fault{{Kind: plant.MessagesMixed, Amount: 30}}
	s, err := newSimulated(0, &Chamber{Config: c, Case: k}, false, func(string) bool { return false })
	if err != nil {
		t.Fatal(err)
	}
	overtaken := 0
	for range 3600 {
		s.advance(true, nil)
		if !slices.IsSortedFunc(s.late, func(a, b delayed) int { return cmp.Compare(a.due, b.due) }) {
			overtaken++ // they stand in the order in which they were said
		}
		for _, d := range s.late {
			if d.due > s.elapsed+30*time.Second {
				t.Fatalf("due at %v, said by %v", d.due, s.elapsed)
			}
		}
	}
	if overtaken == 0 {
		t.Error("none of an hour's messages overtook another")
	}
}

package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/config"
	"gillkeeper/metrics"
	"gillkeeper/policy"
	"gillkeeper/policy/species"
)

func init() { showTiming.Value, showTiming.Describe = time.Second, time.Second }

// controller is a controller of the Homie convention, written from its text alone
// (https://homieiot.github.io/specification/): it discovers devices on +/5/+/$state, reads their descriptions, follows
// values, and sets properties.
type controller struct {
	client paho.Client
	mu     sync.Mutex
	topics map[string]string // retained or live, as last heard
	all    []string          // everything heard, in order
}

func takeControl(t *testing.T, s *brokertest.Server) *controller {
	t.Helper()
	c := &controller{topics: map[string]string{}}
	o := paho.NewClientOptions().AddBroker(strings.NewReplacer("mqtts://", "ssl://", "mqtt://", "tcp://").Replace(s.URL().String())).
		SetClientID("controller").SetOrderMatters(true).SetAutoReconnect(false)
	if s.CA != nil {
		o.SetTLSConfig(s.TLS()).SetUsername(brokertest.Username).SetPassword(brokertest.Password)
	}
	o.SetDefaultPublishHandler(func(client paho.Client, m paho.Message) {
		c.mu.Lock()
		defer c.mu.Unlock()
		_, known := c.topics[m.Topic()]
		c.topics[m.Topic()] = string(m.Payload())
		c.all = append(c.all, m.Topic()+" "+string(m.Payload()))
		// "Auto-Discovery": a device exists once its $state is set; then its other topics are of interest.
		if base, ok := strings.CutSuffix(m.Topic(), "/$state"); ok && !known && len(m.Payload()) > 0 {
			go client.Subscribe(base+"/#", 1, nil) // not in the goroutine that takes the answer
		}
	})
	c.client = paho.NewClient(o)
	if token := c.client.Connect(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatal(token.Error())
	}
	t.Cleanup(func() { c.client.Disconnect(50) })
	if token := c.client.Subscribe("+/5/+/$state", 1, nil); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatal(token.Error())
	}
	return c
}

func (c *controller) topic(t string) string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.topics[t]
}

func (c *controller) heard(part string) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, line := range c.all {
		if strings.Contains(line, part) {
			return true
		}
	}
	return false
}

// state is that of a device as the convention's table has it ("Device hierarchy"): lost where its root is lost.
func (c *controller) state(device string) string {
	var d struct{ Root string }
	_ = json.Unmarshal([]byte(c.topic("homie/5/"+device+"/$description")), &d)
	if d.Root != "" && c.topic("homie/5/"+d.Root+"/$state") == "lost" {
		return "lost"
	}
	return c.topic("homie/5/" + device + "/$state")
}

// children are those of a root.
func (c *controller) children(root string) []string {
	var d struct{ Children []string }
	_ = json.Unmarshal([]byte(c.topic("homie/5/"+root+"/$description")), &d)
	return d.Children
}

// settable reports whether a description says that a property can be set.
func (c *controller) settable(device, node, property string) bool {
	var d struct {
		Nodes map[string]struct {
			Properties map[string]struct{ Settable bool }
		}
	}
	_ = json.Unmarshal([]byte(c.topic("homie/5/"+device+"/$description")), &d)
	return d.Nodes[node].Properties[property].Settable
}

// set publishes without retaining, as controllers must.
func (c *controller) set(t *testing.T, property, payload string) {
	t.Helper()
	if token := c.client.Publish("homie/5/"+property+"/set", 1, false, payload); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatal(token.Error())
	}
}

// house writes a configuration of two chambers on that broker.
func house(t *testing.T, s *brokertest.Server, addr, extra string) *config.Config {
	t.Helper()
	dir := t.TempDir()
	text := fmt.Sprintf("[broker]\nurl = %q\n", s.URLAt(addr).String())
	if s.CA != nil {
		write(t, filepath.Join(dir, "ca.pem"), string(s.CA.PEM()))
		write(t, filepath.Join(dir, "password"), brokertest.Password+"\n")
		text += fmt.Sprintf("username = %q\npassword_file = \"password\"\nca_file = \"ca.pem\"\n", brokertest.Username)
	}
	text += extra + "\n[http]\nlisten = \"127.0.0.1:0\"\n[journal]\npath = \"journal.db\"\n"
	for _, name := range []string{"loft", "cellar"} {
		text += fmt.Sprintf(`
[[chamber]]
name = %[1]q
volume_m3 = 0.56
  [[chamber.sensor]]
  quantity = "relative_humidity"
  topic = "%[1]s/rh"
  [[chamber.plug]]
  role = "humidifier"
  name = "mister"
  command_topic = "%[1]s/mister/set"
  state_topic = "%[1]s/mister"
  reservoir_liters = 4
  min_on = "1s"
  min_off = "1s"
`, name)
	}
	path := filepath.Join(dir, "c.toml")
	write(t, path, text)
	c, faults, err := config.Load(path)
	if err != nil {
		t.Fatal(err, faults)
	}
	return c
}

// keep runs a daemon until stop, or the test's end.
func keep(t *testing.T, o Options) (d *Daemon, stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	o.Build = metrics.Info{Version: "test"}
	d, err := New(ctx, o)
	if err != nil {
		cancel()
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("the daemon ended with %v", err)
		}
	})
	t.Cleanup(stop)
	return d, stop
}

func plant(t *testing.T, d *Daemon, chamber, batch string) {
	t.Helper()
	if _, err := d.Keeper().Act(t.Context(), chamber, policy.Action{ID: batch, Kind: policy.BatchAdd, Batch: batch, Species: "pleurotus-ostreatus",
		Stage: species.Fruiting, SubstrateKg: 12, DryKg: 4}); err != nil {
		t.Fatal(err)
	}
}

// TestHomieController: on every kind of broker a controller finds all chambers, sees their values, sets stage, hand and
// refill, is refused what is wrong, is told of a loss by the last will, of the return, and of an end on purpose.
func TestHomieController(t *testing.T) {
	t.Parallel()
	for _, kind := range brokertest.Kinds() {
		t.Run(kind.Name, func(t *testing.T) {
			t.Parallel()
			s := brokertest.Start(t, kind)
			proxy := brokertest.NewProxy(t, s.Addr)
			c := takeControl(t, s)
			d, stop := keep(t, Options{Config: house(t, s, proxy.Addr, "")})
			soon := func(what string, ok func() bool) { t.Helper(); until(t, 40*time.Second, what, ok) }
			soon("not all chambers are found", func() bool {
				return strings.Join(c.children("gillkeeper"), " ") == "gillkeeper-cellar gillkeeper-loft" && c.state("gillkeeper-loft") == "ready" && c.state("gillkeeper-cellar") == "ready"
			})
			plant(t, d, "loft", "b1")
			c.client.Publish("loft/rh", 0, false, "91.5")
			soon("the batch and the humidity do not show", func() bool {
				return c.settable("gillkeeper-loft", "batch-b1", "stage") && c.topic("homie/5/gillkeeper-loft/air/humidity") == "91.5"
			})
			c.set(t, "gillkeeper-loft/batch-b1/stage", "pinning")
			soon("the stage is not set", func() bool {
				snap, _ := d.Keeper().Snapshot("loft")
				return c.topic("homie/5/gillkeeper-loft/batch-b1/stage") == "pinning" && c.topic("homie/5/gillkeeper-loft/batch-b1/stage/$target") == "pinning" &&
					snap.State.Crop.Batches[0].Stage == species.Pinning
			})
			c.set(t, "gillkeeper-loft/plug-mister/hand", "off")
			soon("the hand is not taken", func() bool { return c.topic("homie/5/gillkeeper-loft/plug-mister/hand") == "off" })
			c.set(t, "gillkeeper-loft/reservoir/refill", "2.5")
			soon("the refill is not confirmed", func() bool {
				return c.heard("gillkeeper-loft/reservoir/refill 2.5") && c.topic("homie/5/gillkeeper-loft/reservoir/level") == "2.5"
			})
			c.set(t, "gillkeeper-loft/batch-b1/stage", "harvest")
			soon("a wrong stage is not refused", func() bool { return c.heard("gillkeeper-loft/$log/warn ") })

			proxy.Cut()
			soon("the loss is not told", func() bool { return c.state("gillkeeper-loft") == "lost" && c.state("gillkeeper-cellar") == "lost" })
			proxy.Heal()
			soon("the return is not told", func() bool { return c.state("gillkeeper-loft") == "ready" && c.state("gillkeeper") == "ready" })
			stop()
			soon("the end is not told", func() bool {
				return c.state("gillkeeper-loft") == "disconnected" && c.state("gillkeeper") == "disconnected"
			})
		})
	}
}

// TestHomieReload: a chamber that goes out of the configuration goes from the broker; devices that are no longer wanted
// are taken back whole; and where it is not allowed, nothing can be set.
func TestHomieReload(t *testing.T) {
	t.Parallel()
	s := brokertest.Start(t, brokertest.Kinds()[0])
	first := house(t, s, s.Addr, "")
	c := takeControl(t, s)
	d, _ := keep(t, Options{Config: first})
	until(t, 40*time.Second, "the chambers do not show", func() bool { return c.state("gillkeeper-cellar") == "ready" && c.state("gillkeeper") == "ready" })
	reload := func(change func(c *config.Config)) {
		t.Helper()
		next := *d.config
		change(&next)
		if err := d.Reload(t.Context(), &next); err != nil {
			t.Fatal(err)
		}
	}
	reload(func(n *config.Config) { n.Chambers, n.Broker.Homie.Settable = n.Chambers[:1], false })
	until(t, 40*time.Second, "the chamber that is gone still shows, or stays settable", func() bool {
		return c.topic("homie/5/gillkeeper-cellar/$state") == "" && c.topic("homie/5/gillkeeper-cellar/$description") == "" &&
			c.state("gillkeeper-loft") == "ready" && !c.settable("gillkeeper-loft", "plug-mister", "hand")
	})
	c.set(t, "gillkeeper-loft/plug-mister/hand", "on")
	reload(func(n *config.Config) { n.Broker.Homie.Publish = false })
	until(t, 40*time.Second, "devices that are not wanted still show", func() bool {
		c.mu.Lock()
		defer c.mu.Unlock()
		for topic, payload := range c.topics {
			if payload != "" && strings.HasPrefix(topic, "homie/5/gillkeeper") && !strings.HasSuffix(topic, "/set") {
				return false
			}
		}
		return true
	})
	if snap, _ := d.Keeper().Snapshot("loft"); snap.State.Plugs[0].Hand.Active {
		t.Error("a hand was taken that the configuration does not allow")
	}
}

// TestObserveCommandsNothing: on real brokers, a daemon that observes says nothing to a plug, whatever the air does,
// whoever takes a plug in hand, and at its end; and shows what it would have done.
func TestObserveCommandsNothing(t *testing.T) {
	t.Parallel()
	for _, kind := range brokertest.Kinds() {
		t.Run(kind.Name, func(t *testing.T) {
			t.Parallel()
			s := brokertest.Start(t, kind)
			c := takeControl(t, s)
			d, stop := keep(t, Options{Config: house(t, s, s.Addr, ""), Observe: true})
			if token := c.client.Subscribe("#", 1, nil); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
				t.Fatal(token.Error())
			}
			until(t, 40*time.Second, "the daemon is not ready", func() bool { return d.Keeper().Ready() == nil && c.state("gillkeeper-loft") == "ready" })
			plant(t, d, "loft", "b1")
			c.client.Publish("loft/mister", 1, true, "OFF")
			wants := func(on bool) bool {
				c.client.Publish("loft/rh", 0, false, map[bool]string{true: "50", false: "99"}[on])
				snap, _ := d.Keeper().Snapshot("loft")
				return len(snap.Decision.Plugs) > 0 && snap.Decision.Plugs[0].On == on && snap.State.Air.Inside.RelativeHumidity.OK
			}
			until(t, 40*time.Second, "dry air brings no wish for mist", func() bool { return wants(true) })
			until(t, 40*time.Second, "wet air does not end it", func() bool { return wants(false) })
			c.set(t, "gillkeeper-loft/plug-mister/hand", "on")
			until(t, 40*time.Second, "the hand does not show", func() bool { return c.topic("homie/5/gillkeeper-loft/plug-mister/hand") == "on" })
			until(t, 40*time.Second, "it does not say that it observes", func() bool { return c.topic("homie/5/gillkeeper/daemon/observe") == "true" })
			stop()
			if c.heard("/mister/set ") {
				t.Error("a plug was commanded")
			}
		})
	}
}

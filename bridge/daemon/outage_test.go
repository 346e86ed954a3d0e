package daemon

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/config"
	"gillkeeper/policy"
	"gillkeeper/policy/species"
)

// tent is a daemon that keeps one chamber through a broken network, and the chamber's sensors and plug, which reach the
// broker directly.
type tent struct {
	d      *Daemon
	client paho.Client
	stop   func()

	mu       sync.Mutex
	state    string
	commands []string
}

// configure writes what a grower would write for that broker, reached at addr.
func configure(t *testing.T, s *brokertest.Server, addr string) *config.Config {
	t.Helper()
	dir := t.TempDir()
	text := fmt.Sprintf("[broker]\nurl = %q\n", s.URLAt(addr).String())
	if s.CA != nil {
		write(t, filepath.Join(dir, "ca.pem"), string(s.CA.PEM()))
		write(t, filepath.Join(dir, "password"), brokertest.Password+"\n")
		text += fmt.Sprintf("username = %q\npassword_file = \"password\"\nca_file = \"ca.pem\"\n", brokertest.Username)
	}
	text += `
[http]
listen = "127.0.0.1:0"
[journal]
path = "journal.db"
[[chamber]]
name = "loft"
volume_m3 = 0.56
  [[chamber.sensor]]
  quantity = "temperature"
  topic = "loft/air"
  pointer = "/t"
  unit = "celsius"
  [[chamber.plug]]
  role = "heater"
  command_topic = "loft/heater/set"
  state_topic = "loft/heater"
  state_pointer = "/state"
  min_on = "1s"
  min_off = "1s"
`
	path := filepath.Join(dir, "c.toml")
	write(t, path, text)
	c, warnings, err := config.Load(path)
	if err != nil {
		t.Fatalf("%v\n%v", err, warnings)
	}
	return c
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func pitch(t *testing.T, s *brokertest.Server, addr string) *tent {
	t.Helper()
	d, stop := keep(t, Options{Config: configure(t, s, addr)})
	x := &tent{d: d, stop: stop, state: "OFF"}
	o := paho.NewClientOptions().AddBroker(strings.NewReplacer("mqtts://", "ssl://", "mqtt://", "tcp://").Replace(s.URL().String())).SetClientID("devices").
		SetConnectRetry(true).SetConnectRetryInterval(50 * time.Millisecond).SetMaxReconnectInterval(200 * time.Millisecond)
	if s.CA != nil {
		o.SetTLSConfig(s.TLS()).SetUsername(brokertest.Username).SetPassword(brokertest.Password)
	}
	o.SetOnConnectHandler(func(c paho.Client) {
		c.Subscribe("loft/heater/set", 1, x.command)
		x.mu.Lock()
		state := x.state
		x.mu.Unlock()
		go c.Publish("loft/heater", 0, true, fmt.Sprintf(`{"state":%q}`, state))
	})
	x.client = paho.NewClient(o)
	x.client.Connect()
	t.Cleanup(func() { x.client.Disconnect(50) })
	until(t, 20*time.Second, "the daemon is not ready", func() bool { return d.Keeper().Ready() == nil && x.client.IsConnectionOpen() })
	if _, err := d.Keeper().Act(t.Context(), "loft", policy.Action{ID: "b", Kind: policy.BatchAdd, Batch: "b1", Species: "pleurotus-ostreatus", Stage: species.Fruiting, SubstrateKg: 12, DryKg: 4}); err != nil {
		t.Fatal(err)
	}
	return x
}

// command is the plug: it does what it is told and says so.
func (x *tent) command(c paho.Client, m paho.Message) {
	x.mu.Lock()
	x.state = string(m.Payload())
	x.commands = append(x.commands, x.state)
	x.mu.Unlock()
	go c.Publish("loft/heater", 0, true, fmt.Sprintf(`{"state":%q}`, m.Payload()))
}

func (x *tent) air(celsius float64) {
	x.client.Publish("loft/air", 0, false, fmt.Sprintf(`{"t":%g}`, celsius))
}

func (x *tent) heater() string {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.state
}

func (x *tent) take() []string {
	x.mu.Lock()
	defer x.mu.Unlock()
	c := x.commands
	x.commands = nil
	return c
}

// until waits for a real socket to do its work.
func until(t *testing.T, within time.Duration, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(within); !ok(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%s after %s", what, within)
		}
	}
}

// TestControlResumesByItself takes the broker away in every way there is, on every kind of broker. Each time control
// resumes by itself, and what was wanted before never arrives after.
func TestControlResumesByItself(t *testing.T) {
	t.Parallel()
	for _, kind := range brokertest.Kinds() {
		t.Run(kind.Name, func(t *testing.T) {
			t.Parallel()
			s := brokertest.Start(t, kind)
			proxy := brokertest.NewProxy(t, s.Addr)
			x := pitch(t, s, proxy.Addr)
			until(t, 20*time.Second, "a cold chamber is not heated", func() bool { x.air(5); return x.heater() == "ON" })

			t.Log("cut while it is cold; meanwhile it gets warm")
			proxy.Blackhole()
			x.air(5)
			time.Sleep(1500 * time.Millisecond)
			proxy.Cut()
			x.take()
			proxy.Heal()
			until(t, 40*time.Second, "the heater stays on in a warm chamber", func() bool { x.air(30); return x.heater() == "OFF" })
			for _, c := range x.take()[1:] {
				if c == "ON" {
					t.Error("an old command to heat arrived after the outage")
				}
			}

			t.Log("the broker dies and comes back empty")
			s.Kill()
			time.Sleep(300 * time.Millisecond)
			s.Run()
			until(t, 40*time.Second, "a cold chamber is not heated after the broker came back empty", func() bool { x.air(5); return x.heater() == "ON" })
		})
	}
}

package listen

import (
	"io/fs"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/goleak"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/config"
	"gillkeeper/bridge/survey"
	"gillkeeper/policy/chamber"
	"gillkeeper/testdata/testend"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m, goleak.Cleanup(testend.Exit)) }

// plug is a plug on a real broker that does what it is told, unless it is dead, and remembers everything that was said.
type plug struct {
	client paho.Client
	mu     sync.Mutex
	dead   bool
	told   []string
	heard  []string
}

func plugIn(t *testing.T, s *brokertest.Server, state string) *plug {
	t.Helper()
	p := &plug{}
	scheme := "tcp://"
	if s.CA != nil {
		scheme = "ssl://"
	}
	o := paho.NewClientOptions().AddBroker(scheme + s.Addr).SetClientID("plug").SetAutoReconnect(false).SetTLSConfig(s.TLS())
	if s.CA != nil {
		o.SetUsername(brokertest.Username).SetPassword(brokertest.Password)
	}
	o.SetDefaultPublishHandler(func(c paho.Client, m paho.Message) {
		p.mu.Lock()
		defer p.mu.Unlock()
		p.heard = append(p.heard, m.Topic())
		if m.Topic() != "tent/fan/set" {
			return
		}
		p.told = append(p.told, string(m.Payload()))
		if !p.dead {
			go c.Publish("tent/fan/state", 1, true, m.Payload())
		}
	})
	p.client = paho.NewClient(o)
	ok := func(token paho.Token) {
		t.Helper()
		if !token.WaitTimeout(20*time.Second) || token.Error() != nil {
			t.Fatal(token.Error())
		}
	}
	ok(p.client.Connect())
	t.Cleanup(func() { p.client.Disconnect(50) })
	ok(p.client.Subscribe("#", 1, nil))
	ok(p.client.Publish("tent/fan/state", 1, true, state))
	ok(p.client.Publish("tent/air/humidity", 1, true, "91.5"))
	return p
}

func (p *plug) saidTo() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.told)
}

// brokerOf is what a configuration would say of a test's broker, with the password given.
func brokerOf(t *testing.T, s *brokertest.Server, password string) *config.Broker {
	t.Helper()
	u := s.URL()
	b := &config.Broker{URL: &url.URL{Scheme: u.Scheme, Host: u.Host}}
	if s.CA == nil {
		return b
	}
	dir := t.TempDir()
	text := "[broker]\nurl = \"" + u.String() + "\"\nusername = \"" + brokertest.Username + "\"\npassword_file = \"pw\"\nca_file = \"ca\"\n[[chamber]]\nname = \"x\"\nvolume_m3 = 1\n"
	c, _, err := config.Parse("c", []byte(text), config.Env{Dir: dir, Read: side(map[string]string{"pw": password, "ca": string(s.CA.PEM())})})
	if err != nil {
		t.Fatal(err)
	}
	return &c.Broker
}

// side stands in for the files beside a configuration.
func side(files map[string]string) func(string) ([]byte, fs.FileMode, error) {
	return func(path string) ([]byte, fs.FileMode, error) { return []byte(files[filepath.Base(path)]), 0o600, nil }
}

func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(40 * time.Second); !ok(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("in vain: " + what)
		}
	}
}

// TestBrokers: on every kind of broker a survey hears what is retained and what is said, says nothing by itself, and a
// plug that is tried ends as it was.
func TestBrokers(t *testing.T) {
	for _, kind := range brokertest.Kinds() {
		for _, before := range []string{"OFF", "ON"} {
			t.Run(kind.Name+"/"+before, func(t *testing.T) {
				t.Parallel()
				server := brokertest.Start(t, kind)
				device := plugIn(t, server, before)
				s := survey.New()
				ear, err := Open(t.Context(), brokerOf(t, server, brokertest.Password), s)
				if err != nil {
					t.Fatal(err)
				}
				defer ear.Close()
				var fan *survey.Plug
				until(t, "the plug is recognized", func() bool {
					if f := s.Find(); len(f.Plugs) == 1 {
						fan = f.Plugs[0]
					}
					return fan != nil
				})
				if fan.Role != chamber.ExhaustFan || fan.Command.Topic != "tent/fan/set" || fan.Command.Heard || len(device.saidTo()) > 0 {
					t.Errorf("%+v, told %q; want a fan whose command is a guess, and nothing said", fan, device.saidTo())
				}
				answered, err := ear.Try(t.Context(), fan)
				if err != nil || !answered {
					t.Errorf("answered %v, error %v", answered, err)
				}
				other := map[string]string{"ON": "OFF", "OFF": "ON"}[before]
				until(t, "it is switched back", func() bool { return slices.Equal(device.saidTo(), []string{other, before}) })

				device.mu.Lock()
				device.dead = true
				device.mu.Unlock()
				ear.patient = 200 * time.Millisecond
				until(t, "the state is back", func() bool { on, _ := s.Running(fan); return on == (before == "ON") })
				if answered, err := ear.Try(t.Context(), fan); err != nil || answered {
					t.Errorf("a dead plug: answered %v, error %v", answered, err)
				}
				until(t, "a dead plug is told to go back all the same", func() bool { said := device.saidTo(); return said[len(said)-1] == before && len(said) == 4 })
				if p := s.Find().Plugs[0]; p.Command.Heard || p.Sure != fan.Sure {
					t.Errorf("after trials: command heard %v, %.2f sure; want the guess it was, %.2f sure, since nobody else told it anything", p.Command.Heard, p.Sure, fan.Sure)
				}
				for _, topic := range device.heard {
					if !strings.HasPrefix(topic, "tent/") {
						t.Errorf("the survey said something on %s", topic)
					}
				}
			})
		}
	}
}

// TestRefused: a broker that refuses the user, or is not there, is said at once and in words.
func TestRefused(t *testing.T) {
	for _, kind := range brokertest.Kinds() {
		if !kind.Guarded {
			continue
		}
		t.Run(kind.Name, func(t *testing.T) {
			t.Parallel()
			server := brokertest.Start(t, kind)
			// A broker that closes at once can have its answer overtaken by the reset of the connection, which then is all
			// that is to be known: so a few tries. Ours does not.
			var err error
			for range map[bool]int{true: 5, false: 1}[kind.Mosquitto] {
				if _, err = Open(t.Context(), brokerOf(t, server, "wrong"), survey.New()); err == nil || strings.Contains(err.Error(), "refuses the user") {
					break
				}
			}
			if err == nil || !strings.Contains(err.Error(), "refuses the user") {
				t.Errorf("error %v", err)
			}
			b := brokerOf(t, server, brokertest.Password)
			server.Kill()
			for range 5 { // one that comes while the system takes the listener down is reset
				if _, err = Open(t.Context(), b, survey.New()); err == nil || strings.Contains(err.Error(), "nothing listens there") {
					break
				}
			}
			if err == nil || !strings.Contains(err.Error(), "nothing listens there") {
				t.Errorf("error %v", err)
			}
		})
	}
}

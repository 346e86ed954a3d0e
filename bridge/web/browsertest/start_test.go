package browsertest

import (
	"context"
	"fmt"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gillkeeper/bridge/broker"
	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/clock"
	"gillkeeper/bridge/config"
	"gillkeeper/bridge/daemon"
	"gillkeeper/bridge/firststart"
	"gillkeeper/bridge/sim"
	"gillkeeper/bridge/web"
	"gillkeeper/metrics"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// deviceText is what stands in a house where somebody has sensors and plugs and no configuration yet.
const deviceText = `
[broker]
url = "mqtt://localhost"
[[chamber]]
name = "tent"
volume_m3 = 0.56
  [[chamber.sensor]]
  quantity = "relative_humidity"
  topic = "grow/tent/air"
  pointer = "/humidity"
  [[chamber.sensor]]
  quantity = "temperature"
  topic = "grow/tent/air"
  pointer = "/temperature"
  [[chamber.sensor]]
  quantity = "co2"
  topic = "grow/tent/air"
  pointer = "/co2"
  [[chamber.plug]]
  role = "humidifier"
  name = "mister"
  command_topic = "grow/tent/mister/set"
  state_topic = "grow/tent/mister"
  output_g_per_h = 300
  [[chamber.plug]]
  role = "exhaust_fan"
  command_topic = "grow/tent/outlet3/set"
  state_topic = "grow/tent/outlet3"
  flow_m3_per_h = 60
`

// devices plays the house of deviceText on a broker of its own until the test ends: a minute of it passes in two seconds. The
// mister is told by the controls that are there already; nobody tells the other plug.
func devices(t *testing.T) (address string) {
	t.Helper()
	b, err := broker.Start(broker.Options{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	at, err := url.Parse(b.URL())
	if err != nil {
		t.Fatal(err)
	}
	c, _, err := config.Parse("house.toml", []byte(deviceText), config.EnvOf(filepath.Join(t.TempDir(), "house.toml")))
	if err != nil {
		t.Fatal(err)
	}
	target, _ := crop.State{}.Aim(c.Table, time.Now())
	k := rehearse.ForSpec(c.Chambers[0].Spec, rehearse.Load{SubstrateKg: 12, Stage: species.Fruiting}, target, 7)
	house, err := sim.New(sim.Options{URL: at, Clock: clock.Pace(30), Chambers: []sim.Chamber{{Config: c.Chambers[0], Case: k}}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- house.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	controls := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + at.Host).SetClientID("old-controls"))
	if tok := controls.Connect(); !tok.WaitTimeout(longest) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	stopped := make(chan struct{})
	go func() {
		defer close(stopped)
		tick := time.NewTicker(time.Second)
		defer tick.Stop()
		for i := 0; ; i++ {
			controls.Publish("grow/tent/mister/set", 0, false, []string{"ON", "OFF"}[i%2])
			select {
			case <-ctx.Done():
				controls.Disconnect(50)
				return
			case <-tick.C:
			}
		}
	}()
	t.Cleanup(func() { cancel(); <-stopped })
	return "mqtt://" + at.Host
}

// TestFirstStart goes from nothing but a broker's address to a daemon that watches: on a phone's screen, and on a desktop's
// with script off.
func TestFirstStart(t *testing.T) {
	t.Parallel()
	axe := axeSource(t)
	dark := phone
	dark.name, dark.dark = "phone-dark", true
	quiet := desktop
	quiet.noScript = true
	for _, s := range []screen{dark, quiet} {
		t.Run(fmt.Sprintf("%s, script %v", s.name, !s.noScript), func(t *testing.T) {
			t.Parallel()
			firstStart(t, s, axe)
		})
	}
}

func firstStart(t *testing.T, s screen, axe string) {
	house := devices(t)
	path := filepath.Join(t.TempDir(), "gillkeeper.toml")
	address := brokertest.FreeAddr(t)
	start := firststart.New(path)
	t.Cleanup(start.Close)
	server, err := web.New(web.Options{Listen: address, First: start})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ran := make(chan error, 1)
	go func() { ran <- server.Run(ctx) }()
	t.Cleanup(cancel)
	look := func(x *tab, name string) {
		if s.noScript { // what audits the page is script, and runs on the other screen
			x.look(name, s, "", unchecked)
			return
		}
		x.look(name, s, axe, everyRule)
	}

	x := open(t, "http://"+address, s).goTo("/").sees("First start", "Where do your sensors and plugs report?")
	look(x, "start")
	x.fill("#b-url", "broker.lan").click(`form[action$="start/listen"] button`).sees("scheme")
	look(x, "start-refused")
	free := brokertest.FreeAddr(t)
	x.fill("#b-url", "mqtt://"+free).click(`form[action$="start/listen"] button`).sees("The broker at mqtt://" + free)
	x.fill("#b-url", house).click(`form[action$="start/listen"] button`).sees("Heard so far")
	look(x, "start-heard")
	again := func(what string, ok func(text string) bool) {
		x.until(what, func() bool {
			if ok(x.text()) {
				return true
			}
			if s.noScript { // with script the page looks again by itself
				x.goTo("/start")
			}
			return false
		})
	}
	again("all is found", func(text string) bool {
		for _, want := range []string{"/humidity", "/temperature", "/co2", "grow/tent/mister", "grow/tent/outlet3"} {
			if !strings.Contains(text, want) {
				return false
			}
		}
		return true
	})
	look(x, "start-found")

	// What nobody was heard to tell is tried, and named by a person.
	at := func(what, topic string) string {
		return fmt.Sprintf(`form[action$="start/%s"][data-plug^=%q] `, what, topic+" ")
	}
	x.click(at("try", "grow/tent/outlet3") + "button").sees("obeyed")
	x.fill(at("say", "grow/tent/outlet3")+"select", "exhaust_fan").click(at("say", "grow/tent/outlet3") + "button").sees("you said so")
	look(x, "start-said")
	again("the mister is told by somebody", func(text string) bool { return strings.Contains(text, "it takes commands on grow/tent/mister/set") })

	x.click(`a[href$="start/file"]`).sees("The configuration", "It passes the check.")
	draft := x.field("#c-text")
	for _, want := range []string{house, "grow/tent/air", "/co2", "grow/tent/mister/set", "grow/tent/outlet3/set", `role = "exhaust_fan"`, "MEASURE"} {
		if !strings.Contains(draft, want) {
			t.Errorf("the draft does not hold %q:\n%s", want, draft)
		}
	}
	look(x, "start-file")
	if _, err := os.Stat(path); err == nil {
		t.Fatal("it was written before it was agreed to")
	}
	x.fill("#c-text", draft+"\n[htp]\n").click(`button[name="write"]`).sees("htp")
	look(x, "start-fault")
	if _, err := os.Stat(path); err == nil {
		t.Fatal("a configuration with a fault was written")
	}
	x.fill("#c-text", draft+fmt.Sprintf("\n[http]\nlisten = %q\n", address)).click(`button[name="write"]`).sees("is written, and gillkeeper starts with it")
	look(x, "start-written")
	select {
	case <-start.Done():
	case <-time.After(longest):
		t.Fatal("the first start does not end")
	}

	// From here on it is as with any configuration: the daemon serves the same address, and watches.
	cancel()
	if err := <-ran; err != nil {
		t.Fatal(err)
	}
	start.Close()
	c, _, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	work, stop := context.WithCancel(context.Background())
	d, err := daemon.New(work, daemon.Options{Config: c, Observe: true, Build: metrics.Info{Version: "test"}})
	if err != nil {
		stop()
		t.Fatal(err)
	}
	go func() { ran <- d.Run(work) }()
	t.Cleanup(func() {
		stop()
		if err := <-ran; err != nil {
			t.Error(err)
		}
	})
	if s.noScript {
		x.click("#main a.button")
	}
	x.sees("tent", "Observing only: nothing is switched.", "exhaust fan", "ppm")
	look(x, "start-over")
	if host, _, _ := net.SplitHostPort(address); !strings.Contains(eval[string](x, "location.href"), host) {
		t.Error("it leads elsewhere")
	}
}

package daemon

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"go.uber.org/goleak"

	"gillkeeper/bridge/broker"
	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/config"
	"gillkeeper/metrics"
	"gillkeeper/testdata/testend"
)

// TestMain runs a daemon instead of the tests when it is told to: that is the child that the tests kill.
func TestMain(m *testing.M) {
	if path := os.Getenv("GILLKEEPER_TEST_DAEMON"); path != "" {
		os.Exit(child(path))
	}
	_ = flag.Set("test.parallel", "24") // parallel tests wait for brokers and clocks here, and hardly compute
	code := m.Run()
	http.DefaultClient.CloseIdleConnections()
	if err := goleak.Find(); err != nil && code == 0 {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	testend.Exit(code)
}

func child(path string) int {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	c, _, err := config.Load(path)
	if err == nil {
		var d *Daemon
		if d, err = New(ctx, Options{Config: c, Build: metrics.Info{Version: "test"}, Log: slog.New(slog.NewTextHandler(os.Stderr, nil))}); err == nil {
			if soon, err := time.ParseDuration(os.Getenv(tidyEnv)); err == nil {
				d.tidyFirst = soon
			}
			err = d.Run(ctx)
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "child:", err)
		return 1
	}
	return 0
}

// scene is a broker with two plugs on it and a daemon that is killed again and again.
type scene struct {
	t      *testing.T
	folder string
	http   string
	cmd    *exec.Cmd
	log    output

	mu    sync.Mutex
	state map[string]string
	edges map[string][]time.Time // of each plug's relay
}

const leastTime = 2 * time.Second

func newScene(t *testing.T) (*scene, paho.Client) {
	t.Helper()
	b, err := broker.Start(broker.Options{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	s := &scene{t: t, folder: t.TempDir(), http: brokertest.FreeAddr(t), state: map[string]string{}, edges: map[string][]time.Time{}}
	text := fmt.Sprintf(`
[broker]
url = "%s"
[http]
listen = "%s"
[journal]
path = "journal.db"
[[chamber]]
name = "loft"
volume_m3 = 1
  [[chamber.sensor]]
  quantity = "relative_humidity"
  topic = "loft/rh"
  unit = "percent"
  [[chamber.plug]]
  role = "humidifier"
  command_topic = "loft/mister/set"
  state_topic = "loft/mister"
  min_on = "2s"
  min_off = "2s"
  output_g_per_h = 300
  [[chamber.plug]]
  role = "lamp"
  command_topic = "loft/lamp/set"
  min_on = "2s"
  min_off = "2s"
`, strings.Replace(b.URL(), "tcp://", "mqtt://", 1), s.http)
	if err := os.WriteFile(filepath.Join(s.folder, "c.toml"), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	o := paho.NewClientOptions().AddBroker(strings.Replace(b.URL(), "mqtt://", "tcp://", 1)).SetClientID("plugs").SetOrderMatters(true)
	c := paho.NewClient(o)
	if tok := c.Connect(); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatalf("plugs cannot connect: %v", tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(100) })
	tok := c.Subscribe("loft/+/set", 1, func(c paho.Client, m paho.Message) {
		plug := strings.TrimSuffix(m.Topic(), "/set")
		s.mu.Lock()
		if s.state[plug] != string(m.Payload()) {
			s.state[plug] = string(m.Payload())
			s.edges[plug] = append(s.edges[plug], time.Now())
		}
		s.mu.Unlock()
		go c.Publish(plug, 0, true, m.Payload()) // what is kept to be sent again is written while it is sent, a race of the client's own
	})
	if !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatalf("plugs cannot subscribe: %v", tok.Error())
	}
	if tok := c.Publish("loft/mister", 1, true, "OFF"); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatalf("the plug cannot say that it is off: %v", tok.Error())
	}
	return s, c
}

func (s *scene) start() {
	s.t.Helper()
	s.cmd = exec.Command(os.Args[0])
	s.cmd.Env = append(os.Environ(), "GILLKEEPER_TEST_DAEMON="+filepath.Join(s.folder, "c.toml"), "GORACE=atexit_sleep_ms=0")
	s.cmd.Stderr = &s.log
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		if resp, err := http.Get("http://" + s.http + "/readyz"); err == nil {
			resp.Body.Close()
			if resp.StatusCode == http.StatusOK {
				return
			}
		}
		if time.Now().After(end) {
			s.kill()
			s.t.Fatalf("the daemon is not ready after 20 s:\n%s", s.log.String())
		}
	}
}

func (s *scene) kill() {
	_ = s.cmd.Process.Kill() // SIGKILL
	_ = s.cmd.Wait()
}

// post does an action and reports whether it was acknowledged.
func (s *scene) post(path string, body any) bool {
	b, _ := json.Marshal(body)
	resp, err := http.Post("http://"+s.http+path, "application/json", bytes.NewReader(b))
	if err != nil {
		return false
	}
	defer resp.Body.Close()
	return resp.StatusCode/100 == 2
}

// counters reads every counter of the chamber.
func (s *scene) counters() map[string]float64 {
	s.t.Helper()
	resp, err := http.Get("http://" + s.http + "/metrics")
	if err != nil {
		s.t.Fatal(err)
	}
	defer resp.Body.Close()
	all := map[string]float64{}
	for lines := bufio.NewScanner(resp.Body); lines.Scan(); {
		name, value, ok := strings.Cut(lines.Text(), "} ")
		if !ok || !strings.Contains(name, `chamber="loft"`) || !strings.Contains(name, "_total{") || strings.HasPrefix(name, "gillkeeper_messages") {
			continue
		}
		if all[name], err = strconv.ParseFloat(value, 64); err != nil {
			s.t.Fatalf("%s: %v", lines.Text(), err)
		}
	}
	return all
}

// TestKilledAtAnyMoment kills the daemon again and again, at random moments, while it switches plugs and people act.
// No acknowledged action is lost, none is done twice, no plug changes sooner than its minimum time, and no counter goes
// back. GILLKEEPER_KILLS sets how often; the suite kills it a few times.
func TestKilledAtAnyMoment(t *testing.T) {
	kills := 6
	if n, err := strconv.Atoi(os.Getenv("GILLKEEPER_KILLS")); err == nil {
		kills = n
	}
	s, client := newScene(t)
	s.start()
	defer func() { s.kill() }()
	if !s.post("/api/v1/chambers/loft/batches", map[string]any{"id": "b", "batch": "b1", "species": "pleurotus-ostreatus", "stage": "fruiting", "substrate_kg": 12, "dry_kg": 4}) {
		t.Fatal("no batch could be put in")
	}
	r := rand.New(rand.NewPCG(1, 2))
	acked, tried := 0, 0
	before := map[string]float64{}
	for i := range kills {
		life := time.Duration(100+r.IntN(1500)) * time.Millisecond
		stop := make(chan struct{})
		var people sync.WaitGroup
		people.Go(func() {
			for n := 0; ; n++ {
				select {
				case <-stop:
					return
				case <-time.After(20 * time.Millisecond):
				}
				client.Publish("loft/rh", 0, false, []string{"60", "75"}[n/15%2])
				tried++
				if s.post("/api/v1/batches/b1/harvest", map[string]any{"id": fmt.Sprintf("h%d-%d", i, n), "fresh_g": 1}) {
					acked++
				}
			}
		})
		time.Sleep(life)
		for name, now := range s.counters() {
			if now < before[name] {
				t.Errorf("kill %d: counter %s went back from %v to %v", i, name, before[name], now)
			}
			before[name] = now
		}
		s.kill()
		close(stop)
		people.Wait()
		s.start()
	}
	time.Sleep(1500 * time.Millisecond)
	picked := s.counters()[`gillkeeper_harvest_fresh_grams_total{batch="b1",chamber="loft",flush="1",species="pleurotus-ostreatus"`]
	t.Logf("%d kills; %d actions acknowledged of %d tried, %.0f g on record", kills, acked, tried, picked)
	if picked < float64(acked) || picked > float64(tried) {
		t.Errorf("%d harvests of 1 g were acknowledged (%d tried), and %.0f g are on record", acked, tried, picked)
	}
	if acked == 0 {
		t.Error("nothing was acknowledged: the test shows nothing")
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for plug, at := range s.edges {
		for i := 1; i < len(at); i++ {
			if gap := at[i].Sub(at[i-1]); gap < leastTime {
				t.Errorf("%s changed %s after it had changed, minimum %s", plug, gap, leastTime)
			}
		}
	}
	if n := len(s.edges["loft/mister"]); n < kills/3 {
		t.Errorf("the humidifier changed only %d times: the test shows nothing", n)
	}
}

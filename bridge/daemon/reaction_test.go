package daemon

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gillkeeper/bridge/config"
	"gillkeeper/metrics"
	"gillkeeper/policy"
	"gillkeeper/policy/species"
)

// BenchmarkReaction measures how long a reading takes to become a command at a listener, through broker and daemon, with
// a thousand chambers loaded; and in the same run, in turn, the same through a bare callback that publishes at once. The
// difference at the 99th percentile is what the daemon costs.
func BenchmarkReaction(b *testing.B) {
	const chambers = 1000
	text := strings.Builder{}
	fmt.Fprintf(&text, "[broker]\nurl = \"embedded\"\n[broker.embedded]\nlisten = \"127.0.0.1:0\"\n[http]\nlisten = \"127.0.0.1:0\"\n[journal]\npath = %q\n", b.TempDir()+"/j.db")
	for i := range chambers {
		fmt.Fprintf(&text, `
[[chamber]]
name = "c%d"
volume_m3 = 1
  [[chamber.sensor]]
  quantity = "temperature"
  topic = "c/%d/t"
  unit = "celsius"
  [[chamber.plug]]
  role = "heater"
  command_topic = "c/%d/set"
  min_on = "1s"
  min_off = "1s"
`, i, i, i)
	}
	c, _, err := config.Parse("bench.toml", []byte(text.String()), config.EnvOf("bench.toml"))
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(b.Context())
	d, err := New(ctx, Options{Config: c, Build: metrics.Info{Version: "bench"}})
	if err != nil {
		b.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	defer func() { cancel(); <-done }()
	for d.Keeper().Ready() != nil {
		time.Sleep(10 * time.Millisecond)
	}
	for i := range chambers {
		if _, err := d.Keeper().Act(ctx, fmt.Sprintf("c%d", i), policy.Action{ID: fmt.Sprint(i), Kind: policy.BatchAdd, Batch: fmt.Sprintf("b%d", i), Species: "pleurotus-ostreatus", Stage: species.Fruiting, SubstrateKg: 10, DryKg: 4}); err != nil {
			b.Fatal(err)
		}
	}
	url := strings.Replace(d.Broker(), "mqtt://", "tcp://", 1)
	l := listen(b, url, chambers)
	l.bare(url)
	time.Sleep(1500 * time.Millisecond) // the first command of each plug, off, is an age old
	var ours, floor []time.Duration
	for b.Loop() {
		for i := range chambers {
			payload := []string{"5", "30"}[l.round[i]%2]
			l.round[i]++
			ours = append(ours, l.ask(b, fmt.Sprintf("c/%d/t", i), fmt.Sprintf("c/%d/set", i), payload))
			floor = append(floor, l.ask(b, fmt.Sprintf("bare/%d/t", i), fmt.Sprintf("bare/%d/set", i), payload))
		}
		time.Sleep(1300 * time.Millisecond) // minimum times
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(at(ours, 0.5), "ours-p50-us")
	b.ReportMetric(at(ours, 0.99), "ours-p99-us")
	b.ReportMetric(at(floor, 0.5), "bare-p50-us")
	b.ReportMetric(at(floor, 0.99), "bare-p99-us")
	b.ReportMetric(at(ours, 0.5)/at(floor, 0.5), "ratio-p50")
	b.ReportMetric(at(ours, 0.99)/at(floor, 0.99), "ratio-p99")
}

func at(d []time.Duration, q float64) float64 {
	s := slices.Sorted(slices.Values(d))
	return float64(s[int(q*float64(len(s)-1))].Microseconds())
}

// listener hears commands and says when each came.
type listener struct {
	c     paho.Client
	round []int
	mu    sync.Mutex
	wait  map[string]chan time.Time
}

func listen(b *testing.B, url string, n int) *listener {
	l := &listener{round: make([]int, n), wait: map[string]chan time.Time{}}
	l.c = client(b, url, "listener")
	for _, f := range []string{"c/+/set", "bare/+/set"} {
		if tok := l.c.Subscribe(f, 1, func(_ paho.Client, m paho.Message) {
			now := time.Now()
			l.mu.Lock()
			defer l.mu.Unlock()
			if ch := l.wait[m.Topic()]; ch != nil {
				delete(l.wait, m.Topic())
				ch <- now
			}
		}); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
			b.Fatal(tok.Error())
		}
	}
	return l
}

// bare is the least that any bridge can do: a callback that publishes.
func (l *listener) bare(url string) {
	c := paho.NewClient(paho.NewClientOptions().AddBroker(url).SetClientID("bare").SetOrderMatters(false))
	c.Connect().WaitTimeout(5 * time.Second)
	c.Subscribe("bare/+/t", 0, func(c paho.Client, m paho.Message) {
		c.Publish(strings.TrimSuffix(m.Topic(), "t")+"set", 1, false, "ON")
	}).WaitTimeout(5 * time.Second)
}

func client(b *testing.B, url, id string) paho.Client {
	c := paho.NewClient(paho.NewClientOptions().AddBroker(url).SetClientID(id))
	if tok := c.Connect(); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		b.Fatal(tok.Error())
	}
	b.Cleanup(func() { c.Disconnect(100) })
	return c
}

// ask publishes a reading and gives the time until its command came.
func (l *listener) ask(b *testing.B, topic, command, payload string) time.Duration {
	ch := make(chan time.Time, 1)
	l.mu.Lock()
	l.wait[command] = ch
	l.mu.Unlock()
	began := time.Now()
	l.c.Publish(topic, 0, false, payload)
	select {
	case at := <-ch:
		return at.Sub(began)
	case <-time.After(5 * time.Second):
		b.Fatalf("no command on %s within 5 s of %s on %s", command, payload, topic)
		return 0
	}
}

package daemon

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/config"
	"gillkeeper/bridge/journal"
	"gillkeeper/metrics"
)

// TestReload changes the configuration under a running daemon: the new one is used whole and keeps what chambers know,
// or, where it cannot be, the old one goes on.
func TestReload(t *testing.T) {
	t.Parallel()
	s := brokertest.Start(t, brokertest.Kinds()[0])
	x := pitch(t, s, s.Addr)
	until(t, 20*time.Second, "a cold chamber is not heated", func() bool { x.air(5); return x.heater() == "ON" })
	c := x.d.config
	text, err := os.ReadFile(c.Path)
	if err != nil {
		t.Fatal(err)
	}

	refused := again(t, c.Path, strings.Replace(string(text), `"journal.db"`, `"other.db"`, 1))
	if err := x.d.Reload(t.Context(), refused); err == nil || !strings.Contains(err.Error(), "[journal] path") {
		t.Fatalf("another journal under a running daemon gave %v, want a refusal that names it", err)
	}
	until(t, 20*time.Second, "after a refused change the old configuration does not work", func() bool { x.air(30); return x.heater() == "OFF" })

	more := string(text) + strings.NewReplacer("loft", "cellar").Replace(string(text[strings.Index(string(text), "[[chamber]]"):]))
	if err := x.d.Reload(t.Context(), again(t, c.Path, more)); err != nil {
		t.Fatal(err)
	}
	until(t, 20*time.Second, "not ready with the new configuration", func() bool { return x.d.Keeper().Ready() == nil })
	if n := len(x.d.Keeper().Snapshots()); n != 2 {
		t.Errorf("%d chambers after the change, want 2", n)
	}
	snap, _ := x.d.Keeper().Snapshot("loft")
	if len(snap.State.Crop.Batches) != 1 {
		t.Error("the batch of the chamber that stayed is gone")
	}
	until(t, 20*time.Second, "the chamber that stayed is not kept any more", func() bool { x.air(5); return x.heater() == "ON" })
}

// TestLeftByAReload: a heater that runs when its chamber, or it alone, is taken out of the file is turned off: nobody watches it any more.
func TestLeftByAReload(t *testing.T) {
	t.Parallel()
	s := brokertest.Start(t, brokertest.Kinds()[0])
	x := pitch(t, s, s.Addr)
	path := x.d.config.Path
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	warm := func(when string) {
		t.Helper()
		until(t, 20*time.Second, "a cold chamber is not heated "+when, func() bool { x.air(5); return x.heater() == "ON" })
	}
	warm("at first")
	away := strings.NewReplacer("loft/heater/set", "loft/warmer/set", `state_topic = "loft/heater"`, `state_topic = "loft/warmer"`).Replace(string(text))
	if err := x.d.Reload(t.Context(), again(t, path, away)); err != nil {
		t.Fatal(err)
	}
	until(t, 20*time.Second, "a heater that was taken out of the file stays on", func() bool { return x.heater() == "OFF" })

	if err := x.d.Reload(t.Context(), again(t, path, string(text))); err != nil {
		t.Fatal(err)
	}
	warm("once it is back")
	other := strings.NewReplacer(`name = "loft"`, `name = "cellar"`, `"loft/`, `"cellar/`).Replace(string(text))
	if err := x.d.Reload(t.Context(), again(t, path, other)); err != nil {
		t.Fatal(err)
	}
	until(t, 20*time.Second, "the heater of a chamber that was taken out of the file stays on", func() bool { return x.heater() == "OFF" })
}

// TestStopWithinAReload: whoever stops the daemon while it takes a new configuration finds plugs that could do harm turned off all the same,
// be it before the old connection is given up or after.
func TestStopWithinAReload(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ when, topic, payload string }{
		{"while a chamber is left", "cellar/heater/set", "OFF"},
		{"while the connection is changed", "homie/5/gillkeeper/$state", "disconnected"},
	} {
		t.Run(c.when, func(t *testing.T) {
			t.Parallel()
			s := brokertest.Start(t, brokertest.Kinds()[0])
			x := pitch(t, s, s.Addr)
			path := x.d.config.Path
			text, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			both := string(text) + strings.NewReplacer("loft", "cellar").Replace(string(text[strings.Index(string(text), "[[chamber]]"):]))
			if err := x.d.Reload(t.Context(), again(t, path, both)); err != nil {
				t.Fatal(err)
			}
			plant(t, x.d, "cellar", "b2")
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			var armed, warm atomic.Bool
			stopped := make(chan struct{})
			stop := sync.OnceFunc(func() {
				cancel()
				go func() { x.stop(); close(stopped) }()
			})
			hear := func(topic string, f func(payload string)) {
				t.Helper()
				if token := x.client.Subscribe(topic, 1, func(_ paho.Client, m paho.Message) { f(string(m.Payload())) }); !token.WaitTimeout(20*time.Second) || token.Error() != nil {
					t.Fatal(token.Error())
				}
			}
			at := func(topic string) func(string) {
				return func(payload string) {
					if topic == "cellar/heater/set" {
						warm.Store(payload == "ON")
					}
					if armed.Load() && topic == c.topic && payload == c.payload {
						stop()
					}
				}
			}
			hear("cellar/heater/set", at("cellar/heater/set"))
			hear("homie/5/gillkeeper/$state", at("homie/5/gillkeeper/$state"))
			until(t, 20*time.Second, "cold chambers are not heated", func() bool {
				x.air(5)
				x.client.Publish("cellar/air", 0, false, `{"t":5}`)
				return x.heater() == "ON" && warm.Load()
			})
			armed.Store(true)
			// The outcome of the reload is nobody's concern any more.
			_ = x.d.Reload(ctx, again(t, path, string(text)))
			select {
			case <-stopped:
			case <-time.After(30 * time.Second):
				t.Fatal("the daemon does not end")
			}
			until(t, 5*time.Second, "the heater of a chamber that stayed is on though nobody watches it", func() bool { return x.heater() == "OFF" })
			if warm.Load() {
				t.Error("the heater of the chamber that was left is on")
			}
		})
	}
}

// A second daemon on the same journal does not start, and names the file once.
func TestJournalOfAnother(t *testing.T) {
	t.Parallel()
	s := brokertest.Start(t, brokertest.Kinds()[0])
	x := pitch(t, s, s.Addr)
	_, err := New(t.Context(), Options{Config: x.d.config})
	if !errors.Is(err, journal.ErrLocked) || strings.Count(err.Error(), x.d.config.Journal.Path) != 1 {
		t.Errorf("a second daemon gave %v", err)
	}
}

func again(t *testing.T, path, text string) *config.Config {
	t.Helper()
	write(t, path, text)
	c, warnings, err := config.Load(filepath.Clean(path))
	if err != nil {
		t.Fatalf("%v\n%v", err, warnings)
	}
	return c
}

// A reload may be asked for as soon as the daemon says that it keeps chambers, when it has no session yet.
func TestReloadAtOnce(t *testing.T) {
	t.Parallel()
	s := brokertest.Start(t, brokertest.Kinds()[0])
	c := configure(t, s, s.Addr)
	d, err := New(t.Context(), Options{Config: c, Build: metrics.Info{Version: "test"}})
	if err != nil {
		t.Fatal(err)
	}
	impatient, giveUp := context.WithCancel(t.Context())
	giveUp()
	if err := d.Reload(impatient, c); !errors.Is(err, context.Canceled) {
		t.Errorf("a reload that nobody waits for gave %v before there was a session", err)
	}
	reloaded := make(chan error, 1)
	go func() { reloaded <- d.Reload(t.Context(), c) }()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	select {
	case err := <-reloaded:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(20 * time.Second):
		t.Fatal("the reload never ends")
	}
	until(t, 20*time.Second, "not ready after the reload", func() bool { return d.Keeper().Ready() == nil })
}

package daemon

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

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

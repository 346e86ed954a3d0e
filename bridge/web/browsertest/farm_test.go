package browsertest

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/broker/realpart"
	"gillkeeper/bridge/config"
	"gillkeeper/bridge/daemon"
	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/sim"
	"gillkeeper/metrics"
	"gillkeeper/policy"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

const token = "0123456789abcdef0123"

// badName is a chamber named as badly as the configuration allows.
var badName = "0-" + strings.Repeat("w", 59) + "-0"

// farm is a daemon with a broker of its own and simulated chambers that speak to it. It can be stopped and started again.
type farm struct {
	url  string
	path string
	stop func() error
}

// common is the farm that tests share which neither stop it nor need its chambers as they left them. The loft and the badly
// named chamber are looked at by all; cellar and attic are one test's own each.
var common struct {
	once sync.Once
	farm *farm
}

func commonFarm(t testing.TB) *farm {
	t.Helper()
	realpart.Chromium(t) // before any work for it
	common.once.Do(func() {
		folder, err := os.MkdirTemp("", "gillkeeper-farm-")
		if err != nil {
			t.Fatal(err)
		}
		common.farm = newFarm(t, folder)
	})
	if common.farm == nil {
		t.Fatal("the common farm did not start")
	}
	return common.farm
}

// closeCommon ends the common farm, where there is one.
func closeCommon() error {
	if common.farm == nil {
		return nil
	}
	return errors.Join(common.farm.stop(), os.RemoveAll(filepath.Dir(common.farm.path)))
}

// ownFarm is a farm for one test.
func ownFarm(t testing.TB) *farm {
	t.Helper()
	f := newFarm(t, t.TempDir())
	t.Cleanup(func() {
		if err := f.stop(); err != nil {
			t.Error(err)
		}
	})
	return f
}

// newFarm writes a configuration and a past, and starts the daemon.
func newFarm(t testing.TB, folder string) *farm {
	t.Helper()
	realpart.Chromium(t) // before any work for it
	f := &farm{path: filepath.Join(folder, "farm.toml")}
	web, broker := brokertest.FreeAddr(t), brokertest.FreeAddr(t)
	f.url = "http://" + web
	text := fmt.Sprintf("[site]\nname = \"North shed\"\ntimezone = \"Europe/Madrid\"\n[broker]\nurl = \"embedded\"\n[broker.embedded]\nlisten = %q\n"+
		"[http]\nlisten = %q\ntoken_file = \"token\"\n[journal]\npath = \"journal.db\"\n", broker, web)
	for _, name := range []string{"loft", "cellar", "attic", badName} {
		text += chamberText(name)
	}
	write(t, f.path, text)
	write(t, filepath.Join(folder, "token"), token)
	f.past(t)
	f.start(t)
	return f
}

func chamberText(name string) string {
	return strings.ReplaceAll(`
[[chamber]]
name = "NAME"
volume_m3 = 0.56
  [[chamber.sensor]]
  quantity = "relative_humidity"
  topic = "NAME/air"
  pointer = "/rh"
  [[chamber.sensor]]
  quantity = "temperature"
  topic = "NAME/air"
  pointer = "/t"
  [[chamber.sensor]]
  quantity = "co2"
  topic = "NAME/co2"
  [[chamber.plug]]
  role = "humidifier"
  name = "mister"
  command_topic = "NAME/mister/set"
  state_topic = "NAME/mister"
  reservoir_liters = 5
  output_g_per_h = 300
  [[chamber.plug]]
  role = "exhaust_fan"
  command_topic = "NAME/fan/set"
  state_topic = "NAME/fan"
  flow_m3_per_h = 60
  [[chamber.plug]]
  role = "lamp"
  min_on = "1s"
  min_off = "1s"
  command_topic = "NAME/lamp/set"
  state_topic = "NAME/lamp"
`, "NAME", name)
}

// past gives the loft a day of recorded air, its last two hours by the minute, so that there is something to draw.
func (f *farm) past(t testing.TB) {
	t.Helper()
	ctx := t.Context()
	j, _, err := journal.Open(ctx, filepath.Join(filepath.Dir(f.path), "journal.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	now := time.Now().UTC().Truncate(time.Minute)
	var ms []journal.Minute
	const drawn = 5 * time.Minute // the step of a day's drawing
	coarse := now.Add(-2 * time.Hour).Truncate(journal.SlowSpan)
	var step time.Duration
	for at := now.Add(-26 * time.Hour).Truncate(journal.SlowSpan); at.Before(now); at = at.Add(step) {
		if step = time.Minute; at.Before(coarse) {
			step = drawn
		}
		minutes := step.Minutes()
		w := 2 * math.Pi * at.Sub(now).Hours()
		add := func(place, quantity string, span time.Duration, mean, half, seconds float64) {
			n := 6
			if quantity == journal.PlugOn {
				n = int(span.Seconds()) // seconds seen
			}
			ms = append(ms, journal.Minute{Chamber: "loft", Place: place, Quantity: quantity, Start: at, Span: span, Mean: mean, Min: mean - half, Max: mean + half, N: n, Seconds: seconds * minutes})
		}
		add("chamber", "relative_humidity", step, 0.88+0.03*math.Sin(w), 0.006, 50)
		add("chamber", "temperature", step, 17+math.Sin(w/24), 0.1, 60)
		add("chamber", "co2", step, 720+150*math.Cos(w), 15, 60)
		on := 0.0
		if math.Sin(w) < -0.2 && (at.Minute()%3 == 0 || step > time.Minute) {
			on = 13
		}
		add("mister", journal.PlugOn, step, on/60, 0, on)
		add("exhaust_fan", journal.PlugOn, step, 0.2, 0, 12)
		if at.Minute()%10 == 0 {
			add(journal.PlaceTarget, "relative_humidity", journal.SlowSpan, 0.875, 0.025, 0)
			add(journal.PlaceTarget, "temperature", journal.SlowSpan, 16, 5, 0)
			add(journal.PlaceLearned, journal.MistDrawn, journal.SlowSpan, 260+2*at.Sub(now).Hours(), 10, 0)
		}
	}
	if err := j.Minutes(ctx, ms); err != nil {
		t.Fatal(err)
	}
}

func write(t testing.TB, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// start runs the daemon and its chambers, and waits until it has decided on them.
func (f *farm) start(t testing.TB) {
	t.Helper()
	c, warnings, err := config.Load(f.path)
	if err != nil {
		t.Fatal(err, warnings)
	}
	ctx, cancel := context.WithCancel(context.Background())
	d, err := daemon.New(ctx, daemon.Options{Config: c, Build: metrics.Info{Version: "test"}})
	if err != nil {
		cancel()
		t.Fatal(err)
	}
	done := make(chan error, 2)
	go func() { done <- d.Run(ctx) }()
	broker, err := url.Parse(d.Broker())
	if err != nil {
		t.Fatal(err)
	}
	o := sim.Options{URL: broker, Clock: d.Clock()}
	for i := range c.Chambers {
		target, _ := crop.State{}.Aim(c.Table, time.Now())
		k := rehearse.ForSpec(c.Chambers[i].Spec, rehearse.Load{SubstrateKg: 12, Stage: species.Fruiting}, target, uint64(i+1))
		o.Chambers = append(o.Chambers, sim.Chamber{Config: c.Chambers[i], Case: k})
	}
	house, err := sim.New(o)
	if err != nil {
		t.Fatal(err)
	}
	go func() { done <- house.Run(ctx) }()
	f.stop = func() error {
		cancel()
		return errors.Join(<-done, <-done)
	}
	for end := time.Now().Add(longest); d.Keeper().Ready() != nil; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the daemon is not ready")
		}
	}
	for _, a := range []policy.Action{
		{ID: "first", Kind: policy.BatchAdd, Batch: "oyster-1", Species: "pleurotus-ostreatus", SubstrateKg: 12, DryKg: 4, Stage: species.Fruiting},
		{ID: "water", Kind: policy.Refilled},
	} {
		if _, err := d.Keeper().Act(ctx, "loft", a); err != nil {
			t.Fatal(err)
		}
	}
	for end := time.Now().Add(longest); ; time.Sleep(50 * time.Millisecond) { // until each has spoken
		silent := 0
		for _, snap := range d.Keeper().Snapshots() {
			for i := range snap.State.Sensors {
				if !snap.State.Sensors[i].Known {
					silent++
				}
			}
		}
		if silent == 0 {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("%d sensors say nothing", silent)
		}
	}
}

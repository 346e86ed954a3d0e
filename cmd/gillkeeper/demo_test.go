package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
	"unicode/utf8"

	"gillkeeper/bridge/broker"
	"gillkeeper/policy"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/species"
)

// The daemon that people run must not carry simulated chambers.
func TestDaemonHoldsNoSimulation(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", "gillkeeper/bridge/daemon").CombinedOutput()
	if err != nil {
		t.Fatalf("go list: %v\n%s", err, out)
	}
	if !strings.Contains(string(out), "gillkeeper/bridge/keeper\n") {
		t.Fatalf("the daemon does not even hold the keeper:\n%s", out)
	}
	for _, p := range []string{"gillkeeper/bridge/sim\n", "gillkeeper/policy/rehearse\n"} {
		if strings.Contains(string(out), p) {
			t.Errorf("the daemon imports %s", p)
		}
	}
}

// Ctrl-C ends the demonstration well, with the figures so far, and leaves no folder behind.
func TestDemoIsStopped(t *testing.T) {
	t.Parallel()
	var out, errs bytes.Buffer
	a := newApp(strings.NewReader(""), &out, &errs, func(string) string { return "" })
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second) // a busy machine begins late
	defer cancel()
	code := a.run(ctx, []string{"demo", "--pace", "3600", "--listen", "127.0.0.1:0", "--json"})
	if code != exitDone {
		t.Fatalf("exit status %d: %s", code, &errs)
	}
	var x figuresAnswer
	if err := json.Unmarshal(out.Bytes(), &x); err != nil {
		t.Fatal(err)
	}
	if len(x.Chambers) != 3 || x.SimulatedHours <= 0 {
		t.Errorf("%d chambers, %v h", len(x.Chambers), x.SimulatedHours)
	}
}

// A pager that is closed ends the demonstration as Ctrl-C does: its folder goes with it.
func TestDemoReaderGoesAway(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, "gillkeeper", "demo", "--pace", "3600", "--listen", "127.0.0.1:0")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var errs bytes.Buffer
	cmd.Stderr = &errs
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	first := make([]byte, 1)
	if _, err := out.Read(first); err != nil {
		t.Fatal(err)
	}
	folders, _ := filepath.Glob("/dev/shm/gillkeeper-demo-*")
	more, _ := filepath.Glob(filepath.Join(os.TempDir(), "gillkeeper-demo-*"))
	out.Close()
	if err := cmd.Wait(); err != nil || errs.Len() > 0 {
		t.Errorf("ended with %v, %q", err, &errs)
	}
	mine := 0
	for _, f := range append(folders, more...) {
		if _, err := os.Stat(f); err != nil {
			mine++
		}
	}
	if mine == 0 {
		t.Errorf("no folder went away: %v %v", folders, more)
	}
}

// A page's address that is taken is said when it was asked for, and nothing stays behind.
func TestDemoAddressTaken(t *testing.T) {
	b, err := broker.Start(broker.Options{Listen: "127.0.0.1:0"}) // any listener
	if err != nil {
		t.Fatal(err)
	}
	defer b.Stop()
	code, _, stderr := invoke(t, nil, "demo", "--listen", b.Addr())
	if code != exitNo || !strings.Contains(stderr, b.Addr()) || !strings.Contains(stderr, "name another with --listen") || strings.Count(stderr, "\n") != 1 {
		t.Errorf("exit status %d, %q", code, stderr)
	}
	left, _ := filepath.Glob("/dev/shm/gillkeeper-demo-*/demo.db")
	if len(left) > 0 {
		t.Logf("other demonstrations run: %v", left)
	}
}

// A drill speaks on a real broker until its time is over.
func TestDrillSpeaks(t *testing.T) {
	t.Parallel()
	b, err := broker.Start(broker.Options{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Stop()
	path := filepath.Join(t.TempDir(), "farm.toml")
	writeFile(t, path, fmt.Sprintf(`
[broker]
url = "mqtt://%s"
[[chamber]]
name = "loft"
volume_m3 = 0.56
  [[chamber.sensor]]
  name = "air"
  quantity = "relative_humidity"
  topic = "loft/rh"
  [[chamber.plug]]
  role = "humidifier"
  name = "mister"
  command_topic = "loft/mister/set"
  output_g_per_h = 160
  min_on = "10s"
`, b.Addr()))
	code, stdout, stderr := invoke(t, nil, "drill", "--config", path, "--pace", "7200", "--for", "2h", "--fault", "loft,sensor_silent,air,after=30m,for=10m")
	if code != exitDone || !strings.Contains(stdout, "   1 h  loft: humidity ") || !strings.Contains(stdout, "0 commands arrived, 0 came before") {
		t.Errorf("exit status %d\n%s%s", code, stdout, stderr)
	}
	if _, stdout, _ := invoke(t, nil, "drill", "--config", path, "--pace", "20", "--for", "10s"); !regexp.MustCompile(`\n\d+ (s|min), by the true air`).MatchString(stdout) {
		t.Errorf("seconds are called\n%s", stdout)
	}
	// Two on one broker, as for two farms, let each other speak.
	var both sync.WaitGroup
	for range 2 {
		both.Go(func() {
			if code, _, stderr := invoke(t, nil, "drill", "--config", path, "--pace", "7200", "--for", "1h"); code != exitDone || stderr != "" {
				t.Errorf("two at once: exit status %d\n%s", code, stderr)
			}
		})
	}
	both.Wait()
}

func TestGrowerComesThreeHoursAfterItRanDry(t *testing.T) {
	var g grower
	var came []time.Duration
	water := 10.0
	for at := time.Duration(0); at < 12*time.Hour; at += time.Minute {
		if at == time.Hour || at == 7*time.Hour {
			water = 0
		}
		if g.comes(at, water) {
			came = append(came, at)
			water = 10
		}
	}
	if fmt.Sprint(came) != "[4h0m0s 10h0m0s]" {
		t.Errorf("came at %v", came)
	}
}

func colorless() *picture { return &picture{d: &demonstration{}, width: 80, height: 24} }

func TestPlotDots(t *testing.T) {
	b := plot{rows: 2, cells: 2, low: 0, high: 8, bandLow: 2, bandHigh: 6, scale: 1}
	course := []point{{at: 0, rh: 0.5}, {at: 1, rh: 7.5}, {at: 2, rh: math.NaN()}, {at: 3, rh: 3.5}}
	got := b.draw(course, 0, 4, func(p *point) float64 { return p.rh }, colorless())
	// By hand: the first dot at the bottom left, the second column joined from there to the top, a gap, the fifth dot row.
	want := []string{"   6┤⢸╌", "   2┤⣸⠈"}
	if strings.Join(got, "|") != strings.Join(want, "|") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func TestDutyStrip(t *testing.T) {
	course := []point{{at: 0, mist: 0}, {at: 25 * time.Second, mist: 25}, {at: 50 * time.Second, mist: 25}, {at: 75 * time.Second, mist: 37.5}}
	if got := dutyStrip(course, 0, 100*time.Second, 4, func(p *point) float64 { return p.mist }); got != " █ ▄" {
		t.Errorf("got %q", got)
	}
}

func TestBar(t *testing.T) {
	for share, want := range map[float64]string{0: "░░░░", 0.5: "██░░", 1: "████", 2: "████", -1: "░░░░", 0.53125: "██▏░", 0.99: "███▉"} {
		if got := bar(4, share); got != want {
			t.Errorf("bar(4, %v) = %q, want %q", share, got, want)
		}
	}
}

// TestProgressOnAPhone: the line of the bar is narrower than the terminal, and one that breaks would be left behind at every look.
func TestProgressOnAPhone(t *testing.T) {
	for columns, want := range map[int]int{80: 46, 47: 46, 46: 45, 40: 39, 10: 9, 3: 6} {
		for _, share := range []float64{0, 0.5, 1} {
			if got := utf8.RuneCountInString(barLine(columns, share)); got != want {
				t.Errorf("%d columns, %g: %d wide, want %d", columns, share, got, want)
			}
		}
	}
}

func TestPaintedLinesAreCut(t *testing.T) {
	p := colorless()
	p.color = true
	s := p.paint(green, "humidity") + " 90 %"
	if columns(s) != 13 {
		t.Errorf("%d columns", columns(s))
	}
	for width := 1; width < 16; width++ {
		cut := p.fitTo(s, width)
		if columns(cut) > width || !utf8.ValidString(cut) {
			t.Errorf("width %d: %q has %d columns", width, cut, columns(cut))
		}
		if columns(p.pad(s, width)) != width {
			t.Errorf("padded to %d: %q", width, p.pad(s, width))
		}
	}
	if p.fitTo(s, 13) != s {
		t.Errorf("a line that fits is changed: %q", p.fitTo(s, 13))
	}
}

// Every kind of fault that the simulation knows can be asked for.
func TestFaultKindsAreComplete(t *testing.T) {
	for _, k := range plant.FaultKinds() {
		f := plant.Fault{Kind: k}
		if err := f.Check(1, 1); err != nil {
			t.Error(err)
		}
	}
	if len(plant.FaultKinds()) != 21 {
		t.Errorf("%d kinds, policy/plant/fault.go declares 21", len(plant.FaultKinds()))
	}
}

func writeFile(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// Chambers are kept on when whoever read the log went away.
func TestRunOutlivesItsReader(t *testing.T) {
	t.Parallel()
	path := smallFarm(t)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, "gillkeeper", "run", "--config", path)
	log, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(log)
	for lines.Scan() && !strings.Contains(lines.Text(), "keeping chambers") {
	}
	_, page, _ := strings.Cut(lines.Text(), "page=")
	page, _, _ = strings.Cut(page, " ")
	log.Close()
	for range 3 { // each is logged
		if err := cmd.Process.Signal(syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
		time.Sleep(100 * time.Millisecond)
	}
	answer, err := http.Get(page + "/healthz")
	if err != nil {
		t.Fatalf("after its log went unread: %v", err)
	}
	answer.Body.Close()
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil && !strings.Contains(err.Error(), "interrupt") { // the test's own process knows no Ctrl-C
		t.Error(err)
	}
}

// smallFarm writes a configuration that needs nobody: the first thing said of it is a warning.
func smallFarm(t *testing.T) (path string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "farm.toml")
	writeFile(t, path, `
[broker]
url = "embedded"
[broker.embedded]
listen = "127.0.0.1:0"
[http]
listen = "127.0.0.1:0"
[[chamber]]
name = "loft"
volume_m3 = 0.56
  [[chamber.sensor]]
  quantity = "temperature"
  topic = "loft/air"
  unit = "celsius"
  [[chamber.plug]]
  role = "heater"
  command_topic = "loft/heater/set"
`)
	return path
}

// TestAReloadWhileItStarts: a script that writes the file and asks for it to be read need not know how far the start has got.
func TestAReloadWhileItStarts(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, "gillkeeper", "run", "--config", smallFarm(t))
	log, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(log)
	if !lines.Scan() || !strings.Contains(lines.Text(), "turn itself off") {
		t.Fatalf("it begins with %q, not with a warning of the file", lines.Text())
	}
	if err := cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	var said []string
	for lines.Scan() && !strings.Contains(lines.Text(), "the new configuration is in use") {
		said = append(said, lines.Text())
	}
	if !strings.Contains(lines.Text(), "the new configuration is in use") {
		t.Fatalf("the file was not read again:\n%s", strings.Join(said, "\n"))
	}
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	_, _ = io.Copy(io.Discard, log)
	_ = cmd.Wait() // the test's own process knows no Ctrl-C
}

// TestFiguresOfAnotherStage: a chamber whose crop was moved on is judged by another climate than it was kept in.
func TestFiguresOfAnotherStage(t *testing.T) {
	batch := func(name string, s species.Stage, retired bool) crop.Batch {
		b := crop.Batch{Name: name, Stage: s}
		if retired {
			b.Retired = time.Unix(1, 0)
		}
		return b
	}
	for _, k := range []struct {
		what string
		now  []crop.Batch
		want bool
	}{
		{"as it was", []crop.Batch{batch("a", species.Fruiting, false)}, false},
		{"in another stage", []crop.Batch{batch("a", species.Rest, false)}, true},
		{"taken out", []crop.Batch{batch("a", species.Fruiting, true)}, true},
		{"one more", []crop.Batch{batch("a", species.Fruiting, false), batch("b", species.Fruiting, false)}, true},
	} {
		c := &demoChamber{batches: []policy.Action{{Batch: "a", Stage: species.Fruiting}}, snap: &policy.Snapshot{}}
		c.snap.State.Crop.Batches = k.now
		if c.changed() != k.want {
			t.Errorf("%s: changed %v", k.what, c.changed())
		}
	}
}

// TestNobodyIsAtTheDemonstrationsPlugs: what looks like a hand at a plug there is a report that came late.
func TestNobodyIsAtTheDemonstrationsPlugs(t *testing.T) {
	s, said := (&demonstration{}).inWords(&demoChamber{name: "loft"}, &policy.Event{Kind: policy.PlugByHand, Plug: "mister"})
	if !said || !strings.HasPrefix(s.text, "mister: a report came late") {
		t.Errorf("said %v: %q", said, s.text)
	}
}

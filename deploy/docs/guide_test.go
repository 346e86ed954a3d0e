package docs

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"gillkeeper/bridge/broker"
	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/broker/realpart"
)

var block = regexp.MustCompile("(?ms)^```(\\w+)\n(.*?)^```$")

// TestGuide types every line of the guide's "sh" blocks, in order, on simulated devices that speak as its configuration
// says. What needs a system of its own, in "console" blocks, is done by deploy/debian/trial. Time runs faster, and the
// survey listens for less: nothing else is otherwise than the guide has it.
func TestGuide(t *testing.T) {
	page, err := os.ReadFile("guide.md")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	realpart.Program(t, filepath.Join(dir, "bin", "gillkeeper"))
	b, err := broker.Start(broker.Options{Listen: "127.0.0.1:0", Username: "house", Password: "spawn"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	web := brokertest.FreeAddr(t)
	put := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	put("broker-password", "spawn\n")
	own := strings.NewReplacer("mqtt://127.0.0.1:1883", b.URL(), "--for 10m", "--for 4s", "--pace 600", "--pace 2400")
	g := &typist{t: t, dir: dir, env: append(os.Environ(), "PATH="+filepath.Join(dir, "bin")+":"+os.Getenv("PATH"), "GILLKEEPER_SERVER=http://"+web)}
	blocks := block.FindAllStringSubmatch(string(page), -1)
	for _, m := range blocks { // the devices are there before anything else
		if m[1] == "toml" {
			put("house.toml", own.Replace(m[2]))
		}
	}
	stop := g.start("gillkeeper drill --config house.toml --pace 60")
	t.Cleanup(stop)

	typed := 0
	for _, m := range blocks {
		switch m[1] {
		case "toml":
			g.run("gillkeeper check gillkeeper.toml") // what the survey wrote is good as it is
			put("gillkeeper.toml", own.Replace(m[2])+"\n[http]\nlisten = \""+web+"\"\n")
		case "sh":
			for l := range strings.SplitSeq(strings.TrimSpace(m[2]), "\n") {
				typed++
				l = own.Replace(l)
				if strings.HasPrefix(l, "gillkeeper run ") {
					g.stopDaemon()
					g.daemon = g.start(l + " --pace 60")
					g.ready(web)
				} else {
					g.run(l)
				}
			}
		}
	}
	g.stopDaemon()
	if typed < 25 {
		t.Errorf("only %d lines were typed: are the blocks still there?", typed)
	}
	report, err := os.ReadFile(filepath.Join(dir, "season.html"))
	if err != nil || !bytes.Contains(report, []byte("oyster-1")) {
		t.Errorf("the report does not tell of the batch: %v", err)
	}
}

type typist struct {
	t      *testing.T
	dir    string
	env    []string
	daemon func()
}

func (g *typist) command(line string) *exec.Cmd {
	cmd := exec.Command("sh", "-c", "exec "+line)
	cmd.Dir, cmd.Env = g.dir, g.env
	return cmd
}

// run types a line. An outlook may well answer that one should not leave.
func (g *typist) run(line string) {
	g.t.Helper()
	began := time.Now()
	out, err := g.command(line).CombinedOutput()
	g.t.Logf("%5.1f s  %s", time.Since(began).Seconds(), line)
	if exit, no := errors.AsType[*exec.ExitError](err); no && exit.ExitCode() == 1 && strings.Contains(line, " outlook ") && bytes.Contains(out, []byte("Do not leave")) {
		err = nil
	}
	if err != nil {
		g.t.Errorf("%s: %v\n%s", line, err, out)
	}
}

// start begins a line that runs until it is stopped, and gives what stops it.
func (g *typist) start(line string) (stop func()) {
	g.t.Helper()
	cmd := g.command(line)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	if err := cmd.Start(); err != nil {
		g.t.Fatalf("%s: %v", line, err)
	}
	return func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		if err := cmd.Wait(); err != nil {
			g.t.Errorf("%s: %v\n%s", line, err, said.String())
		}
	}
}

func (g *typist) stopDaemon() {
	if g.daemon != nil {
		g.daemon()
	}
	g.daemon = nil
}

// ready waits until the daemon says that it keeps its chambers.
func (g *typist) ready(addr string) {
	g.t.Helper()
	ctx, cancel := context.WithTimeout(g.t.Context(), 3*patience)
	defer cancel()
	for ; ; time.Sleep(50 * time.Millisecond) {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+addr+"/readyz", nil)
		if err != nil {
			g.t.Fatal(err)
		}
		r, err := http.DefaultClient.Do(req)
		if err == nil {
			_, _ = io.Copy(io.Discard, r.Body)
			r.Body.Close()
			if r.StatusCode == http.StatusOK {
				return
			}
		}
		if ctx.Err() != nil {
			g.t.Fatalf("the daemon does not get ready: %v", err)
		}
	}
}

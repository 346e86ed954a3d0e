package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gillkeeper/bridge/daemon"
)

// TestReloadOfABadFile: the daemon that was told to read a bad file again runs on, and is not said to have started nothing.
func TestReloadOfABadFile(t *testing.T) {
	good := "[broker]\nurl = \"mqtt://127.0.0.1:1\"\n[http]\nlisten = \"127.0.0.1:0\"\n[[chamber]]\nname = \"loft\"\nvolume_m3 = 0.5\n" +
		"[[chamber.sensor]]\nquantity = \"co2\"\ntopic = \"loft/co2\"\n"
	path := filepath.Join(t.TempDir(), "farm.toml")
	write := func(text string) {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(good)
	var said bytes.Buffer
	a := newApp(strings.NewReader(""), io.Discard, &said, os.Getenv)
	c, err := a.loadConfig(path)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	d, err := daemon.New(ctx, daemon.Options{Config: c})
	if err != nil {
		t.Fatal(err)
	}
	write(strings.Replace(good, "volume_m3 = 0.5", "volume_m3 = -1", 1))
	a.reload(ctx, d, path, slog.New(slog.NewTextHandler(&said, nil)))
	for _, want := range []string{":7: chamber \"loft\", volume_m3: ", "the old one stays in use", "has 1 fault, listed above\"\n"} {
		if !strings.Contains(said.String(), want) {
			t.Errorf("said %q, without %q", &said, want)
		}
	}
	if strings.Contains(said.String(), "nothing was started") {
		t.Errorf("said %q", &said)
	}
	if _, err := a.loadConfig(path); err == nil || !strings.HasSuffix(err.Error(), "has 1 fault, listed above; nothing was started") {
		t.Errorf("at the start it says %v", err)
	}
	stop()
	if err := d.Run(ctx); err != nil && !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

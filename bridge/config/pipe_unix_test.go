//go:build unix

package config

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestAPipeWithoutAWriter: to open one waits for ever, and no signal ends that.
func TestAPipeWithoutAWriter(t *testing.T) {
	dir := t.TempDir()
	pipe, file := filepath.Join(dir, "pipe"), filepath.Join(dir, "g.toml")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	text := "[broker]\nurl = \"mqtt://b\"\npassword_file = \"pipe\"\n[[chamber]]\nname = \"loft\"\nvolume_m3 = 0.5\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{
		pipe: pipe + " is no regular file; give the path of a configuration, or /dev/stdin to have it read from there",
		file: "not a regular file",
	} {
		done := make(chan error, 1)
		go func() {
			_, _, err := Load(path)
			done <- err
		}()
		select {
		case err := <-done:
			if err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %v, want %q", path, err, want)
			}
		case <-time.After(10 * time.Second):
			t.Fatalf("%s: it waits", path)
		}
	}
}

// TestWhatAShellHandsOn: the end of a pipe that is open already is read to its end.
func TestWhatAShellHandsOn(t *testing.T) {
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if _, err := w.WriteString("[[chamber]]\nname = \"loft\"\nvolume = 0.5\n"); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	_, _, err = Load(fmt.Sprintf("/dev/fd/%d", r.Fd()))
	if err == nil || !strings.Contains(err.Error(), "volume_m3") {
		t.Errorf("%v", err)
	}
}

// TestAFileThatMayNotBeRead, or its folder: said with what to do.
func TestAFileThatMayNotBeRead(t *testing.T) {
	if os.Geteuid() == 0 {
		t.Skip("root may read everything")
	}
	dir := filepath.Join(t.TempDir(), "closed")
	file := filepath.Join(dir, "g.toml")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.Chmod(dir, 0o700) }) // so that it can be removed
	if err := os.WriteFile(file, nil, 0); err != nil {
		t.Fatal(err)
	}
	for _, mode := range []os.FileMode{0o700, 0} {
		if err := os.Chmod(dir, mode); err != nil {
			t.Fatal(err)
		}
		want := "this user may not read " + file + "; be one who may, or give the file or its folder another owner or mode"
		if _, _, err := Load(file); err == nil || err.Error() != want {
			t.Errorf("folder %v: %v", mode, err)
		}
	}
}

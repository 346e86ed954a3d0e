package main

import (
	"bytes"
	"context"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gillkeeper/bridge/daemon"
)

// TestFirstStartSaysAtOnceWhatItLacks: a port that is taken, and a folder in which nobody may write. There is no file yet in which
// another port could be set, and nobody shall go through all of it for nothing.
func TestFirstStartSaysAtOnceWhatItLacks(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	sealed := "/proc" // where not even root may
	if _, err := os.Stat(sealed); err != nil {
		sealed = t.TempDir()
		if err := os.Chmod(sealed, 0o500); err != nil {
			t.Fatal(err)
		}
	}
	open := t.TempDir()
	for _, c := range []struct{ name, folder, listen, want string }{
		{"port", open, l.Addr().String(), "perhaps a gillkeeper that runs already"},
		{"folder", sealed, "127.0.0.1:0", "name a folder in which this user may write"},
	} {
		ctx, cancel := context.WithCancel(context.Background())
		cancel() // what starts all the same ends at once
		var out bytes.Buffer
		a := newApp(strings.NewReader(""), &out, io.Discard, func(string) string { return "" })
		err := a.firstStart(ctx, filepath.Join(c.folder, "gillkeeper.toml"), c.listen, &daemon.Options{})
		if err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "[http]") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want one line with %q", c.name, err, c.want)
		}
		if out.Len() > 0 {
			t.Errorf("%s: it says %q", c.name, out.String())
		}
	}
	if left, err := os.ReadDir(open); err != nil || len(left) > 0 {
		t.Errorf("%v is left behind (%v)", left, err)
	}
}

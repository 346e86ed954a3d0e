package daemon

import (
	"context"
	"net"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/metrics"
)

// TestTheServiceManagerIsTold stands in for the service manager: sd_notify(3) sends datagrams to the socket named in
// NOTIFY_SOCKET, and the watchdog's interval comes in WATCHDOG_USEC.
func TestTheServiceManagerIsTold(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close()
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", strconv.Itoa(int((300 * time.Millisecond).Microseconds())))

	s := brokertest.Start(t, brokertest.Kinds()[0])
	d, err := New(t.Context(), Options{Config: configure(t, s, s.Addr), Build: metrics.Info{Version: "test"}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	heard := map[string]int{}
	hear := func(word string, times int) {
		t.Helper()
		buffer := make([]byte, 4096)
		for heard[word] < times {
			_ = socket.SetReadDeadline(time.Now().Add(20 * time.Second))
			n, err := socket.Read(buffer)
			if err != nil {
				t.Fatalf("waiting for %s: %v; heard %v", word, err, heard)
			}
			for line := range strings.Lines(string(buffer[:n])) {
				key, _, _ := strings.Cut(strings.TrimSpace(line), "=")
				heard[key]++
			}
		}
	}
	hear("READY", 1)
	hear("WATCHDOG", 3)
	hear("STATUS", 2)
	cancel()
	hear("STOPPING", 1)
	if err := <-done; err != nil {
		t.Error(err)
	}
}

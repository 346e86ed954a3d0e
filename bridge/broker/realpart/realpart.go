// Package realpart finds the real programs that tests run, such as Mosquitto, Debian's Prometheus and Chromium, says what is
// to happen where one is missing, and builds the one that is tested.
//
// It must never be imported by anything but tests. Start reading at [Find].
package realpart

import (
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// Required reports whether GILLKEEPER_REQUIRE, a list with commas, names a part: its tests may then not be skipped.
func Required(part string) bool {
	return slices.Contains(strings.Split(os.Getenv("GILLKEEPER_REQUIRE"), ","), part)
}

// Find gives the path of the first of the programs that is installed. Where none is, the test is skipped, or fails when the
// part is required.
func Find(t testing.TB, part string, programs ...string) string {
	t.Helper()
	for _, name := range programs {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	if Required(part) {
		t.Fatalf("%s is required and not installed", programs[0])
	}
	t.Skipf("%s is not installed", programs[0])
	return ""
}

// Program builds the program itself into that file, without what only debugging needs.
func Program(t testing.TB, file string) {
	t.Helper()
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-ldflags=-s -w", "-o", file, "gillkeeper/cmd/gillkeeper").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
}

// Promtool and Prometheus are both of Debian's package prometheus, and required together.
func Promtool(t testing.TB) string { t.Helper(); return Find(t, "promtool", "promtool") }

// Prometheus finds the server.
func Prometheus(t testing.TB) string { t.Helper(); return Find(t, "promtool", "prometheus") }

// Mosquitto finds the broker, which Debian keeps where only root's PATH leads.
func Mosquitto(t testing.TB) string {
	t.Helper()
	return Find(t, "mosquitto", "mosquitto", "/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto")
}

// Chromium finds the browser.
func Chromium(t testing.TB) string {
	t.Helper()
	return Find(t, "chromium", "chromium", "chromium-browser", "google-chrome")
}

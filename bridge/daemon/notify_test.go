package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/notify"
	"gillkeeper/metrics"
)

// TestPeopleAreTold runs a daemon whose only sensor says nothing, at six hundred times the pace, until the message of it
// has arrived at a webhook; then it changes the configuration to another webhook, which is told as well.
func TestPeopleAreTold(t *testing.T) {
	t.Parallel()
	var mu sync.Mutex
	got := map[string][]notify.Message{}
	hook := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var m notify.Message
		if err := json.NewDecoder(r.Body).Decode(&m); err != nil {
			t.Error(err)
		}
		mu.Lock()
		defer mu.Unlock()
		got[r.URL.Path] = append(got[r.URL.Path], m)
	}))
	defer hook.Close()
	told := func(path string) func() bool {
		return func() bool {
			mu.Lock()
			defer mu.Unlock()
			for _, m := range got[path] {
				if m.Kind == notify.Raised && m.Chamber == "loft" && m.Alarm == "sensor_silent" && m.Site == "Shed" {
					return true
				}
			}
			return false
		}
	}
	dir := t.TempDir()
	load := func(name string) *config.Config {
		t.Helper()
		write(t, filepath.Join(dir, name), hook.URL+"/"+name)
		write(t, filepath.Join(dir, "c.toml"), fmt.Sprintf(`
[site]
name = "Shed"
[broker]
url = "embedded"
[broker.embedded]
listen = "127.0.0.1:0"
[http]
listen = "127.0.0.1:0"
[journal]
path = "j.db"
[[notify]]
url_file = %q
min_priority = "low"
[[chamber]]
name = "loft"
volume_m3 = 0.5
  [[chamber.sensor]]
  quantity = "temperature"
  topic = "t"
`, name))
		c, warnings, err := config.Load(filepath.Join(dir, "c.toml"))
		if err != nil {
			t.Fatalf("%v\n%v", err, warnings)
		}
		return c
	}
	d, err := New(t.Context(), Options{Config: load("first"), Pace: 600, Build: metrics.Info{Version: "test"}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	defer func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}()
	until(t, 30*time.Second, "nobody was told of a silent sensor", told("/first"))
	if err := d.Reload(ctx, load("second")); err != nil {
		t.Fatal(err)
	}
	until(t, 30*time.Second, "a new place was not told of what stands", told("/second"))
	if s := d.notifications(); len(s) != 1 || s[0].Name != "second" || s[0].FailingSince != nil {
		t.Errorf("status %+v", s)
	}
	if b, err := os.ReadFile(filepath.Join(dir, "j.db")); err != nil || len(b) == 0 {
		t.Error("no journal was kept", err)
	}
}

// TestMessagesFollowTheSite: units and clock in messages are those of the configuration.
func TestMessagesFollowTheSite(t *testing.T) {
	c := &config.Config{}
	c.Site.Name, c.Site.Zone, c.Site.Fahrenheit, c.Site.TwelveHour = "North shed", time.FixedZone("", 3600), true, true
	if got, want := deskSite(c), (notify.Site{Name: "North shed", Zone: c.Site.Zone, Fahrenheit: true, TwelveHour: true}); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

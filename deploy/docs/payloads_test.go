package docs

import (
	"context"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"gillkeeper/bridge/broker"
	"gillkeeper/bridge/config"
	"gillkeeper/bridge/mqtt"
	"gillkeeper/policy/chamber"
)

// heard keeps what a session hands over.
type heard struct {
	mu       sync.Mutex
	readings map[int]chamber.Reading
	reports  map[int]chamber.PlugReport
}

func (h *heard) Reading(_ int, r chamber.Reading) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.readings[r.Sensor] = r
}

func (h *heard) Report(_ int, r chamber.PlugReport) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.reports[r.Plug] = r
}

func (h *heard) Liveness(int, chamber.Liveness) {}
func (h *heard) Refusal(int, chamber.Refusal)   {}

// TestPayloadsAreReadAsThePageSays sends every example over a real broker to the program's own session.
func TestPayloadsAreReadAsThePageSays(t *testing.T) {
	b, err := broker.Start(broker.Options{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	var text strings.Builder
	text.WriteString("[broker]\nurl = \"mqtt://127.0.0.1:1883\"\n[[chamber]]\nname = \"loft\"\nvolume_m3 = 0.56\n")
	for _, f := range Forms {
		if f.Plug {
			text.WriteString("[[chamber.plug]]\n" + f.Lines + "\n")
		} else {
			text.WriteString("[[chamber.sensor]]\n" + f.Lines + "\n")
		}
	}
	file := filepath.Join(t.TempDir(), "gillkeeper.toml")
	if err := os.WriteFile(file, []byte(text.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	c, _, err := config.Load(file)
	if err != nil {
		t.Fatalf("%v\n%s", err, text.String())
	}
	at, err := url.Parse(b.URL())
	if err != nil {
		t.Fatal(err)
	}
	h := &heard{readings: map[int]chamber.Reading{}, reports: map[int]chamber.PlugReport{}}
	up := make(chan struct{}, 1)
	s, err := mqtt.Start(mqtt.Options{URL: at, ClientID: "page", Bindings: mqtt.Bind(c.Chambers), Sink: h, LinkUp: func() { up <- struct{}{} }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Stop)
	select {
	case <-up:
	case <-time.After(patience):
		t.Fatal("no connection")
	}

	device := paho.NewClient(paho.NewClientOptions().AddBroker(b.URL()).SetClientID("devices"))
	if token := device.Connect(); !token.WaitTimeout(patience) || token.Error() != nil {
		t.Fatal(token.Error())
	}
	t.Cleanup(func() { device.Disconnect(50) })
	told := make(chan string, 1)
	device.Subscribe("#", 1, func(_ paho.Client, m paho.Message) {
		if strings.HasSuffix(m.Topic(), "/set") {
			told <- string(m.Payload())
		}
	}).WaitTimeout(patience)

	sensor, plug := -1, -1
	for _, f := range Forms {
		for _, m := range f.Sent {
			if token := device.Publish(m.Topic, 1, m.Retained, m.Payload); !token.WaitTimeout(patience) || token.Error() != nil {
				t.Fatal(token.Error())
			}
		}
		if !f.Plug {
			sensor++
			if got, ok := eventually(func() (chamber.Reading, bool) {
				h.mu.Lock()
				defer h.mu.Unlock()
				r, ok := h.readings[sensor]
				return r, ok
			}); !ok || math.Abs(got.Value-f.Value) > 1e-9 || got.Retained {
				t.Errorf("%s: read %+v, %v, want %v", f.Title, got, ok, f.Value)
			}
			continue
		}
		plug++
		if got, ok := eventually(func() (chamber.PlugReport, bool) {
			h.mu.Lock()
			defer h.mu.Unlock()
			r, ok := h.reports[plug]
			return r, ok && r.HasOn
		}); !ok || got.On != (f.Value == 1) || got.HasWatts != (f.Watts > 0) || got.HasWatts && got.Watts != f.Watts {
			t.Errorf("%s: read %+v, %v, want %v and %v W", f.Title, got, ok, f.Value, f.Watts)
		}
		if err := s.Send(context.Background(), 0, plug, chamber.Order{On: true, For: 90 * time.Second}); err != nil {
			t.Errorf("%s: %v", f.Title, err)
		}
		select {
		case got := <-told:
			if got != f.Command {
				t.Errorf("%s: told %q, want %q", f.Title, got, f.Command)
			}
		case <-time.After(patience):
			t.Errorf("%s: no command came", f.Title)
		}
	}
}

// eventually polls until a value is there, for as long as patience lasts.
func eventually[T any](look func() (T, bool)) (T, bool) {
	for end := time.Now().Add(patience); ; time.Sleep(2 * time.Millisecond) {
		if v, ok := look(); ok || time.Now().After(end) {
			return v, ok
		}
	}
}

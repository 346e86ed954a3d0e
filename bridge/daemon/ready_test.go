package daemon

import (
	"encoding/json"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gillkeeper/bridge/broker/brokertest"
	"gillkeeper/bridge/config"
)

// TestReadySaysWhyThereIsNoBroker: the password was changed at the broker, and whoever looks at the page or asks /readyz learns that
// without reading the log.
func TestReadySaysWhyThereIsNoBroker(t *testing.T) {
	t.Parallel()
	for _, k := range brokertest.Kinds() {
		if !k.Guarded {
			continue
		}
		t.Run(k.Name, func(t *testing.T) {
			t.Parallel()
			s := brokertest.Start(t, k)
			c := configure(t, s, s.Addr)
			write(t, filepath.Join(filepath.Dir(c.Path), "password"), "the old one\n")
			c, _, err := config.Load(c.Path)
			if err != nil {
				t.Fatal(err)
			}
			d, _ := keep(t, Options{Config: c})
			until(t, 20*time.Second, "/readyz does not say why", func() bool {
				r, err := http.Get("http://" + d.Web() + "/readyz")
				if err != nil {
					return false
				}
				defer r.Body.Close()
				var said struct {
					Ready  bool   `json:"ready"`
					Reason string `json:"reason"`
				}
				if json.NewDecoder(r.Body).Decode(&said) != nil {
					return false
				}
				return !said.Ready && strings.Contains(said.Reason, "not connected") && strings.Contains(said.Reason, "broker.password_file")
			})
			if !strings.Contains(d.status(), "broker.password_file") {
				t.Errorf("the service manager is told %q", d.status())
			}
		})
	}
}

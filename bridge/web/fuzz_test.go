package web

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/web/webtest"
)

// FuzzAPI: no method, path or body makes the server fail, and every error is a problem on one line.
func FuzzAPI(f *testing.F) {
	for _, rt := range routes() {
		path := strings.NewReplacer("{chamber}", "loft", "{batch}", "oyster-12", "{alarm}", "humidity_low").Replace(rt.path)
		f.Add(rt.method, api.Base+path, "", `{}`)
	}
	f.Add("POST", "/api/v1/chambers/loft/hand", "", `{"plug":"mister","hand":"on","for":"15m"}`)
	f.Add("POST", "/api/v1/chambers/loft/refill", "", `{"liters":1e308}`)
	f.Add("POST", "/api/v1/batches/oyster-12/harvest", "", `{"fresh_g":840,"done":true,"id":"a"}`)
	f.Add("POST", "/api/v1/chambers/nursery/batches", "", `{"batch":"b","species":"lentinula-edodes","substrate_kg":3,"dry_kg":1,"stage":"rest"}`)
	f.Add("GET", "/api/v1/chambers/loft/why", "at=10:20", "")
	f.Add("GET", "/api/v1/chambers/loft/events", "from=-1h&to=-5m", "")
	f.Add("GET", "/", "", "")
	f.Add("GET", "/chamber/loft", "span=7d&at=10:00", "")
	f.Add("GET", "/chamber/loft/diagnose", "sign=no-pins", "")
	f.Add("POST", "/do/pick", "", "chamber=loft&fresh_g=1")
	f.Add("PUT", "/api/v1/../../etc/passwd", "", "\x00")
	twin := webtest.New()
	s, err := New(Options{Listen: "127.0.0.1:0", Backend: twin, Now: twin.Now, Ahead: twin.Outlook})
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() {
		s.live.close(true)
		s.listener.Close()
	})
	f.Fuzz(func(t *testing.T, method, path, rawQuery, body string) {
		s.backend = webtest.New()                                    // what one input did must not change what the next one finds
		ctx, cancel := context.WithTimeout(t.Context(), time.Second) // a stream ends with who listens
		defer cancel()
		r, err := http.NewRequestWithContext(ctx, method, "http://localhost/", strings.NewReader(body))
		if err != nil {
			t.Skip()
		}
		r.URL = &url.URL{Scheme: "http", Host: "localhost", Path: "/" + strings.TrimPrefix(path, "/"), RawQuery: rawQuery}
		r.RemoteAddr = "127.0.0.1:4711"
		r.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		s.http.Handler.ServeHTTP(w, r)
		resp := w.Result()
		defer resp.Body.Close()
		reply, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		if resp.StatusCode >= 500 {
			t.Fatalf("%s %q?%q %q: %d %s", method, path, rawQuery, body, resp.StatusCode, reply)
		}
		if resp.StatusCode >= 400 && !strings.HasPrefix(resp.Header.Get("Content-Type"), "text/html") {
			var p api.Problem
			if err := json.Unmarshal(reply, &p); err != nil {
				t.Fatalf("%d is no problem: %v: %s", resp.StatusCode, err, reply)
			}
			if p.Status != resp.StatusCode || p.Detail == "" || strings.ContainsAny(p.Detail, "\r\n") {
				t.Fatalf("problem %+v", p)
			}
		}
		if bytes.Contains(reply, []byte("%!")) && !strings.Contains(path+rawQuery+body, "%!") {
			t.Fatalf("a formatting fault: %s", reply)
		}
	})
}

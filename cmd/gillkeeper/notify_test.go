package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestNotifyTest sends to a webhook that takes the message, to one that does not and to nobody, and reads what a person
// reads.
func TestNotifyTest(t *testing.T) {
	var got map[string]any
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasPrefix(r.URL.Path, "/wrong") {
			w.WriteHeader(http.StatusForbidden)
			return
		}
		if err := json.NewDecoder(r.Body).Decode(&got); err != nil {
			t.Error(err)
		}
	}))
	defer s.Close()
	dir := t.TempDir()
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("good", s.URL+"/hooks/hunter2-secret")
	write("bad", s.URL+"/wrong/hunter2-secret")
	config := func(files ...string) string {
		text := "[site]\nname = \"Shed\"\n[broker]\nurl = \"embedded\"\n"
		for _, f := range files {
			text += fmt.Sprintf("[[notify]]\nurl_file = %q\n", f)
		}
		write("c.toml", text+"[[chamber]]\nname = \"loft\"\nvolume_m3 = 0.5\n[[chamber.sensor]]\nquantity = \"temperature\"\ntopic = \"t\"\n")
		return filepath.Join(dir, "c.toml")
	}
	for _, c := range []struct {
		files  []string
		code   int
		stdout string
		stderr string
	}{
		{[]string{"good"}, exitDone, "good (http): sent; look whether it arrived.", ""},
		{[]string{"good", "bad"}, exitNo, "bad (http): NOT sent: it answers 403 Forbidden", "1 of 2 test messages were not sent"},
		{nil, exitNo, "", "has no [[notify]]: nobody would be told of an alarm"},
	} {
		code, stdout, stderr := invoke(t, nil, "notify", "test", "--config", config(c.files...))
		if code != c.code || !strings.Contains(stdout, c.stdout) || !strings.Contains(stderr, c.stderr) {
			t.Errorf("%v: exit status %d, wrote %q and %q", c.files, code, stdout, stderr)
		}
		if strings.Contains(stdout+stderr, "hunter2") {
			t.Errorf("%v: the address shows: %q %q", c.files, stdout, stderr)
		}
	}
	if got["kind"] != "test" || got["site"] != "Shed" {
		t.Errorf("the webhook got %v", got)
	}
	if code, _, stderr := invoke(t, nil, "notify", "test"); code != exitUsage || !strings.Contains(stderr, "needs --config") {
		t.Errorf("without a file: %d, %q", code, stderr)
	}
}

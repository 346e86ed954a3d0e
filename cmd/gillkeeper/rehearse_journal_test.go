package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	rehearsed "gillkeeper/policy/rehearse"
)

// TestAChamberWithAHoleLeavesTheOthers: of the two chambers in the journal one has no humidity on record. The other is replayed, and the
// first is named. Alone, it is the answer.
func TestAChamberWithAHoleLeavesTheOthers(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := filepath.Join(dir, "j.db")
	writeYear(t, path, 2, 24*time.Hour, "loft")
	end := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	state, err := json.Marshal(policy.State{Now: end})
	if err != nil {
		t.Fatal(err)
	}
	j, _, err := journal.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	if err := j.Save(t.Context(), []journal.Saved{{Chamber: "attic", At: end, State: state}}); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	config := func(chambers ...string) string {
		text := "[broker]\nurl = \"embedded\"\n"
		for _, name := range chambers {
			text += fmt.Sprintf("[[chamber]]\nname = %q\nvolume_m3 = 0.5\n[[chamber.sensor]]\nquantity = \"relative_humidity\"\ntopic = \"%[1]s/rh\"\n"+
				"[[chamber.plug]]\nrole = \"humidifier\"\ncommand_topic = \"%[1]s/mister\"\noutput_g_per_h = 300\nreservoir_liters = 5\n", name)
		}
		file := filepath.Join(dir, strings.Join(chambers, "-")+".toml")
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	rehearse := func(file string) (code int, out, errs string) {
		var o, e bytes.Buffer
		a := newApp(strings.NewReader(""), &o, &e, func(string) string { return "" })
		code = a.run(t.Context(), []string{"rehearse", "--config", file, "--from-journal=" + path, "--days", "0.1", "--controller", "rules", "--json"})
		return code, o.String(), e.String()
	}
	code, out, errs := rehearse(config("attic", "loft"))
	if code != exitDone || !strings.Contains(out, `"chamber": "loft"`) || strings.Contains(out, "attic") ||
		!strings.Contains(errs, "left out: chamber attic: the journal has humidity for only 0 %") {
		t.Errorf("%d\n%s\n%s", code, out, errs)
	}
	row := figuresRow("loft", "as recorded", &rehearsed.Figures{Hours: 2, RHWithin5: 0.5})
	if row[3] != "50.0 %" || row[5] != "–" {
		t.Errorf("a record without CO2 says of it %q", row)
	}
	if code, out, errs = rehearse(config("attic")); code != exitNo || out != "" || !strings.Contains(errs, "gillkeeper: chamber attic: the journal has humidity for only 0 %") {
		t.Errorf("alone: %d\n%s\n%s", code, out, errs)
	}
}

package web_test

import (
	"fmt"
	"strings"
	"testing"

	"gillkeeper/bridge/web/api"
)

// TestImportIsWholeOrNothing: every fault is named with its entry, and nothing of an import with one is taken.
func TestImportIsWholeOrNothing(t *testing.T) {
	s := serve(t, nil)
	entry := func(chamber, batch, kind, more string) string {
		return fmt.Sprintf(`{"chamber":%q,"batch":%q,"kind":%q,"at":"2025-03-01T08:00:00Z"%s}`, chamber, batch, kind, more)
	}
	good := entry("loft", "old-1", "batch_add", `,"species":"pleurotus-ostreatus","substrate_kg":6,"dry_kg":2,"stage":"fruiting"`)
	status, _, b := s.ask(t, "POST", "/api/v1/import", `{"entries":[`+strings.Join([]string{
		good,
		entry("loft", "old-1", "harvest", `,"fresh_g":-5`),
		entry("lof", "old-2", "batch_add", ""),
		entry("cellar", "old-3", "stage_set", `,"stage":"fruting"`),
		entry("cellar", "old-3", "refill", ""),
		entry("cellar", "old-4", "harvest", `,"fresh_g":10`),
		`{"chamber":"loft","batch":"old-1","kind":"note","at":"2031-01-01T00:00:00Z","note":"later"}`,
	}, ",")+`]}`)
	p := decoded[api.Problem](t, b)
	want := []struct {
		index int
		says  string
	}{{1, "fresh_g"}, {2, `did you mean "loft"`}, {3, `did you mean "fruiting"`}, {4, "an import takes"}, {5, "came in later, or never"}, {6, "has passed"}}
	if status != 422 || len(p.Faults) != len(want) || !strings.Contains(p.Detail, "nothing was imported") {
		t.Fatalf("%d %s", status, b)
	}
	for i, w := range want {
		if p.Faults[i].Index != w.index || !strings.Contains(p.Faults[i].Detail, w.says) {
			t.Errorf("fault %d: %+v, want entry %d with %s", i, p.Faults[i], w.index, w.says)
		}
	}
	if got := get[api.Records](t, s, "/api/v1/records"); len(got.Records) != 2 {
		t.Errorf("there are %d records", len(got.Records))
	}
	if status, _, b := s.ask(t, "POST", "/api/v1/import", `{"entries":[{"chamber":"loft","freshg":8}]}`); status != 400 || !strings.Contains(string(b), "freshg") {
		t.Errorf("a misspelled field: %d %s", status, b)
	}
	if status, _, b := s.ask(t, "POST", "/api/v1/import", `{"entries":[]}`); status != 422 {
		t.Errorf("an empty import: %d %s", status, b)
	}
	many := strings.Repeat(strings.Replace(good, `"substrate_kg"`, `"note":"`+strings.Repeat("n", 400)+`","substrate_kg"`, 1)+",", 300) // more than an action may hold
	if status, _, b := s.ask(t, "POST", "/api/v1/import", `{"check":true,"entries":[`+many+good+`]}`); status != 422 || strings.Contains(string(b), "larger") {
		t.Errorf("a long import: %d %.200s", status, b)
	}
	if status, _, b := s.ask(t, "POST", "/api/v1/import", `{"entries":[`+good+`]}`); status != 200 {
		t.Fatalf("a good import: %d %s", status, b)
	}
	names := []string{}
	for _, r := range get[api.Records](t, s, "/api/v1/records").Records {
		names = append(names, r.Batch)
	}
	if status, _, b := s.ask(t, "GET", "/api/v1/batches/none/record", ""); status != 404 || !strings.Contains(string(b), "there is "+strings.Join(names, ", ")) {
		t.Errorf("a batch that is none is answered %d %s; the batches are listed as %v", status, b, names)
	}
	if r := get[api.BatchRecord](t, s, "/api/v1/batches/old-1/record"); r.Chamber != "loft" || len(r.Stages) != 1 || r.Stages[0].Stage != "fruiting" || r.Added.Year() != 2025 {
		t.Errorf("the record is %+v", r)
	}
}

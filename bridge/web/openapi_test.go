package web_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"gillkeeper/bridge/web/api"
)

// spec is the description as the running server gives it, read without the types it was made from.
type spec struct {
	OpenAPI    string `json:"openapi"`
	Servers    []struct{ URL string }
	Paths      map[string]map[string]operation
	Components struct {
		Schemas   map[string]schema
		Responses map[string]struct {
			Content map[string]struct{ Schema schema }
		}
	}
}

type operation struct {
	OperationID string
	Parameters  []struct {
		Name, In string
		Required bool
	}
	RequestBody *struct {
		Content map[string]struct{ Schema schema }
	}
	Responses map[string]struct {
		Ref     string `json:"$ref"`
		Content map[string]struct{ Schema schema }
	}
}

type schema struct {
	Ref        string `json:"$ref"`
	Type       string
	Format     string
	Properties map[string]schema
	Required   []string
	Items      *schema
}

func TestOpenAPIIsWhatTheServerDoes(t *testing.T) {
	s := serve(t, nil)
	_, h, body := s.ask(t, "GET", "/api/v1/openapi.json", "")
	if h.Get("Content-Type") != "application/json" {
		t.Errorf("served as %s", h.Get("Content-Type"))
	}
	var doc spec
	if err := json.Unmarshal(body, &doc); err != nil {
		t.Fatal(err)
	}
	if doc.OpenAPI != "3.1.0" || len(doc.Servers) != 1 || doc.Servers[0].URL != api.Base {
		t.Errorf("openapi %s, servers %v", doc.OpenAPI, doc.Servers)
	}
	// One real request for each operation; what is described and not tried fails the test, and the other way around.
	tries := []struct{ op, path, body string }{
		{"GET /site", "/site", ""},
		{"GET /chambers", "/chambers", ""},
		{"GET /chambers/{chamber}", "/chambers/cellar", ""},
		{"GET /chambers/{chamber}/why", "/chambers/cellar/why", ""},
		{"GET /chambers/{chamber}/why", "/chambers/cellar/why?at=-10m", ""},
		{"GET /chambers/{chamber}/diagnosis", "/chambers/loft/diagnosis?sign=long-stems", ""},
		{"GET /chambers/{chamber}/events", "/chambers/loft/events?from=-1h", ""},
		{"POST /chambers/{chamber}/refill", "/chambers/loft/refill", `{"liters":4}`},
		{"POST /chambers/{chamber}/hand", "/chambers/loft/hand", `{"plug":"mister","hand":"on","for":"5m"}`},
		{"POST /chambers/{chamber}/sensors/{sensor}/aside", "/chambers/loft/sensors/chamber-relative_humidity/aside", `{"for":"1h"}`},
		{"POST /chambers/{chamber}/sensors/{sensor}/calibration", "/chambers/loft/sensors/chamber-relative_humidity/calibration",
			`{"salts":[{"salt":"nacl","temperature_c":20,"reading":0.78,"noise":0.001}]}`},
		{"POST /chambers/{chamber}/sensors/{sensor}/calibration", "/chambers/loft/sensors/chamber-co2/calibration", `{"fresh_air":{"reading":470}}`},
		{"GET /chambers/{chamber}/sensors", "/chambers/loft/sensors", ""},
		{"GET /chambers/{chamber}", "/chambers/loft", ""},
		{"DELETE /chambers/{chamber}/sensors/{sensor}/calibration", "/chambers/loft/sensors/chamber-co2/calibration", ""},
		{"POST /chambers/{chamber}/batches", "/chambers/loft/batches", `{"batch":"oyster-13","species":"pleurotus-ostreatus","substrate_kg":6,"dry_kg":2}`},
		{"GET /batches", "/batches", ""},
		{"POST /batches/{batch}/harvest", "/batches/oyster-12/harvest", `{"fresh_g":400,"done":true}`},
		{"POST /batches/{batch}/stage", "/batches/oyster-13/stage", `{"stage":"pinning"}`},
		{"POST /batches/{batch}/loss", "/batches/oyster-12/loss", `{"cause":"aborted","grams":40}`},
		{"POST /batches/{batch}/note", "/batches/oyster-12/note", `{"note":"soaked","photos":["a.jpg"]}`},
		{"POST /entries/{entry}/correct", "/entries/11/correct", `{"fresh_g":420,"marks":["first"]}`},
		{"POST /entries/{entry}/undo", "/entries/13/undo", `{}`},
		{"GET /entries", "/entries?batch=oyster-12", ""},
		{"GET /entries", "/entries?standing=true&chamber=loft", ""},
		{"POST /batches/{batch}/retire", "/batches/oyster-12/retire", `{}`},
		{"GET /batches/{batch}/record", "/batches/oyster-12/record", ""},
		{"GET /records", "/records?chamber=loft", ""},
		{"POST /import", "/import", `{"entries":[{"chamber":"nursery","batch":"old-1","kind":"batch_add","at":"2025-01-01T00:00:00Z",
			"species":"pleurotus-ostreatus","substrate_kg":6,"dry_kg":2,"stage":"fruiting"},
			{"chamber":"nursery","batch":"old-1","kind":"harvest","at":"2025-01-05T00:00:00Z","fresh_g":500,"done":true}]}`},
		{"GET /batches", "/batches?retired=true", ""},
		{"GET /season", "/season?chamber=loft&from=-1h&to=-10m", ""},
		{"GET /season", "/season", ""},
		{"GET /alarms", "/alarms", ""},
		{"POST /alarms/{chamber}/{alarm}/ack", "/alarms/cellar/humidity_low/ack", `{}`},
		{"POST /alarms/{chamber}/{alarm}/unack", "/alarms/cellar/humidity_low/unack", `{}`},
		{"POST /alarms/{chamber}/{alarm}/shelve", "/alarms/cellar/humidity_low/shelve", `{"for":"1h"}`},
		{"POST /alarms/{chamber}/{alarm}/unshelve", "/alarms/cellar/humidity_low/unshelve", `{"note":"seen"}`},
		{"POST /alarms/{chamber}/{alarm}/out-of-service", "/alarms/cellar/humidity_low/out-of-service", `{"note":"sensor at repair"}`},
		{"POST /alarms/{chamber}/{alarm}/in-service", "/alarms/cellar/humidity_low/in-service", `{}`},
		{"GET /chambers/{chamber}/outlook", "/chambers/loft/outlook?days=3", ""},
		{"GET /alarms/history", "/alarms/history?chamber=cellar&from=-1h", ""},
		{"GET /chambers", "/chambers", ""},
	}
	tried := map[string]bool{}
	for _, try := range tries {
		method, path, _ := strings.Cut(try.op, " ")
		op, ok := doc.Paths[path][strings.ToLower(method)]
		if !ok {
			t.Errorf("%s is not described", try.op)
			continue
		}
		tried[try.op] = true
		status, _, body := s.ask(t, method, api.Base+try.path, try.body)
		if status != 200 {
			t.Fatalf("%s: %d %s", try.op, status, body)
		}
		doc.check(t, try.op, op.Responses["200"].Content["application/json"].Schema, body)
		if try.body != "" {
			doc.check(t, try.op+" request", op.RequestBody.Content["application/json"].Schema, []byte(try.body))
		}
		checkParameters(t, try.op, path, try.path, op)
	}
	for path, item := range doc.Paths {
		for method := range item {
			if op := strings.ToUpper(method) + " " + path; !tried[op] {
				t.Errorf("%s is described and was not tried", op)
			}
		}
	}
	_, _, problem := s.ask(t, "GET", "/api/v1/chambers/none", "")
	doc.check(t, "problem", doc.Components.Responses["Problem"].Content["application/problem+json"].Schema, problem)
	status, _, _ := s.ask(t, "POST", "/api/v1/openapi.json", "{}")
	if status != http.StatusMethodNotAllowed {
		t.Errorf("POST to the description: %d", status)
	}
}

// What the description says may be absent when a batch is put in may be, and what it does not say so of may not.
func TestABatchNeedsWhatItsDescriptionSays(t *testing.T) {
	s := serve(t, nil)
	_, _, body := s.ask(t, "GET", "/api/v1/openapi.json", "")
	var doc spec
	if err := json.Unmarshal(body, &doc); err != nil {
		t.Fatal(err)
	}
	full := map[string]any{"batch": "oyster-13", "species": "pleurotus-ostreatus", "strain": "w", "substrate_kg": 6, "dry_kg": 2, "stage": "pinning"}
	post := func(leave ...string) int {
		in := maps.Clone(full)
		for _, name := range leave {
			delete(in, name)
		}
		text, err := json.Marshal(in)
		if err != nil {
			t.Fatal(err)
		}
		status, _, _ := s.ask(t, "POST", "/api/v1/chambers/loft/batches", string(text))
		return status
	}
	required := doc.Components.Schemas["BatchAdd"].Required
	var spare []string
	for name := range full {
		if !slices.Contains(required, name) {
			spare = append(spare, name)
		} else if status := post(name); status == 200 {
			t.Errorf("%s is described as needed, and a batch goes in without it", name)
		}
	}
	if status := post(spare...); status != 200 {
		t.Errorf("without %v, which may be absent by the description: %d", spare, status)
	}
}

func checkParameters(t *testing.T, op, template, path string, o operation) {
	t.Helper()
	var inPath []string
	for _, p := range o.Parameters {
		if p.In == "path" {
			inPath = append(inPath, "{"+p.Name+"}")
			if !p.Required {
				t.Errorf("%s: %s is not required", op, p.Name)
			}
		}
	}
	if want := regexp.MustCompile(`\{[^}]+\}`).FindAllString(template, -1); !slices.Equal(inPath, want) {
		t.Errorf("%s: parameters %v, want %v", op, inPath, want)
	}
	if _, query, ok := strings.Cut(path, "?"); ok {
		name, _, _ := strings.Cut(query, "=")
		if !slices.ContainsFunc(o.Parameters, func(p struct {
			Name, In string
			Required bool
		}) bool {
			return p.In == "query" && p.Name == name
		}) {
			t.Errorf("%s: parameter %s is not described", op, name)
		}
	}
}

// check holds a JSON text against a schema: types, required and unknown fields.
func (doc *spec) check(t *testing.T, where string, s schema, body []byte) {
	t.Helper()
	var v any
	if err := json.Unmarshal(body, &v); err != nil {
		t.Fatalf("%s: %v", where, err)
	}
	for _, fault := range doc.faults(where, s, v) {
		t.Error(fault)
	}
}

func (doc *spec) faults(where string, s schema, v any) []string {
	if name, ok := strings.CutPrefix(s.Ref, "#/components/schemas/"); ok {
		target, ok := doc.Components.Schemas[name]
		if !ok {
			return []string{where + ": no schema " + name}
		}
		s = target
	}
	kind := ""
	switch x := v.(type) {
	case string:
		kind = "string"
		if s.Format == "date-time" {
			if _, err := time.Parse(time.RFC3339, x); err != nil {
				return []string{fmt.Sprintf("%s: %q is no date-time", where, x)}
			}
		}
	case bool:
		kind = "boolean"
	case float64:
		kind = "number"
		if s.Type == "integer" && x == float64(int(x)) {
			kind = "integer"
		}
	case []any:
		kind = "array"
		if s.Items == nil {
			return []string{where + ": an array without items"}
		}
		for i, e := range x {
			if f := doc.faults(fmt.Sprintf("%s[%d]", where, i), *s.Items, e); f != nil {
				return f
			}
		}
	case map[string]any:
		kind = "object"
		for _, name := range s.Required {
			if _, ok := x[name]; !ok {
				return []string{where + ": " + name + " is required and absent"}
			}
		}
		for _, name := range slices.Sorted(maps.Keys(x)) {
			p, ok := s.Properties[name]
			if !ok {
				return []string{where + ": " + name + " is not described"}
			}
			if f := doc.faults(where+"."+name, p, x[name]); f != nil {
				return f
			}
		}
	}
	if kind != s.Type {
		return []string{fmt.Sprintf("%s: is %q, described as %q", where, kind, s.Type)}
	}
	return nil
}

// TestTheSchemaCheckCanFail: a checker that takes anything would prove nothing.
func TestTheSchemaCheckCanFail(t *testing.T) {
	doc := &spec{}
	doc.Components.Schemas = map[string]schema{"A": {Type: "object", Required: []string{"n"}, Properties: map[string]schema{
		"n": {Type: "number"}, "at": {Type: "string", Format: "date-time"}}}}
	for body, want := range map[string]bool{
		`{"n":1}`: true, `{"n":1,"at":"2026-01-01T00:00:00Z"}`: true,
		`{}`: false, `{"n":"1"}`: false, `{"n":1,"m":2}`: false, `{"n":1,"at":"today"}`: false, `[]`: false, `null`: false,
	} {
		var v any
		if err := json.Unmarshal([]byte(body), &v); err != nil {
			t.Fatal(err)
		}
		if got := doc.faults("", schema{Ref: "#/components/schemas/A"}, v) == nil; got != want {
			t.Errorf("%s: taken %v", body, got)
		}
	}
}

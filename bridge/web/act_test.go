package web_test

import (
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/web/webtest"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
)

func TestActions(t *testing.T) {
	s := serve(t, nil)
	act := func(path, body string) api.Chamber {
		t.Helper()
		status, _, b := s.ask(t, "POST", "/api/v1"+path, body)
		if status != 200 {
			t.Fatalf("POST %s %s: %d %s", path, body, status, b)
		}
		d := decoded[api.Done](t, b)
		if d.ID == "" {
			t.Errorf("POST %s: no id", path)
		}
		return d.Chamber
	}
	if c := act("/chambers/loft/refill", `{"liters":3.5}`); c.Reservoir.Liters != 3.5 {
		t.Errorf("reservoir is %+v", c.Reservoir)
	}
	if c := act("/chambers/loft/hand", `{"plug":"humidifier","hand":"on","for":"15m"}`); c.Plugs[0].Hand == nil || !c.Plugs[0].Hand.On {
		t.Errorf("plug is %+v", c.Plugs[0])
	}
	if c := act("/chambers/loft/hand", `{"plug":"mister","hand":"auto"}`); c.Plugs[0].Hand != nil {
		t.Errorf("plug is %+v", c.Plugs[0])
	}
	c := act("/chambers/nursery/batches", `{"batch":"lion-1","species":"hericium-erinaceus","substrate_kg":8,"dry_kg":3,"stage":"pinning"}`)
	if len(c.Batches) != 1 || c.Batches[0].Species != "hericium-erinaceus" || c.Batches[0].Stage != "pinning" || !c.Target.Given {
		t.Errorf("batches are %+v, target %+v", c.Batches, c.Target)
	}
	if c := act("/batches/lion-1/stage", `{"stage":"fruiting"}`); c.Batches[0].Stage != "fruiting" || c.Name != "nursery" {
		t.Errorf("batch is %+v", c.Batches[0])
	}
	// 840 g from 3 kg of dry substrate is a biological efficiency of 28 %.
	if c := act("/batches/lion-1/harvest", `{"fresh_g":840,"done":true}`); c.Batches[0].BiologicalEfficiency != 0.28 || c.Batches[0].Stage != "rest" {
		t.Errorf("batch is %+v", c.Batches[0])
	}
	if c := act("/batches/lion-1/retire", `{}`); len(c.Batches) != 0 {
		t.Errorf("batches are %+v", c.Batches)
	}
	if got := get[api.Batches](t, s, "/api/v1/batches"); len(got.Batches) != 2 {
		t.Errorf("batches are %+v", got)
	}
	if got := get[api.Batches](t, s, "/api/v1/batches?retired=true"); len(got.Batches) != 3 {
		t.Errorf("with retired ones, batches are %+v", got)
	}
	if c := act("/alarms/cellar/humidity_low/ack", `{}`); state(c, alarm.HumidityLow) != "acknowledged" {
		t.Errorf("alarms are %+v", c.Alarms)
	}
	if c := act("/alarms/cellar/humidity_low/shelve", `{"for":"2h"}`); state(c, alarm.HumidityLow) != "shelved" {
		t.Errorf("alarms are %+v", c.Alarms)
	}
	alarms := get[api.Alarms](t, s, "/api/v1/alarms").Alarms
	if len(alarms) < 2 || alarms[len(alarms)-1].State != "shelved" || alarms[0].Chamber != "cellar" {
		t.Errorf("alarms are %+v", alarms)
	}
}

func state(c api.Chamber, n alarm.Name) string {
	for _, a := range c.Alarms {
		if a.Alarm == string(n) {
			return a.State
		}
	}
	return ""
}

func TestProblems(t *testing.T) {
	s := serve(t, nil)
	for _, c := range []struct {
		method, path, body string
		status             int
		code, says         string
	}{
		{"GET", "/chambers/lotf", "", 404, "not_found", `did you mean "loft"`},
		{"GET", "/chamber", "", 404, "not_found", "openapi.json"},
		{"GET", "/chambers/loft?verbose=1", "", 400, "unknown_field", "verbose"},
		{"GET", "/batches?retired=maybe", "", 400, "bad_value", "true or false"},
		{"GET", "/batches?retired=true&retired=true", "", 400, "bad_value", "twice"},
		{"DELETE", "/chambers/loft", "", 405, "method", "GET"},
		{"GET", "/chambers/loft/refill", "", 405, "method", "POST"},
		{"POST", "/chambers/lotf/refill", "{}", 404, "not_found", `did you mean "loft"`},
		{"POST", "/chambers/loft/refill", `{"litres":1}`, 400, "unknown_field", `did you mean "liters"`},
		{"POST", "/chambers/loft/refill", `{"Liters":1}`, 400, "unknown_field", `did you mean "liters"`},
		{"POST", "/chambers/loft/refill", `{"liters":1,"liters":2}`, 400, "bad_value", "twice"},
		{"POST", "/chambers/loft/refill", `{"liters":"1"}`, 400, "bad_value", "must be a number"},
		{"POST", "/chambers/loft/refill", `{"liters":1e400}`, 400, "bad_value", "liters is 1e400, which is too large"},
		{"POST", "/chambers/loft/refill", `{"liters":1e999}`, 400, "bad_value", "number"},
		{"POST", "/chambers/loft/refill", `{"liters":1} {}`, 400, "bad_request", "follows"},
		{"POST", "/chambers/loft/refill", `{"liters":1`, 400, "bad_request", "JSON"},
		{"POST", "/chambers/loft/refill", `[]`, 400, "bad_request", "object"},
		{"POST", "/chambers/loft/refill", ``, 400, "bad_request", "object"},
		{"POST", "/chambers/loft/refill", `{"liters":-1}`, 422, "refused", "liters"},
		{"POST", "/chambers/loft/refill", `{"liters":50}`, 422, "refused", "5 L"},
		{"POST", "/chambers/loft/refill", `{"note":"` + strings.Repeat("x", 70_000) + `"}`, 413, "too_large", "64 KiB"},
		{"POST", "/chambers/loft/hand", `{"plug":"mister","hand":"on","for":15}`, 400, "bad_value", "must be a string"},
		{"POST", "/chambers/loft/hand", `{"plug":"mister","hand":"on","for":"15"}`, 400, "bad_value", "15m"},
		{"POST", "/chambers/loft/hand", `{"plug":"mister","hand":"on"}`, 422, "refused", "time"},
		{"POST", "/chambers/loft/hand", `{"plug":"toaster","hand":"on","for":"15m"}`, 404, "not_found", "plugs are mister (humidifier), "},
		{"POST", "/chambers/loft/hand", `{"plug":"humidifer","hand":"on","for":"15m"}`, 404, "not_found", `did you mean "humidifier"`},
		{"POST", "/chambers/loft/hand", `{"plug":"mister","hand":"maybe","for":"15m"}`, 422, "refused", "on, off or auto"},
		{"POST", "/chambers/loft/batches", `{"batch":"x","species":"pleurotus-ostreatis","substrate_kg":1,"dry_kg":0.4}`, 404, "not_found", "pleurotus-ostreatus"},
		{"POST", "/chambers/loft/batches", `{"batch":"x","species":"pleurotus-ostreatus","stage":"fruting"}`, 422, "refused", `did you mean "fruiting"`},
		{"POST", "/batches/oyster-13/stage", `{"stage":"rest"}`, 404, "not_found", `did you mean "oyster-12"`},
		{"POST", "/batches/oyster-12/harvest", `{"fresh_g":-5}`, 422, "refused", "fresh_g"},
		{"POST", "/batches/oyster-12/harvest", `{"fresh_g":84000}`, 422, "refused", "fresh_g"},
		{"POST", "/alarms/loft/humidity_low/ack", `{}`, 422, "refused", "nothing to acknowledge"},
		{"POST", "/alarms/loft/humidity_lo/ack", `{}`, 404, "not_found", "alarm"},
		{"POST", "/alarms/cellar/humidity_low/shelve", `{"for":"1000h"}`, 422, "refused", "168h"},
		{"POST", "/chambers/loft/refill", `{"id":"a b"}`, 400, "bad_value", "id"},
		{"POST", "/entries/11/correct", `{}`, 400, "bad_value", "nothing is corrected"},
	} {
		status, h, body := s.ask(t, c.method, "/api/v1"+c.path, c.body)
		p := decoded[api.Problem](t, body)
		if status != c.status || p.Status != c.status || p.Code != c.code || !strings.Contains(p.Detail, c.says) {
			t.Errorf("%s %s %.60s: %d %s", c.method, c.path, c.body, status, body)
		}
		// RFC 9457, section 3: the media type, and about:blank with the status's own title.
		if h.Get("Content-Type") != "application/problem+json" || p.Type != "about:blank" || p.Title != http.StatusText(status) {
			t.Errorf("%s %s: not a problem as RFC 9457 has it: %v %s", c.method, c.path, h, body)
		}
		if strings.ContainsAny(p.Detail, "\n\r") {
			t.Errorf("%s %s: more than one line: %q", c.method, c.path, p.Detail)
		}
		if c.status == 405 && h.Get("Allow") == "" { // RFC 9110, section 15.5.6
			t.Errorf("%s %s: no Allow header", c.method, c.path)
		}
	}
	status, _, body := s.ask(t, "POST", "/api/v1/chambers/loft/refill", "liters=3", "Content-Type", "application/x-www-form-urlencoded")
	if status != 415 {
		t.Errorf("a form: %d %s", status, body)
	}
}

func TestSameActionTwice(t *testing.T) {
	s := serve(t, nil)
	const path, body = "/api/v1/batches/oyster-12/harvest", `{"fresh_g":300,"id":"7d0e"}`
	for range 2 {
		status, _, b := s.ask(t, "POST", path, body)
		if d := decoded[api.Done](t, b); status != 200 || d.ID != "7d0e" || d.Chamber.Batches[0].FreshG != 300 {
			t.Fatalf("%d %s", status, b)
		}
	}
	if _, _, b := s.ask(t, "POST", path, `{"fresh_g":300}`, "Idempotency-Key", "7d0e"); decoded[api.Done](t, b).Chamber.Batches[0].FreshG != 300 {
		t.Errorf("the header's id was done again: %s", b)
	}
	if status, _, _ := s.ask(t, "POST", path, body, "Idempotency-Key", "other"); status != 400 {
		t.Errorf("two ids: %d", status)
	}
	if _, _, b := s.ask(t, "POST", path, `{"fresh_g":200}`); decoded[api.Done](t, b).Chamber.Batches[0].FreshG != 500 {
		t.Errorf("another harvest was not recorded: %s", b)
	}
}

// TestActionSaysWhenAndHow: the journal keeps when an action was done and how it came.
func TestActionSaysWhenAndHow(t *testing.T) {
	s := serve(t, nil)
	if status, _, b := s.ask(t, "POST", "/api/v1/chambers/loft/refill", `{"note":"tap water"}`); status != 200 {
		t.Fatalf("%d %s", status, b)
	}
	events, err := s.Events(t.Context(), "loft", webtest.Start, s.Now().Add(time.Second))
	if err != nil {
		t.Fatal(err)
	}
	var last *policy.Action
	for i := range events {
		if events[i].Kind == policy.PersonActed {
			last = events[i].Action
		}
	}
	if last == nil || last.Kind != policy.Refilled || !last.At.Equal(s.Now()) || last.By != "api" || last.Note != "tap water" {
		t.Errorf("the last action is %+v", last)
	}
}

func TestUnavailable(t *testing.T) {
	s := serve(t, nil)
	s.SetFailing(errors.New("the journal does not take the action: disk full"))
	status, h, body := s.ask(t, "POST", "/api/v1/chambers/loft/refill", "{}")
	p := decoded[api.Problem](t, body)
	if status != 503 || p.Code != "unavailable" || !strings.Contains(p.Detail, "disk full") || h.Get("Retry-After") == "" {
		t.Errorf("%d %s", status, body)
	}
}

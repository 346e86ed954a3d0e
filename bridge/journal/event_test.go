package journal

import (
	"encoding/json"
	"math"
	"reflect"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/reason"
)

// TestEventsAreKept: what is packed is read back, its numbers to six digits and its moments to the millisecond.
func TestEventsAreKept(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := time.Unix(0, rapid.Int64Range(1, 4e18).Draw(t, "at")).UTC()
		e := policy.Event{At: at, Kind: policy.PlugSwitched, Plug: "mister", On: rapid.Bool().Draw(t, "on")}
		for range rapid.IntRange(0, 3).Draw(t, "n") {
			r := reason.Reason{Code: reason.BelowAim, Value: rapid.Float64Range(-1e6, 1e6).Draw(t, "value"),
				Bound: rapid.Float64Range(0, 1).Draw(t, "bound"), For: time.Duration(rapid.Int64Range(0, 1e7).Draw(t, "ms")) * time.Millisecond}
			if rapid.Bool().Draw(t, "measured") {
				r.Quantity = rapid.SampledFrom(chamber.Quantities()).Draw(t, "quantity")
			}
			if rapid.Bool().Draw(t, "until") {
				r.Until = at.Add(time.Duration(rapid.Int64Range(1, 1e8).Draw(t, "until ms")) * time.Millisecond)
			}
			if rapid.Bool().Draw(t, "other") {
				r.Other = rapid.String().Draw(t, "other's name")
			}
			if rapid.Bool().Draw(t, "planned") {
				r.Plan = drawnPlan(t)
			}
			e.Reasons = append(e.Reasons, r)
		}
		body, err := packed(&e)
		if err != nil {
			t.Fatal(err)
		}
		got, err := unpacked(string(body), nano(at), string(e.Kind), e.Plug)
		if err != nil {
			t.Fatal(err)
		}
		for i := range e.Reasons {
			for _, x := range [][2]*float64{{&e.Reasons[i].Value, &got.Reasons[i].Value}, {&e.Reasons[i].Bound, &got.Reasons[i].Bound}} {
				if math.Abs(*x[0]-*x[1]) > 1e-5*math.Abs(*x[0]) {
					t.Fatalf("%v became %v", *x[0], *x[1])
				}
				*x[1] = *x[0]
			}
			e.Reasons[i].Other = tame(e.Reasons[i].Other)
		}
		if !reflect.DeepEqual(e, got) {
			t.Fatalf("%s\nwas %+v\nis  %+v", body, e, got)
		}
	})
}

// drawnPlan holds what a plan holds: whole seconds, and air as finely as reasons have it.
func drawnPlan(t *rapid.T) *reason.Plan {
	span := func(name string) time.Duration {
		return time.Duration(rapid.IntRange(0, 600).Draw(t, name)) * time.Second
	}
	air := func(name string) reason.Air {
		return reason.Air{RH: rapid.Float64Range(0, 1).Draw(t, name), CO2: rapid.Float64Range(300, 9e4).Draw(t, name), AirC: rapid.Float64Range(-5, 40).Draw(t, name)}.Rounded()
	}
	course := func(name string) reason.Course { return reason.Course{Low: air(name), High: air(name), End: air(name)} }
	return &reason.Plan{Ahead: span("ahead"), Runs: rapid.Bool().Draw(t, "runs"), In: span("in"), For: span("for"), Level: float64(rapid.IntRange(0, 10).Draw(t, "tenths")) / 10, Now: air("now"),
		With: course("with"), Without: course("without"), Decided: rapid.SampledFrom([]reason.Cost{"", reason.TooDry, reason.FanRun}).Draw(t, "decided"),
		Trim: float64(rapid.IntRange(-25, 25).Draw(t, "trim")) / 1000}
}

// tame is a text as JSON carries it.
func tame(s string) string {
	b, _ := json.Marshal(s)
	_ = json.Unmarshal(b, &s)
	return s
}

// TestOldEventsAreRead: bodies of before are the whole event.
func TestOldEventsAreRead(t *testing.T) {
	old := `{"at":"2026-03-01T00:00:00.5Z","kind":"plug_switched","plug":"fan","on":true,"reasons":[{"code":"fresh_air","value":4,"bound":0,"predicted":0}]}`
	got, err := unpacked(old, 1, "plug_switched", "fan")
	must(t, err)
	if !got.On || got.At.Nanosecond() != 5e8 || len(got.Reasons) != 1 || got.Reasons[0].Code != reason.FreshAir || got.Reasons[0].Value != 4 {
		t.Errorf("got %+v", got)
	}
}

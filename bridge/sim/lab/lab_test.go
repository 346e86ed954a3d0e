package lab

import (
	"bytes"
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

// shortPlan is the laboratory in a few seconds.
func shortPlan(t *testing.T, names ...string) Plan {
	p := Plan{Seed: 3, Chambers: 1, Healthy: 12 * time.Hour, Rules: true}
	for _, n := range names {
		k, ok := KindNamed(n)
		if !ok {
			t.Fatalf("there is no kind %q", n)
		}
		p.Kinds = append(p.Kinds, k)
	}
	return p
}

// TestLaboratory is the short version of gillkeeper trial: nothing that must hold is broken, every fault is found, no
// alarm comes without a cause, and the same plan gives the same report.
func TestLaboratory(t *testing.T) {
	plan := shortPlan(t, "mister_dead", "rh_silent", "link_down", "killed", "hand_at_plug")
	r, err := plan.Run(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range r.Bad {
		t.Errorf("%s: %s", b.Replay(), b.What)
	}
	for _, l := range r.Kinds {
		if l.Thrown != 1 {
			t.Errorf("%s was thrown %d times", l.Kind, l.Thrown)
		}
	}
	if r.HealthyDays < 0.2 || r.FaultDays < 0.5 {
		t.Errorf("only %.2f healthy days and %.2f with faults were looked at", r.HealthyDays, r.FaultDays)
	}
	again, err := Plan{Seed: 3, Chambers: 1, Healthy: plan.Healthy, Rules: true, Kinds: plan.Kinds[1:2]}.Run(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	once, err := plan.Replay(t.Context(), Throw{Seed: 3, Kinds: plan.Kinds[1:2]}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := once.Kinds[0].Median, again.Kinds[0].Median; got != want || got != r.Kinds[1].Median {
		t.Errorf("the same throw was found after %v, %v and %v minutes", got, want, r.Kinds[1].Median)
	}
}

// TestExaminerSees breaks, by hand, what the examiner must see.
func TestExaminerSees(t *testing.T) {
	plan := shortPlan(t)
	c, err := draw(3, &plan)
	if err != nil {
		t.Fatal(err)
	}
	base, err := begin(c, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	base.advance(t.Context(), time.Hour)
	e := base.exam
	if len(e.broken) > 0 {
		t.Fatalf("broken in a sound chamber: %q", e.broken)
	}
	e.heard[0].at = e.last.Add(-time.Hour) // what the policy uses is an hour old, for all that was said
	e.heard[2].at = e.last.Add(-time.Hour)
	e.estimate(1, 1, e.last, time.Hour)
	e.runFor[0], e.rig.Outlets[0].On = 4000, true
	e.watchOutlets(time.Hour, 8)
	e.state.Reservoir.Dry = true
	e.resumed()
	for _, want := range []string{"rests on no sensor", "has run for", "still counts as dry"} {
		if !slices.ContainsFunc(e.broken, func(s string) bool { return strings.Contains(s, want) }) {
			t.Errorf("did not see %q in %q", want, e.broken)
		}
	}
}

func TestReportCounts(t *testing.T) {
	plan := shortPlan(t, "fan_blocked", "messages_late")
	k := plan.Kinds
	var o outcome
	o.add(Result{Throw: Throw{Seed: 1}, Days: 2, Healthy: 1.75, False: []Raise{{Alarm: "fan_failed"}}, Told: []Raise{{Alarm: "fan_failed"}, {Alarm: "reservoir_low"}}})
	for i := range 20 {
		o.add(Result{Throw: Throw{Seed: 1, Kinds: k[:1]}, Days: 0.5, Found: []Finding{{Kind: k[0].Name, Expects: true, Found: i > 0, Minutes: float64(i)}}})
	}
	o.add(Result{Throw: Throw{Seed: 1, Kinds: k[1:]}, Days: 0.5, Found: []Finding{{Kind: k[1].Name}}, Broken: []string{"at all"}})
	r := plan.report([]outcome{o})
	l := r.Kinds[0]
	// Nineteen delays 1…19: the tenth is the median, the nineteenth the 95th percentile (nearest rank above 18.05).
	if l.Thrown != 20 || l.Expects != 20 || l.Missed != 1 || l.Median != 10 || l.P95 != 19 {
		t.Errorf("the line says %+v", l)
	}
	if r.False != 1 || r.Told != 2 || r.Broken != 1 || math.Abs(r.HealthyDays-1.75) > 1e-9 || math.Abs(r.FaultDays-10.5) > 1e-9 {
		t.Errorf("the report says %+v", r)
	}
	var b bytes.Buffer
	r.Print(&b)
	if s := b.String(); !strings.Contains(s, "1 of 20") || !strings.Contains(s, "57.14 in 100 days") {
		t.Errorf("printed:\n%s", s)
	}
}

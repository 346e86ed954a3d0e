package policy_test

import (
	"encoding/json"
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/air"
	"gillkeeper/policy/air/salt"
	"gillkeeper/policy/calibration"
	"gillkeeper/policy/chamber"
)

// TestRepeats: an action that is sent again, later, is the same; one that says anything else is not.
func TestRepeats(t *testing.T) {
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	salted := func(reading float64, when time.Time) *calibration.Correction {
		return &calibration.Correction{Method: calibration.Salts, Quantity: chamber.RelativeHumidity, At: when, Slope: 1, Offset: 0.753 - reading,
			Points: []calibration.Point{{Salt: salt.SodiumChloride, TemperatureC: 20, Reading: air.Ratio(reading)}}}
	}
	base := func() policy.Action {
		return policy.Action{ID: "a", Kind: policy.Correct, At: at, By: "command", When: at.Add(-6 * time.Hour), Inoculated: at.Add(-240 * time.Hour),
			Marks: []string{"first"}, Of: "h", Amended: &policy.Action{FreshG: 480, When: at.Add(-5 * time.Hour)}, Calibration: salted(0.74, at)}
	}
	old := base()
	body, err := json.Marshal(&old) // as a journal keeps it
	if err != nil {
		t.Fatal(err)
	}
	var kept policy.Action
	if err := json.Unmarshal(body, &kept); err != nil {
		t.Fatal(err)
	}
	kept.Batch, kept.Outcome = "oyster", &policy.Outcome{Gone: []string{"x"}}
	for name, c := range map[string]struct {
		change func(*policy.Action)
		same   bool
	}{
		"sent again": {func(a *policy.Action) {}, true},
		"sent a minute later": {func(a *policy.Action) {
			a.At, a.When, a.Inoculated = a.At.Add(time.Minute), a.When.Add(time.Minute), a.Inoculated.Add(time.Minute)
			a.Amended.When, a.Calibration.At, a.By = a.Amended.When.Add(time.Minute), at.Add(time.Minute), "page"
		}, true},
		"an empty list":             {func(a *policy.Action) { a.Photos = []string{} }, true},
		"inoculated another day":    {func(a *policy.Action) { a.Inoculated = a.Inoculated.Add(24 * time.Hour) }, false},
		"no time of inoculation":    {func(a *policy.Action) { a.Inoculated = time.Time{} }, false},
		"for another moment":        {func(a *policy.Action) { a.When = a.When.Add(-time.Hour) }, false},
		"for now":                   {func(a *policy.Action) { a.When = time.Time{} }, false},
		"corrected otherwise":       {func(a *policy.Action) { a.Amended.FreshG = 4800 }, false},
		"corrected to another hour": {func(a *policy.Action) { a.Amended.When = at }, false},
		"without what it corrects":  {func(a *policy.Action) { a.Amended = nil }, false},
		"another reading":           {func(a *policy.Action) { a.Calibration = salted(0.70, at) }, false},
		"no calibration":            {func(a *policy.Action) { a.Calibration = nil }, false},
		"another mark":              {func(a *policy.Action) { a.Marks = []string{"second"} }, false},
		"another batch":             {func(a *policy.Action) { a.Batch = "lion" }, false},
		"an entry more":             {func(a *policy.Action) { a.Entries = []policy.Action{{}} }, false},
	} {
		a := base()
		c.change(&a)
		if a.Repeats(&kept) != c.same {
			t.Errorf("%s: the same is %v, want %v", name, !c.same, c.same)
		}
	}
}

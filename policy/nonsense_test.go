package policy_test

import (
	"math"
	"reflect"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gillkeeper/policy/learn"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// nonsense replaces values of what was learned by anything that their type can hold: numbers that are none, infinite,
// negative or huge, numbers that are only wrong, counters and times of any kind.
func nonsense(t *rapid.T, v reflect.Value, often int) {
	switch {
	case v.Type() == reflect.TypeFor[time.Time]():
		if rapid.IntRange(0, 99).Draw(t, "which") < often {
			v.Set(reflect.ValueOf(time.Unix(rapid.Int64Range(-1e10, 1e10).Draw(t, "time"), 0).UTC()))
		}
		return
	case v.Kind() == reflect.Struct:
		for i := range v.NumField() {
			nonsense(t, v.Field(i), often)
		}
		return
	case v.Kind() == reflect.Array:
		for i := range v.Len() {
			nonsense(t, v.Index(i), often)
		}
		return
	}
	if rapid.IntRange(0, 99).Draw(t, "which") >= often {
		return
	}
	switch v.Kind() {
	case reflect.Float64:
		v.SetFloat(rapid.OneOf(
			rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, -1, 1e300, -1e300, 1e-300}),
			rapid.Float64(),
			rapid.Map(rapid.Float64Range(-4, 4), func(by float64) float64 { return v.Float() + by }), // wrong, and quite possible
			rapid.Map(rapid.Float64Range(-2, 2), func(by float64) float64 { return v.Float() * by }),
		).Draw(t, "number"))
	case reflect.Int, reflect.Int64:
		v.SetInt(rapid.Int64().Draw(t, "count"))
	case reflect.Bool:
		v.SetBool(rapid.Bool().Draw(t, "flag"))
	}
}

// TestNonsenseLearnedDoesNoHarm replaces what was learned by nonsense after an hour in drawn chambers: control must not be
// worse than common practice for it, nor break a minimum time. The suite takes a few drawings; GILLKEEPER_SEEDS more.
func TestNonsenseLearnedDoesNoHarm(t *testing.T) {
	t.Parallel()
	if raceDetector {
		t.Skip("no goroutine takes part")
	}
	// alike is what a few hours may differ by chance, and what an hour of learning anew may cost CO2 where common practice
	// never passes its maximum.
	const alike = 0.03
	for i := range number("GILLKEEPER_SEEDS", 4) {
		stage := []species.Stage{species.Fruiting, species.Pinning}[i%2]
		c := rehearse.FamilyCase(uint64(40+i), stage)
		c.For, c.Settle, c.Actions = 4*time.Hour, 90*time.Minute, batch(stage)
		run, err := rehearse.New(c, rehearse.NewCommonPractice(c.Spec, c.Target, rehearse.CarefulTimer(c)))
		if err != nil {
			t.Fatal(err)
		}
		theirs := run.Finish()
		often := []int{2, 10, 40, 100}[i%4]
		spoil := func(s *learn.State) {
			rapid.Custom(func(t *rapid.T) bool { nonsense(t, reflect.ValueOf(s).Elem(), often); return true }).Example(i)
		}
		run, err = rehearse.New(c, &spoiler{PolicyController: rehearse.NewPolicyController(familyPolicy(t, c), c.Start), at: c.Start.Add(time.Hour), spoil: spoil})
		if err != nil {
			t.Fatal(err)
		}
		ours := run.Finish()
		t.Logf("drawing %d, %d %% of values, %s: ±5 %.1f against %.1f, CO2 %.1f against %.1f", i, often, stage, 100*ours.RHWithin5, 100*theirs.RHWithin5, 100*ours.CO2BelowMax, 100*theirs.CO2BelowMax)
		if ours.RHWithin5 < theirs.RHWithin5-alike || ours.CO2BelowMax < theirs.CO2BelowMax-alike || ours.Violations > 0 {
			t.Errorf("drawing %d: ±5 %.1f against %.1f, CO2 %.1f against %.1f, %d minimum times broken", i,
				100*ours.RHWithin5, 100*theirs.RHWithin5, 100*ours.CO2BelowMax, 100*theirs.CO2BelowMax, ours.Violations)
		}
	}
}

package policy_test

import (
	"fmt"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// familyPolicy is the real policy for a chamber of the family, aiming at the family's target by the grower's own row.
func familyPolicy(t testing.TB, c *rehearse.Case) *policy.Policy {
	t.Helper()
	w := c.Target
	table, err := species.Builtin().With([]species.Override{{
		Species: "pleurotus-ostreatus", Stage: w.Stage,
		RelativeHumidity: species.Range{Low: w.RelativeHumidity.Low, High: w.RelativeHumidity.High},
		TemperatureC:     species.Range{Low: w.TemperatureC.Low, High: w.TemperatureC.High},
		CO2MaxPPM:        new(w.CO2MaxPPM),
	}})
	if err != nil {
		panic(err) // may run beside others, where Fatal must not
	}
	return &policy.Policy{Spec: c.Spec, Climates: table}
}

func batch(stage species.Stage) []policy.Action {
	return []policy.Action{{ID: "b1", Kind: policy.BatchAdd, Batch: "b1", Species: "pleurotus-ostreatus", Stage: stage, SubstrateKg: 12, DryKg: 4}}
}

// TestControlBeatsCommonPractice runs the real policy, with its plan and by its rules alone, and common practice on the
// same simulated chambers, weather and seeds. The suite runs a few seeds for some hours; GILLKEEPER_SEEDS and
// GILLKEEPER_DAYS make it the whole comparison.
func TestControlBeatsCommonPractice(t *testing.T) {
	t.Parallel()
	alike := 0.0
	seeds, length, whole := extent(4, 10*time.Hour, 8*time.Hour)
	if !whole {
		alike = 0.01 // hours in which common practice may never pass the maximum either
	}
	for _, stage := range []species.Stage{species.Pinning, species.Fruiting} {
		runs := compareAll(t, seeds, stage, length)
		for by, name := range map[keeper]string{planned: "planned", byRules: "rules alone"} {
			judge(t, fmt.Sprintf("%s, %s, %d seeds × %v", stage, name, seeds, length), runs[by], runs[byPractice], alike)
		}
	}
}

// extent is how many chambers are kept for how long: what GILLKEEPER_SEEDS and GILLKEEPER_DAYS say, which makes it the whole, or
// so many for some hours, and one for fewer under the race detector.
func extent(seeds int, hours, raced time.Duration) (n int, d time.Duration, whole bool) {
	n = number("GILLKEEPER_SEEDS", seeds)
	switch days := number("GILLKEEPER_DAYS", 0); {
	case days > 0:
		return n, time.Duration(days) * 24 * time.Hour, true
	case raceDetector:
		return 1, raced, false
	}
	return n, hours, false
}

// judge compares the figures of two keepers, seed by seed.
func judge(t *testing.T, what string, ours, theirs []rehearse.Figures, alike float64) {
	t.Helper()
	var table strings.Builder
	for i, o := range ours {
		p := theirs[i]
		fmt.Fprintf(&table, "%4d  ±2.5 %5.1f  ±5 %5.1f / %5.1f  mean %5.1f  sat %5.1f  CO2 %5.1f / %5.1f  mean %5.0f  switches %4.1f + %4.1f  water %4.2f / %4.2f\n", i+1,
			100*o.RHWithin2_5, 100*o.RHWithin5, 100*p.RHWithin5, 100*o.RHMean, 100*o.RHSaturated, 100*o.CO2BelowMax, 100*p.CO2BelowMax, o.CO2Mean,
			o.SwitchesPerHour["humidifier"], o.SwitchesPerHour["exhaust_fan"], o.WaterLitersPerDay, p.WaterLitersPerDay)
		if o.Violations > 0 {
			t.Errorf("%s, seed %d: %d switchings sooner than the plug's minimum time", what, i+1, o.Violations)
		}
	}
	rh := func(f rehearse.Figures) float64 { return f.RHWithin5 }
	co2 := func(f rehearse.Figures) float64 { return f.CO2BelowMax }
	possible := func(f rehearse.Figures) float64 { return f.CO2BelowMaxPossible }
	t.Logf("%s (ours / common practice)\n%smean ±5 %.1f / %.1f, p10 %.1f / %.1f; mean CO2 %.1f / %.1f, p10 %.1f / %.1f; where the room allows it %.1f / %.1f, p10 %.1f / %.1f",
		what, table.String(), mean(ours, rh), mean(theirs, rh), p10(ours, rh), p10(theirs, rh), mean(ours, co2), mean(theirs, co2), p10(ours, co2), p10(theirs, co2),
		mean(ours, possible), mean(theirs, possible), p10(ours, possible), p10(theirs, possible))
	for name, f := range map[string]func(rehearse.Figures) float64{"RH within 5 points": rh, "CO2 below maximum": co2} {
		better := 0
		for i := range ours {
			if f(ours[i]) >= f(theirs[i])-alike {
				better++
			}
		}
		worse := p10(ours, f) < p10(theirs, f) && (alike == 0 || len(ours) >= 10) // the worst of four seeds is one chamber
		if mean(ours, f) <= mean(theirs, f)-alike || worse || better*4 < len(ours)*3 {
			t.Errorf("%s, %s: mean %.1f against %.1f, 10th percentile %.1f against %.1f, better on %d of %d", what, name,
				mean(ours, f), mean(theirs, f), p10(ours, f), p10(theirs, f), better, len(ours))
		}
	}
}

// keeper is who keeps a chamber.
type keeper int

const (
	planned keeper = iota
	byRules
	byPractice
	keepers
	byOracle  // the plan with perfect sensors
	byNoNoise // the plan with sensors that are off as ever, but without noise
)

// compareAll runs every keeper on seeds 1 to n.
func compareAll(t *testing.T, n int, stage species.Stage, d time.Duration) (all [keepers][]rehearse.Figures) {
	for by := range keepers {
		all[by] = make([]rehearse.Figures, n)
	}
	sideBySide(n*int(keepers), func(i int) {
		seed, by := i/int(keepers), keeper(i%int(keepers))
		all[by][seed] = keep(t, by, uint64(seed)+1, stage, d)
	})
	return all
}

// inPairs runs two keepers on each of so many seeds.
func inPairs(seeds int, run func(seed, of int) rehearse.Figures) (all [2][]rehearse.Figures) {
	for i := range all {
		all[i] = make([]rehearse.Figures, seeds)
	}
	sideBySide(2*seeds, func(i int) { all[i%2][i/2] = run(i/2, i%2) })
	return all
}

// shares are the figures that keepers are compared by.
var shares = []struct {
	name string
	of   func(rehearse.Figures) float64
}{
	{"RH within 2.5 points", func(f rehearse.Figures) float64 { return f.RHWithin2_5 }},
	{"RH within 5 points", func(f rehearse.Figures) float64 { return f.RHWithin5 }},
	{"CO2 below maximum", func(f rehearse.Figures) float64 { return f.CO2BelowMax }},
}

// sideBySide does the work of each number below n, as many at once as the machine has cores.
func sideBySide(n int, work func(i int)) {
	jobs := make(chan int)
	var group sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		group.Go(func() {
			for i := range jobs {
				work(i)
			}
		})
	}
	for i := range n {
		jobs <- i
	}
	close(jobs)
	group.Wait()
}

// course is what decides how a chamber of the family is kept.
type course struct {
	by     keeper
	seed   uint64
	stage  species.Stage
	length time.Duration
}

// courses are those that were asked for: tests that look at the same one share it.
var courses sync.Map

func keep(t *testing.T, by keeper, seed uint64, stage species.Stage, d time.Duration) rehearse.Figures {
	t.Helper()
	x := course{by, seed, stage, d}
	once, _ := courses.LoadOrStore(x, sync.OnceValues(func() (rehearse.Figures, error) { return x.run(t) }))
	f, err := once.(func() (rehearse.Figures, error))()
	if err != nil {
		t.Error(err)
	}
	return f
}

func (x course) run(t *testing.T) (rehearse.Figures, error) {
	c := rehearse.FamilyCase(x.seed, x.stage)
	run, err := x.start(t, c, min(c.Settle, x.length/3))
	if err != nil {
		return rehearse.Figures{}, err
	}
	return run.Finish(), nil
}

// start sets the course up in that chamber, with so much left out of the figures.
func (x course) start(t *testing.T, c *rehearse.Case, settle time.Duration) (*rehearse.Run, error) {
	c.For, c.Settle, c.Actions = x.length, settle, batch(x.stage)
	switch p := familyPolicy(t, c); x.by {
	case byPractice:
		return rehearse.New(c, rehearse.NewCommonPractice(c.Spec, c.Target, rehearse.CarefulTimer(c)))
	case byOracle, byNoNoise:
		return rehearse.NewOracle(c, p, x.by == byOracle)
	default:
		p.Rules = x.by == byRules
		return rehearse.New(c, rehearse.NewPolicyController(p, c.Start))
	}
}

func mean(all []rehearse.Figures, f func(rehearse.Figures) float64) float64 {
	sum := 0.0
	for _, x := range all {
		sum += f(x)
	}
	return 100 * sum / float64(len(all))
}

func p10(all []rehearse.Figures, f func(rehearse.Figures) float64) float64 {
	var v []float64
	for _, x := range all {
		v = append(v, 100*f(x))
	}
	slices.Sort(v)
	return v[len(v)/10]
}

func number(name string, otherwise int) int {
	if n, err := strconv.Atoi(os.Getenv(name)); err == nil && n > 0 {
		return n
	}
	return otherwise
}

package alarm_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"reflect"
	"slices"
	"sync"
	"testing"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/species"
)

// The long version: go test -run TestDry -v -chambers 50 -days 10 -seed 1000
var (
	chambers  = flag.Int("chambers", 1, "simulated chambers of each kind in the tests of detection")
	days      = flag.Float64("days", 0.6, "healthy days of each before its reservoir runs dry")
	firstSeed = flag.Uint64("seed", 400, "seed of the first simulated chamber")
)

// tank feeds a reservoir by hand: pulses, power, no air.
type tank struct {
	now  time.Time
	spec chamber.Plug
	plug guard.Plug
	r    alarm.Reservoir
	saw  int
	late float64 // seconds
	air  float64 // g/h of mist by the answer of the air; 0: not known
}

func newTank() *tank {
	return &tank{now: benchStart, spec: chamber.Plug{Name: "mister", Role: chamber.Humidifier, OutputGPerH: 300, ReservoirLiters: 5, Meters: true},
		plug: guard.Plug{Known: true}}
}

// ranTank is a tank whose humidifier's running power is known.
func ranTank() *tank {
	k := newTank()
	for range 10 {
		k.pulse(25)
	}
	return k
}

func (k *tank) step(d time.Duration, watts ...float64) {
	k.now = k.now.Add(d)
	w := alarm.Water{Now: k.now, Spec: &k.spec, Plug: k.plug, Late: k.late, MistGPerH: k.air}
	for _, x := range watts {
		w.Reports = append(w.Reports, chamber.PlugReport{At: k.now, HasWatts: true, Watts: x})
	}
	var refilled bool
	if k.r, refilled = k.r.Advance(&w); refilled {
		k.saw++
	}
}

func (k *tank) turn(on bool) { k.plug.On, k.plug.Told, k.plug.ChangedAt = on, on, k.now }

// pulse is a minute of mist with a report of power every ten seconds, then a minute of rest.
func (k *tank) pulse(watts float64) {
	k.turn(true)
	k.step(time.Second)
	for range 6 {
		k.step(10*time.Second, watts)
	}
	k.turn(false)
	for range 6 {
		k.step(10*time.Second, 0.3)
	}
}

func TestDryByPower(t *testing.T) {
	k := ranTank()
	k.turn(true)
	k.step(time.Second)
	k.step(9*time.Second, 4) // still spinning up, for all that is known
	k.step(10*time.Second, 4)
	if k.r.Dry {
		t.Fatal("dry after one report")
	}
	k.step(10*time.Second, 4)
	if !k.r.Dry || k.r.How != alarm.ByPower {
		t.Fatalf("two reports at a sixth of the running power, half a minute on: %+v", k.r)
	}
	if k.r.Liters != 0 || !k.r.Known || k.r.EmptyIn != 0 {
		t.Errorf("dry, and yet %v liters for %s", k.r.Liters, k.r.EmptyIn)
	}
	k.turn(false)
	until, resting := k.r.Resting(k.now)
	if !resting || until.Sub(k.r.DrySince) != 15*time.Minute {
		t.Errorf("rests until %s", until)
	}
}

func TestReportOnChangeSaysItOnce(t *testing.T) {
	k := ranTank()
	k.turn(true)
	k.step(time.Second)
	k.step(20*time.Second, 4)
	for range 4 {
		k.step(10 * time.Second)
	}
	if !k.r.Dry {
		t.Error("one low report that nothing contradicted for forty seconds of on-time")
	}
}

// Where what a plug says comes late and out of order, its power in the first half minute of a run may be that of the pause.
func TestLatePowerIsNotDry(t *testing.T) {
	for _, late := range []float64{0, 30} {
		k := ranTank()
		k.late = late
		k.turn(true)
		k.step(time.Second)
		k.step(18*time.Second, 0.3)
		k.step(8*time.Second, 0.3)
		if want := late == 0; k.r.Dry != want {
			t.Errorf("no power in the first half minute of a run, reports %v s late: dry %v, want %v", late, k.r.Dry, want)
		}
		k.step(22*time.Second, 0.3)
		k.step(10*time.Second, 0.3)
		if !k.r.Dry {
			t.Error("no power for a minute, and not dry")
		}
	}
}

// A dry humidifier is tried for a minute. Where reports come half a minute late there is hardly one that is surely of that minute;
// but one that says the power of a run is, since there was none to say so for a quarter of an hour.
func TestLatePowerShowsWater(t *testing.T) {
	k := ranTank()
	k.late = 30
	for range 4 {
		k.turn(true)
		k.step(time.Second)
		for range 6 {
			k.step(10*time.Second, 0.3)
		}
		k.turn(false)
		k.step(time.Minute)
	}
	if !k.r.Dry {
		t.Fatal("no power in four runs, and not dry")
	}
	k.step(15 * time.Minute)
	k.turn(true)
	k.step(time.Second)
	k.step(20*time.Second, 25)
	k.step(20*time.Second, 25)
	if k.r.Dry {
		t.Error("dry, though it draws the power of a run")
	}
}

// What is taken for a hand at the plug may be an old word that was overtaken: the plug is off, and draws no power.
func TestAHandThatMayBeNoneMakesNothingDry(t *testing.T) {
	for _, late := range []float64{0, 30} {
		k := ranTank()
		k.late = late
		k.turn(true)
		k.plug.Hand = guard.Hand{Active: true, On: true, AtPlug: true}
		k.step(time.Second)
		for range 20 {
			k.step(10*time.Second, 0.3)
		}
		if want := late == 0; k.r.Dry != want {
			t.Errorf("no power under a hand, reports %v s late: dry %v, want %v", late, k.r.Dry, want)
		}
	}
}

func TestSwitchedOffAtTheButtonIsNotDry(t *testing.T) {
	k := ranTank()
	for range 5 {
		k.turn(true)
		k.step(time.Second)
		k.step(30*time.Second, 25)
		k.step(2*time.Second, 0.3) // power first
		k.turn(false)              // then the state
		k.step(time.Minute, 0.3)
	}
	if k.r.Dry {
		t.Error("a plug that says its power before its state made it dry")
	}
}

func TestProbesGrowRarerAndARefillIsNoticed(t *testing.T) {
	k := ranTank()
	k.pulse(4)
	if !k.r.Dry {
		t.Fatal("not dry")
	}
	var gaps []time.Duration
	last := k.r.DrySince
	for k.now.Sub(benchStart) < 6*time.Hour {
		if _, resting := k.r.Resting(k.now); resting {
			k.step(10 * time.Second)
			continue
		}
		gaps = append(gaps, k.now.Sub(last).Round(5*time.Minute))
		last = k.now
		k.turn(true)
		for range 7 {
			k.step(10*time.Second, 4)
		}
		k.turn(false)
		for range 24 {
			k.step(10 * time.Second)
		}
	}
	want := []time.Duration{15 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour, time.Hour}
	if len(gaps) < len(want) || !slices.Equal(gaps[:len(want)], want) {
		t.Errorf("probed after %v, want %v", gaps, want)
	}
	k.pulse(25)
	if k.r.Dry || k.saw != 1 || !k.r.Noticed || k.r.Liters < 4.9 {
		t.Errorf("mist works again: %d refills noticed, %+v", k.saw, k.r)
	}
}

// TestRefillBeforeAnyStep: after a journal was lost, what people did is done anew on a state that never took a step. A full reservoir
// is full then too, and the state can be written.
func TestRefillBeforeAnyStep(t *testing.T) {
	for _, rating := range []float64{300, 0} { // with and without a label
		k := newTank()
		k.spec.OutputGPerH = rating
		k.r = k.r.Refill(&k.spec, 0, k.now)
		if !k.r.Known || k.r.Liters != 5 || k.r.Low != 5 || k.r.High != 5 {
			t.Errorf("label %g g/h: it holds %g L, between %g and %g, want 5", rating, k.r.Liters, k.r.Low, k.r.High)
		}
		if _, err := json.Marshal(&k.r); err != nil {
			t.Errorf("label %g g/h: %v", rating, err)
		}
	}
}

func TestRefillIsBounded(t *testing.T) {
	k := newTank()
	k.step(time.Second)
	for _, c := range []struct{ said, want float64 }{{0, 5}, {2.5, 2.5}, {50, 5}, {-1, 5}} {
		if r := k.r.Refill(&k.spec, c.said, k.now); r.Liters != c.want || !r.Known || r.Dry {
			t.Errorf("refill %v gives %v liters, want %v", c.said, r.Liters, c.want)
		}
	}
}

// A label's 300 g/h, while the humidifier draws 240: the stated interval must hold the truth on the first filling, and
// the forecast be right on the second. Water is counted here by hand: 40 s on in every 4 min, 15 s of even spin-up, so
// (40 − 7.5) s of full output.
func TestHoursLeft(t *testing.T) {
	const trueRate, grams = 240.0, 5000.0
	perPulse := trueRate / 3600 * (40 - 7.5)
	k := newTank()
	for range 10 { // learns the running power
		k.pulse(25)
	}
	k.r = k.r.Refill(&k.spec, 0, k.now)
	if k.r.Output().Known {
		t.Error("the output counts as known by a label alone")
	}
	for filling := 1; filling <= 2; filling++ {
		left, inside, checked, firstWide := grams, 0, 0, 0.0
		var dayAhead float64
		trueHours := func() float64 { return left / perPulse * 4 / 60 }
		for left > 0 {
			k.turn(true)
			for range 20 {
				k.step(2 * time.Second)
			}
			k.turn(false)
			for range 20 {
				k.step(10 * time.Second)
			}
			left -= perPulse
			checked++
			if k.r.Low*1000 <= left && left <= k.r.High*1000 {
				inside++
			}
			if firstWide == 0 && left < 2500 {
				firstWide = k.r.High - k.r.Low
			}
			if dayAhead == 0 && trueHours() < 24 {
				dayAhead = k.r.EmptyIn.Hours() - trueHours()
			}
		}
		t.Logf("filling %d: inside the interval %d of %d, width at half %.2f l, error a day ahead %+.2f h", filling, inside, checked, firstWide, dayAhead)
		if float64(inside) < 0.9*float64(checked) {
			t.Errorf("filling %d: the interval held the truth %d of %d times", filling, inside, checked)
		}
		if filling == 2 && (math.Abs(dayAhead) > 1 || firstWide > 0.5) {
			t.Errorf("second filling: wrong by %.2f h a day ahead, %.2f l wide", dayAhead, firstWide)
		}
		if filling == 2 {
			drawn := trueRate * (40 - 7.5) / 40 // in an hour of on-time, with the spin-up of each run
			if x := k.r.Output(); !x.Known || math.Abs(x.Value-drawn) > 0.05*drawn || x.HalfWidth() > 0.1*drawn {
				t.Errorf("it draws %.0f g in an hour of on-time; learned as %+v, ±%.0f", drawn, x, x.HalfWidth())
			}
		}
		k.pulse(4)
		if !k.r.Dry {
			t.Fatal("not dry")
		}
		k.r = k.r.Refill(&k.spec, 0, k.now)
	}
}

// TestOutputByLabelAndAir: a label of 300 g/h and air that shows 174 g/h of vapor, which is usually 0.87 of what is drawn, are worth about
// the same, so it is their geometric mean, 245 g/h, and known better than by either.
func TestOutputByLabelAndAir(t *testing.T) {
	k := newTank()
	k.air = 0.87 * 200
	k.turn(true)
	for range 600 {
		k.step(time.Second)
	}
	x := k.r.Output()
	low, high := x.Interval()
	if !x.Known || math.Abs(x.Value-math.Sqrt(300*200)) > 10 || low < 175 || high > 340 {
		t.Errorf("%+v, %.0f to %.0f", x, low, high)
	}
}

// lasts runs pulses of a minute in every two minutes until so many grams are gone, at 240 g/h of full output and 15 s of even spin-up,
// and gives the hours that it took.
func (k *tank) lasts(grams float64) float64 {
	begun := k.now
	for ; grams > 0; grams -= 240.0 / 3600 * (61 - 7.5) {
		k.pulse(25)
	}
	return k.now.Sub(begun).Hours()
}

// knownTank is a tank of a liter whose output was seen from full to dry twice, and that was just filled again.
func knownTank(t *testing.T) *tank {
	t.Helper()
	k := newTank()
	k.spec.ReservoirLiters = 1
	for range 10 {
		k.pulse(25)
	}
	for range 2 {
		k.r = k.r.Refill(&k.spec, 0, k.now)
		k.lasts(1000)
		if k.pulse(4); !k.r.Dry {
			t.Fatal("not dry")
		}
	}
	k.r = k.r.Refill(&k.spec, 0, k.now)
	return k
}

// foresees checks the forecast against how long a liter lasts, after it was filled and some hours were used.
func (k *tank) foresees(t *testing.T, within float64) {
	t.Helper()
	k.r = k.r.Refill(&k.spec, 0, k.now)
	used := k.lasts(300)
	said, sure := k.r.EmptyIn.Hours(), k.r.EmptyOK
	if left := k.lasts(700); !sure || math.Abs(said-left) > within*left {
		t.Errorf("%.1f h after it was filled it was to last %.2f h more, and did %.2f h", used, said, left)
	}
}

// TestFilledAndNotSaid: somebody fills it up while there is water and says nothing. Mist goes on for more than the filling, and it does
// not give less for that: the output is known to some parts in a hundred. Within half a filling it is known to be no longer empty, the
// stated range holds what is in it, and the next filling that is said is foreseen as well as any.
func TestFilledAndNotSaid(t *testing.T) {
	k := knownTank(t)
	k.lasts(800)
	k.lasts(500) // filled up at 200 g, to 1000
	if k.r.Liters < 0.2 || k.r.Low*1000 > 500 || k.r.High*1000 < 500 {
		t.Errorf("there are 0.5 L left, it says %.2f (%.2f to %.2f)", k.r.Liters, k.r.Low, k.r.High)
	}
	k.lasts(500)
	if k.pulse(4); !k.r.Dry {
		t.Fatal("not dry")
	}
	k.foresees(t, 0.07)
}

// TestFilledLessThanSaid: a filling that was said to be whole and ended at half tells of the filling and not of the output. Two in a
// row tell of the output: then it does give twice as much.
func TestFilledLessThanSaid(t *testing.T) {
	k := knownTank(t)
	k.lasts(500)
	if k.pulse(4); !k.r.Dry {
		t.Fatal("not dry")
	}
	once := k.r
	k.foresees(t, 0.12)
	k.r = once.Refill(&k.spec, 0, k.now)
	k.lasts(500)
	if k.pulse(4); !k.r.Dry {
		t.Fatal("not dry")
	}
	k.r = k.r.Refill(&k.spec, 0, k.now)
	k.lasts(250)
	if k.r.Liters < 0.4 || k.r.Liters > 0.6 {
		t.Errorf("at twice the output half of it is left, it says %.2f L", k.r.Liters)
	}
}

// TestRefillSaidLate: mist that is back shows that it was filled. Who says so hours later speaks of that filling, of which a part is
// gone by then; an amount, or a word a day later, speaks of now.
func TestRefillSaidLate(t *testing.T) {
	for _, c := range []struct {
		said, later, want float64 // liters, grams that were drawn before, and what is in it then
	}{{0, 300, 0.7}, {0.5, 300, 0.5}, {0, 900, 1}} {
		k := knownTank(t)
		k.lasts(1000)
		k.pulse(4)
		if k.lasts(1); k.r.Dry || k.saw != 1 {
			t.Fatal("a refill was not noticed")
		}
		k.lasts(c.later)
		if c.later > 500 {
			k.rest(12 * time.Hour)
		}
		k.r = k.r.Refill(&k.spec, c.said, k.now)
		if k.pulse(25); math.Abs(k.r.Liters-c.want) > 0.05 {
			t.Errorf("%v g after it was filled, said %v: %.2f L, want %.2f", c.later, c.said, k.r.Liters, c.want)
		}
	}
}

// TestDryFarTooSoonTeachesNothing: half an hour at a label's 300 g/h is 150 g of 5 L. A reservoir that is empty then was not full, or
// leaked, or the disc died; the next filling is not to be reckoned at 10 kg/h for it. An hour of mist, half of the time on, is 300 g,
// and the rest lasts for 31 h.
func TestDryFarTooSoonTeachesNothing(t *testing.T) {
	k := ranTank()
	k.r = k.r.Refill(&k.spec, 0, k.now)
	for range 30 {
		k.pulse(25)
	}
	if k.pulse(4); !k.r.Dry {
		t.Fatal("not dry")
	}
	k.r = k.r.Refill(&k.spec, 0, k.now)
	for range 60 {
		k.pulse(25)
	}
	if k.r.Low < 4.4 || !k.r.EmptyOK || k.r.EmptyIn < 24*time.Hour || k.r.EmptyIn > 40*time.Hour {
		t.Errorf("two hours after it was filled: %.2f L (%.2f to %.2f), empty in %v", k.r.Liters, k.r.Low, k.r.High, k.r.EmptyIn)
	}
}

// rest lets time pass without mist.
func (k *tank) rest(d time.Duration) {
	for end := k.now.Add(d); k.now.Before(end); {
		k.step(time.Minute)
	}
}

// cleaningDue is by what cleaning is due, or nothing.
func (k *tank) cleaningDue() alarm.Code {
	spec := &chamber.Spec{Plugs: []chamber.Plug{k.spec}}
	_, c := alarm.Detectors{}.Detect(&alarm.Evidence{Now: k.now, Spec: spec, Plugs: []guard.Plug{k.plug}, Link: true, Reservoir: &k.r})
	if is := c.Of(alarm.CleaningDue); is.Active {
		return is.Code
	}
	return ""
}

// TestCleaningComesDue: a week of wet reservoir, or 15 liters through it, asks for cleaning until a person says it is done.
// At a rating of 10.8 kg/h a minute gives 180 g, less at most 12 g for the spin-up: 15 liters are 83 to 90 pulses.
func TestCleaningComesDue(t *testing.T) {
	k := newTank()
	k.step(time.Second)
	if k.rest(167 * time.Hour); k.cleaningDue() != "" {
		t.Error("due before a week")
	}
	if k.rest(2 * time.Hour); k.cleaningDue() != alarm.ByDays {
		t.Errorf("a week gave %q", k.cleaningDue())
	}
	if k.r = k.r.Refill(&k.spec, 0, k.now); k.cleaningDue() != alarm.ByDays {
		t.Error("filling alone counts as cleaning")
	}
	if k.r = k.r.Clean(); k.cleaningDue() != "" {
		t.Error("still due after it was cleaned")
	}
	k = newTank()
	k.spec.OutputGPerH, k.spec.ReservoirLiters = 10_800, 500
	for range 82 {
		k.pulse(25)
	}
	if k.cleaningDue() != "" {
		t.Errorf("due after %.1f liters", k.r.Through)
	}
	for range 10 {
		k.pulse(25)
	}
	if k.cleaningDue() != alarm.ByLiters {
		t.Errorf("%.1f liters gave %q", k.r.Through, k.cleaningDue())
	}
}

// TestCleaningAsConfigured: the configuration's limits count instead: three days, or two liters, 12 to 14 pulses of 168 to 180 g.
func TestCleaningAsConfigured(t *testing.T) {
	k := newTank()
	k.spec.CleanAfter, k.spec.CleanLiters = 72*time.Hour, 2
	k.step(time.Second)
	if k.rest(71 * time.Hour); k.cleaningDue() != "" {
		t.Error("due before three days")
	}
	if k.rest(2 * time.Hour); k.cleaningDue() != alarm.ByDays {
		t.Errorf("three days gave %q", k.cleaningDue())
	}
	k = newTank()
	k.spec.CleanAfter, k.spec.CleanLiters = 72*time.Hour, 2
	k.spec.OutputGPerH, k.spec.ReservoirLiters = 10_800, 500
	for range 10 {
		k.pulse(25)
	}
	if k.cleaningDue() != "" {
		t.Errorf("due after %.1f liters", k.r.Through)
	}
	for range 6 {
		k.pulse(25)
	}
	if k.cleaningDue() != alarm.ByLiters {
		t.Errorf("%.1f liters gave %q", k.r.Through, k.cleaningDue())
	}
}

func TestReservoirIsAValue(t *testing.T) {
	k := newTank()
	for range 5 {
		k.pulse(25)
	}
	b, err := json.Marshal(k.r)
	if err != nil {
		t.Fatal(err)
	}
	var back alarm.Reservoir
	if err := json.Unmarshal(b, &back); err != nil || !reflect.DeepEqual(back, k.r) {
		t.Errorf("came back as %+v, was %+v: %v", back, k.r, err)
	}
	before := k.r
	k.now = k.now.Add(-100 * time.Hour)
	k.pulse(25)
	if k.r.Dry || k.r.Liters > before.Liters {
		t.Errorf("the clock set back: %+v", k.r)
	}
}

// dryRun is what became of one simulated chamber.
type dryRun struct {
	false       int
	missed      bool
	on, wall    float64 // minutes from empty to alarm: of commanded on-time, and of all
	notBack     bool
	back        float64 // minutes from refill to noticed
	alarms      map[alarm.Name]int
	healthyDays float64
}

// TestDryInSimulatedChambers lets reservoirs run dry in chambers with noise, lag, wet walls and weather, under the rule
// controller, and counts delays, misses and false alarms. What it must show stands with the limits below, which leave
// room for the small number of chambers of the short version.
func TestDryInSimulatedChambers(t *testing.T) {
	if testing.Short() {
		t.Skip("simulates days")
	}
	for _, metered := range []bool{true, false} {
		runs := make([]dryRun, 2**chambers)
		var wg sync.WaitGroup
		slots := make(chan struct{}, 2)
		for i := range runs {
			slots <- struct{}{}
			wg.Go(func() {
				runs[i] = runDry(*firstSeed+uint64(i/2), []species.Stage{species.Fruiting, species.Pinning}[i%2], metered)
				<-slots
			})
		}
		wg.Wait()
		on, missed, wrong, healthy := tally(t, metered, runs)
		if wrong*100 > int(math.Ceil(healthy)) {
			t.Errorf("metered %v: %d false alarms in %.0f healthy chamber-days", metered, wrong, healthy)
		}
		limit := 1.0
		switch {
		case !metered && *days < 3:
			limit = 20 // it has had less than a day to learn the chamber
		case !metered:
			limit = 4
		}
		if median := quantile(on, 0.5); median > limit {
			t.Errorf("metered %v: median delay %.1f min of on-time, want %.0f at the most", metered, median, limit)
		}
		if metered && missed > 0 || missed > (len(runs)+9)/10 {
			t.Errorf("metered %v: %d of %d missed", metered, missed, len(runs))
		}
	}
}

func runDry(seed uint64, stage species.Stage, metered bool) (run dryRun) {
	b := newBench(seed, stage, metered)
	was := false
	run.healthyDays = *days
	b.run(time.Duration(*days*24*float64(time.Hour)), func() bool {
		if b.water.Dry && !was {
			run.false++
		}
		was = b.water.Dry
		if b.rig.State.ReservoirG < 500 {
			b.fill()
		}
		return true
	})
	run.alarms = map[alarm.Name]int{}
	for _, c := range b.changes {
		if c.Notify {
			run.alarms[c.Alarm]++
		}
	}
	b.fill()
	b.mistOn = 0
	empty, hours := b.now, 12*time.Hour
	b.rig.Faults = append(b.rig.Faults, plant.Fault{Kind: plant.ReservoirDry, From: b.rig.Seconds(), For: hours.Seconds()})
	b.run(hours, func() bool { return !b.water.Dry })
	if run.missed = !b.water.Dry; run.missed {
		return run
	}
	run.on, run.wall = b.mistOn/60, b.now.Sub(empty).Minutes()
	if *days < 1 { // the short version shortens the drought
		b.rig.Faults[0].For = b.rig.Seconds() - b.rig.Faults[0].From + 600
	}
	b.run(time.Duration((b.rig.Faults[0].From+b.rig.Faults[0].For-b.rig.Seconds())*float64(time.Second)), nil)
	full := b.now
	b.run(12*time.Hour, func() bool { return b.water.Dry })
	run.notBack, run.back = b.water.Dry, b.now.Sub(full).Minutes()
	return run
}

// TestDeadDiscThatDrawsItsPower: a cracked disc gives nothing, and its driver draws what it always did. The air shows it; that the power
// is as ever does not make it well again at every trial, nor is it a refill. Where the power fell at an empty reservoir before, it
// means water, and no mist: that takes the clearer evidence of what is learned of it.
func TestDeadDiscThatDrawsItsPower(t *testing.T) {
	if testing.Short() {
		t.Skip("simulates a day")
	}
	for _, tells := range []bool{false, true} {
		b := newBench(*firstSeed, species.Fruiting, true)
		b.run(24*time.Hour, func() bool {
			if b.rig.State.ReservoirG < 500 {
				b.fill()
			}
			return true
		})
		b.fill()
		b.water.Power.PowerTells = tells
		b.mistOn, b.refills = 0, 0
		b.rig.Faults = append(b.rig.Faults, plant.Fault{Kind: plant.MisterScaled, From: b.rig.Seconds(), For: 1e6})
		b.run(8*time.Hour, func() bool { return !b.water.Dry })
		found, at := b.mistOn/60, b.now
		t.Logf("the power tells of water %v: found after %.0f min of mist", tells, found)
		if limit := map[bool]float64{false: 20, true: 60}[tells]; !b.water.Dry || found > limit {
			t.Fatalf("the power tells of water %v: dry %v after %.0f min of mist, want %.0f at the most", tells, b.water.Dry, found, limit)
		}
		dry := 0.0
		b.run(6*time.Hour, func() bool {
			if b.water.Dry {
				dry += stepSeconds
			}
			return true
		})
		if share := dry / b.now.Sub(at).Seconds(); share < 0.95 || b.refills > 0 {
			t.Errorf("the power tells of water %v: dry for %.0f %% of the next hours, %d refills noticed", tells, 100*share, b.refills)
		}
	}
}

func (b *bench) fill() {
	b.rig.Refill()
	b.water = b.water.Refill(&b.spec.Plugs[b.spec.Plug(chamber.Humidifier)], 0, b.now)
}

func tally(t *testing.T, metered bool, runs []dryRun) (on []float64, missed, wrong int, healthy float64) {
	var wall, back []float64
	notBack := 0
	told := map[alarm.Name]int{}
	for i := range runs {
		r := &runs[i]
		wrong += r.false
		healthy += r.healthyDays
		for n, c := range r.alarms {
			told[n] += c
		}
		switch {
		case r.missed:
			missed++
			continue
		case r.notBack:
			notBack++
		default:
			back = append(back, r.back)
		}
		on, wall = append(on, r.on), append(wall, r.wall)
	}
	t.Logf("metered %v: %d chambers, %d missed in 12 h, %d false in %.0f chamber-days", metered, len(runs), missed, wrong, healthy)
	t.Logf("  delay, minutes of on-time: %s; of all time: %s; refill noticed after %s min, %d not within 12 h", spread(on), spread(wall), spread(back), notBack)
	t.Logf("  notified while healthy: %v", told)
	return on, missed, wrong, healthy
}

func spread(v []float64) string {
	return fmt.Sprintf("median %.1f, 95 %% %.1f, most %.1f", quantile(v, 0.5), quantile(v, 0.95), quantile(v, 1))
}

func quantile(v []float64, p float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(v))
	return s[min(len(s)-1, int(p*float64(len(s))))]
}

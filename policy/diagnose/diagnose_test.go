package diagnose_test

import (
	"math"
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/diagnose"
	"gillkeeper/policy/species"
)

// stuffy is a chamber of oysters that has fruited for three days at 18 °C and 87.5 %, with 1500 ppm at night, from 22:00
// to 06:00, and 700 ppm by day; the limit of the species is 1000 ppm (Stamets).
func stuffy() *diagnose.Case {
	start := time.Date(2026, 1, 10, 0, 0, 0, 0, time.UTC)
	c := &diagnose.Case{Signs: []diagnose.Sign{"long-stems"}, Now: start.Add(72 * time.Hour), Table: species.Builtin(),
		Batch:   crop.Record{Species: "pleurotus-ostreatus", Stages: []crop.Period{{Stage: species.Fruiting, Flush: 1, From: start}}},
		Chamber: diagnose.Chamber{VolumeM3: 0.56, FanOn: 20, FanOff: 0.7, CO2GPerH: 1.5, MistGPerH: 280, VaporGPerH: 210}}
	is := func(v float64) diagnose.Value { return diagnose.Value{Mean: v, Min: v, Max: v, OK: true} }
	for h := range 72 {
		b := diagnose.Bucket{At: start.Add(time.Duration(h) * time.Hour), Span: time.Hour, RH: is(0.875), TempC: is(18), CO2: is(700),
			Fan: is(0.2), Mist: is(0.05), Lamp: is(0), RoomRH: is(0.45), RoomC: is(19), RoomCO2: is(520)}
		if clock := h % 24; clock >= 22 || clock < 6 {
			b.CO2, b.Fan = is(1500), is(0.04)
		}
		if clock := h % 24; clock >= 8 && clock < 20 {
			b.Lamp = is(1)
		}
		c.History = append(c.History, b)
	}
	return c
}

// TestEvidence: the numbers of the finding, counted by hand. Of hours that are all as bad the first of the day are named.
func TestEvidence(t *testing.T) {
	a := diagnose.Diagnose(stuffy())
	if len(a.Causes) != 3 || a.Causes[0].Cause != diagnose.HighCO2 || len(a.Causes[0].For) != 1 {
		t.Fatalf("ranked %+v", a.Causes)
	}
	f := a.Causes[0].For[0]
	mean := (8*1500.0 + 16*700) / 24
	if f.Kind != diagnose.FoundAbove || f.Quantity != chamber.CO2 || f.Bound != 1000 || f.Hours != 24 || f.Of != 72 || f.Extreme != 1500 ||
		math.Abs(f.Mean-mean) > 1e-9 || f.Long != 8*time.Hour || f.From != 0 || math.Abs(f.Fan-0.04) > 1e-9 {
		t.Errorf("found %+v", f)
	}
	light := a.Causes[2]
	if light.Cause != diagnose.LowLight || len(light.Against) != 1 || math.Abs(light.Against[0].Got-12) > 1e-9 || light.Against[0].Wanted != 12 {
		t.Errorf("12 of 12 h of light: %+v", light)
	}
	if w := a.Window; w.Covered != 72*time.Hour || w.To.Sub(w.From) != 72*time.Hour || !reflect.DeepEqual(w.Stages, []species.Stage{species.Fruiting}) {
		t.Errorf("window %+v", w)
	}
}

// TestLightOfWholeDays: a lamp that is on from 8 to 20 gives 12 h a day, at whatever hour the record ends.
func TestLightOfWholeDays(t *testing.T) {
	for _, hours := range []int{23, 30, 36, 44, 49, 60, 68} {
		c := stuffy()
		cut := c.History[len(c.History)-1].At.Add(time.Hour - time.Duration(hours)*time.Hour)
		c.History = slices.DeleteFunc(c.History, func(b diagnose.Bucket) bool { return b.At.Before(cut) })
		found := false
		for _, x := range diagnose.Diagnose(c).Causes {
			if x.Cause == diagnose.LowLight && len(x.Against) == 1 {
				found = true
				if got := x.Against[0].Got; math.Abs(got-12) > 0.6 { // of 23 h, 12 are 12.5 a day
					t.Errorf("of %d h: %.2f h of light a day, want 12", hours, got)
				}
			}
		}
		if !found {
			t.Errorf("of %d h: nothing speaks against too little light", hours)
		}
	}
}

// TestChangeInNumbers works the change out by hand. CO2 weighs 1842 g/m³ at 18 °C and sea level (44.0095 g/mol, ideal
// gas), so 1.5 g/h in 0.56 m³ need 1.5/(0.56·1842·(900−520)·1e−6) = 3.83 air changes an hour, of which the fan, that
// makes 19.3, must bring 3.13. Air at 18 °C and 87.5 % holds 13.45 g/m³ of water, the room's at 19 °C and 45 % 7.34
// (both by Hyland & Wexler), so 3.83·0.56 m³/h carry 13.1 g/h off: 6.2 % of what the humidifier evaporates, 0.42 L a day.
func TestChangeInNumbers(t *testing.T) {
	x := diagnose.Diagnose(stuffy()).Causes[0].Change
	if x == nil {
		t.Fatal("no change is proposed")
	}
	for _, c := range []struct {
		name            string
		got, want, give float64
	}{{"limit", x.CO2MaxPPM, 900, 0}, {"air changes", x.AirChanges, 3.83, 0.02}, {"fan share", x.FanShare, 0.162, 0.001},
		{"fan share before", x.FanWas, 0.1467, 0.001}, {"mist", x.MistGPerH, 13.1, 0.1}, {"mist share", x.MistShare, 0.0624, 0.0005},
		{"liters a day", x.LitersADay, 0.419, 0.005}, {"liters before", x.LitersWas, 24 * 0.05 * 0.28, 1e-9}} {
		if !(math.Abs(c.got-c.want) <= c.give) {
			t.Errorf("%s is %v, want %v", c.name, c.got, c.want)
		}
	}
	c := stuffy()
	c.Chamber.FanOn, c.Chamber.VaporGPerH = 2, 5
	if x := diagnose.Diagnose(c).Causes[0].Change; !x.FanShort || !x.MistShort || x.RHReached <= 0.45 || x.RHReached >= 0.875 {
		t.Errorf("a fan and a humidifier that are too weak: %+v", x)
	}
	c = stuffy()
	for i := range c.History {
		c.History[i].RoomCO2.Mean = 950
	}
	if x := diagnose.Diagnose(c).Causes[0].Change; !x.RoomShort {
		t.Errorf("a room with as much CO2 as is allowed: %+v", x)
	}
}

// TestNothingRecorded: without a record the causes stand as the trade ranks them, and what to look at is asked.
func TestNothingRecorded(t *testing.T) {
	c := stuffy()
	c.History = nil
	a := diagnose.Diagnose(c)
	if a.Causes[0].Cause != diagnose.HighCO2 || math.Abs(a.Causes[0].Chance-0.60) > 1e-9 || a.Causes[0].Seen || a.Causes[0].Change != nil ||
		!reflect.DeepEqual(a.Causes[0].Ask, []diagnose.Ask{diagnose.AskAir}) {
		t.Errorf("got %+v", a.Causes[0])
	}
	c.Signs = []diagnose.Sign{"purple"}
	if a := diagnose.Diagnose(c); len(a.Causes) != 0 || !reflect.DeepEqual(a.Unknown, c.Signs) {
		t.Errorf("an unknown sign: %+v", a)
	}
}

// TestWhatIsPickedTellsOfBefore: a sign on picked fruit was made before the picking.
func TestWhatIsPickedTellsOfBefore(t *testing.T) {
	c := stuffy()
	start := c.Batch.Stages[0].From
	c.Batch.Flushes = []crop.FlushRecord{{Number: 1, Pickings: []crop.PickingRecord{{At: start.Add(48 * time.Hour), FreshG: 500}}}}
	if w := diagnose.Diagnose(c).Window; !w.To.Equal(start.Add(48 * time.Hour)) {
		t.Errorf("the window ends at %v", w.To)
	}
	c.Batch.Stages[0].To = start.Add(50 * time.Hour)
	c.Batch.Stages = append(c.Batch.Stages, crop.Period{Stage: species.Rest, Flush: 1, From: start.Add(50 * time.Hour)})
	if w := diagnose.Diagnose(c).Window; !w.To.Equal(start.Add(48*time.Hour)) || !w.From.Equal(start) {
		t.Errorf("in rest the window is %v to %v", w.From, w.To)
	}
}

// TestAnyCase: whatever the record holds, chances are chances and add up to one, and the same case gives the same answer.
func TestAnyCase(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := stuffy()
		c.Signs = rapid.SliceOfN(rapid.SampledFrom(diagnose.Signs()), 1, 3).Draw(t, "signs")
		c.Now = c.Now.Add(time.Duration(rapid.IntRange(-80, 2000).Draw(t, "hours")) * time.Hour)
		value := func() diagnose.Value {
			v := rapid.Float64Range(-50, 30000).Draw(t, "v")
			return diagnose.Value{Mean: v, Min: v, Max: v, OK: rapid.Bool().Draw(t, "ok")}
		}
		for _, i := range rapid.SliceOfN(rapid.IntRange(0, len(c.History)-1), 0, 8).Draw(t, "odd hours") {
			b := &c.History[i]
			b.RH, b.TempC, b.CO2, b.Lux, b.RoomRH = value(), value(), value(), value(), value()
		}
		c.Chamber.FanOn, c.Chamber.VolumeM3 = rapid.Float64Range(0, 50).Draw(t, "fan"), rapid.Float64Range(0, 5).Draw(t, "volume")
		a := diagnose.Diagnose(c)
		sum := 0.0
		for i, v := range a.Causes {
			if !(v.Chance >= 0 && v.Chance <= 1) || i > 0 && v.Chance > a.Causes[i-1].Chance {
				t.Fatalf("chances %+v", a.Causes)
			}
			sum += v.Chance
			if x := v.Change; x != nil && (math.IsNaN(x.FanShare+x.MistShare+x.LitersADay+x.RHReached+x.AirChanges) || math.IsInf(x.AirChanges, 0)) {
				t.Fatalf("change %+v", x)
			}
		}
		if math.Abs(sum-1) > 1e-9 {
			t.Fatalf("chances add up to %v", sum)
		}
		if again := diagnose.Diagnose(c); !reflect.DeepEqual(a, again) {
			t.Fatal("the same case gave another answer")
		}
	})
}

// TestAFanThatRunsAndDoesNotHelp: where it ran nearly all the time, no limit makes it run more, whatever is learned of the chamber.
func TestAFanThatRunsAndDoesNotHelp(t *testing.T) {
	c := stuffy()
	c.Chamber = diagnose.Chamber{}
	is := func(v float64) diagnose.Value { return diagnose.Value{Mean: v, OK: true} }
	for i := range c.History {
		c.History[i].CO2, c.History[i].Fan = is(6000), is(0.89)
	}
	x := diagnose.Diagnose(c).Causes[0]
	if x.Cause != diagnose.HighCO2 || x.Change == nil || x.Change.CO2MaxPPM != 0 || !x.Change.FanShort || math.Abs(x.Change.FanWas-0.89) > 1e-9 {
		t.Errorf("%s: %+v", x.Cause, x.Change)
	}
}

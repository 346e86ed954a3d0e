package outlook

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/species"
)

var start = time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)

// tent is a question about a chamber of which everything is known: 5 L of 5 in the reservoir, 300 g/h drawn.
func tent(days float64) *Question {
	spec := &chamber.Spec{
		Name: "loft", VolumeM3: 0.56, Zone: time.UTC,
		Sensors: []chamber.Sensor{
			{Name: "rh", Quantity: chamber.RelativeHumidity, Place: chamber.Inside, MaxAge: 5 * time.Minute},
			{Name: "t", Quantity: chamber.Temperature, Place: chamber.Inside, MaxAge: 5 * time.Minute},
			{Name: "co2", Quantity: chamber.CO2, Place: chamber.Inside, MaxAge: 5 * time.Minute},
		},
		Plugs: []chamber.Plug{
			{Name: "mister", Role: chamber.Humidifier, MinOn: 20 * time.Second, MinOff: 20 * time.Second, MaxOn: 30 * time.Minute, OutputGPerH: 300, ReservoirLiters: 5, Reports: true, Meters: true, Timed: true},
			{Name: "fan", Role: chamber.ExhaustFan, MinOn: 20 * time.Second, MinOff: 20 * time.Second, FlowM3PerH: 60, Reports: true},
		},
	}
	p := &policy.Policy{Spec: spec, Climates: species.Builtin()}
	s := p.Fresh(start)
	s.Target = crop.Target{OK: true, Stage: species.Fruiting, RelativeHumidity: chamber.Band{Low: 0.85, Aim: 0.9, High: 0.95},
		TemperatureC: chamber.Band{Low: 12, Aim: 16, High: 20}, CO2MaxPPM: 1000}
	for _, x := range []chamber.Quantity{chamber.RelativeHumidity, chamber.CO2, chamber.Temperature} {
		s.Totals.InRange = append(s.Totals.InRange, policy.RangeTotal{Quantity: x, Stage: species.Fruiting, ObservedSeconds: 86400, InRangeSeconds: 82080})
	}
	r := &s.Reservoir
	r.Known, r.Liters, r.Low, r.High = true, 5, 5, 5
	r.Balance.Rate, r.Balance.Cycles = 300, 2
	return &Question{Policy: p, State: s, Wall: start, For: time.Duration(days * 24 * float64(time.Hour)), Room: RoomOf(nil, math.NaN()), Told: true}
}

// steady gives courses in each of which the humidifier runs a constant share of the time.
func steady(q *Question, duties ...float64) []Course {
	var all []Course
	for _, d := range duties {
		c := Course{Duty: d, Hours: 4}
		for h := range int(beyond * q.For.Hours()) {
			c.Load = append(c.Load, float64(h+1))
		}
		for _, x := range []chamber.Quantity{chamber.RelativeHumidity, chamber.CO2, chamber.Temperature} {
			c.Ranges = append(c.Ranges, Kept{Quantity: x, Observed: 4 * 3600, In: 4 * 3600 * 0.95})
		}
		all = append(all, c)
	}
	return all
}

func same(duty float64) []float64 {
	return []float64{duty, duty, duty, duty, duty, duty, duty, duty, duty, duty}
}

func sum(t *testing.T, q *Question, c []Course) Outlook {
	t.Helper()
	o, err := Sum(q, c)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func near(got time.Duration, hours float64) bool { return math.Abs(got.Hours()-hours) < 0.1 }

// 5 L at 300 g/h of a humidifier that runs a quarter of the time: 5000 / 75 = 66.7 h.
func TestDryTimeByHand(t *testing.T) {
	o := sum(t, tent(4), steady(tent(4), same(0.25)...))
	if w := o.Water; !near(w.Now.Likely, 66.67) || !near(w.Now.Earliest, 66.67) || !near(w.Now.Latest, 66.67) || w.Now.Chance != 1 {
		t.Errorf("%+v, want 66.7 h", w.Now)
	}
	if math.Abs(o.Water.PerDay-1.8) > 0.01 { // 75 g/h for 24 h
		t.Errorf("%v L a day, want 1.8", o.Water.PerDay)
	}
	if o.Verdict != Stay || o.Because[0].Kind != RunsDry || !near(o.SafeFor, 66.67) {
		t.Errorf("a full reservoir of 66.7 h for 96 h: %s because %+v, safe for %s", o.Verdict, o.Because, o.SafeFor)
	}
}

// The same two days long: it lasts. With 2 L in it, 26.7 h, it lasts when it is filled first.
func TestVerdictByHand(t *testing.T) {
	o := sum(t, tent(2), steady(tent(2), same(0.25)...))
	if o.Verdict != Leave || len(o.Deeds) != 0 || o.SafeFor != 48*time.Hour {
		t.Errorf("%s, %+v, %+v, safe for %s", o.Verdict, o.Because, o.Deeds, o.SafeFor)
	}
	q := tent(2)
	q.State.Reservoir.Liters, q.State.Reservoir.Low, q.State.Reservoir.High = 2, 2, 2
	o = sum(t, q, steady(q, same(0.25)...))
	if o.Verdict != LeaveAfter || len(o.Deeds) != 1 || o.Deeds[0].Kind != FillReservoir || !near(o.Water.Now.Likely, 26.67) {
		t.Errorf("%s, %+v, dry %+v", o.Verdict, o.Deeds, o.Water.Now)
	}
}

// Ten chambers that run 0.10 to 0.19 of the time: 5000 g / (300 · 0.19) = 87.7 h to 166.7 h, in the middle 115 h.
func TestDryTimesSpread(t *testing.T) {
	q := tent(4)
	o := sum(t, q, steady(q, 0.10, 0.11, 0.12, 0.13, 0.14, 0.15, 0.16, 0.17, 0.18, 0.19))
	if d := o.Water.Now; d.Earliest.Hours() < 87.7 || d.Earliest.Hours() > 93 || d.Latest.Hours() < 151 || d.Latest.Hours() > 166.7 || !near(d.Likely, 115) {
		t.Errorf("%+v", d)
	}
	if c := o.Water.Now.Chance; math.Abs(c-0.2) > 1e-9 { // 0.18 and 0.19 last 92.6 and 87.7 h
		t.Errorf("chance %v of running dry within 96 h, want 0.2", c)
	}
}

// A rate known to ±20 %: by the normal distribution a tenth of the times it is above 300·exp(0.2·1.2816) = 387.6 g/h,
// and 5 L at a quarter of the time last 51.6 h.
func TestUncertainRate(t *testing.T) {
	q := tent(4)
	q.State.Reservoir.Balance.Spread = 0.2
	o := sum(t, q, steady(q, same(0.25)...))
	if d := o.Water.Full; math.Abs(d.Earliest.Hours()-51.6) > 2.5 || math.Abs(d.Likely.Hours()-66.7) > 2 || math.Abs(d.Latest.Hours()-86.2) > 5 {
		t.Errorf("%+v, want 51.6, 66.7, 86.2 h", d)
	}
}

// Nobody has said that the reservoir is full: it may as well be empty. At the present use 5 L last 66.7 h, and that is what is likely, as
// the page says; that it may be empty makes the early end.
func TestAReservoirThatNobodyFilledIsAsStated(t *testing.T) {
	q := tent(4)
	q.OwnDoubt = 0.3
	r := &q.State.Reservoir
	r.EmptyOK, r.EmptyIn, r.Balance.Spread = true, inHours(66.67), 0.2
	q.State.Plugs[0].DutyHours = 48
	filled := sum(t, q, steady(q, same(0.25)...)).Water.Now
	r.Low = 0
	if d := sum(t, q, steady(q, same(0.25)...)).Water.Now; math.Abs(d.Likely.Hours()-66.67) > 2 || d.Earliest > filled.Earliest/2 {
		t.Errorf("%+v, want 66.7 h, and the early end by far before %s", d, filled.Earliest)
	}
}

// What the chamber uses now corrects runs that use twice as much: 5 L empty in 66.7 h.
func TestThePresentUseCounts(t *testing.T) {
	q := tent(4)
	q.State.Reservoir.EmptyOK, q.State.Reservoir.EmptyIn = true, inHours(66.67)
	q.State.Plugs[0].DutyHours = 48
	if o := sum(t, q, steady(q, same(0.5)...)); !near(o.Water.Now.Likely, 66.67) {
		t.Errorf("%+v, want 66.7 h", o.Water.Now)
	}
	q.State.Reservoir.EmptyIn, q.State.Plugs[0].Duty = 500*time.Hour, 0.25 // as far as that forecast goes
	if o := sum(t, q, steady(q, same(0.5)...)); !near(o.Water.Now.Likely, 66.67) {
		t.Errorf("by the duty %+v, want 66.7 h", o.Water.Now)
	}
	q.State.Plugs[0].DutyHours = 1 // after an hour it means nothing
	if o := sum(t, q, steady(q, same(0.5)...)); !near(o.Water.Now.Likely, 33.33) {
		t.Errorf("%+v, want 33.3 h", o.Water.Now)
	}
}

// TestTheLastWaterCountsAsAllDid: with half an hour of water left it is not the runs alone that tell how long a filling lasts, and what
// is told of the reservoir elsewhere goes with the answer.
func TestTheLastWaterCountsAsAllDid(t *testing.T) {
	q := tent(4)
	r := &q.State.Reservoir
	r.EmptyOK, r.EmptyIn = true, 30*time.Minute
	for i := range r.Balance.Use.Hours {
		r.Balance.Use.Hours[i] = 0.25
	}
	r.Balance.Use.Next = 30
	q.State.Plugs[0].DutyHours = 48
	o := sum(t, q, steady(q, same(0.5)...))
	if !near(o.Water.Full.Likely, 66.67) {
		t.Errorf("%+v, want 66.7 h", o.Water.Full)
	}
	if o.Water.AtPresent != 30*time.Minute || o.Water.UsedHours != 24 {
		t.Errorf("elsewhere %s by %g h are told", o.Water.AtPresent, o.Water.UsedHours)
	}
}

// After half a day the present use counts by how far apart the runs lie: where they agree within 5 %, they are about as good (half of
// the way from 0.5 to 0.25 would be 47 h); where one needs hardly any mist and the next a third of the day, they say nothing. While the
// reservoir is dry, what was used until then goes on counting.
func TestThePresentUseCountsByTheDoubtOfTheRuns(t *testing.T) {
	q := tent(4)
	q.State.Reservoir.EmptyOK, q.State.Reservoir.EmptyIn = true, inHours(66.67)
	q.State.Plugs[0].DutyHours = 12
	o := sum(t, q, steady(q, 0.47, 0.48, 0.49, 0.49, 0.5, 0.5, 0.51, 0.51, 0.52, 0.53))
	if h := o.Water.Full.Likely.Hours(); h < 45 || h > 49 {
		t.Errorf("runs that agree: %+v, want 47 h", o.Water.Full)
	}
	apart := steady(q, 0.0001, 0.0002, 0.001, 0.002, 0.004, 0.01, 0.02, 0.05, 0.1, 0.33)
	if o = sum(t, q, apart); math.Abs(math.Log(o.Water.Full.Likely.Hours()/66.67)) > 0.15 {
		t.Errorf("runs that lie apart: %+v, want about 67 h", o.Water.Full)
	}
	r := &q.State.Reservoir
	r.Dry, r.Liters, r.EmptyIn = true, 0, 0
	for i := range r.Balance.Use.Hours {
		r.Balance.Use.Hours[i] = 0.25
	}
	r.Balance.Use.Next = 12
	if o = sum(t, q, apart); math.Abs(math.Log(o.Water.Full.Likely.Hours()/66.67)) > 0.15 {
		t.Errorf("dry: %+v, want about 67 h once filled", o.Water.Full)
	}
}

func TestHarvest(t *testing.T) {
	days := func(row float64) time.Duration { return time.Duration(row * 24 * float64(time.Hour)) }
	row, ok := species.Builtin().Lookup("pleurotus-ostreatus", species.Fruiting)
	if !ok || !row.Days.Given() {
		t.Fatal("the table has no days for pleurotus-ostreatus fruiting")
	}
	add := func(since time.Duration, away float64) Outlook {
		q := tent(away)
		q.State.Crop.Batches = []crop.Batch{{Name: "b1", Species: "pleurotus-ostreatus", Stage: species.Fruiting, Since: start.Add(-since), Flush: 1}}
		return sum(t, q, steady(q, same(0.01)...))
	}
	o := add(days(row.Days.Low)+time.Hour, 1)
	if o.Verdict != LeaveAfter || len(o.Due) != 1 || !o.Due[0].Already || o.Deeds[0].Kind != Pick || o.Deeds[0].Batch != "b1" {
		t.Errorf("due already: %s, due %+v, deeds %+v", o.Verdict, o.Due, o.Deeds)
	}
	// Some of the flush is picked: harvest_due is over, and the rest is no condition for leaving.
	q := tent(1)
	q.State.Crop.Batches = []crop.Batch{{Name: "b1", Species: "pleurotus-ostreatus", Stage: species.Fruiting, Since: start.Add(-days(row.Days.Low) - 20*time.Hour), Flush: 2,
		Flushes: []crop.Flush{{Number: 1, Pickings: []crop.Picking{{At: start.Add(-90 * 24 * time.Hour), FreshG: 300}}}, {Number: 2, Pickings: []crop.Picking{{At: start.Add(-2 * time.Hour), FreshG: 840}}}}}}
	o = sum(t, q, steady(q, same(0.01)...))
	if q.State.Crop.HarvestDue(q.Policy.Climates, q.State.Now) != nil {
		t.Error("a batch that was picked is due for harvest")
	}
	if o.Verdict != Leave || len(o.Due) != 1 || !o.Due[0].Picked.Equal(q.Wall.Add(-2*time.Hour)) || len(o.Deeds) == 0 || o.Deeds[0].Kind != PickRest || o.Deeds[0].Must {
		t.Errorf("picked two hours ago: %s, due %+v, deeds %+v", o.Verdict, o.Due, o.Deeds)
	}
	o = add(days(row.Days.Low)-12*time.Hour, row.Days.High-row.Days.Low+1)
	if o.Verdict != Stay || o.Because[0].Kind != Overripe || o.Deeds[0].Kind != AskPick {
		t.Errorf("due and over before the return: %s because %+v", o.Verdict, o.Because)
	}
	if o = add(0, days(row.Days.Low).Hours()/24-0.5); o.Verdict != Leave || len(o.Due) != 0 {
		t.Errorf("nothing due: %s, due %+v", o.Verdict, o.Due)
	}
}

func TestWhatStandsAndWhatNobodySees(t *testing.T) {
	q := tent(2)
	q.Told = false
	q.State.Alarms.Of(alarm.FanFailed).Phase = alarm.Acknowledged
	q.State.Reservoir.Balance.Cycles = 0
	q.Policy.Spec.Plugs[0].Meters = false
	o := sum(t, q, steady(q, same(0.25)...))
	if o.Verdict != LeaveAfter || o.Deeds[0].Kind != MendAlarm || o.Deeds[0].Alarm != alarm.FanFailed || o.Deeds[1].Kind != BeTold || o.Deeds[1].Must {
		t.Errorf("%s, %+v", o.Verdict, o.Deeds)
	}
	have := map[GapKind]bool{}
	for _, g := range o.Gaps {
		have[g.Kind] = true
	}
	for kind, want := range map[GapKind]bool{OneSensor: true, RoomUnknown: true, NoMeter: true, NoTimer: false, RateByLabel: true, NotMeasured: false, NoReport: false} {
		if have[kind] != want {
			t.Errorf("%s: %v", kind, have[kind])
		}
	}
}

// The chamber's own record counts for more than simulated ones: they are in range half the time, it was 95 %.
func TestItsOwnRecordCounts(t *testing.T) {
	q := tent(2)
	c := steady(q, same(0.1)...)
	for i := range c {
		for j := range c[i].Ranges {
			c[i].Ranges[j].In = c[i].Ranges[j].Observed / 2
		}
	}
	for _, r := range sum(t, q, c).Ranges {
		if math.Abs(r.Share-0.95) > 1e-3 {
			t.Errorf("%s: %v, want 0.95", r.Quantity, r.Share)
		}
	}
	q.State.Totals.InRange = nil
	o := sum(t, q, c)
	if o.Verdict != Stay || o.Because[0].Kind != Unlearned || math.Abs(o.Ranges[0].Share-0.5) > 1e-3 {
		t.Errorf("without a record: %s because %+v, %+v", o.Verdict, o.Because, o.Ranges)
	}
	// A run in four with an alarm, on each of two days: 0.75² = 0.5625.
	for i := range c[:5] {
		c[i].Raised = []alarm.Name{alarm.HumidityLow}
	}
	c = append(c, steady(q, same(0.1)...)...)
	for i := range c {
		for j := range c[i].Ranges {
			c[i].Ranges[j].In = c[i].Ranges[j].Observed / 2
		}
	}
	if o := sum(t, q, c); math.Abs(o.Ranges[0].Chance-0.5625) > 1e-6 {
		t.Errorf("chance %v, want 0.5625", o.Ranges[0].Chance)
	}
}

// What is said of the air holds while there is water: hours without, a tenth of them in range, do not count in the chamber's record. Of
// the other 20 hours 19 were in range.
func TestDryHoursAreNoRecordOfTheAir(t *testing.T) {
	q := tent(2)
	for i := range q.State.Totals.InRange {
		x := &q.State.Totals.InRange[i]
		x.ObservedSeconds, x.InRangeSeconds, x.DryObserved, x.DryInRange = 30*3600, 20*3600, 10*3600, 3600
	}
	if r := sum(t, q, steady(q, same(0.1)...)).Ranges[0]; math.Abs(r.Share-0.95) > 1e-3 {
		t.Errorf("in range %v of the time, want 0.95", r.Share)
	}
}

// One run in twenty goes wrong altogether: what is likely is not to be less than what is so one time in ten.
func TestLikelyIsNoLessThanOneTimeInTen(t *testing.T) {
	q := tent(2)
	c := append(steady(q, same(0.1)...), steady(q, same(0.1)...)...)
	c[7].Ranges[0].In = 0.01 * c[7].Ranges[0].Observed
	for _, record := range []bool{true, false} {
		if !record {
			q.State.Totals.InRange = nil
		}
		if r := sum(t, q, c).Ranges[0]; math.Abs(r.Share-0.95) > 1e-3 || r.Low > r.Share {
			t.Errorf("its own record %v: in range %v of the time, one time in ten less than %v, want 0.95 and no more", record, r.Share, r.Low)
		}
	}
}

func TestTooFewRuns(t *testing.T) {
	if _, err := Sum(tent(2), steady(tent(2), 0.1, 0.2)); err == nil {
		t.Error("two runs gave an answer")
	}
}

// Hours that ask for more count for more: 5 L that last 66.7 h at the usual load last 50 h when two hours of three
// ask for half as much again.
func TestDrierAirCounts(t *testing.T) {
	q := tent(4)
	c := steady(q, same(0.25)...)
	for i := range c {
		loads := make([]float64, len(c[i].Load))
		for h := range loads {
			loads[h] = 7
			if h%3 != 0 { // two hours of three
				loads[h] = 7 * 1.5
			}
		}
		c[i].Load = weigh(loads, 7)
	}
	if o := sum(t, q, c); !near(o.Water.Now.Likely, 50.11) { // 17·1 + 33·1.5 = 66.5, and 0.167 / 1.5 h of the next
		t.Errorf("%+v, want 50.1 h", o.Water.Now)
	}
}

// TestReachIsTheInverseOfAt: after as many hours as it takes to have run for so long, it has run for so long.
func TestReachIsTheInverseOfAt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var c Course
		sum := 0.0
		for range rapid.IntRange(1, 50).Draw(t, "hours") {
			sum += rapid.Float64Range(0.001, 1).Draw(t, "mist")
			c.Load = append(c.Load, sum)
		}
		h := rapid.Float64Range(0.01, 200).Draw(t, "after")
		if got := c.reach(c.at(h)); math.Abs(got-h) > 1e-6*(1+h) {
			t.Fatalf("a load of %v is reached after %v h, want %v", c.at(h), got, h)
		}
	})
}

func TestRoomOf(t *testing.T) {
	nan := math.NaN()
	var hours []Hour
	for h := range 72 {
		hours = append(hours, Hour{C: 20 + 2*math.Cos(2*math.Pi*float64(h-16)/24), RH: 0.4, CO2: nan})
	}
	r := RoomOf(hours, nan)
	if math.Abs(r.MeanC-20) > 0.01 || math.Abs(r.SwingK-2) > 0.1 || math.Abs(r.RH-0.4) > 0.01 || r.KnownCO2 || r.CO2PPM != assumedCO2 || r.Days != 3 {
		t.Errorf("%+v", r)
	}
	if r := RoomOf(nil, 12); r.KnownC || r.MeanC != 12 || r.RH <= 0.5 {
		t.Errorf("of nothing, beside a chamber of 12 °C: %+v", r)
	}
	if r := RoomOf(nil, nan); r.KnownC || r.KnownRH || r.MeanC != assumedC || r.RH != 0.45 {
		t.Errorf("of nothing: %+v", r)
	}
}

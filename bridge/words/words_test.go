package words

import (
	"go/ast"
	"go/parser"
	"go/token"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"pgregory.net/rapid"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
	"gillkeeper/policy/reason"
)

// declared reads the constants of one type out of a package's source, so that a new one can't be forgotten here.
func declared(t *testing.T, file, typ string) []string {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	var values []string
	ast.Inspect(f, func(n ast.Node) bool {
		spec, ok := n.(*ast.ValueSpec)
		if !ok {
			return true
		}
		if id, ok := spec.Type.(*ast.Ident); !ok || id.Name != typ {
			return true
		}
		for _, v := range spec.Values {
			if lit, ok := v.(*ast.BasicLit); ok {
				s, err := strconv.Unquote(lit.Value)
				if err != nil {
					t.Fatal(err)
				}
				values = append(values, s)
			}
		}
		return true
	})
	return values
}

func TestEveryReasonHasWords(t *testing.T) {
	codes := declared(t, "../../policy/reason/reason.go", "Code")
	if len(codes) < 20 {
		t.Fatalf("found only %d codes in the source", len(codes))
	}
	now := time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)
	for _, c := range codes {
		for _, on := range []bool{true, false} {
			r := reason.Reason{Code: reason.Code(c), Quantity: chamber.CO2, Value: 900, Bound: 800, Until: now.Add(time.Hour), Other: "mister"}
			got := Words{}.Reason(r, on, now)
			if strings.HasPrefix(got, "Reason ") {
				t.Errorf("reason %s has no words", c)
			}
			if !strings.HasSuffix(got, ".") || strings.Contains(got, "%!") || strings.Contains(got, "  ") {
				t.Errorf("reason %s: %q is no sentence", c, got)
			}
		}
	}
}

func TestEveryCostHasWords(t *testing.T) {
	costs := declared(t, "../../policy/reason/reason.go", "Cost")
	if len(costs) < 8 {
		t.Fatalf("found only %d costs in the source", len(costs))
	}
	for _, c := range costs {
		if Deciding(reason.Cost(c)) == "" {
			t.Errorf("cost %s has no words", c)
		}
	}
}

func TestEveryJumpHasWords(t *testing.T) {
	jumps := declared(t, "../../policy/learn/change.go", "Jumped")
	if len(jumps) < 4 {
		t.Fatalf("found only %d jumps in the source", len(jumps))
	}
	for _, j := range jumps {
		if got := Changed(learn.Jumped(j)); strings.HasSuffix(got, " changed") {
			t.Errorf("jump %s has no words", j)
		}
	}
}

func TestEveryAlarmCodeHasWords(t *testing.T) {
	codes := declared(t, "../../policy/alarm/alarm.go", "Code")
	if len(codes) < 10 {
		t.Fatalf("found only %d codes in the source", len(codes))
	}
	for _, c := range codes {
		if _, ok := codesOf(alarm.Code(c)); !ok {
			t.Errorf("alarm code %s has no words", c)
		}
	}
}

func TestAConditionNamesEveryOne(t *testing.T) {
	for want, c := range map[string]alarm.Condition{
		"air-upper.":                 {About: "air-upper"},
		"air-upper, air-lower, co2.": {About: "air-upper", Also: "air-lower, co2"},
		"heater: commanded off but still on. Also: fan.": {About: "heater", Also: "fan", Code: alarm.StuckOn},
	} {
		if got := (Words{}).Condition(alarm.PlugDisobeys, &c); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

func codesOf(c alarm.Code) (string, bool) { s, ok := codes[c]; return s, ok }

func TestReasonSentences(t *testing.T) {
	now := time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	site, us := Words{Zone: berlin}, Words{Fahrenheit: true}
	for _, c := range []struct {
		words Words
		on    bool
		r     reason.Reason
		want  string
	}{
		{site, true, reason.Reason{Code: reason.BelowAim, Quantity: chamber.RelativeHumidity, Value: 0.841, Bound: 0.865, For: 12 * time.Second, Predicted: 0.88},
			"Humidity 84.1 % is below 86.5 %; on for 12 s, which should bring it to 88.0 %."},
		{us, true, reason.Reason{Code: reason.BelowAim, Quantity: chamber.Temperature, Value: 10, Bound: 12.5},
			"Temperature 50.0 °F is below 54.5 °F."},
		{site, true, reason.Reason{Code: reason.AboveAim, Quantity: chamber.CO2, Value: 911.4, Bound: 880, For: 25 * time.Second, Predicted: 915},
			"CO2 911 ppm is above 880 ppm; on for 25 s."},
		{site, true, reason.Reason{Code: reason.AboveAim, Quantity: chamber.CO2, Value: 895, Bound: 930.4, For: 93 * time.Second, Predicted: 935.3},
			"CO2 reads 895 ppm and should be 935 ppm by now, above 930 ppm; on for 93 s."},
		// A plug that must rest gives this reason on the wrong side of its switching point too: nothing may be praised.
		{site, false, reason.Reason{Code: reason.InBand, Quantity: chamber.RelativeHumidity, Value: 0.71, Bound: 0.875},
			"Humidity is 71.0 %; this plug acts at 87.5 %."},
		{site, true, reason.Reason{Code: reason.Planned, Quantity: chamber.CO2, Value: 1.5, Bound: 2.25}, // of an older journal
			"Chosen by the plan: cost 1.50, against 2.25 otherwise."},
		{site, true, reason.Reason{Code: reason.Planned, Quantity: chamber.CO2, Plan: &reason.Plan{Ahead: 10 * time.Minute, Runs: true, For: 40 * time.Second,
			Now:     reason.Air{RH: 0.93, CO2: 870, AirC: 18},
			With:    reason.Course{Low: reason.Air{RH: 0.88, CO2: 640, AirC: 17.9}, High: reason.Air{RH: 0.932, CO2: 950, AirC: 18}},
			Without: reason.Course{Low: reason.Air{RH: 0.93, CO2: 870, AirC: 18}, High: reason.Air{RH: 0.94, CO2: 1140, AirC: 18}}, Decided: reason.TooStale}},
			"Left off, CO2 would rise from 870 ppm to 1140 ppm over the next 10 min; with a run of 40 s, it moves between 640 ppm and 950 ppm, and humidity falls from 93.0 % to 88.0 %. Against staying off: CO2 near or above its maximum."},
		{site, false, reason.Reason{Code: reason.Planned, Quantity: chamber.RelativeHumidity, Plan: &reason.Plan{Ahead: 10 * time.Minute, For: 20 * time.Second, In: 8 * time.Second,
			Now:     reason.Air{RH: 0.93, CO2: 700, AirC: 18},
			With:    reason.Course{Low: reason.Air{RH: 0.93, CO2: 700, AirC: 17.9}, High: reason.Air{RH: 0.99, CO2: 710, AirC: 18}},
			Without: reason.Course{Low: reason.Air{RH: 0.927, CO2: 695, AirC: 18}, High: reason.Air{RH: 0.932, CO2: 710, AirC: 18}}, Decided: reason.TooWet}},
			"Off, humidity stays near 93.0 % over the next 10 min; with a run of 20 s, 8 s from now, it would rise from 93.0 % to 99.0 %, and CO2 would stay near 700 ppm. Against a run: air wetter than the aim."},
		// Where nobody measures CO2, nothing is said of it.
		{site, true, reason.Reason{Code: reason.Planned, Quantity: chamber.RelativeHumidity, Plan: &reason.Plan{Ahead: 10 * time.Minute, Runs: true, For: 20 * time.Second,
			Now:     reason.Air{RH: 0.93, AirC: 18},
			With:    reason.Course{Low: reason.Air{RH: 0.93, AirC: 17}, High: reason.Air{RH: 0.99, AirC: 18}},
			Without: reason.Course{Low: reason.Air{RH: 0.85, AirC: 18}, High: reason.Air{RH: 0.93, AirC: 18}}, Decided: reason.FanRun}},
			"Left off, humidity would fall from 93.0 % to 85.0 % over the next 10 min; with a run of 20 s, it rises from 93.0 % to 99.0 %, and temperature falls from 18.0 °C to 17.0 °C. Against staying off: the fan's running time."},
		// The same of a plug that is on: its run ends.
		{site, true, reason.Reason{Code: reason.Planned, Quantity: chamber.RelativeHumidity, Plan: &reason.Plan{Ahead: 10 * time.Minute, For: 20 * time.Second, In: 8 * time.Second,
			Now:     reason.Air{RH: 0.93, CO2: 700, AirC: 18},
			With:    reason.Course{Low: reason.Air{RH: 0.93, CO2: 700, AirC: 17.9}, High: reason.Air{RH: 0.99, CO2: 710, AirC: 18}},
			Without: reason.Course{Low: reason.Air{RH: 0.927, CO2: 695, AirC: 18}, High: reason.Air{RH: 0.932, CO2: 710, AirC: 18}}, Decided: reason.TooWet}},
			"Off in 8 s, humidity stays near 93.0 % over the next 10 min; on for 20 s more, it would rise from 93.0 % to 99.0 %, and CO2 would stay near 700 ppm. Against going on: air wetter than the aim."},
		// A plan that aims beside the aim says so, where that is worth a word.
		{site, false, reason.Reason{Code: reason.Planned, Quantity: chamber.RelativeHumidity, Plan: &reason.Plan{Ahead: 10 * time.Minute, For: 20 * time.Second, Trim: 0.018,
			Now:     reason.Air{RH: 0.93, CO2: 700, AirC: 18},
			With:    reason.Course{Low: reason.Air{RH: 0.93, CO2: 700, AirC: 17.9}, High: reason.Air{RH: 0.99, CO2: 710, AirC: 18}},
			Without: reason.Course{Low: reason.Air{RH: 0.927, CO2: 695, AirC: 18}, High: reason.Air{RH: 0.932, CO2: 710, AirC: 18}}, Decided: reason.TooWet}},
			"Off, humidity stays near 93.0 % over the next 10 min; with a run of 20 s, it would rise from 93.0 % to 99.0 %, and CO2 would stay near 700 ppm. Against a run: air wetter than the aim. Aimed 1.8 points lower, because humidity kept standing above its aim."},
		{site, true, reason.Reason{Code: reason.Hand, Until: now.Add(15 * time.Minute)}, "Set by hand until 13:15."},
		{site, false, reason.Reason{Code: reason.MinOff, Until: now.Add(20 * time.Second)}, "Kept off until 13:00:20: its shortest rest."},
		{site, true, reason.Reason{Code: reason.ReservoirDry}, "The reservoir is dry; on for a moment, to see whether it was filled."},
		{site, true, reason.Reason{Code: reason.Remind}, "Commanded again: it may have lost power meanwhile, and does not say so."},
		{site, false, reason.Reason{Code: reason.Photoperiod, Value: 12, Until: now.Add(19 * time.Hour)}, "12 h of light a day; on again at 5 Mar 08:00."},
		{site, true, reason.Reason{Code: reason.Photoperiod, Value: 12, Until: now.Add(7*time.Hour - 324*time.Microsecond)}, "12 h of light a day; off at 20:00."},
		{site, false, reason.Reason{Code: reason.WaitEffect, Until: time.Time{}.Add(time.Minute)}, "Waiting for the last run to show in the readings."},
		{site, false, reason.Reason{Code: reason.WaitEffect, Quantity: chamber.CO2}, "Waiting for a first reading of CO2."},
		{site, true, reason.Reason{Code: reason.Fallback, Quantity: chamber.RelativeHumidity, Value: 0.117}, "No usable reading of humidity: it runs by habit, 12 % of the time."},
		{site, true, reason.Reason{Code: reason.Prove, Quantity: chamber.RelativeHumidity, Until: now.Add(3 * time.Minute)},
			"A run without mist until 13:03:00 to test the humidity sensor: a sound one dips."},
		{site, false, reason.Reason{Code: reason.Prove, Quantity: chamber.RelativeHumidity, Until: now.Add(3 * time.Minute)},
			"Off until 13:03:00, so that the fan's run can test the humidity sensor."},
		{site, false, reason.Reason{Code: reason.RoomNoHelp, Quantity: chamber.RelativeHumidity, Value: 1921, Bound: 1899},
			"The room's air would not dry the chamber: its vapor pressure is 1.92 kPa, the chamber's 1.90 kPa."},
		{site, false, reason.Reason{Code: reason.RoomNoHelp, Quantity: chamber.CO2, Value: 1040, Bound: 990},
			"The room's air would not help: CO2 is 1040 ppm in the chamber, and the room's is taken for 990 ppm."},
		{site, true, reason.Reason{Code: reason.StaleRoom, Quantity: chamber.CO2, Value: 3972, Bound: 3111, Predicted: 2961, For: 5 * time.Minute},
			"CO2 is 3972 ppm. The room's own air is taken for 2961 ppm, no fresher than the maximum allows, so the fan acts only from 3111 ppm on; on for 5 min."},
	} {
		if got := c.words.Reason(c.r, c.on, now); got != c.want {
			t.Errorf("%s\n got %s\nwant %s", c.r.Code, got, c.want)
		}
	}
}

func TestWater(t *testing.T) {
	for v, want := range map[float64]string{0: "0.0 L", 0.024: "0.02 L", 0.19: "0.19 L", 0.2: "0.2 L", 3.96: "4.0 L", 12: "12.0 L"} {
		if got := Liters(v); got != want {
			t.Errorf("%g liters are written %q, want %q", v, got, want)
		}
	}
	for v, want := range map[float64]string{12: "12.0 kg", 4.2: "4.2 kg", 1.75: "1.75 kg", 0.125: "0.125 kg", 0.1254: "0.125 kg", 1.9996: "2.0 kg", 0: "0.0 kg"} {
		if got := Kilograms(v); got != want {
			t.Errorf("%g kilograms are written %q, want %q", v, got, want)
		}
	}
	for d, want := range map[time.Duration]string{0: "by now", 59 * time.Second: "by now", time.Minute: "in about 60 s", 114 * time.Minute: "in about 1 h 54 min", 437 * time.Minute: "in about 7 h 20 min", 2153 * time.Minute: "in about 36 h", 499 * time.Hour: "in about 20 d 19 h", 500 * time.Hour: "in more than 20 days"} {
		for hours, also := range map[int]string{0: "", 24: "", 40: "", 3: " (use of the last 3 h)"} { // from a day on it is the usual use
			r := alarm.Reservoir{EmptyIn: d}
			if r.Balance.Use.Next = hours; d < time.Minute {
				also = ""
			}
			if got := EmptyIn(&r); got != want+also {
				t.Errorf("%s by %d h is written %q, want %q", d, hours, got, want+also)
			}
		}
	}
}

func TestDuration(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0:                                "0 s",
		1500 * time.Millisecond:          "1.5 s",
		45 * time.Second:                 "45 s",
		12 * time.Minute:                 "12 min",
		3*time.Hour + 20*time.Minute:     "3 h 20 min",
		26 * time.Hour:                   "26 h",
		52 * time.Hour:                   "2 d 4 h",
		-30 * time.Minute:                "−30 min",
		59*time.Minute + 40*time.Second:  "1 h",
		119*time.Minute + 50*time.Second: "2 h",
	} {
		if got := Duration(d); got != want {
			t.Errorf("Duration(%s) = %q, want %q", d, got, want)
		}
	}
}

func TestValue(t *testing.T) {
	for _, c := range []struct {
		got, want string
	}{
		{Words{}.Value(chamber.RelativeHumidity, 0.8749), "87.5 %"},
		{Words{}.Value(chamber.Temperature, -0.04), "0.0 °C"},
		{Words{Fahrenheit: true}.Value(chamber.Temperature, 100), "212.0 °F"}, // boiling water
		{Words{Fahrenheit: true}.Value(chamber.Temperature, -40), "-40.0 °F"}, // where the scales meet
		{Words{}.Value(chamber.CO2, math.NaN()), "? ppm"},
		{Words{}.Span(chamber.RelativeHumidity, 0.86, 0.925), "86–92.5 %"},
		{Words{}.Span(chamber.RelativeHumidity, 0.9, 0.9), "90 %"},
		{Words{}.Span(chamber.Temperature, 24, 24), "24 °C"},
		{Words{}.Span(chamber.Temperature, 13, 19), "13–19 °C"},
		{Words{}.Span(chamber.CO2, 0, 900), "up to 900 ppm"},
		{Words{}.Span(chamber.CO2, 2000, 0), "from 2000 ppm"},
		{Species("pleurotus-ostreatus"), "Pleurotus ostreatus"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

// TestReasonAlwaysReads: whatever numbers a reason carries, its words have no trace of a formatting fault.
func TestReasonAlwaysReads(t *testing.T) {
	var codes []reason.Code
	for _, c := range declared(t, "../../policy/reason/reason.go", "Code") {
		codes = append(codes, reason.Code(c))
	}
	rapid.Check(t, func(t *rapid.T) {
		r := reason.Reason{
			Code:     rapid.SampledFrom(codes).Draw(t, "code"),
			Quantity: chamber.Quantity(rapid.IntRange(0, 5).Draw(t, "quantity")),
			Value:    rapid.Float64().Draw(t, "value"), Bound: rapid.Float64().Draw(t, "bound"),
			Predicted: rapid.Float64().Draw(t, "predicted"),
			For:       time.Duration(rapid.Int64().Draw(t, "for")),
			Until:     time.Unix(rapid.Int64Range(-1e10, 1e11).Draw(t, "until"), 0),
		}
		if rapid.Bool().Draw(t, "planned") {
			air := func() reason.Air {
				return reason.Air{RH: rapid.Float64().Draw(t, "rh"), CO2: rapid.Float64().Draw(t, "ppm"), AirC: rapid.Float64().Draw(t, "c")}
			}
			r.Plan = &reason.Plan{Ahead: r.For, For: r.For, Runs: rapid.Bool().Draw(t, "runs"), Now: air(), Decided: reason.Cost(rapid.SampledFrom([]string{"", "too_dry", "odd"}).Draw(t, "cost")),
				With: reason.Course{Low: air(), High: air(), End: air()}, Without: reason.Course{Low: air(), High: air(), End: air()}}
		}
		got := Words{}.Reason(r, rapid.Bool().Draw(t, "on"), time.Unix(1_800_000_000, 0))
		if strings.Contains(got, "%!") || strings.Contains(got, "NaN") || strings.Contains(got, "Inf") || !strings.HasSuffix(got, ".") {
			t.Fatalf("%+v reads %q", r, got)
		}
	})
}

func TestCapacityIsToldAsItWasGiven(t *testing.T) {
	for want, v := range map[string]float64{"0.25": 0.25, "1.75": 1.75, "2.0": 2, "5.5": 5.5, "0.125": 0.125} {
		if got := Capacity(v); got != want {
			t.Errorf("%v is told as %s, want %s", v, got, want)
		}
	}
}

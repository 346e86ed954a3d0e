package species

import (
	"errors"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestOverrideSetsOnlyWhatIsGiven(t *testing.T) {
	base := Builtin()
	table, err := base.With([]Override{{
		Species: "pleurotus-ostreatus", Stage: Fruiting,
		RelativeHumidity: Range{0.86, 0.92}, TemperatureC: Range{13, 19}, CO2MaxPPM: new(900.0),
		LightHours: new(10.0), LightsOn: new(7 * time.Hour),
	}})
	if err != nil {
		t.Fatal(err)
	}
	before, _ := base.Lookup("pleurotus-ostreatus", Fruiting)
	r, _ := table.Lookup("pleurotus-ostreatus", Fruiting)
	if r.RelativeHumidity != (Range{0.86, 0.92}) || r.TemperatureC != (Range{13, 19}) || r.CO2MaxPPM != 900 || r.LightHours != 10 || r.LightsOn != 7*time.Hour {
		t.Errorf("not taken over: %+v", r)
	}
	if r.FAEPerHour != before.FAEPerHour || r.Days != before.Days || r.Source != before.Source {
		t.Errorf("figures that were not given changed: %+v", r)
	}
	if r.SurenessOf(TemperatureC) != Grower || r.SurenessOf(Days) != Reproduction {
		t.Errorf("the grower's figures are not told apart: %v", r.Own)
	}
	rest, _ := table.Lookup("pleurotus-ostreatus", Rest)
	if rest.TemperatureC != (Range{13, 19}) || rest.SurenessOf(TemperatureC) != Grower {
		t.Errorf("the rest does not follow the grower's fruiting: %+v", rest)
	}
	if again, _ := base.Lookup("pleurotus-ostreatus", Fruiting); !reflect.DeepEqual(again, before) {
		t.Error("the built-in table was written to")
	}
}

func TestOverrideOfASpeciesThatTheTableLacks(t *testing.T) {
	own := Override{Species: "stropharia-rugosoannulata", Stage: Fruiting, RelativeHumidity: Range{0.85, 0.95}, TemperatureC: Range{16, 21}}
	table, err := Builtin().With([]Override{own})
	if err != nil {
		t.Fatal(err)
	}
	r, ok := table.Lookup(own.Species, Fruiting)
	if !ok || r.Sureness != Grower || r.LightsOn != DefaultLightsOn || r.CO2MaxPPM != 1000 || r.LightHours != 12 ||
		r.SurenessOf(CO2MaxPPM) != CommonPractice || r.SurenessOf(TemperatureC) != Grower {
		t.Errorf("row %+v", r)
	}
	if rest, ok := table.Lookup(own.Species, Rest); !ok || rest.TemperatureC != own.TemperatureC {
		t.Errorf("no rest was derived: %+v", rest)
	}
	if !slices.IsSorted(table.Species()) || !slices.Contains(table.Species(), own.Species) {
		t.Errorf("species %v", table.Species())
	}
	own.TemperatureC = Range{}
	if _, err := Builtin().With([]Override{own}); err == nil || !strings.Contains(err.Error(), "temperature_c") {
		t.Errorf("a new species without temperature: %v", err)
	}
}

// TestTheGrowersCeilingCounts: Flammulina wants 2000 ppm at least (G p. 231); a grower who says at most 900 gets 900.
func TestTheGrowersCeilingCounts(t *testing.T) {
	table, err := Builtin().With([]Override{{Species: "flammulina-velutipes", Stage: Fruiting, CO2MaxPPM: new(900.0)}})
	if err != nil {
		t.Fatal(err)
	}
	if r, _ := table.Lookup("flammulina-velutipes", Fruiting); r.CO2MinPPM != 0 || r.CO2MaxPPM != 900 {
		t.Errorf("CO2 from %v to %v", r.CO2MinPPM, r.CO2MaxPPM)
	}
}

func TestEveryFaultIsNamed(t *testing.T) {
	hour := 24 * time.Hour
	own := []Override{
		{Species: "pleurotus-ostreatus", Stage: Rest, RelativeHumidity: Range{86, 92}},
		{Species: "pleurotus-ostreatus", Stage: Fruiting, TemperatureC: Range{55, 65}},
		{Species: "pleurotus-ostreatus", Stage: Fruiting, CO2MaxPPM: new(900.0)},
		{Species: "pleurotus-ostraetus", Stage: Fruiting, CO2MaxPPM: new(900.0)},
		{Species: "hericium-erinaceus", Stage: Fruiting, CO2MinPPM: new(1500.0)},
		{Species: "hericium-erinaceus", Stage: Pinning, LightHours: new(25.0), LightsOn: &hour, CO2MaxPPM: new(math.NaN())},
	}
	_, err := Builtin().With(own)
	want := []struct {
		index int
		field Field
	}{{0, RelativeHumidity}, {1, TemperatureC}, {2, StageField}, {3, SpeciesField}, {4, CO2MinPPM}, {5, CO2MaxPPM}, {5, LightHours}, {5, LightsOn}}
	joined, ok := err.(interface{ Unwrap() []error })
	if !ok {
		t.Fatalf("got %v", err)
	}
	var got []struct {
		index int
		field Field
	}
	for _, e := range joined.Unwrap() {
		f, ok := errors.AsType[*Fault](e)
		if !ok || f.Allowed == "" || strings.Contains(f.Error(), "\n") {
			t.Fatalf("fault %v", e)
		}
		got = append(got, struct {
			index int
			field Field
		}{f.Index, f.Field})
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("faults %v, want %v", got, want)
	}
	if !strings.Contains(err.Error(), "did you mean pleurotus-ostreatus?") {
		t.Errorf("the nearest species is not named: %v", err)
	}
}

// TestWithNeverBreaksTheTable: whatever a grower writes, the result is either refused or in order.
func TestWithNeverBreaksTheTable(t *testing.T) {
	base := Builtin()
	rapid.Check(t, func(t *rapid.T) {
		figure := rapid.OneOf(rapid.Just(0.0), rapid.Float64Range(0, 1), rapid.Float64Range(-10, 6000), rapid.Just(math.NaN()), rapid.Just(math.Inf(1)))
		interval := rapid.Custom(func(t *rapid.T) Range { return Range{figure.Draw(t, "low"), figure.Draw(t, "high")} })
		own := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Override {
			o := Override{
				Species:          rapid.SampledFrom(append(base.Species(), "amanita-nova", "", "Ä")).Draw(t, "species"),
				Stage:            Stage(rapid.IntRange(0, 5).Draw(t, "stage")),
				RelativeHumidity: interval.Draw(t, "rh"), TemperatureC: interval.Draw(t, "c"),
			}
			if rapid.Bool().Draw(t, "max given") {
				o.CO2MaxPPM = new(figure.Draw(t, "max"))
			}
			if rapid.Bool().Draw(t, "min given") {
				o.CO2MinPPM = new(figure.Draw(t, "min"))
			}
			return o
		}), 0, 4).Draw(t, "own")
		table, err := base.With(own)
		if err != nil {
			return
		}
		for _, name := range table.Species() {
			for _, r := range table.Rows(name) {
				if !(r.RelativeHumidity.Low > 0 && r.RelativeHumidity.Low <= r.RelativeHumidity.High && r.RelativeHumidity.High <= 1) ||
					!(r.TemperatureC.Low <= r.TemperatureC.High) || r.CO2MaxPPM > 0 && !(r.CO2MinPPM < r.CO2MaxPPM) {
					t.Fatalf("%s %v is out of order: %+v", name, r.Stage, r)
				}
			}
		}
	})
}

func FuzzNearest(f *testing.F) {
	table := Builtin()
	for _, s := range []string{"shitake", "pleurotus", "-", "Ü"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, word string) {
		if near := table.Nearest(word); near != "" && !table.Has(near) {
			t.Errorf("nearest to %q is %q, which the table does not have", word, near)
		}
	})
}

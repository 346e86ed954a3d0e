package species

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"
)

// fahrenheit converts as every handbook does: °C = (°F - 32) / 1.8.
func fahrenheit(f float64) float64 { return (f - 32) / 1.8 }

// TestFruitingLiesWhereGrowersFruit checks a fact of common practice: mushrooms fruit at 55 to 80 °F, most of them in
// the lower half of it. A species that does not says why.
func TestFruitingLiesWhereGrowersFruit(t *testing.T) {
	low, high := fahrenheit(55), fahrenheit(80)
	table := Builtin()
	apart := 0
	for _, name := range table.Species() {
		r, ok := table.Lookup(name, Fruiting)
		if !ok {
			t.Errorf("%s has no fruiting row", name)
			continue
		}
		if r.TemperatureC.Low > high || r.TemperatureC.High < low {
			t.Errorf("%s fruits at %v °C, wholly outside %.1f..%.1f", name, r.TemperatureC, low, high)
		}
		middle := r.TemperatureC.Middle()
		inLowerHalf := middle >= low && middle <= (low+high)/2
		if !inLowerHalf && r.Apart == "" {
			t.Errorf("%s fruits around %.1f °C and the row does not say why", name, middle)
		}
		if inLowerHalf && r.Apart != "" {
			t.Errorf("%s fruits around %.1f °C, as usual, and excuses itself: %q", name, middle, r.Apart)
		}
		if r.Apart != "" {
			apart++
		}
	}
	if apart > len(table.Species())/2 {
		t.Errorf("%d of %d species lie apart: that is no exception any more", apart, len(table.Species()))
	}
}

// TestRowsAreWhole checks what every row must have, and that nothing in it is out of order.
func TestRowsAreWhole(t *testing.T) {
	table := Builtin()
	if n := len(table.Species()); n != 17 {
		t.Errorf("%d species, want 17", n)
	}
	for _, name := range table.Species() {
		rows := table.Rows(name)
		if len(rows) != len(Stages()) {
			t.Errorf("%s has %d rows, want one for each of the %d stages", name, len(rows), len(Stages()))
		}
		for _, r := range rows {
			at := name + " " + r.Stage.String()
			for what, x := range map[string]struct {
				r            Range
				least, most  float64
				mustBeStated bool
			}{
				"humidity":      {r.RelativeHumidity, 0.6, 1, true},
				"temperature":   {r.TemperatureC, 5, 30, true},
				"air changes":   {r.FAEPerHour, 0, 8, false},
				"lux":           {r.Lux, 0, 10_000, false}, // more than 10 000 lux harms: G p. 214
				"days":          {r.Days, 1, 90, true},
				"light":         {Range{r.LightHours, r.LightHours}, 0, 24, false},
				"CO2 (minimum)": {Range{r.CO2MinPPM, r.CO2MinPPM}, 0, 5000, false},
			} {
				if x.mustBeStated && !x.r.Given() {
					t.Errorf("%s: no %s", at, what)
				}
				if x.r.Low > x.r.High || x.r.Low < x.least && x.r.Given() || x.r.High > x.most {
					t.Errorf("%s: %s %v is out of order or outside %v..%v", at, what, x.r, x.least, x.most)
				}
			}
			if r.CO2MaxPPM != 0 && r.CO2MinPPM >= r.CO2MaxPPM {
				t.Errorf("%s: CO2 from %v to %v", at, r.CO2MinPPM, r.CO2MaxPPM)
			}
			if r.Source.Title == "" || r.Sureness < PageSeen || r.Sureness > Memory {
				t.Errorf("%s: source %q, %v", at, r.Source, r.Sureness)
			}
			if (r.Sureness == PageSeen) != strings.Contains(r.Source.Where, "p. ") {
				t.Errorf("%s: a page was seen exactly where one is named, not %q (%v)", at, r.Source, r.Sureness)
			}
			if len(r.Own) != 0 {
				t.Errorf("%s: built-in figures are nobody's own: %v", at, r.Own)
			}
		}
		c, ok := table.Crop(name)
		if !ok || c.Common == "" || c.Source.Title == "" || c.Flushes.Low < 1 || c.Flushes.Low > c.Flushes.High ||
			!(c.BiologicalEfficiency.Low > 0 && c.BiologicalEfficiency.High <= 2) {
			t.Errorf("%s: crops %+v", name, c)
		}
		if c.SurenessOf(BiologicalEfficiency) < Summary {
			t.Errorf("%s: no page on biological efficiency was seen, but it is called %v", name, c.SurenessOf(BiologicalEfficiency))
		}
	}
}

// TestHandbookFigures holds figures against pages read by hand. G is Stamets, Growing Gourmet and Medicinal Mushrooms;
// MC is Stamets and Chilton, The Mushroom Cultivator.
func TestHandbookFigures(t *testing.T) {
	for _, w := range []struct {
		source  string
		species string
		stage   Stage
		rh, c   Range
		min     float64
		max     float64
		days    Range
	}{
		{"G p. 231", "flammulina-velutipes", Pinning, Range{0.95, 1}, Range{7, 10}, 2000, 4000, Range{3, 5}},
		{"G p. 231", "flammulina-velutipes", Fruiting, Range{0.90, 0.95}, Range{10, 16}, 2000, 4000, Range{5, 8}},
		{"G p. 290", "pleurotus-citrinopileatus", Fruiting, Range{0.90, 0.95}, Range{21, 29}, 0, 1000, Range{3, 5}},
		{"G p. 325", "pleurotus-pulmonarius", Pinning, Range{0.95, 1}, Range{10, 24}, 0, 800, Range{3, 5}},
		{"MC p. 166", "agaricus-bisporus", Colonization, Range{0.90, 1}, Range{24, 26}, 0, 10000, Range{14, 14}},
		{"G, reproduced", "pleurotus-ostreatus", Fruiting, Range{0.85, 0.90}, Range{10, 21}, 0, 1000, Range{4, 7}},
		{"G, reproduced", "grifola-frondosa", Fruiting, Range{0.85, 0.90}, Range{10, 15.6}, 0, 1000, Range{14, 21}},
	} {
		r, _ := Builtin().Lookup(w.species, w.stage)
		if r.RelativeHumidity != w.rh || r.TemperatureC != w.c || r.CO2MinPPM != w.min || r.CO2MaxPPM != w.max || r.Days != w.days {
			t.Errorf("%s %v: %+v does not say what %s says: %+v", w.species, w.stage, r, w.source, w)
		}
	}
}

// TestPinsAreTheMostDelicate checks two facts of common practice: pins want air at least as moist as grown fruit, and
// colonization bears more CO2 than fruiting.
func TestPinsAreTheMostDelicate(t *testing.T) {
	table := Builtin()
	for _, name := range table.Species() {
		s, _ := table.Lookup(name, Colonization)
		p, _ := table.Lookup(name, Pinning)
		f, _ := table.Lookup(name, Fruiting)
		if p.RelativeHumidity.Low < f.RelativeHumidity.Low {
			t.Errorf("%s pins in drier air (%v) than it fruits (%v)", name, p.RelativeHumidity, f.RelativeHumidity)
		}
		if s.CO2MaxPPM != 0 && s.CO2MaxPPM < f.CO2MaxPPM {
			t.Errorf("%s bears less CO2 in colonization (%v) than in fruiting (%v)", name, s.CO2MaxPPM, f.CO2MaxPPM)
		}
		if s.LightHours > 0 && name != "lentinula-edodes" {
			t.Errorf("%s colonizes in the light", name)
		}
	}
}

// TestRestFollowsFruiting checks what the derived row takes over.
func TestRestFollowsFruiting(t *testing.T) {
	table := Builtin()
	for _, name := range table.Species() {
		f, _ := table.Lookup(name, Fruiting)
		r, _ := table.Lookup(name, Rest)
		if r.TemperatureC != f.TemperatureC || r.LightHours != f.LightHours || r.CO2MaxPPM < 2000 || r.CO2MaxPPM < f.CO2MaxPPM || r.CO2MinPPM != 0 {
			t.Errorf("%s: rest %+v does not follow fruiting %+v", name, r, f)
		}
		if r.Sureness != CommonPractice {
			t.Errorf("%s: rest is %v, want common practice", name, r.Sureness)
		}
	}
}

// TestDissentsAreShown checks that disagreement is kept beside the row, and is one.
func TestDissentsAreShown(t *testing.T) {
	r, _ := Builtin().Lookup("lentinula-edodes", Fruiting)
	var humidity []Range
	for _, d := range r.Dissents {
		if d.Field == RelativeHumidity {
			humidity = append(humidity, d.Value)
		}
	}
	if !slices.Equal(humidity, []Range{{0.60, 0.80}, {0.90, 0.95}}) {
		t.Errorf("two reproductions of the same page disagree on shiitake's humidity; shown: %v", humidity)
	}
	table := Builtin()
	n := 0
	for _, name := range table.Species() {
		for _, r := range table.Rows(name) {
			for _, d := range r.Dissents {
				n++
				if d.Source.Title == "" || !d.Value.Given() {
					t.Errorf("%s %v: empty dissent %+v", name, r.Stage, d)
				}
				if d.Remark == "" && (d.Field == RelativeHumidity && d.Value == r.RelativeHumidity || d.Field == TemperatureC && d.Value == r.TemperatureC) {
					t.Errorf("%s %v: %+v does not disagree", name, r.Stage, d)
				}
			}
		}
	}
	if n < 30 {
		t.Errorf("%d dissents: some were lost", n)
	}
}

// TestSurenessOfAFigure reads marks beside single figures.
func TestSurenessOfAFigure(t *testing.T) {
	r, _ := Builtin().Lookup("flammulina-velutipes", Fruiting)
	if got := r.SurenessOf(TemperatureC); got != PageSeen {
		t.Errorf("temperature is %v", got)
	}
	if got := r.SurenessOf(LightHours); got != CommonPractice {
		t.Errorf("hours of light are %v", got)
	}
	if r.LightsOn != 8*time.Hour {
		t.Errorf("lights on at %v", r.LightsOn)
	}
}

// TestParseRefusesNonsense checks that a slip in the files is an error and not a climate.
func TestParseRefusesNonsense(t *testing.T) {
	head := strings.Join(climateColumns, ",") + "\n"
	crops := strings.Join(cropColumns, ",") + "\n"
	dissents := strings.Join(dissentColumns, ",") + "\n"
	sources := "key,title\nX,a book\n"
	good := "a-b,fruiting,85..90,10..21,..1000,4,,12,3..5,X,p,,\n"
	if _, err := parse(head+good, crops, dissents, sources); err != nil {
		t.Fatalf("a good table is refused: %v", err)
	}
	for _, bad := range []string{
		"a-b,budding,85..90,10..21,..1000,4,,12,3..5,X,p,,\n",
		"a-b,fruiting,90..85,10..21,..1000,4,,12,3..5,X,p,,\n",
		"a-b,fruiting,85..90,warm,..1000,4,,12,3..5,X,p,,\n",
		"a-b,fruiting,85..90,10..NaN,..1000,4,,12,3..5,X,p,,\n",
		"a-b,fruiting,85..90,10..21,..1000,4,,12,3..5,Y,p,,\n",
		"a-b,fruiting,85..90,10..21,..1000,4,,12,3..5,X,q,,\n",
		"a-b,fruiting,85..90 z,10..21,..1000,4,,12,3..5,X,p,,\n",
		"a-b,fruiting,85..90,10..21\n",
	} {
		if _, err := parse(head+bad, crops, dissents, sources); err == nil {
			t.Errorf("accepted: %s", bad)
		}
	}
	if _, err := parse(strings.Replace(head, "rh_percent,temperature_c", "temperature_c,rh_percent", 1)+good, crops, dissents, sources); err == nil {
		t.Error("columns in another order are accepted")
	}
	if _, err := parse(head+good, crops, dissents+"a-b,rest,lux,5,,X,p\n", sources); err == nil {
		t.Error("a dissent from a row that is not there is accepted")
	}
}

func TestJSONKeepsARow(t *testing.T) {
	for _, want := range Builtin().Rows("lentinula-edodes") {
		b, err := json.Marshal(want)
		if err != nil {
			t.Fatal(err)
		}
		var got Row
		if err := json.Unmarshal(b, &got); err != nil {
			t.Fatal(err)
		}
		again, _ := json.Marshal(got)
		if string(again) != string(b) {
			t.Errorf("%s became %s", b, again)
		}
	}
}

func TestNearest(t *testing.T) {
	table := Builtin()
	for word, want := range map[string]string{
		"pleurotus-ostreatus": "pleurotus-ostreatus",
		"pleurotus-ostreatis": "pleurotus-ostreatus",
		"Pleurotus ostreatus": "pleurotus-ostreatus",
		"pluerotus-eringii":   "pleurotus-eryngii",
		"hericum":             "hericium-erinaceus",
		"erinaceous":          "hericium-erinaceus",
		"shitake":             "lentinula-edodes",
		"oyster":              "pleurotus-ostreatus",
		"king oyster":         "pleurotus-eryngii",
		"enoki":               "flammulina-velutipes",
		"x":                   "",
		"":                    "",
		"refrigerator":        "",
	} {
		if got := table.Nearest(word); got != want {
			t.Errorf("nearest to %q is %q, want %q", word, got, want)
		}
	}
}

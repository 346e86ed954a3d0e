package species

import (
	_ "embed" // the table is part of the program
	"encoding/csv"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

//go:embed climates.csv
var climatesCSV string

//go:embed crops.csv
var cropsCSV string

//go:embed dissents.csv
var dissentsCSV string

//go:embed sources.csv
var sourcesCSV string

// The rules by which the built-in table is read.
const (
	// WantedCO2 is the least lower bound of CO2 in ppm, outside colonization, that is taken as wanted: a chamber with
	// any ventilation stays below it, so a source that prints it means it.
	WantedCO2 = 2000
	// DefaultLightsOn is when lights come on where nobody says otherwise: common practice, so that picking and
	// watering fall into the light.
	DefaultLightsOn = 8 * time.Hour
)

// The rest between flushes, for which no handbook page was found: common practice.
const (
	restRHLow, restRHHigh   = 0.85, 0.92
	restCO2Max              = 2000.0 // ppm; relaxed, but what fruiting bears is borne still
	restFAELow, restFAEHigh = 1.0, 3.0
	restDaysLow             = 3.0
	restDaysHigh            = 10.0 // where no interval between crops is known
)

// Builtin gives the built-in table. It is decoded anew at each call: call it once and keep it.
func Builtin() *Table {
	t, err := parse(climatesCSV, cropsCSV, dissentsCSV, sourcesCSV)
	if err != nil {
		panic("built-in climate table: " + err.Error()) // the table is part of the program, and tested
	}
	return t
}

// parse reads the four files of the table.
func parse(climates, crops, dissents, sources string) (*Table, error) {
	titles := map[string]string{}
	err := eachRecord(sources, []string{"key", "title"}, func(rec []string) error {
		titles[rec[0]] = rec[1]
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("sources: %w", err)
	}
	p := &reader{titles: titles}
	t := &Table{}
	err = eachRecord(crops, cropColumns, func(rec []string) error {
		t.crops = append(t.crops, p.crop(rec))
		return p.err
	})
	if err != nil {
		return nil, fmt.Errorf("crops: %w", err)
	}
	slices.SortFunc(t.crops, func(a, b Crop) int { return strings.Compare(a.Species, b.Species) })
	err = eachRecord(climates, climateColumns, func(rec []string) error {
		t.rows = append(t.rows, p.row(rec))
		return p.err
	})
	if err != nil {
		return nil, fmt.Errorf("climates: %w", err)
	}
	slices.SortFunc(t.rows, byName)
	err = eachRecord(dissents, dissentColumns, func(rec []string) error { return p.dissent(t, rec) })
	if err != nil {
		return nil, fmt.Errorf("dissents: %w", err)
	}
	t.deriveRests()
	return t, nil
}

// deriveRests gives every species that fruits and has no row for the rest between flushes one.
func (t *Table) deriveRests() {
	for _, name := range t.Species() {
		fruiting, ok := t.Lookup(name, Fruiting)
		if _, has := t.Lookup(name, Rest); has || !ok {
			continue
		}
		crop, _ := t.Crop(name)
		t.set(rest(fruiting, crop))
	}
}

// rest derives the climate between two flushes from that of fruiting: the same temperature and light, air a little
// drier than for pins, CO2 and air changes relaxed, until the next crop is due.
func rest(f Row, c Crop) Row {
	r := Row{
		Species: f.Species, Stage: Rest,
		RelativeHumidity: Range{restRHLow, restRHHigh},
		TemperatureC:     f.TemperatureC,
		CO2MaxPPM:        max(restCO2Max, f.CO2MaxPPM),
		FAEPerHour:       Range{restFAELow, restFAEHigh},
		Lux:              f.Lux, LightHours: f.LightHours, LightsOn: f.LightsOn,
		Days:     Range{restDaysLow, restDaysHigh},
		Source:   Source{Key: "Practice", Title: "common practice among small growers; no source found"},
		Sureness: CommonPractice,
		Note:     "derived from fruiting: remove stubs, let it rest, then soak or water",
	}
	if c.IntervalDays.High > restDaysHigh {
		r.Days.High = c.IntervalDays.High
	}
	r.CO2PPM = Range{High: r.CO2MaxPPM}
	for _, field := range f.Own {
		switch field {
		case TemperatureC, Lux, LightHours, LightsOn:
			r.Own = append(r.Own, field)
		}
	}
	return r
}

// set puts a row in its place, over one that is there.
func (t *Table) set(r Row) {
	i, ok := t.search(r.Species, r.Stage)
	if ok {
		t.rows[i] = r
		return
	}
	t.rows = slices.Insert(t.rows, i, r)
}

// The columns of the files, checked so that a moved column is an error and not a wrong climate.
var (
	climateColumns = []string{"species", "stage", "rh_percent", "temperature_c", "co2_ppm", "fae_per_h", "lux",
		"light_h", "days", "source", "sureness", "apart", "note"}
	cropColumns    = []string{"species", "common", "flushes", "interval_days", "be_percent", "source", "sureness", "note"}
	dissentColumns = []string{"species", "stage", "quantity", "value", "remark", "source", "sureness"}
)

// eachRecord calls f for each record below the header.
func eachRecord(text string, columns []string, f func([]string) error) error {
	r := csv.NewReader(strings.NewReader(text))
	r.Comment = '#'
	recs, err := r.ReadAll()
	if err != nil {
		return err
	}
	if len(recs) == 0 || !slices.Equal(recs[0], columns) {
		return fmt.Errorf("the columns must be %s", strings.Join(columns, ","))
	}
	for _, rec := range recs[1:] {
		if err := f(rec); err != nil {
			return fmt.Errorf("%s: %w", strings.Join(rec[:2], " "), err)
		}
	}
	return nil
}

// reader decodes cells and remembers the first that it could not.
type reader struct {
	titles map[string]string
	err    error
}

func (p *reader) fail(format string, a ...any) {
	if p.err == nil {
		p.err = fmt.Errorf(format, a...)
	}
}

// row decodes one line of climates.csv.
func (p *reader) row(rec []string) Row {
	r := Row{Species: rec[0], LightsOn: DefaultLightsOn, Source: p.source(rec[9]), Sureness: p.sureness(rec[10]),
		Apart: rec[11], Note: rec[12]}
	if err := r.Stage.UnmarshalText([]byte(rec[1])); err != nil {
		p.fail("%w", err)
	}
	d := &r.Doubts
	r.RelativeHumidity = scaled(p.figure(rec[2], RelativeHumidity, d), 100)
	r.TemperatureC = p.figure(rec[3], TemperatureC, d)
	r.CO2PPM = p.figure(rec[4], CO2MaxPPM, d)
	r.FAEPerHour = p.figure(rec[5], FAEPerHour, d)
	r.Lux = p.figure(rec[6], Lux, d)
	r.LightHours = p.figure(rec[7], LightHours, d).High
	r.Days = p.figure(rec[8], Days, d)
	r.Doubts = append(r.Doubts, Doubt{LightsOn, CommonPractice})
	r.CO2MaxPPM = r.CO2PPM.High
	if r.Stage != Colonization && r.CO2PPM.Low >= WantedCO2 {
		r.CO2MinPPM = r.CO2PPM.Low
	}
	return r
}

// crop decodes one line of crops.csv.
func (p *reader) crop(rec []string) Crop {
	c := Crop{Species: rec[0], Common: rec[1], Source: p.source(rec[5]), Sureness: p.sureness(rec[6]), Note: rec[7]}
	c.Flushes = p.figure(rec[2], Flushes, &c.Doubts)
	c.IntervalDays = p.figure(rec[3], IntervalDays, &c.Doubts)
	c.BiologicalEfficiency = scaled(p.figure(rec[4], BiologicalEfficiency, &c.Doubts), 100)
	return c
}

// quantities names the fields that dissents.csv speaks of.
var quantities = map[string]Field{"rh_percent": RelativeHumidity, "temperature_c": TemperatureC, "co2_ppm": CO2MaxPPM,
	"fae_per_h": FAEPerHour, "lux": Lux, "light_h": LightHours, "days": Days}

// dissent decodes one line of dissents.csv and hangs it on its row.
func (p *reader) dissent(t *Table, rec []string) error {
	var stage Stage
	if err := stage.UnmarshalText([]byte(rec[1])); err != nil {
		return err
	}
	row, ok := t.Lookup(rec[0], stage)
	if !ok {
		return fmt.Errorf("there is no such row to disagree with")
	}
	field, ok := quantities[rec[2]]
	if !ok {
		return fmt.Errorf("%q is no quantity", rec[2])
	}
	d := Dissent{Field: field, Value: p.interval(rec[3]), Remark: rec[4], Source: p.source(rec[5]), Sureness: p.sureness(rec[6])}
	if field == RelativeHumidity {
		d.Value = scaled(d.Value, 100)
	}
	row.Dissents = append(row.Dissents, d)
	t.set(row)
	return p.err
}

// figure decodes a cell: a range, and perhaps a letter that says that it is founded differently from its row.
func (p *reader) figure(cell string, field Field, doubts *[]Doubt) Range {
	cell, mark, marked := strings.Cut(cell, " ")
	if marked {
		*doubts = append(*doubts, Doubt{field, p.sureness(mark)})
	}
	return p.interval(cell)
}

// interval decodes low..high, low.., ..high, or one number for both ends; an empty cell is not stated.
func (p *reader) interval(cell string) Range {
	if cell == "" {
		return Range{}
	}
	low, high, isRange := strings.Cut(cell, "..")
	if !isRange {
		high = low
	}
	r := Range{p.number(low), p.number(high)}
	if high != "" && r.Low > r.High {
		p.fail("range %q is the wrong way round", cell)
	}
	return r
}

func (p *reader) number(s string) float64 {
	if s == "" {
		return 0
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || !(v >= 0 && v <= 1e6) {
		p.fail("%q is not a number from 0 to 1000000", s)
	}
	return v
}

func (p *reader) sureness(letter string) Sureness {
	i := strings.Index("prscam", letter)
	if len(letter) != 1 || i < 0 {
		p.fail("%q does not say how sure a figure is; use p, r, s, c, a or m", letter)
	}
	return Sureness(i + 1)
}

// source decodes a key and what follows it.
func (p *reader) source(cell string) Source {
	key, where, _ := strings.Cut(cell, " ")
	title, ok := p.titles[key]
	if !ok {
		p.fail("%q is no source of sources.csv", key)
	}
	return Source{Key: key, Title: title, Where: where}
}

func scaled(r Range, by float64) Range { return Range{r.Low / by, r.High / by} }

// Package yield ties what was picked to what the air did: biological efficiency of every flush, the conditions of the
// stages before it, how the two go together with honest statistics, and a report of it all as one page.
//
// It must never read a store or a clock: a [Season] comes in, a [Report] goes out, and the same season gives the same
// report. Start reading at [Season], then [Make].
package yield

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"gillkeeper/policy/species"
)

// Season is everything that a report rests on.
type Season struct {
	Site       string    `json:"site"`
	Timezone   string    `json:"timezone,omitempty" doc:"IANA name; absent: UTC"`
	Fahrenheit bool      `json:"fahrenheit,omitempty" doc:"what the report shows; values here are Celsius"`
	From       time.Time `json:"from"`
	To         time.Time `json:"to"`
	Chambers   []Chamber `json:"chambers"`
	Batches    []Batch   `json:"batches"`
	Wants      []Want    `json:"wants" doc:"what each species was to have at each stage"`
	Crops      []Crop    `json:"crops" doc:"what the handbooks let expect of each species"`
	Alarms     []Alarm   `json:"alarms"`
}

// Chamber is one chamber and what its air and plugs did.
type Chamber struct {
	Name     string  `json:"name"`
	VolumeM3 float64 `json:"volume_m3,omitempty" doc:"absent: not known"`
	Climate  Climate `json:"climate"`
}

// Climate is a table of aggregates in order of time: every column has one value for each of Start, NaN (null) where
// nothing was measured.
type Climate struct {
	Start        []int64 `json:"start" doc:"seconds since 1970 UTC"`
	Seconds      Column  `json:"seconds" doc:"width of the aggregate"`
	TemperatureC Column  `json:"temperature_c" doc:"mean"`
	RH           Column  `json:"relative_humidity" doc:"mean, ratio"`
	RHMin        Column  `json:"relative_humidity_min" doc:"ratio"`
	RHMax        Column  `json:"relative_humidity_max" doc:"ratio"`
	CO2          Column  `json:"co2_ppm" doc:"mean"`
	CO2Max       Column  `json:"co2_max_ppm"`
	VPD          Column  `json:"vapor_pressure_deficit_pa" doc:"mean"`
	AirChanges   Column  `json:"air_changes_per_hour" doc:"learned, over fan on and off as they were"`
	Respiration  Column  `json:"co2_generation_g_per_h" doc:"learned"`
	Light        Column  `json:"light_share" doc:"of the time with the lamp on"`
	Mist         Column  `json:"humidifier_share" doc:"of the time on"`
	Fan          Column  `json:"exhaust_fan_share" doc:"of the time on"`
	WaterG       Column  `json:"water_g" doc:"drawn by the humidifier"`
	EnergyWh     Column  `json:"energy_wh" doc:"of all plugs with a meter"`
}

// column is one column of a climate with the name it has in CSV.
type column struct {
	name   string
	values *Column
	digits int // after the point, in CSV: finer than what sensors and learning are good for
}

// columns lists the columns after start, in the order of the CSV.
func (c *Climate) columns() []column {
	return []column{
		{"seconds", &c.Seconds, 0}, {"temperature_c", &c.TemperatureC, 2}, {"relative_humidity", &c.RH, 4},
		{"relative_humidity_min", &c.RHMin, 4}, {"relative_humidity_max", &c.RHMax, 4}, {"co2_ppm", &c.CO2, 0},
		{"co2_max_ppm", &c.CO2Max, 0}, {"vapor_pressure_deficit_pa", &c.VPD, 1}, {"air_changes_per_hour", &c.AirChanges, 2},
		{"co2_generation_g_per_h", &c.Respiration, 3}, {"light_share", &c.Light, 3}, {"humidifier_share", &c.Mist, 3},
		{"exhaust_fan_share", &c.Fan, 3}, {"water_g", &c.WaterG, 1}, {"energy_wh", &c.EnergyWh, 1},
	}
}

// Add appends an aggregate without values and gives its index.
func (c *Climate) Add(start time.Time, span time.Duration) int {
	c.Start = append(c.Start, start.Unix())
	for _, col := range c.columns() {
		*col.values = append(*col.values, math.NaN())
	}
	c.Seconds[len(c.Seconds)-1] = span.Seconds()
	return len(c.Start) - 1
}

// check says what is wrong with the table's shape: what comes over the wire is not trusted to be even.
func (c *Climate) check() error {
	for _, col := range c.columns() {
		if len(*col.values) != len(c.Start) {
			return fmt.Errorf("column %s has %d values for %d starts", col.name, len(*col.values), len(c.Start))
		}
	}
	for i, s := range c.Seconds {
		switch {
		case !(s > 0 && s <= 86_400):
			return fmt.Errorf("aggregate %d is %g s wide; use above 0 and at most a day", i, s)
		case i > 0 && c.Start[i] < c.Start[i-1]+int64(c.Seconds[i-1]):
			return fmt.Errorf("aggregate %d starts before the one before it ends", i)
		}
	}
	return nil
}

// Batch is a set of blocks or trays of one species, with its whole record.
type Batch struct {
	Name        string    `json:"name"`
	Chamber     string    `json:"chamber"`
	Species     string    `json:"species"`
	Strain      string    `json:"strain,omitempty"`
	Supplements string    `json:"supplements,omitempty" doc:"in the grower's words"`
	Position    string    `json:"position,omitempty" doc:"where in the chamber"`
	Note        string    `json:"note,omitempty" doc:"all notes, in the grower's words"`
	SubstrateKg float64   `json:"substrate_kg"`
	DryKg       float64   `json:"dry_kg"`
	Added       time.Time `json:"added"`
	Retired     time.Time `json:"retired,omitzero"`
	Stages      []Stage   `json:"stages" doc:"in order of time"`
	Flushes     []Flush   `json:"flushes" doc:"in order of their numbers"`
	Losses      []Loss    `json:"losses,omitempty"`
}

// Loss is what did not become crop.
type Loss struct {
	At    time.Time `json:"at"`
	Flush int       `json:"flush"`
	Cause string    `json:"cause"`
	Grams float64   `json:"grams,omitempty" doc:"absent: not weighed"`
	Note  string    `json:"note,omitempty"`
}

// Stage is a stretch of time that a batch spent in one stage of one flush.
type Stage struct {
	Stage species.Stage `json:"stage"`
	Flush int           `json:"flush"`
	From  time.Time     `json:"from"`
	To    time.Time     `json:"to" doc:"of the season, where the stage goes on"`
}

// Flush is one crop of a batch.
type Flush struct {
	Number   int       `json:"number"`
	Closed   time.Time `json:"closed,omitzero" doc:"absent: it is still being picked, and no figure is final"`
	Pickings []Picking `json:"pickings"`
}

// Picking is one weighing.
type Picking struct {
	At      time.Time `json:"at"`
	FreshG  float64   `json:"fresh_g"`
	Quality string    `json:"quality,omitempty"`
}

// FreshG is what the flush gave, in grams.
func (f *Flush) FreshG() float64 {
	sum := 0.0
	for _, p := range f.Pickings {
		sum += p.FreshG
	}
	return sum
}

// Want is the range that a species was to have at a stage. An end that is 0 is not wanted.
type Want struct {
	Species   string        `json:"species"`
	Stage     species.Stage `json:"stage"`
	RHLow     float64       `json:"relative_humidity_low" doc:"ratio"`
	RHHigh    float64       `json:"relative_humidity_high" doc:"ratio"`
	LowC      float64       `json:"temperature_low_c"`
	HighC     float64       `json:"temperature_high_c"`
	CO2MaxPPM float64       `json:"co2_max_ppm,omitempty"`
}

// Crop is what to expect of a batch of a species, all flushes together.
type Crop struct {
	Species  string  `json:"species"`
	Common   string  `json:"common,omitempty" doc:"what growers call it"`
	BELow    float64 `json:"biological_efficiency_low" doc:"ratio; 0: not stated"`
	BEHigh   float64 `json:"biological_efficiency_high" doc:"ratio"`
	Source   string  `json:"source"`
	Sureness string  `json:"sureness" doc:"of the efficiency"`
	Note     string  `json:"note,omitempty"`
}

// Alarm is one time that an alarm stood.
type Alarm struct {
	Chamber  string    `json:"chamber"`
	Alarm    string    `json:"alarm"`
	Priority string    `json:"priority"`
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
}

// FromTable fills in what each species of the batches was to have, and what to expect of it.
func (s *Season) FromTable(t *species.Table) {
	s.Wants, s.Crops = nil, nil
	var names []string
	for i := range s.Batches {
		names = append(names, s.Batches[i].Species)
	}
	slices.Sort(names)
	for _, name := range slices.Compact(names) {
		for _, r := range t.Rows(name) {
			s.Wants = append(s.Wants, Want{Species: name, Stage: r.Stage, RHLow: r.RelativeHumidity.Low, RHHigh: r.RelativeHumidity.High,
				LowC: r.TemperatureC.Low, HighC: r.TemperatureC.High, CO2MaxPPM: r.CO2MaxPPM})
		}
		if c, ok := t.Crop(name); ok {
			s.Crops = append(s.Crops, Crop{Species: name, Common: c.Common, BELow: c.BiologicalEfficiency.Low, BEHigh: c.BiologicalEfficiency.High,
				Source: c.Source.String(), Sureness: c.SurenessOf(species.BiologicalEfficiency).String(), Note: c.Note})
		}
	}
}

func (s *Season) want(name string, stage species.Stage) (Want, bool) {
	i := slices.IndexFunc(s.Wants, func(w Want) bool { return w.Species == name && w.Stage == stage })
	if i < 0 {
		return Want{}, false
	}
	return s.Wants[i], true
}

func (s *Season) crop(name string) (Crop, bool) {
	i := slices.IndexFunc(s.Crops, func(c Crop) bool { return c.Species == name })
	if i < 0 {
		return Crop{}, false
	}
	return s.Crops[i], true
}

func (s *Season) chamber(name string) *Chamber {
	i := slices.IndexFunc(s.Chambers, func(c Chamber) bool { return c.Name == name })
	if i < 0 {
		return nil
	}
	return &s.Chambers[i]
}

// Check says what is wrong with a season that came from outside.
func (s *Season) Check() error {
	if !s.From.Before(s.To) {
		return fmt.Errorf("the season ends at %s, before it begins at %s", s.To.Format(time.RFC3339), s.From.Format(time.RFC3339))
	}
	for i := range s.Chambers {
		if err := s.Chambers[i].Climate.check(); err != nil {
			return fmt.Errorf("the climate of %s is not even: %w", s.Chambers[i].Name, err)
		}
	}
	for i := range s.Batches {
		b := &s.Batches[i]
		if !(b.DryKg > 0) || math.IsInf(b.DryKg, 0) {
			return fmt.Errorf("batch %s has a dry weight of %g kg; it must be above 0", b.Name, b.DryKg)
		}
		for j := range b.Flushes {
			for _, p := range b.Flushes[j].Pickings {
				if !(p.FreshG > 0) || math.IsInf(p.FreshG, 0) {
					return fmt.Errorf("batch %s has a picking of %g g in flush %d; it must be above 0", b.Name, p.FreshG, b.Flushes[j].Number)
				}
			}
		}
	}
	return nil
}

// Zone is the site's timezone; UTC where the name is not known.
func (s *Season) Zone() *time.Location {
	if z, err := time.LoadLocation(s.Timezone); err == nil {
		return z
	}
	return time.UTC
}

// Column is a list of numbers of which some may be missing: NaN here, null in JSON.
type Column []float64

// MarshalJSON writes six digits of each number, which is finer than any sensor.
func (c Column) MarshalJSON() ([]byte, error) {
	b := make([]byte, 0, 8*len(c)+2)
	b = append(b, '[')
	for i, v := range c {
		if i > 0 {
			b = append(b, ',')
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			b = append(b, "null"...)
		} else {
			b = strconv.AppendFloat(b, v, 'g', 6, 64)
		}
	}
	return append(b, ']'), nil
}

// UnmarshalJSON reads numbers and nulls.
func (c *Column) UnmarshalJSON(b []byte) error {
	n := len(b)
	if n >= 4 && string(b) == "null" {
		*c = nil
		return nil
	}
	if n < 2 || b[0] != '[' || b[n-1] != ']' {
		return fmt.Errorf("%.20q is no list of numbers", b)
	}
	out := make(Column, 0, n/6)
	for rest := b[1 : n-1]; len(rest) > 0; {
		word := rest
		if i := slices.Index(rest, ','); i >= 0 {
			word, rest = rest[:i], rest[i+1:]
		} else {
			rest = nil
		}
		v, err := number(string(word))
		if err != nil {
			return err
		}
		out = append(out, v)
	}
	*c = out
	return nil
}

// number reads a number; an empty word, spaces around it, or null is none.
func number(word string) (float64, error) {
	start, end := 0, len(word)
	for start < end && word[start] <= ' ' {
		start++
	}
	for end > start && word[end-1] <= ' ' {
		end--
	}
	word = word[start:end]
	if word == "" || word == "null" {
		return math.NaN(), nil
	}
	v, err := strconv.ParseFloat(word, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%.20q is no number", word)
	}
	return v, nil
}

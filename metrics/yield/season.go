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

	"gillkeeper/policy/crop"
	"gillkeeper/policy/species"
)

// Season is everything that a report rests on.
type Season struct {
	Site       string
	Timezone   string // IANA name; "": UTC; "Local": of whoever reads it
	Fahrenheit bool   // what the report shows; values here are Celsius
	From       time.Time
	To         time.Time
	Chambers   []Chamber
	Batches    []Batch
	Wants      []Want // what each species was to have at each stage
	Crops      []Crop // what the handbooks let expect of each species
	Alarms     []Alarm
}

// Chamber is one chamber and what its air and plugs did.
type Chamber struct {
	Name     string
	VolumeM3 float64 // 0: not known
	Climate  Climate
}

// Climate is a table of aggregates in order of time: every column has one value for each of Start, NaN where
// nothing was measured.
type Climate struct {
	Start        []int64 // seconds since 1970 UTC
	Seconds      Column  // width of the aggregate
	TemperatureC Column  // mean
	RH           Column  // mean, ratio 0..1
	RHMin        Column  // ratio
	RHMax        Column  // ratio
	CO2          Column  // mean
	CO2Max       Column
	VPD          Column // mean
	AirChanges   Column // learned, over fan on and off as they were
	Respiration  Column // learned
	Light        Column // of the time with the lamp on
	Mist         Column // of the time on
	Fan          Column // of the time on
	WaterG       Column // drawn by the humidifier
	EnergyWh     Column // of all plugs with a meter
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
	for _, col := range [...]*Column{&c.Seconds, &c.TemperatureC, &c.RH, &c.RHMin, &c.RHMax, &c.CO2, &c.CO2Max, &c.VPD, &c.AirChanges,
		&c.Respiration, &c.Light, &c.Mist, &c.Fan, &c.WaterG, &c.EnergyWh} {
		*col = append(*col, math.NaN())
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
	Name        string
	Chamber     string
	Species     string
	Strain      string
	Supplements string // in the grower's words
	Position    string // where in the chamber
	Note        string // all notes, in the grower's words
	SubstrateKg float64
	DryKg       float64
	Added       time.Time
	Retired     time.Time
	Stages      []Stage // in order of time
	Flushes     []Flush // in order of their numbers
	Losses      []Loss
}

// Loss is what did not become crop.
type Loss struct {
	At    time.Time
	Flush int
	Cause string
	Grams float64 // 0: not weighed
	Note  string
}

// Stage is a stretch of time that a batch spent in one stage of one flush.
type Stage struct {
	Stage species.Stage
	Flush int
	From  time.Time
	To    time.Time // of the season, where the stage goes on
}

// Flush is one crop of a batch.
type Flush struct {
	Number   int
	Closed   time.Time // zero: it is still being picked, and no figure is final
	Pickings []Picking
}

// Picking is one weighing.
type Picking struct {
	At      time.Time
	FreshG  float64
	Quality string
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
	Species   string
	Stage     species.Stage
	RHLow     float64 // ratio
	RHHigh    float64 // ratio
	LowC      float64
	HighC     float64
	CO2MaxPPM float64
}

// Crop is what to expect of a batch of a species, all flushes together.
type Crop struct {
	Species  string
	Common   string  // what growers call it
	BELow    float64 // ratio; 0: not stated
	BEHigh   float64 // ratio
	Source   string
	Sureness string // of the efficiency
	Note     string
}

// Alarm is one time that an alarm stood.
type Alarm struct {
	Chamber  string
	Alarm    string
	Priority string
	From     time.Time
	To       time.Time
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
			// As it is held and shown: where the table says 95 to 100 %, air at the aim of 95 is not half of the time too dry.
			rh, temp := crop.Held(&r)
			s.Wants = append(s.Wants, Want{Species: name, Stage: r.Stage, RHLow: rh.Low, RHHigh: rh.High,
				LowC: temp.Low, HighC: temp.High, CO2MaxPPM: r.CO2MaxPPM})
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

// Join adds the chambers of another season of the same time, with all that is theirs.
func (s *Season) Join(o *Season) {
	s.Chambers = append(s.Chambers, o.Chambers...)
	s.Batches = append(s.Batches, o.Batches...)
	s.Alarms = append(s.Alarms, o.Alarms...)
	for _, w := range o.Wants {
		if _, known := s.want(w.Species, w.Stage); !known {
			s.Wants = append(s.Wants, w)
		}
	}
	for _, c := range o.Crops {
		if _, known := s.crop(c.Species); !known {
			s.Crops = append(s.Crops, c)
		}
	}
}

// Longest is the longest season: beyond, a report is no longer of one way of growing.
const Longest = 3 * 366 * 24 * time.Hour

// Check says what is wrong with a season that came from outside.
func (s *Season) Check() error {
	if !s.From.Before(s.To) {
		return fmt.Errorf("the season ends at %s, before it begins at %s", s.To.Format(time.RFC3339), s.From.Format(time.RFC3339))
	}
	if s.To.Sub(s.From) > Longest {
		return fmt.Errorf("the season is %.0f days long; at most %.0f make one", s.To.Sub(s.From).Hours()/24, Longest.Hours()/24)
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

// Column is a list of numbers of which some may be missing: NaN.
type Column []float64

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
		return 0, fmt.Errorf("%.20q is not a number", word)
	}
	return v, nil
}

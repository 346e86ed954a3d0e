package species

import (
	"cmp"
	"slices"
	"sort"
	"time"
)

// Table is a climate table: rows by species and stage, and what to expect of each species' crops. It is immutable and
// may be shared.
type Table struct {
	rows  []Row  // by species, then stage
	crops []Crop // by species
}

// Row is what one species wants at one stage.
type Row struct {
	Species          string  `json:"species"`
	Stage            Stage   `json:"stage"`
	RelativeHumidity Range   `json:"relative_humidity"` // ratio
	TemperatureC     Range   `json:"temperature_c"`     // of the air
	CO2PPM           Range   `json:"co2_ppm"`           // as the source prints it; an end that is 0 is not stated
	CO2MinPPM        float64 `json:"co2_min_ppm"`       // what is wanted at least; 0: nothing
	CO2MaxPPM        float64 `json:"co2_max_ppm"`       // what is borne at most; 0: not stated
	FAEPerHour       Range   `json:"fae_per_hour"`      // air changes; not transferable between loads, so second to CO2
	Lux              Range   `json:"lux"`
	LightHours       float64 `json:"light_hours"` // a day; 0 is dark
	// LightsOn is when the light comes on, after midnight, site time.
	LightsOn time.Duration `json:"lights_on"`
	Days     Range         `json:"days"` // how long the stage lasts; 0..0: not stated
	Source   Source        `json:"source"`
	Sureness Sureness      `json:"sureness"`         // of every figure that Doubts does not name
	Doubts   []Doubt       `json:"doubts,omitempty"` // figures whose foundation differs from the row's
	// Apart says why the middle of a fruiting temperature lies outside the usual 12.8..19.75 °C.
	Apart    string    `json:"apart,omitempty"`
	Note     string    `json:"note,omitempty"`
	Dissents []Dissent `json:"dissents,omitempty"` // what other sources say; shown, never averaged in
	Own      []Field   `json:"own,omitempty"`      // figures that the grower set
}

// Source is where a row comes from.
type Source struct {
	Key   string `json:"key"`             // short, for tables
	Title string `json:"title"`           // in full
	Where string `json:"where,omitempty"` // page, or the relative that it was taken over from
}

func (s Source) String() string {
	if s.Where == "" {
		return s.Title
	}
	return s.Title + ", " + s.Where
}

// Doubt says that one figure of a row is founded differently from the rest.
type Doubt struct {
	Field    Field    `json:"field"`
	Sureness Sureness `json:"sureness"`
}

// Dissent is what a source says that disagrees with a row, or with itself.
type Dissent struct {
	Field    Field    `json:"field"` // CO2MaxPPM for any figure on CO2
	Value    Range    `json:"value"` // in the field's unit; an end that is 0 is not stated
	Remark   string   `json:"remark,omitempty"`
	Source   Source   `json:"source"`
	Sureness Sureness `json:"sureness"`
}

// Crop is what to expect of a batch of one species.
type Crop struct {
	Species              string   `json:"species"`
	Common               string   `json:"common"` // what growers call it; for display only
	Flushes              Range    `json:"flushes"`
	IntervalDays         Range    `json:"interval_days"`         // from one crop to the next; 0..0: single crop
	BiologicalEfficiency Range    `json:"biological_efficiency"` // of all flushes together: fresh harvest / dry substrate
	Source               Source   `json:"source"`
	Sureness             Sureness `json:"sureness"`
	Doubts               []Doubt  `json:"doubts,omitempty"`
	Note                 string   `json:"note,omitempty"`
}

// Fields of a [Crop] that a [Doubt] can name.
const (
	Flushes              Field = "flushes"
	IntervalDays         Field = "interval_days"
	BiologicalEfficiency Field = "biological_efficiency"
)

// Lookup gives the row of a species at a stage. Nobody may write to what it points at.
func (t *Table) Lookup(species string, stage Stage) (Row, bool) {
	i, ok := t.search(species, stage)
	if !ok {
		return Row{}, false
	}
	return t.rows[i], true
}

// search gives the place of a row, and whether it is there. It compares in place, because rows are large and are
// looked up at every decision.
func (t *Table) search(species string, stage Stage) (int, bool) {
	i := sort.Search(len(t.rows), func(i int) bool {
		r := &t.rows[i]
		return r.Species > species || r.Species == species && r.Stage >= stage
	})
	return i, i < len(t.rows) && t.rows[i].Species == species && t.rows[i].Stage == stage
}

// Rows gives every row of a species in the order of stages; none for a species that is not in the table.
func (t *Table) Rows(species string) []Row {
	var rows []Row
	for _, s := range Stages() {
		if r, ok := t.Lookup(species, s); ok {
			rows = append(rows, r)
		}
	}
	return rows
}

// Crop says what to expect of a batch of that species; false where the table does not know.
func (t *Table) Crop(species string) (Crop, bool) {
	i, ok := slices.BinarySearchFunc(t.crops, species, func(c Crop, s string) int { return cmp.Compare(c.Species, s) })
	if !ok {
		return Crop{}, false
	}
	return t.crops[i], true
}

// Has reports whether the table has any row of that species.
func (t *Table) Has(species string) bool {
	i, _ := t.search(species, 0)
	return i < len(t.rows) && t.rows[i].Species == species
}

// Species lists every species of the table in alphabetical order.
func (t *Table) Species() []string {
	var names []string
	for i := range t.rows {
		if len(names) == 0 || names[len(names)-1] != t.rows[i].Species {
			names = append(names, t.rows[i].Species)
		}
	}
	return names
}

// SurenessOf says how well one figure of the row is founded.
func (r *Row) SurenessOf(f Field) Sureness {
	if slices.Contains(r.Own, f) {
		return Grower
	}
	for _, d := range r.Doubts {
		if d.Field == f {
			return d.Sureness
		}
	}
	return r.Sureness
}

// SurenessOf says how well one figure of the crop is founded.
func (c *Crop) SurenessOf(f Field) Sureness {
	for _, d := range c.Doubts {
		if d.Field == f {
			return d.Sureness
		}
	}
	return c.Sureness
}

func byName(a, b Row) int {
	return cmp.Or(cmp.Compare(a.Species, b.Species), cmp.Compare(a.Stage, b.Stage))
}

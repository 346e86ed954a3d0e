package species

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"gillkeeper/policy/nearest"
)

// Override is a grower's own row. Figures that are not given stand as the built-in row has them.
type Override struct {
	Species          string
	Stage            Stage
	RelativeHumidity Range // ratio; 0..0: not given
	TemperatureC     Range // 0..0: not given
	CO2MinPPM        *float64
	CO2MaxPPM        *float64
	FAEPerHour       Range // 0..0: not given
	LightHours       *float64
	LightsOn         *time.Duration
	Days             Range // 0..0: not given
}

// What a grower's own figure may be. Outside these nothing edible fruits, or the figure was meant in another unit.
const (
	leastRH      = 0.3 // ratio; below it nothing is a mushroom climate, and a percentage would be far above 1
	leastTempC   = 0.0
	mostTempC    = 40.0 // above it mycelium dies
	leastCO2PPM  = 400.0
	mostCO2PPM   = 100_000.0
	mostFAE      = 60.0 // a change a minute
	mostDays     = 730.0
	longestNames = 63 // a name must fit one level of a topic
)

// Fault is one thing that is wrong with a grower's own row.
type Fault struct {
	Index   int // which of the overrides
	Field   Field
	Value   string
	Allowed string
}

// Fields of an [Override] that a [Fault] can name besides those of a row.
const (
	SpeciesField Field = "species"
	StageField   Field = "stage"
)

func (f *Fault) Error() string {
	return fmt.Sprintf("climate row %d: %s %s is not allowed; %s", f.Index+1, f.Field, strconv.Quote(f.Value), f.Allowed)
}

// With lays a grower's own rows over the table and gives the whole as a new table; figures that came from the grower
// are named in [Row.Own]. A species that the table does not have needs humidity and temperature. The rest between
// flushes follows a grower's fruiting row unless it has a row of its own. When a grower's CO2 maximum lies at or below
// the table's minimum, the minimum gives way, because the grower's word counts.
//
// The error joins every [Fault], in the order of the rows.
func (t *Table) With(own []Override) (*Table, error) {
	next := &Table{rows: slices.Clone(t.rows), crops: t.crops}
	var faults []error
	for _, resting := range []bool{false, true} {
		for i := range own {
			if (own[i].Stage == Rest) != resting {
				continue
			}
			bad := next.lay(own, i)
			faults = append(faults, bad...)
			if len(bad) == 0 && own[i].Stage == Fruiting {
				next.followFruiting(own[i].Species)
			}
		}
	}
	if len(faults) > 0 {
		slices.SortStableFunc(faults, func(a, b error) int {
			x, _ := errors.AsType[*Fault](a)
			y, _ := errors.AsType[*Fault](b)
			return x.Index - y.Index
		})
		return nil, errors.Join(faults...)
	}
	return next, nil
}

// lay puts the i-th of the grower's rows over the table's, or says what is wrong with it.
func (t *Table) lay(own []Override, i int) []error {
	o := &own[i]
	row, known := t.Lookup(o.Species, o.Stage)
	c := checker{index: i}
	if !known {
		row = unknown(o.Species, o.Stage)
		if !t.Has(o.Species) && !binomial.MatchString(o.Species) || len(o.Species) > longestNames {
			c.fault(SpeciesField, o.Species, "write a species of the table, or genus and epithet in lower case with a hyphen"+t.hint(o.Species))
		}
		if !o.RelativeHumidity.Given() || !o.TemperatureC.Given() {
			c.fault(SpeciesField, o.Species, "the table has no such row, so it needs relative_humidity and temperature_c"+t.hint(o.Species))
		}
	}
	if o.Stage < Colonization || o.Stage > Rest {
		c.fault(StageField, o.Stage.String(), "use colonization, pinning, fruiting or rest")
	}
	for j := range own[:i] {
		if own[j].Species == o.Species && own[j].Stage == o.Stage {
			c.fault(StageField, o.Stage.String(), fmt.Sprintf("row %d is of the same species and stage; join the two", j+1))
		}
	}
	c.check(o)
	row.Own = slices.Clone(row.Own) // the table's own row is shared
	row.merge(o)
	if row.CO2MaxPPM > 0 && row.CO2MinPPM >= row.CO2MaxPPM {
		if o.CO2MinPPM != nil {
			c.fault(CO2MinPPM, number(row.CO2MinPPM), "it must lie below the CO2 maximum of "+number(row.CO2MaxPPM)+"; set co2_max_ppm too")
		}
		row.CO2MinPPM = 0
	}
	if len(c.faults) == 0 {
		if len(row.Own) > 0 && !known {
			row.Source, row.Sureness = Source{Key: "Own", Title: "the grower's configuration"}, Grower
		}
		t.set(row)
	}
	return c.faults
}

// unknown is the row of a species that the table does not have, before the grower's figures: what most species want,
// so that nobody's fruit is left in stale air or in the dark because two lines were not written.
func unknown(name string, stage Stage) Row {
	r := Row{Species: name, Stage: stage, LightsOn: DefaultLightsOn, Doubts: []Doubt{{LightsOn, CommonPractice}}}
	if stage == Pinning || stage == Fruiting {
		r.CO2MaxPPM, r.LightHours = usualCO2Max, usualLightHours
		r.CO2PPM = Range{High: r.CO2MaxPPM}
		r.Doubts = append(r.Doubts, Doubt{CO2MaxPPM, CommonPractice}, Doubt{LightHours, CommonPractice})
	}
	return r
}

// What most species want for pins and fruit.
const (
	usualCO2Max     = 1000.0 // ppm; Stamets, Growing Gourmet and Medicinal Mushrooms, p. 214
	usualLightHours = 12.0   // common practice
)

// merge takes over every figure that the grower gave.
func (r *Row) merge(o *Override) {
	take := func(f Field, given bool, set func()) {
		if given {
			set()
			if !slices.Contains(r.Own, f) {
				r.Own = append(r.Own, f)
			}
		}
	}
	take(RelativeHumidity, o.RelativeHumidity.Given(), func() { r.RelativeHumidity = o.RelativeHumidity })
	take(TemperatureC, o.TemperatureC.Given(), func() { r.TemperatureC = o.TemperatureC })
	take(CO2MinPPM, o.CO2MinPPM != nil, func() { r.CO2MinPPM = *o.CO2MinPPM })
	take(CO2MaxPPM, o.CO2MaxPPM != nil, func() { r.CO2MaxPPM = *o.CO2MaxPPM })
	take(FAEPerHour, o.FAEPerHour.Given(), func() { r.FAEPerHour = o.FAEPerHour })
	take(LightHours, o.LightHours != nil, func() { r.LightHours = *o.LightHours })
	take(LightsOn, o.LightsOn != nil, func() { r.LightsOn = *o.LightsOn })
	take(Days, o.Days.Given(), func() { r.Days = o.Days })
}

// followFruiting derives the rest of a species anew from its changed fruiting row.
func (t *Table) followFruiting(name string) {
	fruiting, ok := t.Lookup(name, Fruiting)
	if old, has := t.Lookup(name, Rest); !ok || has && old.Source.Key != "Practice" {
		return
	}
	crop, _ := t.Crop(name)
	t.set(rest(fruiting, crop))
}

var binomial = regexp.MustCompile(`^[a-z]+(-[a-z0-9]+)+$`)

// hint names the nearest species for the end of a message.
func (t *Table) hint(word string) string {
	if near := t.Nearest(word); near != "" && near != word {
		return "; did you mean " + near + "?"
	}
	return ""
}

// checker gathers what is wrong with one row.
type checker struct {
	index  int
	faults []error
}

func (c *checker) fault(f Field, value, allowed string) {
	c.faults = append(c.faults, &Fault{Index: c.index, Field: f, Value: value, Allowed: allowed})
}

func (c *checker) check(o *Override) {
	c.interval(RelativeHumidity, o.RelativeHumidity, leastRH, 1, "ratios")
	c.interval(TemperatureC, o.TemperatureC, leastTempC, mostTempC, "degrees Celsius")
	c.interval(FAEPerHour, o.FAEPerHour, 0, mostFAE, "air changes per hour")
	c.interval(Days, o.Days, 0, mostDays, "days")
	if o.CO2MinPPM != nil && *o.CO2MinPPM != 0 {
		c.scalar(CO2MinPPM, *o.CO2MinPPM, leastCO2PPM, mostCO2PPM, "ppm, or 0 for none")
	}
	if o.CO2MaxPPM != nil {
		c.scalar(CO2MaxPPM, *o.CO2MaxPPM, leastCO2PPM, mostCO2PPM, "ppm")
	}
	if o.LightHours != nil {
		c.scalar(LightHours, *o.LightHours, 0, 24, "hours")
	}
	if o.LightsOn != nil && (*o.LightsOn < 0 || *o.LightsOn >= 24*time.Hour) {
		c.fault(LightsOn, o.LightsOn.String(), "use a time of day from 00:00 to 23:59")
	}
}

func (c *checker) interval(f Field, r Range, low, high float64, unit string) {
	if !r.Given() {
		return
	}
	if !(r.Low >= low && r.High <= high && r.Low <= r.High) { // false for NaN
		c.fault(f, "["+number(r.Low)+", "+number(r.High)+"]",
			fmt.Sprintf("use two %s from %s to %s, the lower first", unit, number(low), number(high)))
	}
}

func (c *checker) scalar(f Field, v, low, high float64, unit string) {
	if math.IsNaN(v) || v < low || v > high {
		c.fault(f, number(v), fmt.Sprintf("use %s to %s %s", number(low), number(high), unit))
	}
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// Nearest gives the species of the table that a mistyped word most likely means, going by its binomial, its parts and
// its common name; "" when none is near.
func (t *Table) Nearest(word string) string {
	word = strings.ToLower(strings.Join(strings.FieldsFunc(word, func(r rune) bool { return r == ' ' || r == '_' || r == '-' || r == '.' }), "-"))
	if word == "" || len(word) > 2*longestNames {
		return ""
	}
	best, least := "", math.MaxInt
	for _, name := range t.Species() {
		crop, _ := t.Crop(name)
		parts := append([]string{name, strings.ReplaceAll(crop.Common, " ", "-")}, strings.Split(name, "-")...)
		for i, p := range parts {
			if p == "" {
				continue
			}
			d := nearest.Edits(word, p)
			if d > max(1, len(p)/3) {
				continue
			}
			if d = 2*d + min(i, 1); d < least { // at equal distance the whole name wins over a part
				best, least = name, d
			}
		}
	}
	return best
}

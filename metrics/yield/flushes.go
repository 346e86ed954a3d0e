package yield

import (
	"encoding/csv"
	"io"
	"strconv"
	"time"

	"gillkeeper/policy/species"
)

// conditionColumns are the figures of one stage in the flush table, as [Conditions] names them.
var conditionColumns = []struct {
	name string
	of   func(*Conditions) Value
}{
	{"hours", func(c *Conditions) Value { return Value(c.Hours) }},
	{"observed", func(c *Conditions) Value { return Value(c.Observed) }},
	{"relative_humidity_in_range", func(c *Conditions) Value { return c.RHInRange }},
	{"temperature_in_range", func(c *Conditions) Value { return c.TInRange }},
	{"co2_in_range", func(c *Conditions) Value { return c.CO2InRange }},
	{"mean_relative_humidity", func(c *Conditions) Value { return c.MeanRH }},
	{"mean_temperature_c", func(c *Conditions) Value { return c.MeanC }},
	{"mean_co2_ppm", func(c *Conditions) Value { return c.MeanCO2 }},
	{"co2_above_limit_hours", func(c *Conditions) Value { return c.CO2AboveHours }},
	{"co2_above_limit", func(c *Conditions) Value { return c.CO2Above }},
	{"longest_dry_dip_hours", func(c *Conditions) Value { return c.DryDipHours }},
	{"mean_vapor_pressure_deficit_pa", func(c *Conditions) Value { return c.MeanVPDPa }},
	{"degree_hours", func(c *Conditions) Value { return c.DegreeHours }},
	{"air_changes", func(c *Conditions) Value { return c.AirChanges }},
	{"air_changes_per_hour", func(c *Conditions) Value { return c.AirChangesPerHour }},
	{"light_hours", func(c *Conditions) Value { return c.LightHours }},
	{"light_hours_per_day", func(c *Conditions) Value { return c.LightHoursPerDay }},
	{"respiration_g", func(c *Conditions) Value { return c.RespirationG }},
}

// WriteCSV writes one row for each flush: what it gave, and the conditions of each of its stages. Figures are in the
// units of the report's data; an empty cell is not known.
func (r *Report) WriteCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	header := []string{"batch", "chamber", "species", "strain", "flush", "final", "first_picking", "last_picking", "pickings", "fresh_g",
		"biological_efficiency", "expected_low", "expected_high", "relative_to_median"}
	for _, stage := range species.Stages() {
		for _, c := range conditionColumns {
			header = append(header, stage.String()+"_"+c.name)
		}
	}
	if err := out.Write(header); err != nil {
		return err
	}
	for i := range r.Harvests {
		if err := out.Write(r.Harvests[i].cells()); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

func (h *Harvest) cells() []string {
	moment := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return t.UTC().Format(time.RFC3339)
	}
	given := func(v float64) string {
		if v == 0 {
			return ""
		}
		return Value(v).cell()
	}
	cells := []string{h.Batch, h.Chamber, h.Species, h.Strain, strconv.Itoa(h.Flush), strconv.FormatBool(h.Final), moment(h.First), moment(h.Last),
		strconv.Itoa(h.Pickings), Value(h.FreshG).cell(), Value(h.Efficiency).cell(), given(h.Low), given(h.High), h.Relative.cell()}
	for _, stage := range species.Stages() {
		c, ok := h.During(stage)
		for _, column := range conditionColumns {
			if !ok {
				cells = append(cells, "")
				continue
			}
			cells = append(cells, column.of(&c).cell())
		}
	}
	return cells
}

// cell writes a figure as the table has it.
func (v Value) cell() string {
	if !v.OK() {
		return ""
	}
	return strconv.FormatFloat(float64(v), 'g', 9, 64)
}

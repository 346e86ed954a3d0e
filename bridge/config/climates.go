package config

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"gillkeeper/policy/species"
)

// climates reads the grower's own rows and lays them over the built-in table.
func (r *reader) climates(cfg *Config, rows []*table) {
	type key struct {
		species string
		stage   species.Stage
	}
	seen := map[key]int{}
	for _, t := range rows {
		o := r.climate(t)
		cfg.Climates = append(cfg.Climates, o)
		k := key{o.Species, o.Stage}
		if line, twice := seen[k]; twice && o.Species != "" && o.Stage != 0 {
			r.faultAt(t.line, t.where, Fault{What: "is there twice", Allowed: fmt.Sprintf("join it with the row of line %d", line)})
		}
		seen[k] = t.line
	}
	table, err := species.Builtin().With(cfg.Climates)
	cfg.Table = table
	for _, e := range unwrap(err) {
		if f, ok := errors.AsType[*species.Fault](e); ok {
			r.climateFault(rows[f.Index], f)
		} else {
			r.faultAt(1, "climate", Fault{What: oneLine(e.Error())})
		}
	}
}

// climateFault passes on what the table says of a row, unless that was said already.
func (r *reader) climateFault(t *table, f *species.Fault) {
	key := string(f.Field)
	if t.faulty[key] || f.Field == species.StageField {
		return
	}
	g := Fault{What: "is not allowed"}
	g.Allowed, _, _ = strings.Cut(f.Allowed, "; did you mean")
	if f.Field == species.SpeciesField {
		if !r.given(t, "species") || !r.given(t, "stage") || t.faulty["relative_humidity"] || t.faulty["temperature_c"] {
			return
		}
		g.What, g.Nearest = "is not a row of the built-in table", nearSpecies(get[string](r, t, "species"))
	}
	r.fault(t, key, g)
}

func nearSpecies(word string) string {
	if near := species.Builtin().Nearest(word); near != word {
		return near
	}
	return ""
}

func unwrap(err error) []error {
	if err == nil {
		return nil
	}
	if many, ok := err.(interface{ Unwrap() []error }); ok {
		return many.Unwrap()
	}
	return []error{err}
}

func (r *reader) climate(t *table) species.Override {
	o := species.Override{
		Species:          get[string](r, t, "species"),
		Stage:            get[species.Stage](r, t, "stage"),
		RelativeHumidity: rangeOf(r, t, "relative_humidity"),
		TemperatureC:     rangeOf(r, t, "temperature_c"),
		CO2MinPPM:        optional[float64](r, t, "co2_min_ppm"),
		CO2MaxPPM:        optional[float64](r, t, "co2_max_ppm"),
		FAEPerHour:       rangeOf(r, t, "fae_per_hour"),
		LightHours:       optional[float64](r, t, "light_hours"),
		LightsOn:         optional[time.Duration](r, t, "lights_on"),
		Days:             rangeOf(r, t, "days"),
	}
	if o.Species != "" && o.Stage != 0 && len(t.leaves) == 2 && len(t.faulty) == 0 {
		r.faultAt(t.line, t.where, Fault{What: "says nothing besides species and stage", Allowed: "give the numbers that differ from the built-in table", Warning: true, absence: true})
	}
	return o
}

func rangeOf(r *reader, t *table, key string) species.Range {
	p := get[[2]float64](r, t, key)
	return species.Range{Low: p[0], High: p[1]}
}

func optional[T any](r *reader, t *table, key string) *T {
	if !r.given(t, key) {
		return nil
	}
	return new(get[T](r, t, key))
}

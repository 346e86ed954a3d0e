package main

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"gillkeeper/policy/sizing"
	"gillkeeper/policy/species"
)

// sizeFlags is the command line of size, in the units that it asks for.
type sizeFlags struct {
	units, volume, sides, covering  string
	species, stage                  string
	load, fruit, altitude, heat     float64
	room, summer, winter            string
	temperature, humidity, co2      string
	fan, mister, reservoir          float64
	fanFree, example, asJSON, brief bool
	fanMinOn, misterMinOn           time.Duration
}

func newSizeCommand(a *app) *cobra.Command {
	var f sizeFlags
	cmd := &cobra.Command{
		Use:   "size",
		Short: "Work out what air, mist and plugs a chamber needs, before you buy",
		Long: "From the chamber, its load and the room's air, this works out the air flow that carries the carbon dioxide away, the\n" +
			"mist and water per day, where the temperature settles, and whether the fan and the humidifier are strong enough, and\n" +
			"draws an hour with them. Answers are ranges, because nobody knows a crop's respiration to better than a factor of two.",
		Example: "  gillkeeper size --sides 0.7x0.5x1.6 --species pleurotus-ostreatus --load 12 --room 20,45,500 --fan 15 --mister 100\n" +
			"  gillkeeper size --units us --volume 20 --species hericium-erinaceus --load 25 --summer 78,55,600 --winter 66,30,800\n" +
			"  gillkeeper size --example",
		Args: arguments(),
		RunE: func(cmd *cobra.Command, args []string) error { return a.size(cmd, &f) },
	}
	f.define(cmd)
	return cmd
}

func (f *sizeFlags) define(cmd *cobra.Command) {
	s := cmd.Flags()
	s.StringVar(&f.units, "units", "metric", "metric (m, m³, kg, °C, m³/h, liters) or us (ft, ft³, lb, °F, cfm, quarts), for input and output")
	s.StringVar(&f.volume, "volume", "", "inside volume, m³ or ft³")
	s.StringVar(&f.sides, "sides", "", "instead of --volume: the inside measurements, WIDTHxDEPTHxHEIGHT, m or ft")
	s.StringVar(&f.covering, "covering", string(sizing.Tent), "tent, film, cabinet or insulate")
	s.StringVar(&f.species, "species", "", "binomial, as gillkeeper species lists it")
	s.StringVar(&f.stage, "stage", species.Fruiting.String(), "colonization, pinning, fruiting or rest")
	s.Float64Var(&f.load, "load", 0, "wet weight of the blocks, kg or lb")
	s.Float64Var(&f.fruit, "fruit", 0, "weight of the fruit bodies on the blocks, kg or lb (default: estimated while fruiting)")
	s.StringVar(&f.room, "room", "", "the room's air: TEMPERATURE,HUMIDITY,CO2 in °C or °F, percent, ppm")
	s.StringVar(&f.summer, "summer", "", "instead of --room: the room's air in summer")
	s.StringVar(&f.winter, "winter", "", "instead of --room: the room's air in winter")
	s.Float64Var(&f.altitude, "altitude", 0, "above sea level, m or ft")
	s.Float64Var(&f.heat, "heat", 0, "average heat of lamps and motors inside, watts")
	s.StringVar(&f.temperature, "temperature", "", "target, instead of the climate table's: LOW,HIGH in °C or °F")
	s.StringVar(&f.humidity, "humidity", "", "target, instead of the climate table's: LOW,HIGH in percent")
	s.StringVar(&f.co2, "co2-max", "", "maximum, instead of the climate table's: ppm")
	s.Float64Var(&f.fan, "fan", 0, "flow printed on the exhaust fan, m³/h or cfm")
	s.BoolVar(&f.fanFree, "fan-free", false, "the fan blows freely, without duct or filter")
	s.DurationVar(&f.fanMinOn, "fan-min-on", 20*time.Second, "shortest run of the fan's plug")
	s.Float64Var(&f.mister, "mister", 0, "output printed on the humidifier, g/h (mL/h is the same)")
	s.DurationVar(&f.misterMinOn, "mister-min-on", 20*time.Second, "shortest run of the humidifier's plug")
	s.Float64Var(&f.reservoir, "reservoir", 0, "the humidifier's reservoir, liters or quarts")
	s.BoolVar(&f.example, "example", false, "size a built-in example instead")
	s.BoolVar(&f.brief, "brief", false, "leave out advice and cautions")
	s.BoolVar(&f.asJSON, "json", false, "print JSON (always SI, ratios and ppm)")
	for flag, words := range map[string][]string{
		"units": unitSystems, "species": species.Builtin().Species(), "stage": stageNames(),
		"covering": {string(sizing.Tent), string(sizing.Film), string(sizing.Cabinet), string(sizing.Insulate)},
	} {
		completeFlag(cmd, flag, fixed(words...))
	}
}

// unitSystems are what --units may name.
var unitSystems = []string{"metric", "us"}

func (a *app) size(cmd *cobra.Command, f *sizeFlags) error {
	units, err := unitsNamed(f.units)
	if err != nil {
		return err
	}
	in := sizing.Example()
	if !f.example {
		if err := f.complete(cmd); err != nil {
			return err
		}
		if in, err = f.input(units); err != nil {
			return err
		}
	}
	answer, err := sizing.Size(in, species.Builtin())
	if o, ok := errors.AsType[*sizing.OutsideError](err); ok {
		return errors.New(o.In(units.amount))
	}
	if err != nil {
		return err
	}
	if f.asJSON {
		return a.printJSON(answer)
	}
	page := sizePage{app: a, units: units, in: &in, answer: &answer}
	page.print(f.brief)
	return nil
}

// complete says which flags are missing.
func (f *sizeFlags) complete(cmd *cobra.Command) error {
	var missing []string
	if f.volume == "" && f.sides == "" {
		missing = append(missing, "--volume or --sides")
	}
	if f.load == 0 && f.fruit == 0 {
		missing = append(missing, "--load")
	}
	if f.room == "" && f.summer == "" && f.winter == "" {
		missing = append(missing, "--room")
	}
	if f.species == "" && (f.temperature == "" || f.humidity == "") {
		missing = append(missing, "--species")
	}
	if len(missing) > 0 {
		return usagef("%s needs %s; see %s --help", cmd.CommandPath(), strings.Join(missing, ", "), cmd.CommandPath())
	}
	if f.room != "" && (f.summer != "" || f.winter != "") {
		return usagef("%s takes --room, or --summer and --winter, not both; see %s --help", cmd.CommandPath(), cmd.CommandPath())
	}
	return nil
}

// input converts everything to SI.
func (f *sizeFlags) input(u *units) (sizing.Input, error) {
	in := sizing.Input{
		Covering: sizing.Covering(f.covering), Species: f.species,
		SubstrateKg: f.load * u.kilogram, FruitKg: f.fruit * u.kilogram, AltitudeM: f.altitude * u.meter, HeatW: f.heat,
		Fan:    sizing.Fan{FlowM3PerH: f.fan * u.flow, Free: f.fanFree, MinOn: f.fanMinOn},
		Mister: sizing.Mister{OutputGPerH: f.mister, MinOn: f.misterMinOn, ReservoirLiters: f.reservoir * u.liter},
	}
	var faults []error
	note := func(err error) { faults = append(faults, err) }
	note(in.Stage.UnmarshalText([]byte(f.stage)))
	if f.volume != "" {
		v, err := numbers("--volume", f.volume, ",", 1)
		note(err)
		in.VolumeM3 = v[0] * u.volume
	}
	if f.sides != "" {
		v, err := numbers("--sides", strings.ReplaceAll(f.sides, "×", "x"), "x", 3)
		note(err)
		in.Sides = [3]float64{v[0] * u.meter, v[1] * u.meter, v[2] * u.meter}
	}
	for _, r := range []struct{ flag, name, value string }{{"--room", "room", f.room}, {"--summer", "summer", f.summer}, {"--winter", "winter", f.winter}} {
		if r.value == "" {
			continue
		}
		v, err := numbers(r.flag, r.value, ",", 3)
		note(err)
		note(percent(r.flag, v[1]))
		in.Rooms = append(in.Rooms, sizing.Room{Name: r.name, TemperatureC: u.toCelsius(v[0]), RelativeHumidity: v[1] / 100, CO2PPM: v[2]})
	}
	if f.temperature != "" {
		v, err := numbers("--temperature", f.temperature, ",", 2)
		note(err)
		note(rising("--temperature", v))
		in.Want.TemperatureC = species.Range{Low: u.toCelsius(v[0]), High: u.toCelsius(v[1])}
	}
	if f.humidity != "" {
		v, err := numbers("--humidity", f.humidity, ",", 2)
		note(err)
		note(percent("--humidity", v[0]))
		note(percent("--humidity", v[1]))
		note(rising("--humidity", v))
		in.Want.RelativeHumidity = species.Range{Low: v[0] / 100, High: v[1] / 100}
	}
	if f.co2 != "" {
		v, err := numbers("--co2-max", f.co2, ",", 1)
		note(err)
		in.Want.CO2MaxPPM = v[0]
	}
	return in, errors.Join(faults...)
}

// numbers reads a list of so many numbers; on an error it still gives as many.
func numbers(flag, text, separator string, n int) ([]float64, error) {
	parts := strings.Split(text, separator)
	values := make([]float64, n)
	if len(parts) != n {
		return values, usagef("%s %q has %d numbers; it takes %d, with %q between", flag, text, len(parts), n, separator)
	}
	for i, part := range parts {
		v, err := strconv.ParseFloat(strings.TrimSpace(part), 64)
		if err != nil {
			return values, usagef("%s: %q is not a number", flag, part)
		}
		values[i] = v
	}
	return values, nil
}

// percent refuses a humidity in the words of whoever typed it.
func percent(flag string, v float64) error {
	if v >= 0 && v <= 100 {
		return nil
	}
	return fmt.Errorf("%s: a relative humidity of %g %% does not exist; give 0 to 100", flag, v)
}

// rising refuses a LOW,HIGH the wrong way round, in the units of whoever typed it.
func rising(flag string, v []float64) error {
	if v[0] <= v[1] {
		return nil
	}
	return fmt.Errorf("%s: %g comes before %g; give the lower number first", flag, v[0], v[1])
}

// units are what a person reads and writes. Each factor is the SI value of one unit (NIST SP 811, appendix B).
type units struct {
	us                                      bool
	meter, volume, kilogram, flow, liter    float64
	length, cubic, mass, air, water, degree string
}

var (
	metric = units{false, 1, 1, 1, 1, 1, "m", "m³", "kg", "m³/h", "L", "°C"}
	// The US quart and the cubic foot a minute.
	usUnits = units{true, 0.3048, 0.028316846592, 0.45359237, 1.69901079552, 0.946352946, "ft", "ft³", "lb", "cfm", "qt", "°F"}
)

func unitsNamed(name string) (*units, error) {
	if err := oneOf("system of units", name, unitSystems); err != nil {
		return nil, err
	}
	if name == "us" {
		return &usUnits, nil
	}
	return &metric, nil
}

// amount writes a number that cannot be worked with in the unit in which it was typed. A limit is rounded into what is allowed, to
// what somebody can type again.
func (u *units) amount(a sizing.Amount) string {
	v, unit := a.Value, ""
	switch a.Of {
	case sizing.Length:
		v, unit = v/u.meter, " "+u.length
	case sizing.Volume:
		v, unit = v/u.volume, " "+u.cubic
	case sizing.Mass:
		v, unit = v/u.kilogram, " "+u.mass
	case sizing.Flow:
		v, unit = v/u.flow, " "+u.air
	case sizing.Water:
		v, unit = v/u.liter, " "+u.water
	case sizing.Temperature:
		v, unit = u.temperature(v), " "+u.degree
	case sizing.Humidity:
		v, unit = 100*v, " %"
	}
	if a.Bare {
		unit = ""
	}
	return strconv.FormatFloat(typed(v, a.Limit), 'f', -1, 64) + unit
}

// typed rounds what was converted there and back to what was typed, seven digits; a limit up or down to three.
func typed(v float64, limit int) float64 {
	seven, err := strconv.ParseFloat(strconv.FormatFloat(v, 'e', 6, 64), 64)
	if err != nil || limit == 0 || seven == 0 {
		return seven
	}
	step := math.Pow10(int(math.Floor(math.Log10(math.Abs(seven)))) - 2)
	n := math.Floor(seven/step + 1e-6)
	if limit > 0 {
		n = math.Ceil(seven/step - 1e-6)
	}
	three, _ := strconv.ParseFloat(strconv.FormatFloat(n*step, 'e', 2, 64), 64)
	return three
}

func (u *units) toCelsius(t float64) float64 {
	if u.us {
		return math.Round((t-32)/1.8*1e9) / 1e9 // 33.8 °F is 1 °C, and no less
	}
	return t
}

func (u *units) temperature(c float64) float64 {
	if u.us {
		return c*1.8 + 32
	}
	return c
}

func (u *units) difference(k float64) float64 {
	if u.us {
		return k * 1.8
	}
	return k
}

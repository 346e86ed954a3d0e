// Package sizing answers, before the first plug is bought, what a fruiting chamber needs: air to carry the carbon
// dioxide off, mist to keep that air moist, how often the reservoir is filled, where the temperature settles, and
// whether fan and humidifier at hand can hold the wanted air.
//
// It must never pretend to know better than it does: respiration is uncertain by a factor of three, so answers are
// ranges that say what they rest on. Start reading at [Size].
package sizing

import (
	"errors"
	"fmt"
	"math"
	"time"

	"gillkeeper/policy/air"
	"gillkeeper/policy/species"
)

// Input is the chamber, its load, and the room that it breathes.
type Input struct {
	VolumeM3 float64    `json:"volume_m3,omitempty"` // inside; 0: from Sides
	Sides    [3]float64 `json:"sides_m,omitempty"`   // width, depth, height inside; zeros: a cube of VolumeM3
	Covering Covering   `json:"covering"`

	Species     string        `json:"species,omitempty"`
	Stage       species.Stage `json:"stage,omitempty"`
	Want        Want          `json:"want,omitzero"` // over the species' row, figure by figure
	SubstrateKg float64       `json:"substrate_kg"`  // wet blocks
	FruitKg     float64       `json:"fruit_kg"`      // on them; 0 while fruiting: estimated

	Rooms     []Room  `json:"rooms"` // one, or a summer and winter pair
	AltitudeM float64 `json:"altitude_m"`
	HeatW     float64 `json:"heat_w,omitempty"` // of lamps and motors inside, on average

	Fan    Fan    `json:"fan,omitzero"`    // at hand or in mind; zero: none
	Mister Mister `json:"mister,omitzero"` // the same
}

// Room is the air that the chamber takes in.
type Room struct {
	Name             string  `json:"name,omitempty"`
	TemperatureC     float64 `json:"temperature_c"`
	RelativeHumidity float64 `json:"relative_humidity"`
	CO2PPM           float64 `json:"co2_ppm"`
}

// Want is the air wanted in the chamber. In [Input] a zero means: as the species' row says.
type Want struct {
	TemperatureC species.Range `json:"temperature_c"`
	// RelativeHumidity is the range wanted; HumidityAim what control should aim at.
	RelativeHumidity species.Range `json:"relative_humidity"`
	HumidityAim      float64       `json:"humidity_aim"`
	CO2MaxPPM        float64       `json:"co2_max_ppm"` // 0: any
	CO2MinPPM        float64       `json:"co2_min_ppm"` // 0: none
	FAEPerHour       species.Range `json:"fae_per_hour"`
}

// Fan is an exhaust fan.
type Fan struct {
	FlowM3PerH float64       `json:"flow_m3_per_h"` // as printed on it, blowing freely
	Free       bool          `json:"free"`          // no duct or filter takes a part of it
	MinOn      time.Duration `json:"min_on"`
}

// Mister is an ultrasonic humidifier.
type Mister struct {
	OutputGPerH     float64       `json:"output_g_per_h"`
	MinOn           time.Duration `json:"min_on"`
	ReservoirLiters float64       `json:"reservoir_liters"`
}

// Answer is what [Size] found.
type Answer struct {
	VolumeM3   float64      `json:"volume_m3"`
	PressurePa float64      `json:"pressure_pa"`
	Want       Want         `json:"want"`
	Row        *species.Row `json:"row,omitempty"` // where Want came from
	FruitKg    Estimate     `json:"fruit_kg"`
	FillShare  Estimate     `json:"fill_share"` // of the volume, taken by the blocks
	Seasons    []Season     `json:"seasons"`
	Findings   []Finding    `json:"findings"`
	Advice     []string     `json:"advice"`
	Cautions   []string     `json:"cautions"`
}

// Season is the answer for one room's air.
type Season struct {
	Room         Room    `json:"room"`
	TemperatureC float64 `json:"temperature_c"` // of the chamber, for which everything but Settles is worked out

	CO2GPerH   Estimate `json:"co2_g_per_h"`    // given off by the load
	FlowM3PerH Estimate `json:"flow_m3_per_h"`  // that carries it off; 0 with FlowKnown false
	FlowKnown  bool     `json:"flow_known"`     // false: intake air makes the target impossible, or there is none
	AirChanges Estimate `json:"air_changes"`    // per hour
	LeakM3PerH Estimate `json:"leak_m3_per_h"`  // what comes through the covering by itself
	LowestCO2  Estimate `json:"lowest_co2_ppm"` // with the fan always on; 0: no fan
	FanDuty    Estimate `json:"fan_duty"`       // share of time; above 1: too small; 0: no fan, or leak does it
	FanPulseS  float64  `json:"fan_pulse_s"`    // shortest useful one, seconds; 0: no fan

	VaporGPerH     Estimate `json:"vapor_g_per_h"` // that the intake air lacks
	CropGPerH      Estimate `json:"crop_g_per_h"`  // of it given off by blocks and fruit bodies
	MistGPerH      Estimate `json:"mist_g_per_h"`  // drawn from the reservoir for the rest
	LitersPerDay   Estimate `json:"liters_per_day"`
	MisterDuty     Estimate `json:"mister_duty"`    // 0: no humidifier
	FillingHours   Estimate `json:"filling_hours"`  // 0: no reservoir, or no mist
	CoolingW       Estimate `json:"cooling_w"`      // by the mist that evaporates
	Settles        Estimate `json:"settles_c"`      // chamber, neither heated nor cooled
	CondensationK  Estimate `json:"condensation_k"` // walls above the dew point; negative: they drip
	MistStep       Estimate `json:"mist_step"`      // rise of RH by the humidifier's shortest pulse; 0: no humidifier
	FanStep        Estimate `json:"fan_step"`       // fall of RH by the fan's shortest pulse; 0: no fan
	ReachableBand  Estimate `json:"reachable_band"` // width within which RH can be held; 0: no humidifier
	ReachableLow   float64  `json:"reachable_low"`  // that band about the aim, likely
	ReachableHigh  float64  `json:"reachable_high"`
	HumidityAtEase float64  `json:"humidity_at_ease"` // RH that intake air takes on in the chamber without any water

	// HeldShare is the share of the hour's time within 2.5 points of the aim.
	HeldShare float64  `json:"held_share"`
	Hour      []Minute `json:"hour,omitempty"` // with these plugs; none without any
}

// Estimate is a figure as it is known: from the lowest that is plausible to the highest.
type Estimate struct {
	Low     float64 `json:"low"`
	Likely  float64 `json:"likely"`
	High    float64 `json:"high"`
	RestsOn string  `json:"rests_on,omitempty"`
}

func (e Estimate) scaled(k float64, restsOn string) Estimate {
	return Estimate{e.Low * k, e.Likely * k, e.High * k, restsOn}
}

// Size works out what the chamber needs. The error joins everything that is wrong with the input, one line each.
func Size(in Input, table *species.Table) (Answer, error) {
	c := calculation{in: in}
	err := errors.Join(c.takeVolume(), c.takeWant(table), c.takeLoad(), c.takePlugs(), c.takeRooms())
	if err != nil {
		return Answer{}, err
	}
	a := Answer{VolumeM3: c.volume, PressurePa: float64(c.pressure), Want: c.want, Row: c.row, FruitKg: c.fruit,
		FillShare: c.fill(), Advice: Advice(), Cautions: Cautions(c.in.Stage)}
	for _, room := range in.Rooms {
		s, err := c.season(room)
		if err != nil {
			return Answer{}, err
		}
		s.Hour, s.HeldShare = c.hour(&s)
		a.Seasons = append(a.Seasons, s)
	}
	a.Findings = c.findings(&a)
	return a, nil
}

// calculation is the input, checked and completed.
type calculation struct {
	in       Input
	volume   float64
	wallM2   float64
	pressure air.Pascal
	want     Want
	row      *species.Row
	fruit    Estimate
	priors   respiration
}

func (c *calculation) takeVolume() error {
	in := &c.in
	c.volume = in.VolumeM3
	switch given := in.Sides != [3]float64{}; {
	case given && in.VolumeM3 != 0:
		return errors.New("volume and sides are both given: give one of them")
	case given:
		w, d, h := in.Sides[0], in.Sides[1], in.Sides[2]
		c.volume = w * d * h
		c.wallM2 = 2 * (w*d + w*h + d*h)
		if !(min(w, d, h) >= 0.1) {
			return beyond("sides are %s, %s and %s: each must be at least %s", bare(Length, w), bare(Length, d), of(Length, h), Amount{Value: 0.1, Of: Length, Limit: 1})
		}
	default:
		c.wallM2 = 6 * math.Pow(in.VolumeM3, 2.0/3)
	}
	if !(c.volume >= 0.02 && c.volume <= 500) {
		return beyond("volume is %s: it must be %s to %s", of(Volume, c.volume), least(Volume, 0.02), most(Volume, 500))
	}
	if _, ok := coverings[in.Covering]; !ok {
		return fmt.Errorf("covering %q is unknown: coverings are %s", string(in.Covering), coveringWords())
	}
	p, ok := air.BarometricPressure(air.Meters(in.AltitudeM))
	if !ok || in.AltitudeM > 5000 {
		return beyond("altitude is %s: it must be %s to %s", of(Length, in.AltitudeM), least(Length, -500), most(Length, 5000))
	}
	c.pressure = p
	return nil
}

// takeWant reads the species' row and lays the wishes over it.
func (c *calculation) takeWant(table *species.Table) error {
	in, w := &c.in, &c.want
	if in.Species != "" {
		if in.Stage == 0 {
			return errors.New("stage is missing: stages are colonization, pinning, fruiting, rest")
		}
		if !table.Has(in.Species) {
			hint := "gillkeeper species lists what is"
			if near := table.Nearest(in.Species); near != "" {
				hint = "did you mean " + near + "?"
			}
			return fmt.Errorf("species %q is not in the climate table: %s", in.Species, hint)
		}
		row, ok := table.Lookup(in.Species, in.Stage)
		if !ok {
			return fmt.Errorf("the climate table has no %s for %s: give the wanted air yourself", in.Stage, in.Species)
		}
		c.row = &row
		*w = Want{TemperatureC: row.TemperatureC, RelativeHumidity: row.RelativeHumidity, CO2MaxPPM: row.CO2MaxPPM,
			CO2MinPPM: row.CO2MinPPM, FAEPerHour: row.FAEPerHour}
	}
	if in.Want.TemperatureC.Given() {
		w.TemperatureC = in.Want.TemperatureC
	}
	if in.Want.RelativeHumidity.Given() {
		w.RelativeHumidity = in.Want.RelativeHumidity
	}
	if in.Want.CO2MaxPPM != 0 {
		w.CO2MaxPPM = in.Want.CO2MaxPPM
	}
	if in.Want.CO2MinPPM != 0 {
		w.CO2MinPPM = in.Want.CO2MinPPM
	}
	if in.Want.FAEPerHour.Given() {
		w.FAEPerHour = in.Want.FAEPerHour
	}
	w.HumidityAim = min(w.RelativeHumidity.Middle(), HighestAim)
	if in.Want.HumidityAim != 0 {
		w.HumidityAim = in.Want.HumidityAim
	}
	return w.check()
}

func (w *Want) check() error {
	if !w.TemperatureC.Given() || !w.RelativeHumidity.Given() {
		return errors.New("the wanted air is unknown: give a species and a stage, or temperature and humidity")
	}
	t, rh := w.TemperatureC, w.RelativeHumidity
	if !(t.Low >= 1 && t.Low <= t.High && t.High <= 40) {
		return beyond("wanted temperature is %s to %s: it must rise and lie in %s to %s", bare(Temperature, t.Low), of(Temperature, t.High), least(Temperature, 1), most(Temperature, 40))
	}
	if !(rh.Low > 0 && rh.Low <= rh.High && rh.High <= 1) {
		return beyond("wanted humidity is %s to %s: it must rise and lie above %s, up to %s", bare(Humidity, rh.Low), of(Humidity, rh.High), least(Humidity, 0), most(Humidity, 1))
	}
	if !(w.HumidityAim > 0 && w.HumidityAim <= 1) {
		return fmt.Errorf("humidity to aim at is %v: it must lie in 0 to 1", w.HumidityAim)
	}
	if !(w.CO2MaxPPM >= 0 && w.CO2MaxPPM <= 100_000 && w.CO2MinPPM >= 0 && w.CO2MinPPM <= 100_000) {
		return fmt.Errorf("wanted CO2 is %v to %v ppm: it must lie in 0 to 100000 ppm", w.CO2MinPPM, w.CO2MaxPPM)
	}
	return nil
}

func (c *calculation) takeLoad() error {
	in := &c.in
	if !(in.SubstrateKg >= 0 && in.FruitKg >= 0 && in.SubstrateKg+in.FruitKg > 0) {
		return beyond("load is %s of blocks and %s of fruit: give what will stand in the chamber", of(Mass, in.SubstrateKg), of(Mass, in.FruitKg))
	}
	if in.SubstrateKg > 1e5 || in.FruitKg > 1e5 {
		return beyond("load is %s of blocks and %s of fruit: give at most %s of each", of(Mass, in.SubstrateKg), of(Mass, in.FruitKg), most(Mass, 1e5))
	}
	if !(in.HeatW >= 0 && in.HeatW <= 1e5) {
		return fmt.Errorf("heat inside is %v W: it must be 0 or more", in.HeatW)
	}
	c.priors = priorsOf(in.Species, in.Stage)
	c.fruit = Estimate{in.FruitKg, in.FruitKg, in.FruitKg, "as given"}
	if in.FruitKg == 0 && in.Stage == species.Fruiting {
		c.fruit = expectedFruit(in.SubstrateKg)
	}
	return nil
}

func (c *calculation) takePlugs() error {
	f, m := &c.in.Fan, &c.in.Mister
	switch {
	case f.FlowM3PerH != 0 && !(f.FlowM3PerH >= 0.1 && f.FlowM3PerH <= 1e5):
		return beyond("fan flow is %s: it must be 0 (no fan) or %s to %s", of(Flow, f.FlowM3PerH), least(Flow, 0.1), most(Flow, 1e5))
	case m.OutputGPerH != 0 && !(m.OutputGPerH >= 1 && m.OutputGPerH <= 1e6):
		return fmt.Errorf("humidifier output is %v g/h: it must be 0 (none) or 1 to 1000000", m.OutputGPerH)
	case m.ReservoirLiters != 0 && !(m.ReservoirLiters >= 0.05 && m.ReservoirLiters <= 1e5):
		return beyond("reservoir is %s: it must be 0 (unknown) or %s to %s", of(Water, m.ReservoirLiters), least(Water, 0.05), most(Water, 1e5))
	case f.MinOn < 0 || m.MinOn < 0 || f.MinOn > time.Hour || m.MinOn > time.Hour:
		return fmt.Errorf("shortest runs are %v and %v: they must be 0 to 1h", f.MinOn, m.MinOn)
	}
	return nil
}

func (c *calculation) takeRooms() error {
	if len(c.in.Rooms) == 0 {
		return errors.New("the room's air is missing: give its temperature, humidity and CO2")
	}
	for _, r := range c.in.Rooms {
		switch {
		case !(r.TemperatureC >= -20 && r.TemperatureC <= 50):
			return beyond("room temperature is %s: it must be %s to %s", of(Temperature, r.TemperatureC), least(Temperature, -20), most(Temperature, 50))
		case !(r.RelativeHumidity >= 0 && r.RelativeHumidity <= 1):
			return beyond("room humidity is %s: it must be %s to %s", of(Humidity, r.RelativeHumidity), least(Humidity, 0), most(Humidity, 1))
		case !(r.CO2PPM >= 300 && r.CO2PPM <= 50_000):
			return fmt.Errorf("room CO2 is %v ppm: it must be 300 to 50000 ppm", r.CO2PPM)
		}
	}
	return nil
}

// Example is a shelf tent of oyster blocks in a heated room, with a small fan and a small humidifier: plugs that
// match the chamber.
func Example() Input {
	return Input{
		Sides: [3]float64{0.7, 0.5, 1.6}, Covering: Tent,
		Species: "pleurotus-ostreatus", Stage: species.Fruiting, SubstrateKg: 12,
		Rooms:  []Room{{Name: "room", TemperatureC: 20, RelativeHumidity: 0.35, CO2PPM: 500}},
		Fan:    Fan{FlowM3PerH: 15, MinOn: 20 * time.Second},
		Mister: Mister{OutputGPerH: 100, MinOn: 10 * time.Second, ReservoirLiters: 2},
	}
}

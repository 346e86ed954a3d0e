package plant

import "math"

// State is the chamber at one moment: a plain value that can be copied and kept.
type State struct {
	Seconds float64 `json:"seconds"` // since the start

	AirC       float64 `json:"air_c"`
	VaporGM3   float64 `json:"vapor_g_m3"` // absolute humidity
	DropletsG  float64 `json:"droplets_g"` // suspended
	CO2GM3     float64 `json:"co2_g_m3"`
	FilmG      float64 `json:"film_g"` // water on walls, shelves and floor
	WallC      float64 `json:"wall_c"`
	ContentsC  float64 `json:"contents_c"`
	BlockG     float64 `json:"block_g"` // water in substrate and fruit bodies
	FruitKg    float64 `json:"fruit_kg"`
	ReservoirG float64 `json:"reservoir_g"`
	FanSpin    float64 `json:"fan_spin"`  // 0..1
	MistSpin   float64 `json:"mist_spin"` // 0..1
	Fouling    float64 `json:"fouling"`   // resistance of the filter over its clean one, minus 1

	Total Totals `json:"total"`
}

// Totals count what went through the chamber since the start, so that balances can be checked and figures drawn.
type Totals struct {
	VaporInG    float64 `json:"vapor_in_g"`  // with the room's air
	VaporOutG   float64 `json:"vapor_out_g"` // with the chamber's air
	DropletsOut float64 `json:"droplets_out_g"`
	MistG       float64 `json:"mist_g"`       // drawn from the reservoir
	AirborneG   float64 `json:"airborne_g"`   // droplets turned into vapor
	DrainedG    float64 `json:"drained_g"`    // run off the walls
	CoilG       float64 `json:"coil_g"`       // condensed in the cooler
	MetabolicG  float64 `json:"metabolic_g"`  // water made by respiration
	CO2InG      float64 `json:"co2_in_g"`     // with the room's air
	CO2OutG     float64 `json:"co2_out_g"`    // with the chamber's air
	CO2MadeG    float64 `json:"co2_made_g"`   // by the crop
	FanM3       float64 `json:"fan_m3"`       // moved by the fan
	ExchangedM3 float64 `json:"exchanged_m3"` // by fan, leak and door
}

// Room is what lies outside the chamber.
type Room struct {
	AirC             float64 `json:"air_c"`
	RelativeHumidity float64 `json:"relative_humidity"` // 0..1, over water
	CO2PPM           float64 `json:"co2_ppm"`
	Door             float64 `json:"door,omitempty"` // 0 shut, 1 wide open
}

// Plugs is what each plug does now: 0 off, 1 full on, between for one that can be dimmed.
type Plugs struct {
	Humidifier     float64 `json:"humidifier"`
	ExhaustFan     float64 `json:"exhaust_fan"`
	CirculationFan float64 `json:"circulation_fan"`
	Lamp           float64 `json:"lamp"`
	Heater         float64 `json:"heater"`
	Cooler         float64 `json:"cooler"`
}

// Truth is the air as it is, not as a sensor says.
type Truth struct {
	AirC             float64 `json:"air_c"`
	RelativeHumidity float64 `json:"relative_humidity"` // 0..1
	CO2PPM           float64 `json:"co2_ppm"`
}

// Constants of moist air: the gas constants are those of ASHRAE Handbook Fundamentals chapter 1; the molar mass of
// carbon dioxide is 44.0095 g/mol.
const (
	zeroC      = 273.15
	dryAirR    = 287.042               // J/(kg K)
	vaporR     = 0.461524              // J/(g K)
	co2R       = 8.314462618 / 44.0095 // J/(g K)
	airCp      = 1006.0                // J/(kg K)
	perPPM     = 1e-6
	perHour    = 1.0 / 3600
	perDay     = 1.0 / 86400
	waterGM3   = 1e6    // density of liquid water, g/m³
	lewisPower = 0.9    // Le^(2/3) with Le = 0.85 for water vapor in air
	heatPerCO2 = 10_620 // J/g: 2805 kJ a mole of hexose, six of CO2
	waterOfCO2 = 0.409  // g water made with a gram of CO2, 18.015/44.01
)

// Start is the chamber just shut: the room's air inside, dry walls, full reservoir.
func Start(p *Params, room Room) State {
	s := State{
		AirC: room.AirC, WallC: room.AirC, ContentsC: room.AirC,
		BlockG:  float64(float64(p.SubstrateKg*1000)*p.WaterShare) + float64(float64(p.FruitKg*1000)*0.9),
		FruitKg: p.FruitKg, ReservoirG: p.ReservoirG,
	}
	s.SetAir(p, Truth{AirC: room.AirC, RelativeHumidity: room.RelativeHumidity, CO2PPM: room.CO2PPM})
	return s
}

// SetAir fills the chamber with air as described, leaving all else as it is.
func (s *State) SetAir(p *Params, a Truth) {
	kelvin := a.AirC + zeroC
	s.AirC = a.AirC
	s.VaporGM3 = float64(a.RelativeHumidity*Saturation(a.AirC)) / float64(vaporR*kelvin)
	s.CO2GM3 = float64(float64(a.CO2PPM*perPPM)*p.PressurePa) / float64(co2R*kelvin)
}

// Truth is the state of the chamber's air. Air that holds droplets can be a little above saturation; that is given
// as 1.
//
//go:norace
func (s *State) Truth(p *Params) Truth {
	kelvin := s.AirC + zeroC
	return Truth{
		AirC:             s.AirC,
		RelativeHumidity: math.Min(1, float64(s.VaporGM3*float64(vaporR*kelvin))/Saturation(s.AirC)),
		CO2PPM:           float64(s.CO2GM3*float64(co2R*kelvin)) / float64(p.PressurePa*perPPM),
	}
}

// WaterG is all water in the chamber but that of the reservoir.
func (s *State) WaterG(p *Params) float64 {
	return float64(s.VaporGM3*p.VolumeM3) + s.DropletsG + s.FilmG + s.BlockG
}

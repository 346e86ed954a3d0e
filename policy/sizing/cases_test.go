package sizing

import (
	"math"
	"strings"
	"testing"
	"time"

	"gillkeeper/policy/species"
)

// The cases below are worked out by hand, with figures from printed tables and not from policy/air:
//
//	pws  saturation pressure in Pa, steam tables after IAPWS: 15 °C 1705.7, 18 °C 2064.7, 20 °C 2339.3, 21.11 °C 2504
//	p    84 556 Pa at 1500 m (ASHRAE Fundamentals 2017 ch. 1, table 1 and its formula)
//	W    0.622 pv/(p − pv), v = 287.04 T (1 + 1.6078 W)/p (ASHRAE Fundamentals ch. 1)
//	M    44.01 g of carbon dioxide in a mole, 24.055 L of gas at 20 °C and 101 325 Pa (22.414 · 293.15/273.15)
//
// They differ from Hyland and Wexler's formula by up to 0.02 % in pws, hence the tolerance of 0.1 %.
const tolerance = 1e-3

func within(t *testing.T, what string, got, want, share float64) {
	t.Helper()
	if !(math.Abs(got-want) <= share*math.Abs(want)) {
		t.Errorf("%s: got %.6g, want %.6g", what, got, want)
	}
}

func size(t *testing.T, in Input) Season {
	t.Helper()
	a, err := Size(in, species.Builtin())
	if err != nil {
		t.Fatal(err)
	}
	return a.Seasons[0]
}

func exactly(t, rh, co2 float64) Want {
	return Want{TemperatureC: species.Range{Low: t, High: t}, RelativeHumidity: species.Range{Low: rh, High: rh}, CO2MaxPPM: co2}
}

// Case 1, metric, sea level: carbon dioxide of 12 kg of blocks and 2 kg of fruit bodies at 20 °C, from 420 to 1000 ppm
// in 0.56 m³. Steady state Q = G/(ρ ΔC) (ASTM D6245, constant injection at equilibrium).
func TestCase1CarbonDioxideAtSeaLevel(t *testing.T) {
	s := size(t, Input{VolumeM3: 0.56, Covering: Tent, Want: exactly(20, 0.9, 1000), SubstrateKg: 12, FruitKg: 2,
		Rooms: []Room{{"", 20, 0.45, 420}}})
	g := 12*0.08 + 2*0.5         // 1.96 g/h, likely rates at 20 °C
	density := 44.01 / 24.055e-3 // 1829.6 g/m³
	q := g / (density * 580e-6)  // 1.847 m³/h
	within(t, "CO2", s.CO2GPerH.Likely, 1.96, tolerance)
	within(t, "flow", s.FlowM3PerH.Likely, q, tolerance)
	within(t, "flow in figures", s.FlowM3PerH.Likely, 1.847, tolerance)
	within(t, "air changes", s.AirChanges.Likely, q/0.56, tolerance)
	within(t, "low flow", s.FlowM3PerH.Low, (12*0.05+2*0.3)/(density*580e-6), tolerance)
	within(t, "high flow", s.FlowM3PerH.High, (12*0.15+2*0.8)/(density*580e-6), tolerance)
}

// Case 2, metric, 1500 m: the same load at 15 °C, so its respiration is 2.4^-0.5 = 0.6455 of that at 20 °C, in air of
// 84 556 Pa: thinner, so that a ppm is fewer grams and more air is needed for each gram.
func TestCase2CarbonDioxideAt1500Meters(t *testing.T) {
	s := size(t, Input{VolumeM3: 0.56, Covering: Tent, Want: exactly(15, 0.9, 1000), SubstrateKg: 12, FruitKg: 2,
		Rooms: []Room{{"", 15, 0.45, 420}}, AltitudeM: 1500})
	g := 1.96 * 0.64550                                             // 1.2652 g/h
	density := 44.01 / 24.055e-3 * 84556 / 101325 * 293.15 / 288.15 // 1553.3 g/m³
	within(t, "CO2", s.CO2GPerH.Likely, g, tolerance)
	within(t, "flow", s.FlowM3PerH.Likely, g/(density*580e-6), tolerance)
	within(t, "flow in figures", s.FlowM3PerH.Likely, 1.4043, tolerance)
}

// Units of the US cases (NIST SP 811, appendix B).
const (
	foot  = 0.3048        // m
	pound = 0.45359237    // kg
	cfm   = 1.69901079552 // m³/h
	quart = 0.946352946   // L
)

// Case 3, US units, sea level: a tent of 2 × 2 × 4 ft with 25 lb of blocks at 68 °F, room at 500 ppm, limit 1000 ppm. In
// US units: 25 lb · 0.08/1000 lb/(h lb) = 0.002 lb/h; density of CO2 at 68 °F and 14.696 psi: M p/(R T) =
// 44.01 · 14.696/(10.7316 · 527.67) = 0.11421 lb/ft³.
func TestCase3CarbonDioxideInUSUnits(t *testing.T) {
	s := size(t, Input{Sides: [3]float64{2 * foot, 2 * foot, 4 * foot}, Covering: Tent, Want: exactly(20, 0.9, 1000),
		SubstrateKg: 25 * pound, Stage: species.Pinning, Rooms: []Room{{"", (68. - 32) / 1.8, 0.45, 500}}})
	poundsPerHour := 25 * 0.08 / 1000
	density := 44.01 * 14.696 / (10.7316 * 527.67)         // lb/ft³
	cubicFeetPerHour := poundsPerHour / (density * 500e-6) // 35.02
	within(t, "flow in cfm", s.FlowM3PerH.Likely/cfm, cubicFeetPerHour/60, tolerance)
	within(t, "flow in figures", s.FlowM3PerH.Likely/cfm, 0.5837, tolerance)
	within(t, "air changes", s.AirChanges.Likely, cubicFeetPerHour/16, tolerance) // 16 ft³
}

// Case 4, metric, sea level: moisture for air of 20 °C and 45 % brought to 18 °C and 90 %. A wish for 5.5 air changes is
// turned into the flow by a load without a maximum of carbon dioxide: 2 m³ · 5 = 10 m³/h.
//
//	chamber: pv 0.9 · 2064.7 = 1858.2, W = 0.622 · 1858.2/99466.8 = 0.011620
//	room:    pv 0.45 · 2339.3 = 1052.7, W = 0.622 · 1052.7/100272.3 = 0.006530
//	v = 287.04 · 291.15 · (1 + 1.6078 · 0.011620)/101325 = 0.84019 m³/kg of dry air
//	10/0.84019 · (0.011620 − 0.006530) = 60.58 g/h
func TestCase4MoistureAtSeaLevel(t *testing.T) {
	want := exactly(18, 0.9, 0)
	want.FAEPerHour = species.Range{Low: 5, High: 5}
	s := size(t, Input{VolumeM3: 2, Covering: Film, Want: want, SubstrateKg: 20, Rooms: []Room{{"", 20, 0.45, 500}},
		Mister: Mister{OutputGPerH: 300, ReservoirLiters: 4}})
	within(t, "vapor", s.VaporGPerH.Likely, 60.58, tolerance)
	// Blocks give 20 · 0.3 = 6 g/h; of the mist a quarter rains out: (60.58 − 6)/0.75 = 72.77 g/h.
	within(t, "mist", s.MistGPerH.Likely, 72.77, tolerance)
	within(t, "liters per day", s.LitersPerDay.Likely, 72.77*24/1000, tolerance)
	within(t, "duty", s.MisterDuty.Likely, 72.77/300, tolerance)
	within(t, "hours per filling", s.FillingHours.Likely, 4000/72.77, tolerance)
	// Latent heat at 18 °C is 2458.2 J/g between the steam tables' 2465.3 at 15 °C and 2453.5 at 20 °C.
	within(t, "cooling", s.CoolingW.Likely, (60.58-6)*2458.2/3600, tolerance)
}

// Case 5, US units, 1500 m (4921 ft): room of 70 °F and 30 %, chamber the same temperature at 85 %, 10 air changes of a
// cabinet of 3 × 2 × 5 ft. pws at 70 °F is 0.36328 psi (ASHRAE table 3, IP); p is 12.264 psi.
//
//	chamber: pv 0.30879, W = 0.622 · 0.30879/11.9552 = 0.016066
//	room:    pv 0.10898, W = 0.622 · 0.10898/12.1550 = 0.0055768
//	v = 0.370486 · 529.67 · (1 + 1.6078 · 0.016066)/12.264 = 16.414 ft³/lb (ASHRAE Fundamentals IP, eq. 26)
//	300 ft³/h / 16.414 · (0.016066 − 0.0055768) = 0.19171 lb/h
func TestCase5MoistureInUSUnitsAt1500Meters(t *testing.T) {
	want := exactly((70.-32)/1.8, 0.85, 0)
	want.FAEPerHour = species.Range{Low: 10, High: 10}
	s := size(t, Input{Sides: [3]float64{3 * foot, 2 * foot, 5 * foot}, Covering: Cabinet, Want: want, SubstrateKg: 22 * pound,
		Rooms: []Room{{"", (70. - 32) / 1.8, 0.30, 500}}, AltitudeM: 1500, Mister: Mister{OutputGPerH: 250, ReservoirLiters: quart}})
	within(t, "vapor in lb/h", s.VaporGPerH.Likely/1000/pound, 0.19171, tolerance)
	// Blocks give 22 · 0.3/1000 lb/h = 0.0066; (0.19171 − 0.0066)/0.75 = 0.24681 lb/h = 2.838 quarts a day (2.0864 lb).
	within(t, "quarts a day", s.LitersPerDay.Likely/quart, 0.24681*24/2.0864, 2*tolerance)
}

// Case 6, sea level: temperatures. Chamber 20 °C, 90 %; its dew point is 18.31 °C (psychrometric tables). The room has
// 15 °C, so a film wall (U 3.5, inside 7.7 W/(m² K)) is at 20 − 3.5/7.7 · 5 = 17.73 °C: it drips by 0.58 K.
func TestCase6CondensationOnTheWalls(t *testing.T) {
	s := size(t, Input{VolumeM3: 1, Covering: Tent, Want: exactly(20, 0.9, 1000), SubstrateKg: 10, Rooms: []Room{{"", 15, 0.5, 450}}})
	if math.Abs(s.CondensationK.Likely-(-0.58)) > 0.02 {
		t.Errorf("margin %.3f K, want -0.58", s.CondensationK.Likely)
	}
}

// Case 7, metric, 1500 m: where an unheated cabinet settles. No closed form; so the balance is written out at the
// answer with other formulas than the code has: Magnus' saturation pressure (WMO), latent heat 2.45 kJ/g, heat capacity
// of air 1.006 J/(g K) plus 1.86 of its vapor. Heat in by the walls and from the crop = heat taken up by what evaporates
// and by the passing air.
func TestCase7SettlingTemperature(t *testing.T) {
	want := exactly(18, 0.9, 900)
	want.TemperatureC = species.Range{Low: 5, High: 30}
	s := size(t, Input{VolumeM3: 1, Covering: Cabinet, Want: want, SubstrateKg: 40, FruitKg: 8, HeatW: 5, AltitudeM: 1500,
		Rooms: []Room{{"", 22, 0.35, 450}}})
	magnus := func(t float64) float64 { return 611.2 * math.Exp(17.62*t/(243.12+t)) }
	const p = 84556
	ratio := func(pv float64) float64 { return 0.622 * pv / (p - pv) }
	at := s.Settles.Likely
	dry := s.FlowM3PerH.Likely / 3600 * (p - 0.9*magnus(at)) / (287.04 * (at + 273.15)) * 1000 // g/s
	w, room := ratio(0.9*magnus(at)), ratio(0.35*magnus(22))
	evaporation := dry * (w - room) * 2450
	walls := 2.5 * 6 * (22 - at) // U 2.5, a cube of 1 m
	heat := 5 + s.CO2GPerH.Likely*10.62/3.6 + 0.07*s.MistGPerH.Likely
	passing := dry * (1.006 + 1.86*room) * (22 - at)
	if left := walls + heat + passing - evaporation; math.Abs(left) > 0.01*evaporation {
		t.Errorf("at %.2f °C: walls %.1f, inside %.1f, air %.1f, evaporation %.1f W: %.2f W are left", at, walls, heat, passing, evaporation, left)
	}
	if at >= 22 || s.Settles.Low > at || s.Settles.High < at {
		t.Errorf("settles at %+v in a room of 22 °C", s.Settles)
	}
}

// Case 8, sea level: plugs. 60 m³/h through duct and filter are 33 m³/h; a tent of 0.56 m³ leaks one change an hour.
func TestCase8Plugs(t *testing.T) {
	in := Input{VolumeM3: 0.56, Covering: Tent, Want: exactly(20, 0.9, 1000), SubstrateKg: 20, FruitKg: 4,
		Rooms: []Room{{"", 20, 0.45, 420}}, Fan: Fan{FlowM3PerH: 60, MinOn: 20 * time.Second},
		Mister: Mister{OutputGPerH: 300, MinOn: 20 * time.Second}}
	s := size(t, in)
	q := (20*0.08 + 4*0.5) / (44.01 / 24.055e-3 * 580e-6) // 3.3925 m³/h
	within(t, "fan duty", s.FanDuty.Likely, (q-0.56)/33, tolerance)
	// Decay of a well-mixed zone (ASTM E741): a tenth of the air is changed after −ln 0.9 · 0.56/33 h = 6.44 s, and the
	// fan takes 3 s to start.
	within(t, "shortest useful pulse", s.FanPulseS, 9.44, 0.002)
	within(t, "lowest CO2", s.LowestCO2.Likely, 420+580*q/33.56, tolerance)
	// 20 s of a humidifier that takes 15 s to come up are 12.5 s at full: 1.0417 g, three quarters of it stay airborne:
	// 0.78125 g in 0.56 m³ that hold 17.30 g/m³ at saturation (steam tables: 1/57.757 kg/m³) are 8.06 points; walls take
	// a fifth.
	within(t, "mist step", s.MistStep.Likely, 0.78125/0.56/17.314/1.25, 0.003)
	// The room's vapor at 20 °C stays at 45 %. 18.5 s at full change 1 − exp(−33/3600 · 18.5/0.56) = 26.1 % of the air.
	within(t, "fan step", s.FanStep.Likely, 0.45*0.2613/1.25, 0.002)
	within(t, "at ease", s.HumidityAtEase, 0.45, tolerance)
}

func TestErrors(t *testing.T) {
	good := Example()
	for name, c := range map[string]struct {
		change func(*Input)
		says   string
	}{
		"no volume":       {func(in *Input) { in.Sides = [3]float64{} }, "volume is 0 m³"},
		"two sides":       {func(in *Input) { in.Sides = [3]float64{0, 1, 2} }, "sides are 0, 1 and 2 m: each must be at least 0.1 m"},
		"both":            {func(in *Input) { in.VolumeM3 = 1 }, "both given"},
		"thin":            {func(in *Input) { in.Sides[1] = 0.05 }, "at least 0.1 m"},
		"negative":        {func(in *Input) { in.Sides[0], in.Sides[1] = -1, -1 }, "at least 0.1 m"},
		"covering":        {func(in *Input) { in.Covering = "felt" }, "coverings are cabinet, film, insulate, tent"},
		"altitude":        {func(in *Input) { in.AltitudeM = 9000 }, "altitude"},
		"species":         {func(in *Input) { in.Species = "pleurotus-ostreatis" }, "did you mean pleurotus-ostreatus?"},
		"stage":           {func(in *Input) { in.Stage = 0 }, "stage is missing"},
		"nothing wanted":  {func(in *Input) { in.Species = "" }, "wanted air is unknown"},
		"load":            {func(in *Input) { in.SubstrateKg = 0 }, "load is 0 kg"},
		"heavy load":      {func(in *Input) { in.SubstrateKg = 100_001 }, "load is 100001 kg of blocks and 0 kg of fruit: give at most 100000 kg of each"},
		"endless load":    {func(in *Input) { in.SubstrateKg = math.Inf(1) }, "load is +Inf kg"},
		"no such species": {func(in *Input) { in.Species = "nope" }, "gillkeeper species lists"},
		"NaN load":        {func(in *Input) { in.SubstrateKg = math.NaN() }, "load is NaN kg"},
		"no room":         {func(in *Input) { in.Rooms = nil }, "room's air is missing"},
		"percent":         {func(in *Input) { in.Rooms[0].RelativeHumidity = 45 }, "room humidity is 45"},
		"NaN room":        {func(in *Input) { in.Rooms[0].TemperatureC = math.NaN() }, "room temperature is NaN"},
		"no CO2":          {func(in *Input) { in.Rooms[0].CO2PPM = 0 }, "room CO2 is 0 ppm"},
		"fan":             {func(in *Input) { in.Fan.FlowM3PerH = -1 }, "fan flow"},
		"humidifier":      {func(in *Input) { in.Mister.OutputGPerH = math.Inf(1) }, "humidifier output"},
		"shortest run":    {func(in *Input) { in.Fan.MinOn = 2 * time.Hour }, "shortest runs"},
		"wanted humidity": {func(in *Input) { in.Want.RelativeHumidity = species.Range{Low: 85, High: 90} }, "wanted humidity"},
	} {
		in := good
		in.Rooms = append([]Room(nil), good.Rooms...)
		c.change(&in)
		_, err := Size(in, species.Builtin())
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q", name, err, c.says)
		}
	}
}

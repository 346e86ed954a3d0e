package plant_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"gillkeeper/policy/air"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/species"
)

var room = plant.Room{AirC: 20, RelativeHumidity: 0.45, CO2PPM: 450}

// bare is a chamber without crop, film or droplets, in thermal balance with the room.
func bare() plant.Params {
	p := plant.Nominal()
	p.SubstrateCO2, p.FruitCO2, p.OpenAreaM2, p.FruitKg, p.FruitMaxKg, p.LeakPerK = 0, 0, 0, 0, 0, 0
	return p
}

func within(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= math.Abs(want)*relative) {
		t.Errorf("%s = %v, want %v within %v", what, got, want, relative)
	}
}

// The chamber's saturation pressure against that of policy/air, itself checked against ASHRAE's table.
func TestSaturation(t *testing.T) {
	for i := -200; i <= 600; i++ {
		c := float64(i) / 10
		want, ok := air.SaturationPressure(air.Celsius(c))
		if !ok {
			t.Fatalf("no saturation pressure at %v °C", c)
		}
		within(t, "saturation pressure", plant.Saturation(c), float64(want), 2.5e-7)
	}
	// ASHRAE Handbook Fundamentals 2017, chapter 1, table 3.
	within(t, "at 5 °C", plant.Saturation(5), 872.6, 3e-4)
	within(t, "at 25 °C", plant.Saturation(25), 3169.7, 3e-4)
	within(t, "at 50 °C", plant.Saturation(50), 12351.3, 3e-4)
}

// The worked example of a tracer decay, by the formula of ASTM E741: 3000 ppm over a background of 450 at two air
// changes an hour leaves 450 + 2550 e^-1 after half an hour.
func TestTracerDecay(t *testing.T) {
	p := bare()
	p.LeakPerHour = 2
	for _, dt := range []float64{0.1, 1, 10, 60} {
		s := plant.Start(&p, room)
		s.SetAir(&p, plant.Truth{AirC: 20, RelativeHumidity: 0.45, CO2PPM: 3000})
		for range int(math.Round(1800 / dt)) {
			s = plant.Step(&p, s, plant.Plugs{}, room, dt)
		}
		within(t, "CO2 after an e-folding", s.Truth(&p).CO2PPM, 450+2550*math.Exp(-1), 1e-4)
	}
}

// With the fan on, the exponential is 1-e^-(Qt/V) for any step, since the step is exact for it: 60 m³/h for 20 s in
// 0.56 m³ replace 1-e^-0.595 of the air.
func TestFanDecay(t *testing.T) {
	p := bare()
	p.LeakPerHour, p.FanSpinUpS = 0, 0
	for _, dt := range []float64{0.5, 1, 10} {
		s := plant.Start(&p, room)
		s.SetAir(&p, plant.Truth{AirC: 20, RelativeHumidity: 0.45, CO2PPM: 5000})
		for range int(20 / dt) {
			s = plant.Step(&p, s, plant.Plugs{ExhaustFan: 1}, room, dt)
		}
		want := 450 + 4550*math.Exp(-60.0/3600*20/0.56)
		within(t, "CO2 after 20 s of fan", s.Truth(&p).CO2PPM, want, 1e-4)
	}
}

// Constant injection at equilibrium (ASTM D6245): the rise over the room is generation over flow.
func TestSteadyStateCO2(t *testing.T) {
	p := bare()
	p.LeakPerHour, p.SubstrateCO2, p.RespirationPerK, p.DailySwing = 4, 0.08, 0, 0
	s := plant.Start(&p, room)
	for range 4 * 3600 {
		s = plant.Step(&p, s, plant.Plugs{}, room, 1)
	}
	density, _ := air.CO2Density(air.Celsius(s.AirC), air.Pascal(p.PressurePa))
	made := 0.08 * 12 // g/h
	want := 450 + made/(float64(density)*4*p.VolumeM3)*1e6
	within(t, "steady CO2", s.Truth(&p).CO2PPM, want, 2e-3)
}

// Common practice, without a source: blocks that are hardly cooled warm each other, and above some 35 °C a crop breathes no faster; it
// dies before it is hot. A fortnight without a fan in a hot room ends there, and in numbers.
func TestAHotCropBurnsNoHotter(t *testing.T) {
	p := plant.Nominal()
	p.SubstrateKg, p.ContentsAreaM2, p.LeakPerHour = 40, 0.2, 0.2
	hot := room
	hot.AirC = 30
	s := plant.Start(&p, hot)
	top := 0.0
	for range 14 * 24 * 360 {
		s = plant.Step(&p, s, plant.Plugs{}, hot, 10)
		top = max(top, s.ContentsC)
	}
	if top < 36 || s.ContentsC > 45 || math.IsNaN(s.AirC) {
		t.Errorf("the crop was as hot as %.1f °C, and is at %.1f beside air of %.1f", top, s.ContentsC, s.AirC)
	}
}

// A fact of common practice, without a source: in a loaded chamber CO2 rises at once when the fan stops, goes on rising
// while it rests, and falls as soon as it runs again.
func TestFanHoldsCO2Down(t *testing.T) {
	p := plant.Nominal()
	s := plant.Start(&p, room)
	co2 := func(fan float64, seconds int) float64 {
		for range seconds {
			s = plant.Step(&p, s, plant.Plugs{ExhaustFan: fan}, room, 1)
		}
		return s.Truth(&p).CO2PPM
	}
	low := co2(1, 1800)
	co2(0, int(math.Ceil(3*p.FanSpinUpS))) // until the impeller stands
	last := s.Truth(&p).CO2PPM
	for after := 5; after <= 1200; after += 5 {
		now := co2(0, 5)
		if !(now > last) {
			t.Fatalf("CO2 went from %.1f to %.1f ppm with the fan at rest for %d s", last, now, after)
		}
		last = now
	}
	high := last
	if high < low+100 {
		t.Errorf("CO2 rose from %.0f to %.0f ppm in 20 min without the fan, want a rise that a grower would see", low, high)
	}
	for after := 5; after <= 60; after += 5 {
		now := co2(1, 5)
		if !(now < last) {
			t.Fatalf("CO2 went from %.1f to %.1f ppm with the fan running for %d s", last, now, after)
		}
		last = now
	}
	if last > (low+high)/2 {
		t.Errorf("a minute of fan brought CO2 from %.0f to %.0f ppm only, with %.0f where it runs all the time", high, last, low)
	}
}

// Lifetimes of falling spray droplets as tables of pesticide application give them from Amsden's rule
// t = d²/(80 ΔT), d in µm and ΔT the wet-bulb depression: 14, 57 and 227 s for 50, 100 and 200 µm at 20 °C and 80 %,
// 4, 16 and 65 s at 30 °C and 50 % (Matthews, Pesticide Application Methods; from memory). The rule is rough.
func TestDropletLifetime(t *testing.T) {
	for _, c := range []struct{ d, t, rh, want float64 }{
		{50, 20, 0.8, 14}, {100, 20, 0.8, 57}, {200, 20, 0.8, 227},
		{50, 30, 0.5, 4}, {100, 30, 0.5, 16}, {200, 30, 0.5, 65},
	} {
		within(t, "lifetime", plant.Lifetime(c.d*1e-6, c.t, c.rh, 101325), c.want, 0.25)
	}
}

// A cloud of droplets that is fed steadily holds two fifths of a lifetime's feed: the integral of (1-t/T)^3/2.
func TestDropletHold(t *testing.T) {
	p := bare()
	p.VolumeM3, p.PlumeLoss, p.SettlingFactor, p.MistSpinUpS, p.MistGPerH, p.MistWatts = 900, 0, 0, 0, 36, 0
	s := plant.Start(&p, room)
	s.SetAir(&p, plant.Truth{AirC: 20, RelativeHumidity: 0.9, CO2PPM: 450})
	for range 300 {
		s = plant.Step(&p, s, plant.Plugs{Humidifier: 1}, plant.Room{AirC: 20, RelativeHumidity: 0.9, CO2PPM: 450}, 0.1)
	}
	a := s.Truth(&p)
	want := 0.01 * 0.4 * plant.Lifetime(p.DropletM, a.AirC, a.RelativeHumidity, p.PressurePa)
	within(t, "suspended grams", s.DropletsG, want, 0.03)
}

// A free water surface in a room, against Shah's formula for undisturbed pools where forced and natural flow are weak:
// 5e-5 kg/(m² h Pa) (ASHRAE Transactions 120(2), 2014; the coefficient from memory). Still air is taken as 2 W/m²K.
func TestWetSurface(t *testing.T) {
	p := bare()
	p.StillW, p.LeakPerHour, p.OpenAreaM2, p.VolumeM3, p.ContentsJPerK = 2, 0, 1, 500, 1e9
	s := plant.Start(&p, plant.Room{AirC: 25, RelativeHumidity: 0.5, CO2PPM: 450})
	before := s.BlockG
	for range 60 {
		s = plant.Step(&p, s, plant.Plugs{}, plant.Room{AirC: 25, RelativeHumidity: 0.5}, 1)
	}
	within(t, "evaporation g/m²h", (before-s.BlockG)*60, 0.05*0.5*plant.Saturation(25), 0.25)
}

// Wet walls that get heat from the air alone come to its wet-bulb temperature. ASHRAE Handbook Fundamentals 2017,
// chapter 1, example 1: 40 °C dry bulb, 20 °C wet bulb at humidity ratio 0.0065 (read off a chart).
func TestWetBulb(t *testing.T) {
	p := bare()
	p.VolumeM3, p.WallUA, p.LeakPerHour, p.ContentsAreaM2 = 900, 0, 50, 0
	out := plant.Room{AirC: 40, RelativeHumidity: 0.1402}
	s := plant.Start(&p, out)
	s.FilmG = p.FilmMaxGPerM2 * p.WallAreaM2
	for range 3000 {
		s = plant.Step(&p, s, plant.Plugs{}, out, 1)
		s.FilmG = p.FilmMaxGPerM2 * p.WallAreaM2
	}
	// The psychrometric wet bulb takes the Lewis factor as 1, the wall has 0.9: it may be up to 1.2 K cooler.
	if s.WallC > 20.3 || s.WallC < 18.6 {
		t.Errorf("wet wall at %.2f °C in air of 40 °C and 14 %%, want 18.6 to 20.3", s.WallC)
	}
}

// Evaporating 100 g/h takes 68 W out of the air at chamber temperatures (latent heat 2455 kJ/kg at 19 °C, handbook).
func TestMistCools(t *testing.T) {
	p := bare()
	p.LeakPerHour, p.PlumeLoss, p.MistSpinUpS, p.MistGPerH, p.MistWatts, p.SettlingFactor = 0, 0, 0, 100, 0, 0
	p.ContentsAreaM2, p.StillW, p.StirredW, p.VolumeM3 = 0, 0.1, 0, 100
	s := plant.Start(&p, room)
	for range 120 {
		s = plant.Step(&p, s, plant.Plugs{Humidifier: 1}, room, 1)
	}
	rho := p.PressurePa / (287.042 * 293.15)
	taken := (20 - s.AirC) * rho * 1006 * p.VolumeM3
	within(t, "heat taken in J", taken, 68.2*120, 0.03)
}

func TestConservation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		c := plant.Random(seed, rapid.SampledFrom(species.Stages()).Draw(t, "stage"))
		if err := c.Params.Validate(); err != nil {
			t.Fatal(err)
		}
		dt := rapid.SampledFrom([]float64{1, 3, 10}).Draw(t, "dt")
		p := &c.Params
		s := plant.Start(p, c.Weather.At(0))
		first, n := s, plant.Noise{State: seed}
		var plugs plant.Plugs
		for i := range int(86400 / dt) {
			if i%30 == 0 {
				plugs = plant.Plugs{Humidifier: float64(n.Uint64() % 2), ExhaustFan: float64(n.Uint64() % 4 / 3),
					Heater: float64(n.Uint64() % 8 / 7), Cooler: float64(n.Uint64() % 8 / 7), Lamp: 1}
			}
			r := c.Weather.At(s.Seconds)
			r.Door = float64(n.Uint64() % 500 / 499)
			s = plant.Step(p, s, plugs, r, dt)
			a := s.Truth(p)
			if !(a.RelativeHumidity >= 0 && a.CO2PPM >= 300 && a.AirC > 0 && a.AirC < 45 && s.FilmG >= 0 && s.DropletsG >= 0 && s.ReservoirG >= 0) {
				t.Fatalf("after %v s: %+v %+v", s.Seconds, a, s)
			}
		}
		f := &s.Total
		in := f.VaporInG + f.MistG + f.MetabolicG
		out := f.VaporOutG + f.DropletsOut + f.DrainedG + f.CoilG
		if lost := first.WaterG(p) + in - out - s.WaterG(p); math.Abs(lost) > 0.001*in {
			t.Fatalf("water: %v g of %v lost", lost, in)
		}
		if r := first.ReservoirG - s.ReservoirG - f.MistG; math.Abs(r) > 1e-6*first.ReservoirG {
			t.Fatalf("reservoir: %v g lost", r)
		}
		stored := (s.CO2GM3 - first.CO2GM3) * p.VolumeM3
		if lost := f.CO2InG + f.CO2MadeG - f.CO2OutG - stored; math.Abs(lost) > 0.001*(f.CO2InG+f.CO2MadeG) {
			t.Fatalf("CO2: %v g of %v lost", lost, f.CO2InG)
		}
	})
}

// The step may be chosen for speed: an hour of mist and fan comes out the same, but for the blur of a few seconds.
func TestStepSize(t *testing.T) {
	p := plant.Nominal()
	end := func(dt float64) plant.State {
		s := plant.Start(&p, room)
		for i := range int(3600 / dt) {
			at := float64(i) * dt
			plugs := plant.Plugs{}
			if math.Mod(at, 600) < 60 {
				plugs.Humidifier = 1
			}
			if m := math.Mod(at, 900); m >= 300 && m < 360 {
				plugs.ExhaustFan = 1
			}
			s = plant.Step(&p, s, plugs, room, dt)
		}
		return s
	}
	fine := end(0.1)
	for _, c := range []struct{ dt, rh, grams float64 }{{1, 0.005, 0.02}, {5, 0.015, 0.05}, {10, 0.02, 0.1}} {
		s := end(c.dt)
		if d := math.Abs(s.Truth(&p).RelativeHumidity - fine.Truth(&p).RelativeHumidity); d > c.rh {
			t.Errorf("steps of %v s: RH differs by %v", c.dt, d)
		}
		within(t, "airborne water", s.Total.AirborneG, fine.Total.AirborneG, c.grams)
		within(t, "CO2", s.Truth(&p).CO2PPM, fine.Truth(&p).CO2PPM, 0.02)
	}
}

func TestStepAllocatesNothing(t *testing.T) {
	p := plant.Nominal()
	s := plant.Start(&p, room)
	if n := testing.AllocsPerRun(100, func() { s = plant.Step(&p, s, plant.Plugs{Humidifier: 1}, room, 1) }); n != 0 {
		t.Errorf("a step allocates %v times", n)
	}
}

func BenchmarkStep(b *testing.B) {
	p := plant.Nominal()
	s := plant.Start(&p, room)
	i := 0
	for b.Loop() {
		plugs := plant.Plugs{}
		if i%100 < 20 {
			plugs.Humidifier = 1
		}
		if i%300 < 30 {
			plugs.ExhaustFan = 1
		}
		s = plant.Step(&p, s, plugs, room, 1)
		s.ReservoirG = 5000
		i++
	}
}

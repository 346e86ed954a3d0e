package air_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"gillkeeper/policy/air"
)

// drawState draws any air that a State can hold.
func drawState(t *rapid.T) air.State {
	p := air.Pascal(rapid.Float64Range(float64(air.MinPressure), float64(air.MaxPressure)).Draw(t, "p"))
	temp := air.Celsius(rapid.Float64Range(float64(air.MinTemperature), float64(air.MaxTemperature)).Draw(t, "t"))
	rh := air.Ratio(rapid.Float64Range(0, 1).Draw(t, "rh"))
	s, ok := air.New(temp, rh, p)
	if pws, _ := air.SaturationPressure(temp); ok != (pws < p) {
		t.Fatalf("New(%g, %g, %g) = %v with saturation at %g", temp, rh, p, ok, pws)
	}
	if !ok {
		t.Skip("boils")
	}
	return s
}

func TestInversesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := air.Celsius(rapid.Float64Range(-45, 100).Draw(t, "t"))
		pws, ok := air.SaturationPressure(c)
		back, ok2 := air.DewPoint(pws)
		if !ok || !ok2 || math.Abs(float64(back-c)) > 1e-8 {
			t.Fatalf("%g °C comes back as %.12g", c, back)
		}
		cold := air.Celsius(rapid.Float64Range(-100, 0.01).Draw(t, "ice"))
		pws, ok = air.SaturationPressureOverIce(cold)
		back, ok2 = air.FrostPoint(pws)
		if !ok || !ok2 || math.Abs(float64(back-cold)) > 1e-9 {
			t.Fatalf("%g °C over ice comes back as %.12g", cold, back)
		}
		z := air.Meters(rapid.Float64Range(-500, 9000).Draw(t, "z"))
		p, ok := air.BarometricPressure(z)
		high, ok2 := air.AltitudeOf(p)
		if !ok || !ok2 || math.Abs(float64(high-z)) > 1e-6 {
			t.Fatalf("%g m comes back as %.12g", z, high)
		}
		if f := air.FromFahrenheit(c.Fahrenheit()); math.Abs(float64(f-c)) > 1e-12 {
			t.Fatalf("%g °C comes back from Fahrenheit as %.15g", c, f)
		}
	})
}

func TestStateRoundTrips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawState(t)
		if s.VaporPressure() > 0.9*s.Pressure() {
			t.Skip("nearly steam")
		}
		rh, _ := air.RelativeHumidity(s.Temperature(), s.VaporPressure())
		same(t, "relative humidity", float64(rh), float64(s.RelativeHumidity()))
		w, _ := air.HumidityRatio(s.VaporPressure(), s.Pressure())
		same(t, "humidity ratio", float64(w), float64(s.HumidityRatio()))
		pv, _ := air.PartialPressure(w, s.Pressure())
		same(t, "vapor pressure", float64(pv), float64(s.VaporPressure()))
		pv, _ = air.PressureOfVapor(s.Temperature(), s.AbsoluteHumidity())
		same(t, "vapor pressure by density", float64(pv), float64(s.VaporPressure()))
		again, ok := air.FromHumidityRatio(s.Temperature(), w, s.Pressure())
		if !ok {
			t.Fatal("the state's own humidity ratio is refused")
		}
		same(t, "state", float64(again.RelativeHumidity()), float64(s.RelativeHumidity()))

		ppm := air.PPM(rapid.Float64Range(0, 1e6).Draw(t, "ppm"))
		mass, _ := air.CO2Mass(ppm, s.Temperature(), s.Pressure())
		back, ok := air.CO2Share(mass, s.Temperature(), s.Pressure())
		if !ok && ppm < 999_999 {
			t.Fatalf("%g ppm is %g g/m³, which is refused", ppm, mass)
		}
		if ok {
			same(t, "ppm", float64(back), float64(ppm))
		}
	})
}

func same(t *rapid.T, what string, got, want float64) {
	t.Helper()
	if !(math.Abs(got-want) <= 1e-11*(1+math.Abs(want))) {
		t.Fatalf("%s comes back as %.15g, was %.15g", what, got, want)
	}
}

// The dew point is below the wet bulb, the wet bulb below the air; all meet at saturation.
func TestOrderOfTemperatures(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawState(t)
		wet := s.WetBulb()
		if wet > s.Temperature() {
			t.Fatalf("wet bulb %g above air %g", wet, s.Temperature())
		}
		if dew, ok := s.DewPoint(); ok && float64(dew) > float64(wet)+1e-6 {
			t.Fatalf("dew point %g above wet bulb %g", dew, wet)
		}
		saturated, _ := air.New(s.Temperature(), 1, s.Pressure())
		dew, _ := saturated.DewPoint()
		if math.Abs(float64(dew-s.Temperature())) > 1e-8 || math.Abs(float64(saturated.WetBulb()-s.Temperature())) > 1e-9 {
			t.Fatalf("saturated at %g: dew point %g, wet bulb %g", s.Temperature(), dew, saturated.WetBulb())
		}
	})
}

// Adiabatic saturation, from the enthalpies rather than from the psychrometric equation that WetBulb solves (ASHRAE
// Fundamentals ch. 1, eq. 33): air that takes up water of its wet-bulb temperature until it is saturated there ends with
// h + (Ws* − W) hw*.
func TestWetBulbIsAdiabaticSaturation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawState(t)
		wet := s.WetBulb()
		end, ok := air.New(wet, 1, s.Pressure())
		if !ok {
			t.Skip("below the range")
		}
		added := float64(end.HumidityRatio() - s.HumidityRatio())
		left := float64(s.Enthalpy()) + added*4.186*float64(wet)
		if math.Abs(left-float64(end.Enthalpy())) > 1e-5*(1+math.Abs(left)) {
			t.Fatalf("enthalpy %.9g before, %.9g after", left, end.Enthalpy())
		}
	})
}

func TestMonotonic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawState(t)
		more := air.Ratio(rapid.Float64Range(1e-6, 0.1).Draw(t, "more"))
		if moist, ok := air.New(s.Temperature(), s.RelativeHumidity()+more, s.Pressure()); ok {
			rises(t, "humidity ratio with humidity", float64(s.HumidityRatio()), float64(moist.HumidityRatio()))
			rises(t, "wet bulb with humidity", float64(s.WetBulb()), float64(moist.WetBulb()))
			rises(t, "enthalpy with humidity", float64(s.Enthalpy()), float64(moist.Enthalpy()))
			rises(t, "volume with humidity", float64(s.SpecificVolume()), float64(moist.SpecificVolume()))
			rises(t, "density as humidity falls", float64(moist.Density()), float64(s.Density()))
			rises(t, "deficit as humidity falls", float64(moist.VaporPressureDeficit()), float64(s.VaporPressureDeficit()))
		}
		k := air.Celsius(rapid.Float64Range(0.001, 5).Draw(t, "warmer"))
		if warm, ok := air.FromHumidityRatio(s.Temperature()+k, s.HumidityRatio(), s.Pressure()); ok && s.VaporPressure() > 1 {
			rises(t, "relative humidity as air cools", float64(warm.RelativeHumidity()), float64(s.RelativeHumidity()))
			rises(t, "wet bulb with temperature", float64(s.WetBulb()), float64(warm.WetBulb()))
			rises(t, "deficit with temperature", float64(s.VaporPressureDeficit()), float64(warm.VaporPressureDeficit()))
			rises(t, "absolute humidity as air cools", float64(warm.AbsoluteHumidity()), float64(s.AbsoluteHumidity()))
		}
		low, okLow := air.SaturationPressure(s.Temperature())
		high, okHigh := air.SaturationPressure(s.Temperature() + k)
		if okLow && okHigh {
			rises(t, "saturation", float64(low), float64(high))
		}
		latent, _ := air.LatentHeat(s.Temperature())
		if less, ok := air.LatentHeat(s.Temperature() + k); ok {
			rises(t, "latent heat as water cools", float64(less), float64(latent))
		}
	})
}

func rises(t *rapid.T, what string, low, high float64) {
	t.Helper()
	if !(low < high) {
		t.Fatalf("%s: %.12g then %.12g", what, low, high)
	}
}

// Below freezing, ice holds less vapor than supercooled water.
func TestIceBelowWater(t *testing.T) {
	for c := air.Celsius(-45); c < 0; c += 0.25 {
		ice, _ := air.SaturationPressureOverIce(c)
		water, _ := air.SaturationPressure(c)
		if ice >= water {
			t.Errorf("%g °C: ice %g, water %g", c, ice, water)
		}
	}
	s, _ := air.New(-3, 0.8, air.StandardPressure)
	dew, ok := s.DewPoint()
	frost, ok2 := s.FrostPoint()
	if !ok || !ok2 || frost <= dew {
		t.Errorf("frost point %g (%v) must lie above the dew point %g (%v)", frost, ok2, dew, ok)
	}
	if _, ok := mustState(t, 20, 0.5).FrostPoint(); ok {
		t.Error("air with a dew point of 9 °C has a frost point")
	}
}

func mustState(t *testing.T, c air.Celsius, rh air.Ratio) air.State {
	t.Helper()
	s, ok := air.New(c, rh, air.StandardPressure)
	if !ok {
		t.Fatalf("no air of %g °C and %g", c, rh)
	}
	return s
}

// ofStates calls every method of a State that the three numbers make, and gives all results.
func ofStates(a, b, c float64) (values []float64) {
	keep := func(v float64, ok bool) {
		if !ok && v != 0 {
			v = math.NaN() // a refused question must be answered with 0
		}
		values = append(values, v)
	}
	for _, state := range []func() (air.State, bool){
		func() (air.State, bool) { return air.New(air.Celsius(a), air.Ratio(b), air.Pascal(c)) },
		func() (air.State, bool) { return air.FromHumidityRatio(air.Celsius(a), air.KgPerKg(b), air.Pascal(c)) },
		func() (air.State, bool) { return air.State{}, true },
	} {
		s, ok := state()
		if !ok && s != (air.State{}) {
			values = append(values, math.NaN())
		}
		dew, okDew := s.DewPoint()
		frost, okFrost := s.FrostPoint()
		at, okAt := s.DeficitAt(air.Celsius(b))
		keep(float64(dew), okDew)
		keep(float64(frost), okFrost)
		keep(float64(at), okAt)
		values = append(values, float64(s.Temperature()), float64(s.RelativeHumidity()), float64(s.Pressure()),
			float64(s.VaporPressure()), float64(s.HumidityRatio()), float64(s.AbsoluteHumidity()),
			float64(s.VaporPressureDeficit()), float64(s.Enthalpy()), float64(s.SpecificVolume()), float64(s.Density()),
			float64(s.WetBulb()))
	}
	return values
}

// everything calls every function and method with the same three numbers and gives all results.
func everything(a, b, c float64) []float64 {
	values := ofStates(a, b, c)
	keep := func(v float64, ok bool) {
		if !ok && v != 0 {
			v = math.NaN() // a refused question must be answered with 0
		}
		values = append(values, v)
	}
	pa, ok := air.SaturationPressure(air.Celsius(a))
	keep(float64(pa), ok)
	pa, ok = air.SaturationPressureOverIce(air.Celsius(a))
	keep(float64(pa), ok)
	pa, ok = air.VaporPressure(air.Celsius(a), air.Ratio(b))
	keep(float64(pa), ok)
	pa, ok = air.PartialPressure(air.KgPerKg(a), air.Pascal(b))
	keep(float64(pa), ok)
	pa, ok = air.PressureOfVapor(air.Celsius(a), air.GramsPerCubicMeter(b))
	keep(float64(pa), ok)
	pa, ok = air.BarometricPressure(air.Meters(a))
	keep(float64(pa), ok)
	ratio, ok := air.RelativeHumidity(air.Celsius(a), air.Pascal(b))
	keep(float64(ratio), ok)
	w, ok := air.HumidityRatio(air.Pascal(a), air.Pascal(b))
	keep(float64(w), ok)
	dew, ok := air.DewPoint(air.Pascal(a))
	keep(float64(dew), ok)
	frost, ok := air.FrostPoint(air.Pascal(a))
	keep(float64(frost), ok)
	g, ok := air.AbsoluteHumidity(air.Celsius(a), air.Pascal(b))
	keep(float64(g), ok)
	g, ok = air.CO2Density(air.Celsius(a), air.Pascal(b))
	keep(float64(g), ok)
	g, ok = air.CO2Mass(air.PPM(a), air.Celsius(b), air.Pascal(c))
	keep(float64(g), ok)
	ppm, ok := air.CO2Share(air.GramsPerCubicMeter(a), air.Celsius(b), air.Pascal(c))
	keep(float64(ppm), ok)
	ppm, ok = air.CompensateNDIR(air.PPM(a), air.Pascal(b))
	keep(float64(ppm), ok)
	z, ok := air.AltitudeOf(air.Pascal(a))
	keep(float64(z), ok)
	l, ok := air.LatentHeat(air.Celsius(a))
	keep(float64(l), ok)
	return values
}

func TestNeverNaN(t *testing.T) {
	odd := []float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, math.Copysign(0, -1), -1, 1, 1.0000000001, -273.15, -300, 0.01,
		-45, -40, 85, 100, 30_000, 101_325, 120_000, 1e6, math.MaxFloat64, -math.MaxFloat64, math.SmallestNonzeroFloat64}
	for _, a := range odd {
		for _, b := range odd {
			for _, c := range odd {
				assertFinite(t, a, b, c)
			}
		}
	}
	any := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-120, 130), rapid.Float64Range(0, 1), rapid.Float64Range(2e4, 1.3e5))
	rapid.Check(t, func(t *rapid.T) {
		assertFinite(t, any.Draw(t, "a"), any.Draw(t, "b"), any.Draw(t, "c"))
	})
}

func assertFinite(t interface {
	Helper()
	Fatalf(string, ...any)
}, a, b, c float64) {
	t.Helper()
	for i, v := range everything(a, b, c) {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("result %d of (%g, %g, %g) is %g", i, a, b, c, v)
		}
	}
}

func TestRefusals(t *testing.T) {
	for name, ok := range map[string]bool{
		"too cold":       second(air.New(-41, 0.5, 101_325)),
		"too hot":        second(air.New(86, 0.5, 101_325)),
		"percent":        second(air.New(20, 90, 101_325)),
		"hectopascal":    second(air.New(20, 0.9, 1013.25)),
		"boiling":        second(air.New(80, 0.1, 40_000)),
		"more than full": second(air.FromHumidityRatio(20, 0.02, 101_325)),
		"steam":          second(air.HumidityRatio(95_000, 101_325)),
		"no dew":         second(air.DewPoint(0)),
		"too high":       second(air.BarometricPressure(12_000)),
		"pure CO2":       second(air.CO2Share(3000, 20, 101_325)),
	} {
		if ok {
			t.Errorf("%s was answered", name)
		}
	}
	if s, ok := air.New(20, 1+1e-12, 101_325); !ok || s.RelativeHumidity() != 1 {
		t.Error("dust of floating point above saturation is refused")
	}
}

func second[T any](_ T, ok bool) bool { return ok }

func TestNothingAllocates(t *testing.T) {
	var sum float64
	n := testing.AllocsPerRun(100, func() {
		s, _ := air.New(18, 0.9, 95_000)
		dew, _ := s.DewPoint()
		ppm, _ := air.CO2Share(1.5, 18, 95_000)
		sum += float64(dew) + float64(s.WetBulb()) + float64(s.Density()) + float64(ppm)
	})
	if n != 0 || math.IsNaN(sum) {
		t.Errorf("%g allocations", n)
	}
}

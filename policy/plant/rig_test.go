package plant_test

import (
	"encoding/json"
	"hash/fnv"
	"math"
	"testing"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/species"
)

// rig is a nominal chamber with one perfect sensor of a kind and the usual plugs.
func rig(s plant.SensorSpec, faults ...plant.Fault) *plant.Rig {
	r := plant.NewRig(plant.Nominal(), plant.Weather{AirC: 20, Humidity: 0.45, CO2PPM: 450, MixingHour: 1},
		[]plant.SensorSpec{s}, []plant.OutletSpec{
			{Role: chamber.Humidifier, DelayS: 0.5, Reports: true, Meters: true, MeterS: 30, MinOnS: 20, MinOffS: 20},
			{Role: chamber.ExhaustFan, DelayS: 0.5, Reports: true, Meters: true, MeterS: 30, MinOnS: 20, MinOffS: 20},
		}, 1)
	r.Faults = faults
	return r
}

// run advances by seconds and gives what was said, with the second at which it was.
func run(r *plant.Rig, seconds int) (samples map[int]float64, reports map[int][]plant.Report) {
	samples, reports = map[int]float64{}, map[int][]plant.Report{}
	for range seconds {
		s, o := r.Advance(1)
		for _, x := range s {
			samples[int(r.Seconds())] = x.Value
		}
		for _, x := range o {
			reports[int(r.Seconds())] = append(reports[int(r.Seconds())], x)
		}
	}
	return samples, reports
}

// A first-order lag shows 1-1/e of a step after its time constant.
func TestSensorLag(t *testing.T) {
	r := rig(plant.SensorSpec{Quantity: chamber.CO2, Place: chamber.Inside, LagS: 60, EveryS: 1, CompensatesPressure: true})
	r.Params.LeakPerHour, r.Params.SubstrateCO2, r.Params.FruitCO2 = 0, 0, 0
	run(r, 1)
	r.State.SetAir(&r.Params, plant.Truth{AirC: 20, RelativeHumidity: 0.45, CO2PPM: 1450})
	s, _ := run(r, 60)
	within(t, "reading", s[61]-450, 1000*(1-math.Exp(-1)), 0.02)
}

func TestSensorReporting(t *testing.T) {
	r := rig(plant.SensorSpec{Quantity: chamber.RelativeHumidity, Place: chamber.Inside, EveryS: 60, Change: 0.02, GapS: 10, Quantum: 0.001})
	r.Params.OpenAreaM2, r.Params.FruitKg, r.State.FruitKg = 0, 0, 0
	if s, _ := run(r, 300); len(s) != 5 {
		t.Errorf("%d reports in 5 min of still air, want 5: %v", len(s), s)
	}
	r.State.SetAir(&r.Params, plant.Truth{AirC: 20, RelativeHumidity: 0.8, CO2PPM: 450})
	s, _ := run(r, 12)
	if len(s) != 1 {
		t.Errorf("%d reports in the 12 s after a jump, want 1: %v", len(s), s)
	}
	for _, v := range s {
		if q := v * 1000; math.Abs(q-math.Round(q)) > 1e-9 {
			t.Errorf("%v is no multiple of 0.001", v)
		}
	}
}

// A sensor that counts molecules shows 0.835 of the truth at 1500 m (84.6 kPa over 101.3).
func TestSensorAltitude(t *testing.T) {
	r := rig(plant.SensorSpec{Quantity: chamber.CO2, Place: chamber.Room, EveryS: 1})
	r.Params.PressurePa = 84556
	s, _ := run(r, 5)
	within(t, "reading", s[5], 450*0.8345, 1e-3)
}

// Fog wets a humidity sensor: it stands at 99.9 % for a while after the air has dried, and creeps upward near
// saturation, by a point or two over hours.
func TestSensorWetAndCreep(t *testing.T) {
	spec := plant.SensorSpec{Quantity: chamber.RelativeHumidity, Place: chamber.Inside, EveryS: 1, WetS: 120, Creep: 0.02, CreepH: 1}
	r := rig(spec)
	hold := func(rh float64, seconds int) map[int]float64 {
		all := map[int]float64{}
		for range seconds {
			r.State.SetAir(&r.Params, plant.Truth{AirC: 20, RelativeHumidity: rh, CO2PPM: 450})
			r.State.WallC, r.State.ContentsC = 20, 20
			s, _ := r.Advance(1)
			for _, x := range s {
				all[int(r.Seconds())] = x.Value
			}
		}
		return all
	}
	hold(1, 600)
	if s := hold(0.90, 60); s[660] != 0.999 {
		t.Errorf("a minute after fog the sensor shows %v, want 0.999", s[660])
	}
	hold(0.90, 120)
	s := hold(0.95, 4*3600)
	last := s[600+180+4*3600]
	if last < 0.965 || last > 0.975 {
		t.Errorf("after four hours at 95 %% the sensor shows %v, want 0.965 to 0.975", last)
	}
}

func TestSensorFaults(t *testing.T) {
	perfect := plant.SensorSpec{Quantity: chamber.CO2, Place: chamber.Room, EveryS: 10, OffsetS: 10, CompensatesPressure: true}
	for _, c := range []struct {
		fault plant.Fault
		check func(s map[int]float64) bool
	}{
		{plant.Fault{Kind: plant.SensorSilent, From: 100}, func(s map[int]float64) bool { return len(s) >= 9 && len(s) <= 10 }},
		{plant.Fault{Kind: plant.SensorStuck, From: 100}, func(s map[int]float64) bool { return s[3600] == s[100] }},
		{plant.Fault{Kind: plant.SensorSaturated, From: 100}, func(s map[int]float64) bool { return s[3600] == 10_000 }},
		{plant.Fault{Kind: plant.SensorJump, From: 100, Amount: 300}, func(s map[int]float64) bool { return s[3600] == 750 && s[90] == 450 }},
		{plant.Fault{Kind: plant.SensorDrift, Amount: 60}, func(s map[int]float64) bool { return math.Abs(s[3600]-510) < 0.2 }},
	} {
		s, _ := run(rig(perfect, c.fault), 3600)
		if !c.check(s) {
			t.Errorf("%s: %d reports, first %v, last %v", c.fault.Kind, len(s), s[10], s[3600])
		}
	}
}

// An automatic baseline takes the lowest air of a window for outdoor air: in a room that never falls below 900 ppm it
// walks the reading down by its largest step each time.
func TestSensorBaseline(t *testing.T) {
	r := rig(plant.SensorSpec{Quantity: chamber.CO2, Place: chamber.Room, EveryS: 60, OffsetS: 60, CompensatesPressure: true},
		plant.Fault{Kind: plant.SensorBaseline})
	r.Weather.CO2PPM = 900
	s, _ := run(r, 25*3600)
	if got := s[25*3600]; math.Abs(got-840) > 1 {
		t.Errorf("after two windows the sensor shows %v ppm, want 840", got)
	}
}

func TestOutlet(t *testing.T) {
	r := rig(plant.SensorSpec{Quantity: chamber.CO2, EveryS: 1000})
	run(r, 30)
	r.Command(0, chamber.Order{On: true})
	_, reports := run(r, 10)
	if !r.Outlets[0].On {
		t.Fatal("the humidifier is off after a command to switch on")
	}
	var state, power bool
	for _, list := range reports {
		for _, x := range list {
			state = state || x.Outlet == 0 && x.HasOn && x.On
			power = power || x.Outlet == 0 && x.HasWatts && math.Abs(x.Watts-28) < 2
		}
	}
	if !state || !power {
		t.Errorf("ten seconds after switching, state reported %v, power reported %v; want both", state, power)
	}
	r.Command(0, chamber.Order{On: false}) // 10 s on: too soon
	run(r, 2)
	if len(r.Violations) != 1 || r.Violations[0].On || r.Violations[0].Plug != 0 {
		t.Errorf("violations = %+v, want one of the humidifier's minimum on", r.Violations)
	}
	run(r, 60)
	r.Command(0, chamber.Order{On: true, For: 30 * time.Second})
	run(r, 25)
	on := r.Outlets[0].On
	run(r, 10)
	if !on || r.Outlets[0].On {
		t.Errorf("timed on of 30 s: on after 25 s %v, after 35 s %v", on, r.Outlets[0].On)
	}
	if len(r.Violations) != 1 {
		t.Errorf("violations = %+v, want no more", r.Violations)
	}
}

func TestOutletFaults(t *testing.T) {
	for _, c := range []struct {
		kind     plant.FaultKind
		command  bool
		on, mute bool
		watts    float64
	}{
		{plant.PlugWelded, false, true, false, 28},
		{plant.PlugDead, true, false, true, 0},
		{plant.PlugDisobeys, true, false, false, 0},
		{plant.LoadDead, true, true, false, 0},
	} {
		r := rig(plant.SensorSpec{Quantity: chamber.CO2, EveryS: 1000}, plant.Fault{Kind: c.kind, From: 10})
		run(r, 20)
		r.Command(0, chamber.Order{On: c.command})
		_, reports := run(r, 60)
		heard, watts := 0, -1.0
		for _, list := range reports {
			for _, x := range list {
				if x.Outlet == 0 {
					heard++
					if x.HasWatts {
						watts = x.Watts
					}
				}
			}
		}
		if r.Outlets[0].On != c.on || (heard == 0) != c.mute || !c.mute && math.Abs(watts-c.watts) > 2 {
			t.Errorf("%s: on %v, heard %d, watts %v; want %+v", c.kind, r.Outlets[0].On, heard, watts, c)
		}
	}
}

// An empty reservoir: no mist, and the power falls where the humidifier cuts out.
func TestReservoirDry(t *testing.T) {
	r := rig(plant.SensorSpec{Quantity: chamber.CO2, EveryS: 1000}, plant.Fault{Kind: plant.ReservoirDry, From: 50, For: 100})
	r.Command(0, chamber.Order{On: true})
	run(r, 60)
	used := r.State.Total.MistG
	_, reports := run(r, 60)
	if r.State.Total.MistG != used {
		t.Errorf("%v g of mist from an empty reservoir", r.State.Total.MistG-used)
	}
	low := false
	for _, list := range reports {
		for _, x := range list {
			low = low || x.Outlet == 0 && x.HasWatts && x.Watts < 5
		}
	}
	if !low {
		t.Error("the meter never showed the dry humidifier's 3 W")
	}
	run(r, 60)
	if r.State.ReservoirG < 4990 {
		t.Errorf("%v g in the reservoir after the fault, want it refilled", r.State.ReservoirG)
	}
}

func TestFilterClogs(t *testing.T) {
	r := rig(plant.SensorSpec{Quantity: chamber.CO2, EveryS: 1000}, plant.Fault{Kind: plant.FilterClogged, Amount: 0.3})
	for range 144 { // a day
		r.Advance(600)
	}
	within(t, "flow left", r.State.FilterFlow(&r.Params), 0.7, 1e-3)
}

func TestFaultCheck(t *testing.T) {
	for _, f := range []plant.Fault{{Kind: "sensor_bored"}, {Kind: plant.SensorStuck, Index: 1}, {Kind: plant.PlugDead, Index: -1}} {
		if f.Check(1, 2) == nil {
			t.Errorf("%+v passes", f)
		}
	}
	if err := (&plant.Fault{Kind: plant.PlugDead, Index: 1}).Check(1, 2); err != nil {
		t.Error(err)
	}
}

// The family stays within what it says, and its room within the bounds of a living room.
func TestRandom(t *testing.T) {
	for seed := range uint64(300) {
		c := plant.Random(seed, species.Fruiting)
		p := &c.Params
		if err := p.Validate(); err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		if p.VolumeM3 < 0.2 || p.VolumeM3 > 1 || p.FanM3PerH < 20 || p.FanM3PerH > 90 || p.MistGPerH < 150 || p.MistGPerH > 400 ||
			p.SubstrateKg < 5 || p.SubstrateKg > 30 {
			t.Errorf("seed %d: %+v", seed, p)
		}
		for h := range 72 {
			r := c.Weather.At(float64(h) * 3600)
			if r.AirC < 17 || r.AirC > 24 || r.RelativeHumidity < 0.28 || r.RelativeHumidity > 0.68 || r.CO2PPM < 415 || r.CO2PPM > 900 {
				t.Errorf("seed %d, hour %d: %+v", seed, h, r)
			}
		}
		if q := plant.Random(seed, species.Pinning).Params; q.VolumeM3 != p.VolumeM3 || q.SubstrateCO2 != p.SubstrateCO2 || q.FruitKg >= p.FruitKg {
			t.Errorf("seed %d: another tent at pinning", seed)
		}
	}
}

// One seed, one run, on every machine: the fingerprint was taken on amd64 and holds wherever floating point is IEEE 754.
func TestSameEverywhere(t *testing.T) {
	c := plant.Random(11, species.Fruiting)
	sensors, outlets := plant.Equip(11)
	r := plant.NewRig(c.Params, c.Weather, sensors, outlets, 11)
	sum := fnv.New64a()
	for i := range 6 * 3600 {
		if i%300 == 0 {
			r.Command(0, chamber.Order{On: i%600 == 0})
			r.Command(1, chamber.Order{On: i%900 == 0})
		}
		s, o := r.Advance(1)
		for _, x := range s {
			b, _ := json.Marshal(x)
			sum.Write(b)
		}
		for _, x := range o {
			b, _ := json.Marshal(x)
			sum.Write(b)
		}
	}
	b, _ := json.Marshal(r.State)
	sum.Write(b)
	if got, want := sum.Sum64(), uint64(0x33a7758f3ea4bb0e); got != want {
		t.Errorf("fingerprint %#x, want %#x", got, want)
	}
}

// TestTwoFansAreOne: the parameters are those of all plugs of a role together. Two fans of which one runs move half of it: at rest, with
// a leak and a crop of none, CO2 falls toward the room's by exp(-flow·t/volume).
func TestTwoFansAreOne(t *testing.T) {
	p := plant.Nominal()
	p.LeakPerHour, p.LeakPerK, p.SubstrateCO2, p.FruitCO2, p.FoulingPerHour, p.FanSpinUpS = 0, 0, 0, 0, 0, 0
	for run := range 2 {
		r := plant.NewRig(p, plant.Weather{AirC: 20, Humidity: 0.45, CO2PPM: 450, MixingHour: 1}, nil,
			[]plant.OutletSpec{{Role: chamber.ExhaustFan}, {Role: chamber.ExhaustFan}}, 1)
		r.Advance(1)
		r.State.SetAir(&r.Params, plant.Truth{AirC: 20, RelativeHumidity: 0.45, CO2PPM: 2450})
		for i := range run + 1 {
			r.Command(i, chamber.Order{On: true})
		}
		for range 20 {
			r.Advance(1)
		}
		left := (r.State.Truth(&r.Params).CO2PPM - 450) / 2000
		within(t, "what is left", left, math.Exp(-p.FanM3PerH*float64(run+1)/2*20/3600/p.VolumeM3), 0.03)
	}
}

package outlook_test

import (
	"fmt"
	"math"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/outlook"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// real is a simulated chamber that stands for a real one: the policy kept it for a while, and goes on.
type real struct {
	c   *rehearse.Case
	run *rehearse.Run
	ctl *rehearse.PolicyController
}

// grow keeps a chamber of the family for a time, the reservoir filled at the end of it and said to be.
func grow(t *testing.T, seed uint64, stage species.Stage, watched, on time.Duration) *real {
	t.Helper()
	c := rehearse.FamilyCase(seed, stage)
	c.For, c.RefillEvery = watched+on, 0
	c.Params.ReservoirG = 40_000 // what is left is worked out below
	c.Spec.Plugs[0].ReservoirLiters = 40
	c.Actions = []policy.Action{{ID: "b", Kind: policy.BatchAdd, Batch: "b1", Species: "pleurotus-ostreatus", Stage: stage, SubstrateKg: c.Params.SubstrateKg, DryKg: 0.35 * c.Params.SubstrateKg}}
	x := &real{c: c, ctl: rehearse.NewPolicyController(&policy.Policy{Spec: c.Spec, Climates: species.Builtin()}, c.Start)}
	var err error
	if x.run, err = rehearse.New(c, x.ctl); err != nil {
		t.Fatal(err)
	}
	x.run.Advance(watched)
	return x
}

// room is what a room's sensors would have shown.
func (x *real) room() outlook.Room {
	var hours []outlook.Hour
	for h := range int(x.run.At().Hours()) {
		r := x.c.Weather.At(float64(h) * 3600)
		hours = append(hours, outlook.Hour{C: r.AirC, RH: r.RelativeHumidity, CO2: r.CO2PPM})
	}
	return outlook.RoomOf(hours, math.NaN())
}

func (x *real) question(days float64) *outlook.Question {
	return &outlook.Question{Policy: x.ctl.Policy, State: x.ctl.State, Wall: x.ctl.State.Now, For: time.Duration(days * float64(24*time.Hour)), Room: x.room(), Told: true, OwnDoubt: outlook.UsualDoubt}
}

func always() bool { return true }

func TestTheSameSeedIsTheSameRun(t *testing.T) {
	x := grow(t, 3, species.Fruiting, 5*time.Minute, 0)
	q := x.question(1)
	before := fmt.Sprint(q.State)
	a, ok := q.Run(7, always)
	b, _ := q.Run(7, always)
	c, _ := q.Run(8, always)
	if !ok || !reflect.DeepEqual(a, b) {
		t.Errorf("two runs of one seed differ: %v and %v", a, b)
	}
	if reflect.DeepEqual(a.Load, c.Load) {
		t.Error("two seeds gave the same run")
	}
	if fmt.Sprint(q.State) != before {
		t.Error("a run changed the state that it was given")
	}
	if len(a.Load) < 24 || a.Duty <= 0 || a.Duty > 1 || !slices.IsSorted(a.Load) || a.Load[23] < 6 || a.Load[23] > 96 {
		t.Errorf("duty %v, load %v", a.Duty, a.Load)
	}
}

func TestARunCanBeStopped(t *testing.T) {
	q := grow(t, 3, species.Fruiting, time.Minute, 0).question(4)
	asked := 0
	if _, ok := q.Run(1, func() bool { asked++; return asked < 3 }); ok || asked != 3 {
		t.Errorf("went on for %d hours", asked)
	}
}

// TestAnyChamberHasAnOutlook asks of chambers with little in them: no CO2 sensor, no fan, no humidifier, nothing that
// grows, a heater.
func TestAnyChamberHasAnOutlook(t *testing.T) {
	sensor := func(x chamber.Quantity) chamber.Sensor {
		return chamber.Sensor{Name: x.String(), Quantity: x, Place: chamber.Inside, MaxAge: 5 * time.Minute}
	}
	plug := func(r chamber.Role) chamber.Plug {
		return chamber.Plug{Name: r.String(), Role: r, MinOn: 20 * time.Second, MinOff: 20 * time.Second, MaxOn: 30 * time.Minute}
	}
	for name, spec := range map[string]*chamber.Spec{
		"a thermometer alone": {Sensors: []chamber.Sensor{sensor(chamber.Temperature)}},
		"a heater":            {Sensors: []chamber.Sensor{sensor(chamber.Temperature)}, Plugs: []chamber.Plug{plug(chamber.Heater)}},
		"a humidistat":        {Sensors: []chamber.Sensor{sensor(chamber.RelativeHumidity)}, Plugs: []chamber.Plug{plug(chamber.Humidifier)}},
		"a timer's fan":       {Plugs: []chamber.Plug{plug(chamber.ExhaustFan), plug(chamber.Lamp)}},
		"a shed":              {Sensors: []chamber.Sensor{sensor(chamber.RelativeHumidity), sensor(chamber.CO2)}, Plugs: []chamber.Plug{plug(chamber.Humidifier), plug(chamber.ExhaustFan)}},
	} {
		t.Run(name, func(t *testing.T) {
			spec.Name, spec.VolumeM3 = "c", 0.5
			if name == "a shed" {
				spec.VolumeM3, spec.AltitudeM = 90, 2400
			}
			p := &policy.Policy{Spec: spec, Climates: species.Builtin()}
			s := p.Fresh(time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC))
			q := &outlook.Question{Policy: p, State: s, Wall: s.Now, For: time.Hour, Room: outlook.RoomOf(nil, math.NaN())}
			var all []outlook.Course
			for seed := range uint64(outlook.LeastRuns) {
				c, ok := q.Run(seed, always)
				if !ok {
					t.Fatal("no course")
				}
				all = append(all, c)
			}
			o, err := outlook.Sum(q, all)
			if err != nil || o.Verdict == "" || len(o.Gaps) == 0 {
				t.Errorf("%+v, %v", o, err)
			}
			if (o.Water != nil) != (spec.Plug(chamber.Humidifier) >= 0) {
				t.Errorf("water %+v", o.Water)
			}
		})
	}
}

// TestBacktest asks simulated chambers, each after it has been kept for some time, how long so many liters will last,
// and then waits for it. The room's weather and the chamber are drawn with other random numbers than the runs. With
// GILLKEEPER_BACKTEST=40 it does so for forty chambers over about a day each, and prints the table; otherwise for
// one and some hours, to see that the answers are of the right size.
func TestBacktest(t *testing.T) {
	chambers, runs, watched, last := 1, outlook.LeastRuns, 8*time.Hour, 6*time.Hour
	if v := os.Getenv("GILLKEEPER_BACKTEST"); v != "" {
		if _, err := fmt.Sscan(v, &chambers); err != nil {
			t.Fatal(err)
		}
		runs, watched, last = 16, 26*time.Hour, 24*time.Hour
	} else if raceDetector {
		t.Skip("the race detector makes chambers slow, and nothing here is shared")
	}
	var table strings.Builder
	fmt.Fprintf(&table, "seed  truth h  earliest  likely  latest  in 80 %%\n")
	held, errs := 0, []float64{}
	for i := range chambers {
		seed := uint64(7000 + i)
		x := grow(t, seed, species.Fruiting, watched, 3*last)
		used := x.run.Rig().State.Total.MistG
		perHour := used / watched.Hours()
		liters := perHour * last.Hours() / 1000
		q := x.question(2 * last.Hours() / 24)
		r := &q.State.Reservoir
		r.Known, r.Liters, r.Low, r.High = true, liters, liters, liters
		// The forecast at the present use, as a reservoir of so many liters would have it.
		r.EmptyOK, r.EmptyIn = true, time.Duration(liters*1000/(q.State.Plugs[0].Duty*x.c.Params.MistGPerH)*float64(time.Hour))
		r.Balance.Rate, r.Balance.Spread, r.Balance.Cycles = x.c.Params.MistGPerH, 0.03, 1
		var all []outlook.Course
		for s := range uint64(runs) {
			c, _ := q.Run(s, always)
			all = append(all, c)
		}
		o, err := outlook.Sum(q, all)
		if err != nil {
			t.Fatal(err)
		}
		for x.run.Rig().State.Total.MistG-used < liters*1000 && !x.run.Done() {
			x.run.Advance(time.Minute)
		}
		truth := (x.run.At() - watched).Hours()
		d := o.Water.Now
		in := truth >= d.Earliest.Hours() && truth <= d.Latest.Hours()
		if in {
			held++
		}
		errs = append(errs, math.Abs(d.Likely.Hours()-truth)/truth)
		fmt.Fprintf(&table, "%d  %7.1f  %8.1f  %6.1f  %6.1f  %v\n", seed, truth, d.Earliest.Hours(), d.Likely.Hours(), d.Latest.Hours(), in)
	}
	slices.Sort(errs)
	t.Logf("dry time, outlook against truth:\n%sthe 80 %% interval held %d of %d; error of the likely time: median %.0f %%, worst %.0f %%",
		&table, held, chambers, 100*errs[len(errs)/2], 100*errs[len(errs)-1])
	if errs[len(errs)/2] > 0.5 {
		t.Error("half the answers are off by more than half")
	}
	if chambers >= 20 && float64(held) < 0.6*float64(chambers) {
		t.Error("the 80 % interval holds the truth less often than three times in five")
	}
}

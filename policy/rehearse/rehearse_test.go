package rehearse_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// script is a controller that does what it is told at each step, and remembers what it heard.
type script struct {
	inputs []policy.Input
	act    func(in policy.Input, plugs []policy.PlugDecision)
	plugs  int
}

func (s *script) Step(in policy.Input) policy.Decision {
	s.inputs = append(s.inputs, in)
	d := policy.Decision{Plugs: make([]policy.PlugDecision, s.plugs), Wake: in.Now.Add(10 * time.Second)}
	if s.act != nil {
		s.act(in, d.Plugs)
	}
	return d
}

func scripted(t *testing.T, c *rehearse.Case, act func(policy.Input, []policy.PlugDecision)) (*rehearse.Run, *script) {
	t.Helper()
	s := &script{act: act, plugs: len(c.Spec.Plugs)}
	r, err := rehearse.New(c, s)
	if err != nil {
		t.Fatal(err)
	}
	return r, s
}

func short(seed uint64, d time.Duration) *rehearse.Case {
	c := rehearse.FamilyCase(seed, species.Fruiting)
	c.For, c.Settle = d, 0
	return c
}

// The same case gives the same run, to the last bit.
func TestSameSeedSameRun(t *testing.T) {
	once := func() string {
		c := short(3, 6*time.Hour)
		c.Trace = true
		r, err := rehearse.New(c, rehearse.NewCommonPractice(c.Spec, c.Target, rehearse.CarefulTimer(c)))
		if err != nil {
			t.Fatal(err)
		}
		f := r.Finish()
		b, err := json.Marshal([]any{f, r.Trace(), r.Rig().State})
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	if a, b := once(), once(); a != b {
		t.Error("two runs of one case differ")
	}
}

// A controller hears sensors and plugs as the case says, at the moment they speak, and is woken when it asked for it.
func TestControllerHears(t *testing.T) {
	c := short(2, time.Hour)
	told := false
	r, s := scripted(t, c, func(in policy.Input, p []policy.PlugDecision) {
		if !told && !in.Now.Before(c.Start.Add(10*time.Minute)) {
			told = true
			p[1] = policy.PlugDecision{On: true, Send: true, For: time.Minute}
		}
	})
	r.Finish()
	seen := map[int]int{}
	var on, off time.Time
	last := c.Start
	for i, in := range s.inputs {
		if in.Now.Sub(last) > 10*time.Second {
			t.Fatalf("step %d came %v after the last, though it was to be woken after 10 s", i, in.Now.Sub(last))
		}
		last = in.Now
		if in.LinkUp != (i == 0) || !in.Link {
			t.Fatalf("step %d: link %v, link up %v", i, in.Link, in.LinkUp)
		}
		for _, x := range in.Readings {
			seen[x.Sensor]++
			if !x.At.Equal(in.Now) {
				t.Fatalf("a reading of %v arrives at %v", x.At, in.Now)
			}
		}
		for _, x := range in.Reports {
			if x.Plug == 1 && x.HasOn && x.On && on.IsZero() {
				on = in.Now
			}
			if x.Plug == 1 && x.HasOn && !x.On && !on.IsZero() && off.IsZero() {
				off = in.Now
			}
		}
	}
	for i := range c.Spec.Sensors {
		if seen[i] < 50 {
			t.Errorf("sensor %d spoke %d times in an hour, want at least 50", i, seen[i])
		}
	}
	if d := off.Sub(on); d < 59*time.Second || d > 61*time.Second {
		t.Errorf("the timed fan ran %v, want a minute", d)
	}
}

// TestSharesOfWhatIsKnown counts three minutes by hand: CO2 is known in two of them, in one of which the room's own air is
// above the maximum, and temperature in one. The middle one is saturated.
func TestSharesOfWhatIsKnown(t *testing.T) {
	wanted := crop.Target{RelativeHumidity: chamber.Band{Low: 0.86, Aim: 0.90, High: 0.94}, TemperatureC: chamber.Band{Low: 12, High: 18}, CO2MaxPPM: 1000}
	nan := math.NaN()
	var s rehearse.Shares
	s.Add(time.Minute, rehearse.Air{RelativeHumidity: 0.91, CO2PPM: 900, AirC: nan, RoomCO2PPM: nan}, &wanted)
	s.Add(time.Minute, rehearse.Air{RelativeHumidity: 1, CO2PPM: nan, AirC: 16, RoomCO2PPM: 500}, &wanted)
	s.Add(time.Minute, rehearse.Air{RelativeHumidity: 0.86, CO2PPM: 1300, AirC: nan, RoomCO2PPM: 1100}, &wanted)
	f := s.Figures()
	for _, x := range []struct {
		name      string
		got, want float64
	}{
		{"hours", f.Hours, 0.05}, {"within 2.5", f.RHWithin2_5, 1.0 / 3}, {"within 5", f.RHWithin5, 2.0 / 3}, {"in range", f.RHInRange, 2.0 / 3},
		{"saturated", f.RHSaturated, 1.0 / 3}, {"mean humidity", f.RHMean, 2.77 / 3}, {"CO2 below", f.CO2BelowMax, 0.5},
		{"CO2 below where possible", f.CO2BelowMaxPossible, 1}, {"mean CO2", f.CO2Mean, 1100}, {"temperature", f.TemperatureInRange, 1},
		{"mean temperature", f.TemperatureMean, 16},
	} {
		if math.Abs(x.got-x.want) > 1e-9 {
			t.Errorf("%s: %v, want %v", x.name, x.got, x.want)
		}
	}
}

// Figures against a course that is known: a fan that runs all the time brings the room's air in, so the fan ran for 24
// hours a day, nothing was switched, no water used, and RH is far from the aim while CO2 is below its maximum.
func TestFiguresOfKnownCourse(t *testing.T) {
	c := short(4, 12*time.Hour)
	c.Settle = time.Hour
	r, _ := scripted(t, c, func(in policy.Input, p []policy.PlugDecision) {
		if in.LinkUp {
			p[1] = policy.PlugDecision{On: true, Send: true}
		}
	})
	f := r.Finish()
	if math.Abs(f.Hours-11) > 1e-9 || math.Abs(f.FanHoursPerDay-24) > 1e-9 || f.WaterLitersPerDay != 0 || f.SwitchesPerHour["exhaust_fan"] != 0 ||
		f.RHWithin5 != 0 || f.RHInRange != 0 || f.CO2BelowMax != 1 || f.TemperatureInRange != 1 {
		t.Errorf("%+v", f)
	}
	b, err := json.Marshal(rehearse.Result{Chamber: "loft", Figures: f, CommonPractice: &f})
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{`"chamber"`, `"rh_within_2_5"`, `"rh_within_5"`, `"rh_in_range"`, `"co2_below_max"`, `"switches_per_hour"`,
		`"water_liters_per_day"`, `"fan_hours_per_day"`, `"common_practice"`} {
		if !strings.Contains(string(b), name) {
			t.Errorf("no %s in %s", name, b)
		}
	}
}

// Switching too soon shows in the figures.
func TestViolationsCount(t *testing.T) {
	c := short(4, time.Minute)
	r, _ := scripted(t, c, func(in policy.Input, p []policy.PlugDecision) {
		p[1] = policy.PlugDecision{On: in.Now.Sub(c.Start)%(20*time.Second) < 10*time.Second, Send: true}
	})
	if f := r.Finish(); f.Violations == 0 {
		t.Errorf("a fan switched every ten seconds breaks no minimum: %+v", f)
	}
}

func TestPostFaults(t *testing.T) {
	count := func(faults ...plant.Fault) (readings, links int, s *script) {
		c := short(5, time.Hour)
		c.Faults = faults
		r, s := scripted(t, c, nil)
		r.Finish()
		for _, in := range s.inputs {
			readings += len(in.Readings)
			if in.LinkUp {
				links++
			}
		}
		return readings, links, s
	}
	whole, _, _ := count()
	if n, _, _ := count(plant.Fault{Kind: plant.MessagesLost, Amount: 0.5}); n < whole*4/10 || n > whole*6/10 {
		t.Errorf("%d of %d readings with half of them lost", n, whole)
	}
	if n, _, _ := count(plant.Fault{Kind: plant.MessagesDoubled, Amount: 1}); n != 2*whole {
		t.Errorf("%d readings with each of %d doubled", n, whole)
	}
	late, _, s := count(plant.Fault{Kind: plant.MessagesLate, Amount: 600})
	if late >= whole || len(s.inputs[0].Readings) != 0 || s.inputs[50].Now.Sub(s.inputs[0].Now) < 500*time.Second && len(s.inputs[50].Readings) != 0 {
		t.Errorf("%d of %d readings came, the first steps had some", late, whole)
	}
	n, links, s := count(plant.Fault{Kind: plant.LinkDown, From: 600, For: 1200})
	if links != 2 || n >= whole {
		t.Errorf("%d readings of %d and %d link ups over a broken link", n, whole, links)
	}
	for _, in := range s.inputs {
		if at := in.Now.Sub(s.inputs[0].Now); at > 601*time.Second && at < 1799*time.Second && (in.Link || len(in.Readings) > 0) {
			t.Fatalf("at %v, amid the outage: link %v, %d readings", at, in.Link, len(in.Readings))
		}
	}
}

// A sensor that counts molecules is corrected for the altitude before the controller sees it.
func TestAltitudeIsCorrected(t *testing.T) {
	c := short(6, 30*time.Minute)
	c.Spec.AltitudeM, c.Params.PressurePa = 1500, 84556
	for i := range c.Sensors {
		if c.Sensors[i].Quantity == chamber.CO2 && c.Sensors[i].Place == chamber.Room {
			c.Sensors[i].CompensatesPressure, c.Spec.Sensors[i].CompensatesPressure = false, false
			c.Sensors[i].Noise, c.Sensors[i].Bias, c.Sensors[i].Gain = 0, 0, 0
		}
	}
	r, s := scripted(t, c, nil)
	r.Finish()
	room := r.Rig().Room().CO2PPM
	for _, in := range s.inputs[len(s.inputs)-20:] {
		for _, x := range in.Readings {
			if sp := c.Spec.Sensors[x.Sensor]; sp.Quantity == chamber.CO2 && sp.Place == chamber.Room && math.Abs(x.Value-room) > 10 {
				t.Errorf("the room sensor says %v ppm, the room has %v", x.Value, room)
			}
		}
	}
}

func TestRefill(t *testing.T) {
	c := short(7, 3*time.Hour)
	c.RefillEvery = time.Hour
	r, s := scripted(t, c, func(in policy.Input, p []policy.PlugDecision) {
		if in.LinkUp {
			p[0] = policy.PlugDecision{On: true, Send: true}
		}
	})
	r.Finish()
	said := 0
	for _, in := range s.inputs {
		for _, a := range in.Actions {
			if a.Kind == policy.Refilled && a.ID != "" {
				said++
			}
		}
	}
	if said != 3 || r.Rig().State.ReservoirG != c.Params.ReservoirG {
		t.Errorf("%d refills said, %v g in the reservoir", said, r.Rig().State.ReservoirG)
	}
}

func TestCaseMustFit(t *testing.T) {
	for name, spoil := range map[string]func(*rehearse.Case){
		"a sensor less":   func(c *rehearse.Case) { c.Sensors = c.Sensors[1:] },
		"a plug less":     func(c *rehearse.Case) { c.Outlets = c.Outlets[1:] },
		"a strange fault": func(c *rehearse.Case) { c.Faults = []plant.Fault{{Kind: "gremlin"}} },
		"no volume":       func(c *rehearse.Case) { c.Params.VolumeM3 = 0 },
	} {
		c := short(1, time.Hour)
		spoil(c)
		if _, err := rehearse.New(c, &script{plugs: 3}); err == nil {
			t.Errorf("a case with %s is taken", name)
		}
	}
}

// The real policy runs against the plant, breaks no minimum time, and keeps the air nearer to its aim than nothing does.
func TestPolicyController(t *testing.T) {
	c := short(8, 2*time.Hour)
	c.Actions = []policy.Action{{ID: "b", Kind: policy.BatchAdd, Batch: "b", Species: "pleurotus-ostreatus", Stage: species.Fruiting, SubstrateKg: 12, DryKg: 4}}
	p := &policy.Policy{Spec: c.Spec, Climates: species.Builtin()}
	c.Target = rehearse.TargetOf(p, c.Start, c.Actions)
	if !c.Target.OK || c.Target.RelativeHumidity.Aim < 0.8 {
		t.Fatalf("target %+v", c.Target)
	}
	c.Settle = 30 * time.Minute
	r, err := rehearse.New(c, rehearse.NewPolicyController(p, c.Start))
	if err != nil {
		t.Fatal(err)
	}
	steps := 0
	r.Watch = func(*policy.Input, *policy.Decision, plant.Truth) { steps++ }
	f := r.Finish()
	idle, _ := scripted(t, c, nil)
	if g := idle.Finish(); f.Violations != 0 || f.RHWithin5 <= g.RHWithin5 || steps < 700 {
		t.Errorf("policy %+v\nidle %+v\n%d steps", f, g, steps)
	}
}

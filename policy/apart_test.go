package policy_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// apart is a chamber written apart from policy/plant, coarser and by other formulas, so that what was tuned on the one
// can be looked at on the other. Lumped air, one film on the walls, mist that first hangs in the air, blocks that
// breathe and give off water; sensors and plugs as growers have them. All its figures are estimates, from memory.
type apart struct {
	rng, noise *rand.Rand // of the weather, of the sensors: how often these report changes nothing of that

	volume, fan, leak                  float64 // m³, air changes an hour by the fan at full speed, without
	mist, spinUp, spinDown, lost       float64 // g/h, s, s, share that wets something at once
	loadKg                             float64 // of blocks
	hang, fall                         float64 // s: a droplet's life at 10 % deficit, and until it has settled
	wallM2, cropM2, transfer, stirred  float64 // m², m², m/s, times with the fan on
	filmG, filmMax                     float64 // g/m² that wet all, and at most
	wallUA, airWallUA, cropUA          float64 // W/K
	airJ, wallJ, cropJ                 float64 // J/K
	things                             float64 // J/K of what is always as warm as the air
	gain, swing                        float64 // CO2, ppm·m³/s at 20 °C, daily swing
	roomT, roomSwing, roomRH, roomCO2  float64
	t, wall, cropT, vapor, drops, film float64 // °C, °C, °C, g/m³, g/m³, g/m²
	co2, fog, blow, at                 float64
	wanderT, wanderW, wanderC          float64

	asAir bool // walls are always as warm as the air, too
	slow  slowness
}

// slowness is by how many seconds more than at its best each message may be under way, drawn anew for each.
type slowness struct{ command, reading, report int }

func draw(r *rand.Rand, low, high float64) float64 { return low + (high-low)*r.Float64() }

func full(t float64) float64 { // g/m³ at saturation, by Magnus' formula
	return 611.2 * math.Exp(17.62*t/(243.12+t)) / (0.461524 * (t + 273.15))
}

func newApart(seed uint64) *apart {
	r := rand.New(rand.NewPCG(seed, 77))
	a := &apart{rng: r, noise: rand.New(rand.NewPCG(seed, 78)), volume: draw(r, 0.2, 1)}
	a.fan = draw(r, 20, 90) / a.volume
	a.leak = math.Exp(draw(r, math.Log(0.3), math.Log(2.5)))
	a.mist, a.spinUp, a.spinDown, a.lost = draw(r, 150, 400), draw(r, 10, 20), draw(r, 2, 8), draw(r, 0.05, 0.3)
	a.hang, a.fall = draw(r, 1, 6), draw(r, 60, 240)
	surface := 5.5 * math.Pow(a.volume, 2.0/3)
	a.wallM2, a.cropM2 = surface*draw(r, 1, 1.6), draw(r, 0.05, 0.35)
	a.transfer, a.stirred = draw(r, 0.0015, 0.004), draw(r, 1.3, 2.2)
	a.filmG, a.filmMax = draw(r, 2, 8), draw(r, 40, 100)
	a.wallUA, a.airWallUA = surface*draw(r, 2, 5), surface*draw(r, 3, 6)
	blocks := draw(r, 5, 30) * math.Min(1, a.volume/0.4)
	a.loadKg = blocks
	a.cropUA, a.cropJ = blocks*draw(r, 0.3, 0.6), blocks*3500
	a.airJ, a.wallJ = a.volume*1200, surface*draw(r, 300, 1500)
	a.things = a.airJ / 2
	a.gain = blocks * draw(r, 0.04, 0.14) / 1.83 / 3600 * 1000 // g/h → ppm·m³/s at 1.83 kg/m³
	a.swing = draw(r, 0, 0.25)
	a.roomT, a.roomSwing, a.roomRH, a.roomCO2 = draw(r, 17, 24), draw(r, 0.3, 2), draw(r, 0.3, 0.65), draw(r, 420, 640)
	a.t, a.wall, a.cropT = a.roomT-1, a.roomT-1, a.roomT-1
	a.vapor, a.film, a.co2 = 0.85*full(a.t), draw(r, 0, 20), draw(r, 700, 1500)
	return a
}

// step lets a second pass.
func (a *apart) step(mistOn, fanOn bool) {
	a.at++
	ramp := func(x *float64, on bool, up, down float64) float64 {
		if on {
			*x = math.Min(1, *x+1/up)
		} else {
			*x = math.Max(0, *x-1/down)
		}
		return *x
	}
	fog, blow := ramp(&a.fog, mistOn, a.spinUp, a.spinDown), ramp(&a.blow, fanOn, 3, 4)
	day := math.Sin(2 * math.Pi * a.at / 86400)
	for _, x := range []struct {
		v      *float64
		s, tau float64
	}{{&a.wanderT, 0.4, 7200}, {&a.wanderW, 0.03, 7200}, {&a.wanderC, 70, 3600}} {
		*x.v += -*x.v/x.tau + x.s*math.Sqrt(2/x.tau)*a.rng.NormFloat64()
	}
	roomT := a.roomT + a.roomSwing*day + a.wanderT
	roomVapor := min(0.9, max(0.15, a.roomRH+a.wanderW)) * full(roomT)
	roomCO2 := max(400, a.roomCO2+a.wanderC)
	flow := (a.leak + a.fan*blow) / 3600 // a second

	given := a.mist / 3600 * fog / a.volume // g/m³ s
	rh := min(1, a.vapor/full(a.t))
	dry := a.drops / (a.hang * 0.1 / max(0.004, 1-rh))
	dry = min(dry, a.drops*0.5)
	settle := a.drops / a.fall
	k := a.transfer * (1 + (a.stirred-1)*blow)
	wet := min(1, a.film/a.filmG)
	offWall := k * a.wallM2 / a.volume * (full(a.wall) - a.vapor)
	if offWall > 0 {
		offWall = min(offWall*wet, a.film*a.wallM2/a.volume)
	}
	offCrop := k * a.cropM2 / a.volume * max(0, full(a.cropT)-a.vapor)
	cond := max(0, a.vapor-full(a.t)*1.002) * 0.5 // fog of its own

	a.vapor += flow*(roomVapor-a.vapor) + dry + offWall + offCrop - cond
	a.drops += given*(1-a.lost) - dry - settle - flow*a.drops + cond
	a.film = min(a.filmMax, max(0, a.film+(given*a.lost+settle-offWall)*a.volume/a.wallM2))
	a.co2 += flow*(roomCO2-a.co2) + a.gain*math.Pow(2.2, (a.cropT-20)/10)*(1+a.swing*day)/a.volume

	const latent = 2450.0 // J/g
	toWall, toCrop := a.airWallUA*(a.t-a.wall), a.cropUA*(a.t-a.cropT)
	a.cropT += (toCrop - offCrop*a.volume*latent) / a.cropJ
	a.t += (flow*a.airJ*(roomT-a.t) - toWall - toCrop + (cond-dry)*a.volume*latent) / (a.airJ + a.things)
	if a.asAir {
		a.t += (a.wallUA*(roomT-a.t) - offWall*a.volume*latent) / (a.airJ + a.things)
		a.wall = a.t
		return
	}
	a.wall += (toWall + a.wallUA*(roomT-a.wall) - offWall*a.volume*latent) / a.wallJ
}

func (a *apart) rh() float64 { return min(1, a.vapor/full(a.t)) }

// gauge is a sensor: lag, bias, noise, steps, and creep where the air stays wet.
type gauge struct {
	of                         func() float64
	lag, bias, noise, quantum  float64
	every, next, seen, drifted float64
	creep                      float64
	wet                        bool
}

func (g *gauge) step(a *apart) (value float64, said bool) {
	x := g.of()
	if g.seen == 0 {
		g.seen, g.next = x, math.Floor(a.noise.Float64()*g.every)
	}
	g.seen += (x - g.seen) / g.lag
	if g.wet {
		goal := 0.0
		if x > 0.93 {
			goal = g.creep
		}
		g.drifted += (goal - g.drifted) / (4 * 3600)
	}
	if a.at < g.next {
		return 0, false
	}
	g.next = a.at + g.every
	v := g.seen + g.bias + g.drifted + g.noise*a.noise.NormFloat64()
	v = math.Round(v/g.quantum) * g.quantum
	if g.wet {
		v = min(v, 0.999)
	}
	return v, true
}

// apartCase is a drawn chamber as its grower would describe it.
func apartCase(seed uint64) (*apart, []*gauge, *chamber.Spec) {
	a := newApart(seed)
	r := a.rng
	gs := []*gauge{
		{of: a.rh, lag: draw(r, 30, 60), bias: 0.007 * r.NormFloat64(), noise: draw(r, 0.002, 0.005), quantum: 0.001, every: draw(r, 8, 20), creep: draw(r, 0, 0.012), wet: true},
		{of: func() float64 { return a.t }, lag: 40, bias: 0.2 * r.NormFloat64(), noise: 0.05, quantum: 0.1, every: 15},
		{of: func() float64 { return a.co2 }, lag: draw(r, 60, 90), bias: 20 * r.NormFloat64(), noise: draw(r, 10, 15), quantum: 1, every: draw(r, 10, 20)},
		{of: func() float64 { return min(0.9, max(0.15, a.roomRH+a.wanderW)) }, lag: 30, bias: 0.01 * r.NormFloat64(), noise: 0.003, quantum: 0.001, every: 30},
		{of: func() float64 { return a.roomT + a.roomSwing*math.Sin(2*math.Pi*a.at/86400) + a.wanderT }, lag: 30, noise: 0.05, quantum: 0.1, every: 30},
	}
	spec := &chamber.Spec{Name: fmt.Sprintf("apart-%d", seed), VolumeM3: a.volume, Zone: time.UTC}
	for i, q := range []chamber.Quantity{chamber.RelativeHumidity, chamber.Temperature, chamber.CO2, chamber.RelativeHumidity, chamber.Temperature} {
		place := chamber.Inside
		if i >= 3 {
			place = chamber.Room
		}
		spec.Sensors = append(spec.Sensors, chamber.Sensor{Name: fmt.Sprint(i), Quantity: q, Place: place, MaxAge: 5 * time.Minute, CompensatesPressure: true})
	}
	hold := time.Duration(math.Round(draw(r, 20, 30))) * time.Second
	spec.Plugs = []chamber.Plug{
		{Name: "mister", Role: chamber.Humidifier, MinOn: hold, MinOff: hold, MaxOn: 30 * time.Minute, OutputGPerH: math.Round(a.mist*draw(r, 0.9, 1.3)/10) * 10, ReservoirLiters: 6, Reports: true, Meters: true},
		{Name: "fan", Role: chamber.ExhaustFan, MinOn: hold, MinOff: hold, FlowM3PerH: math.Round(a.fan * a.volume * draw(r, 1, 1.8)), Reports: true, Meters: true},
	}
	return a, gs, spec
}

// apartFigures are shares of time in percent, starts of each plug an hour, and liters a day.
type apartFigures struct {
	in25, in5, co2, mist, fan, water float64
}

func runApart(seed uint64, stage species.Stage, control func(*chamber.Spec, crop.Target) rehearse.Controller, d time.Duration, changes ...func(*apart, []*gauge)) apartFigures {
	a, gauges, spec := apartCase(seed)
	for _, change := range changes {
		change(a, gauges)
	}
	target := rehearse.FamilyTarget(stage)
	ctl := control(spec, target)
	start := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	var f apartFigures
	on := [2]bool{}
	type order struct {
		at   float64
		plug int
		on   bool
	}
	var orders []order
	var wake time.Time
	in := policy.Input{Link: true, LinkUp: true, Actions: batch(stage)}
	in.Actions[0].SubstrateKg, in.Actions[0].DryKg = a.loadKg, a.loadKg/3
	type message struct {
		at      float64
		arrives func(now time.Time)
	}
	var underway []message
	network, lastReport := rand.New(rand.NewPCG(seed, 79)), 0.0
	report := func(r chamber.PlugReport) { // what plugs say stays in order
		lastReport = max(lastReport, a.at+float64(network.IntN(a.slow.report+1)))
		underway = append(underway, message{lastReport, func(now time.Time) { r.At = now; in.Reports = append(in.Reports, r) }})
	}
	n, settle := 0.0, min(6*3600.0, d.Seconds()/3)
	for a.at < d.Seconds() {
		now := start.Add(time.Duration(a.at) * time.Second)
		if len(in.Readings)+len(in.Reports)+len(in.Actions) > 0 || !now.Before(wake) {
			in.Now, in.Wall, in.Link = now, now, true
			dec := ctl.Step(in)
			in = policy.Input{}
			wake = dec.Wake
			for i, p := range dec.Plugs {
				if p.Send {
					orders = append(orders, order{a.at + 1 + float64(network.IntN(a.slow.command+1)), i, p.On})
				}
			}
		}
		a.step(on[0], on[1])
		now = start.Add(time.Duration(a.at) * time.Second)
		for len(orders) > 0 && orders[0].at <= a.at {
			o := orders[0]
			orders = orders[1:]
			if on[o.plug] != o.on && a.at > settle {
				if o.plug == 0 {
					f.mist++
				} else {
					f.fan++
				}
			}
			on[o.plug] = o.on
			report(chamber.PlugReport{Plug: o.plug, HasOn: true, On: o.on})
		}
		if int(a.at)%60 == 0 {
			for i, w := range []float64{28, 18}[:len(spec.Plugs)] {
				if !on[i] {
					w = 0.4
				}
				report(chamber.PlugReport{Plug: i, HasOn: true, On: on[i], HasWatts: true, Watts: w})
			}
		}
		for i, g := range gauges {
			if v, ok := g.step(a); ok {
				underway = append(underway, message{a.at + float64(network.IntN(a.slow.reading+1)), func(now time.Time) {
					in.Readings = append(in.Readings, chamber.Reading{Sensor: i, Value: v, At: now})
				}})
			}
		}
		underway = slices.DeleteFunc(underway, func(m message) bool {
			if m.at > a.at {
				return false
			}
			m.arrives(now)
			return true
		})
		if int(a.at)%86400 == 0 {
			in.Actions = append(in.Actions, policy.Action{ID: fmt.Sprint(a.at), Kind: policy.Refilled, At: now})
		}
		if a.at > settle {
			n++
			rh := a.rh()
			off := math.Abs(rh - target.RelativeHumidity.Aim)
			if off <= 0.025 {
				f.in25++
			}
			if off <= 0.05 {
				f.in5++
			}
			if a.co2 <= target.CO2MaxPPM || a.roomCO2+a.wanderC > target.CO2MaxPPM-50 {
				f.co2++
			}
			if on[0] {
				f.water += a.mist / 3600 / 1000
			}
		}
	}
	for _, x := range []*float64{&f.in25, &f.in5, &f.co2} {
		*x *= 100 / n
	}
	f.mist, f.fan, f.water = f.mist*3600/n, f.fan*3600/n, f.water*86400/n
	return f
}

// apartPolicy is the policy for a chamber written apart, with its plan or by its rules alone.
func apartPolicy(t *testing.T, rules bool) func(*chamber.Spec, crop.Target) rehearse.Controller {
	return func(s *chamber.Spec, w crop.Target) rehearse.Controller {
		p := familyPolicy(t, &rehearse.Case{Spec: s, Target: w})
		p.Rules = rules
		return rehearse.NewPolicyController(p, time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC))
	}
}

// apartPractice is common practice of the points of reference: 2 minutes of fan in 15.
func apartPractice(s *chamber.Spec, w crop.Target) rehearse.Controller {
	return rehearse.NewCommonPractice(s, w, rehearse.Timer{On: 2 * time.Minute, Off: 13 * time.Minute})
}

// TestControlOfAChamberWrittenApart keeps chambers that share no code with what the controller was made on. The suite
// looks at two for some hours; GILLKEEPER_SEEDS and GILLKEEPER_DAYS make it more.
func TestControlOfAChamberWrittenApart(t *testing.T) {
	t.Parallel()
	n, d, _ := extent(2, 8*time.Hour, 4*time.Hour)
	for _, stage := range []species.Stage{species.Pinning, species.Fruiting} {
		theirs := apartMean(t, "common practice", n, stage, apartPractice, d)
		for name, control := range map[string]func(*chamber.Spec, crop.Target) rehearse.Controller{"planned": apartPolicy(t, false), "rules alone": apartPolicy(t, true)} {
			f := apartMean(t, name, n, stage, control, d)
			// A sensor some tens of ppm off decides over some percent of the time, and a timer that airs more than it needs does
			// not know of it.
			if f.in5 <= theirs.in5 || f.co2 < min(theirs.co2, 95) {
				t.Errorf("%s, %s: within 5 points %.1f %% of the time and CO2 below its maximum %.1f %%; common practice %.1f and %.1f",
					stage, name, f.in5, f.co2, theirs.in5, theirs.co2)
			}
		}
	}
}

// TestThingsAsWarmAsTheAir keeps chambers in which sheets, bags and shelves are always as warm as the air, so that mist cools it a
// tenth of what it would cool air alone, and it takes minutes to warm again. Taken for a sensor that is slow to follow, that had
// humidity kept several points too high.
func TestThingsAsWarmAsTheAir(t *testing.T) {
	t.Parallel()
	seeds := []uint64{304, 306}
	var f [2]apartFigures
	sideBySide(len(seeds), func(i int) {
		f[i] = runApart(seeds[i], species.Fruiting, apartPolicy(t, false), 12*time.Hour, func(a *apart, _ []*gauge) { a.things = 9 * a.airJ })
	})
	for i, seed := range seeds {
		t.Logf("%d: within 2.5 points %.1f %% of the time, within 5 %.1f %%, CO2 below its maximum %.1f %%", seed, f[i].in25, f[i].in5, f[i].co2)
		if f[i].in25 < 80 || f[i].in5 < 90 || f[i].co2 < 98 {
			t.Errorf("%d: within 2.5 points %.1f %% of the time, within 5 %.1f %%, CO2 below its maximum %.1f %%; want 80, 90 and 98 at least", seed, f[i].in25, f[i].in5, f[i].co2)
		}
	}
	if mean := (f[0].in25 + f[1].in25) / 2; mean < 84 {
		t.Errorf("within 2.5 points %.1f %% of the time in the mean, want 84 at least", mean)
	}
}

// TestFogThatLasts keeps chambers in whose air droplets hang for minutes, with a life of half a minute at a deficit of 10 %: what a run of
// mist gives comes when the fan has long run, and goes with it. Taken for droplets that are gone in a second, the air was within 2.5
// points 57 % of the time.
func TestFogThatLasts(t *testing.T) {
	t.Parallel()
	seeds := []uint64{2, 5}
	f := make([]apartFigures, len(seeds))
	sideBySide(len(seeds), func(i int) {
		f[i] = runApart(seeds[i], species.Fruiting, apartPolicy(t, false), 8*time.Hour, func(a *apart, _ []*gauge) { a.hang, a.fall = 30, 600 })
	})
	within := (f[0].in25 + f[1].in25) / 2
	t.Logf("within 2.5 points %.1f %% of the time: %+v", within, f)
	if within < 67 {
		t.Errorf("within 2.5 points %.1f %% of the time in the mean, want 67 at least", within)
	}
}

// TestWallsUnlikeAnyFamily keeps chambers whose walls are always as warm as the air. In the first two they are wet all over by little
// water, and give off less vapor than they would by the heat that they take, for they take none; in the last they shed it
// in drops that last for hours, and things are as warm as the air as well. What the model cannot do it foresees wrongly all the
// while, and humidity stood beside its aim by that: within 2.5 points 68, 34 and 29 % of the time.
func TestWallsUnlikeAnyFamily(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		seed         uint64
		filmG, heavy float64 // g/m² that wet all, and things over air by the heat they take
		in25         float64 // at least, percent of the time
	}{{302, 5, 0.5, 71}, {305, 5, 0.5, 70}, {302, 80, 9, 45}} {
		t.Run(fmt.Sprintf("%d of %.0f", c.seed, c.filmG), func(t *testing.T) {
			t.Parallel()
			f := runApart(c.seed, species.Fruiting, apartPolicy(t, false), 12*time.Hour, func(a *apart, _ []*gauge) {
				a.asAir, a.things, a.filmG, a.filmMax, a.lost = true, c.heavy*a.airJ, c.filmG, 200, 0.3
			})
			t.Logf("within 2.5 points %.1f %% of the time, within 5 %.1f %%, CO2 below its maximum %.1f %%", f.in25, f.in5, f.co2)
			if f.in25 < c.in25 || f.in5 < 90 || f.co2 < 98 {
				t.Errorf("within 2.5 points %.1f %% of the time, within 5 %.1f %%, CO2 below its maximum %.1f %%; want %.0f, 90 and 98 at least", f.in25, f.in5, f.co2, c.in25)
			}
		})
	}
}

// TestSensorsOfAnyPace keeps chambers written apart whose sensors speak up every two seconds, and such whose humidity and
// temperature follow within seconds as well: bare chips in moving air. What a grower bought must not matter much. The suite looks at
// one for some hours; GILLKEEPER_SEEDS and GILLKEEPER_DAYS make it more.
func TestSensorsOfAnyPace(t *testing.T) {
	t.Parallel()
	n, d, _ := extent(1, 8*time.Hour, 8*time.Hour)
	often := func(_ *apart, all []*gauge) {
		for _, g := range all {
			g.every = 2
		}
	}
	quick := func(_ *apart, all []*gauge) {
		for _, g := range all[:2] {
			g.lag *= 0.15
		}
	}
	keep := func(name string, changes ...func(*apart, []*gauge)) float64 {
		all := make([]apartFigures, n)
		sideBySide(n, func(i int) {
			all[i] = runApart(uint64(i)+75, species.Pinning, apartPolicy(t, false), d, changes...)
		})
		sum := 0.0
		for i := range all {
			t.Logf("%s, seed %d: ±2.5 %.1f, ±5 %.1f, CO2 %.1f", name, i+75, all[i].in25, all[i].in5, all[i].co2)
			sum += all[i].in25 / float64(n)
		}
		return sum
	}
	usual := keep("as usual")
	for name, changes := range map[string][]func(*apart, []*gauge){"every 2 s": {often}, "quick, every 2 s": {often, quick}} {
		if got := keep(name, changes...); got < usual-20 {
			t.Errorf("%s: within 2.5 points %.1f %% of the time; with the usual sensors %.1f", name, got, usual)
		}
	}
}

// TestPlugsOfAnyPace keeps chambers written apart whose commands, readings and plugs' reports are under way for another while each
// time, as through a gateway or a busy broker. The suite looks at one for some hours; GILLKEEPER_SEEDS and GILLKEEPER_DAYS make it more.
func TestPlugsOfAnyPace(t *testing.T) {
	t.Parallel()
	n, d, whole := extent(1, 10*time.Hour, 10*time.Hour)
	for _, c := range []struct {
		name  string
		slow  slowness
		least float64 // within 2.5 points, percent of the time, in the suite's chamber; as much more within 5
	}{
		{"at once", slowness{}, 75},
		{"commands and readings within 2 s more, reports within 8", slowness{2, 2, 8}, 70},
		{"commands within 8 s more, readings and reports within 2", slowness{8, 2, 2}, 65},
	} {
		var in25, in5 float64
		all := make([]apartFigures, n)
		sideBySide(n, func(i int) {
			all[i] = runApart(uint64(i)+3, species.Pinning, apartPolicy(t, false), d, func(a *apart, _ []*gauge) { a.slow = c.slow })
		})
		for i := range all {
			t.Logf("%s, seed %d: ±2.5 %.1f, ±5 %.1f, CO2 %.1f", c.name, i+3, all[i].in25, all[i].in5, all[i].co2)
			in25, in5 = in25+all[i].in25/float64(n), in5+all[i].in5/float64(n)
		}
		if whole { // the others are harder to keep
			c.least -= 5
		}
		if in25 < c.least || in5 < c.least+20 {
			t.Errorf("%s: within 2.5 points %.1f %% of the time, within 5 %.1f; want at least %g and %g", c.name, in25, in5, c.least, c.least+20)
		}
	}
}

// apartMean runs seeds 1 to n and gives the mean.
func apartMean(t *testing.T, name string, n int, stage species.Stage, control func(*chamber.Spec, crop.Target) rehearse.Controller, d time.Duration) (sum apartFigures) {
	all := make([]apartFigures, n)
	sideBySide(n, func(i int) { all[i] = runApart(uint64(i)+1, stage, control, d) })
	of := func(f func(*apartFigures) *float64) string {
		var v []float64
		for i := range all {
			v = append(v, *f(&all[i]))
			*f(&sum) += v[i] / float64(n)
		}
		slices.Sort(v)
		return fmt.Sprintf("%5.1f [%5.1f]", *f(&sum), v[n/10])
	}
	t.Logf("%-8s %-15s %d × %v, mean [10th percentile]: ±2.5 %s  ±5 %s  CO2 %s  starts %s + %s  water %s", stage, name, n, d,
		of(func(f *apartFigures) *float64 { return &f.in25 }), of(func(f *apartFigures) *float64 { return &f.in5 }),
		of(func(f *apartFigures) *float64 { return &f.co2 }), of(func(f *apartFigures) *float64 { return &f.mist }),
		of(func(f *apartFigures) *float64 { return &f.fan }), of(func(f *apartFigures) *float64 { return &f.water }))
	return sum
}

package control

import (
	"math"
	"slices"
	"testing"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
)

var tenths = []float64{0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1}

// dimmed is the scene of the plan with plugs that can be dimmed.
func dimmed() *Scene {
	sc := planScene()
	spec := *sc.Spec
	spec.Plugs = slices.Clone(spec.Plugs)
	for i := range spec.Plugs {
		spec.Plugs[i].Levels = tenths
	}
	sc.Spec = &spec
	return sc
}

// kept is how a chamber was kept: by plug the share of time in which it ran, its mean output while it did, and how often
// it started; how far humidity stood from its aim in the mean, and the share of time in which CO2 was above its maximum.
type kept struct {
	share, output [2]float64
	starts        [2]int
	off, above    float64
}

// follow lets control and guard keep the model's own chamber for so long, and leaves the first quarter out.
func follow(sc *Scene, d time.Duration) (k kept) {
	m := *sc.Model
	var st State
	const step = time.Second
	n, from := 0.0, sc.Now.Add(d/4)
	for end := sc.Now.Add(d); sc.Now.Before(end); sc.Now = sc.Now.Add(step) {
		air := m.Air
		now := Scene{Now: sc.Now, Spec: sc.Spec, Target: sc.Target, Air: sc.Air, Plugs: sc.Plugs, Model: &m}
		for _, e := range []*chamber.Estimate{&sc.Air.Inside.RelativeHumidity, &sc.Air.Inside.CO2, &sc.Air.Inside.Temperature} {
			e.At = sc.Now
		}
		sc.Air.Inside.RelativeHumidity.Value, sc.Air.Inside.CO2.Value = air.RH(&m.Constants), air.CO2
		var wants []guard.Want
		st, wants = Decide(st, &now)
		for j := range wants {
			p := &sc.Plugs[j]
			was := p.On
			p.Apply(&sc.Spec.Plugs[j], wants[j], guard.Scene{Now: sc.Now, Link: true, LinkSince: sc.Now.Add(-time.Hour)})
			if p.On && sc.Now.After(from) {
				k.share[j]++
				k.output[j] += p.Output()
				if !was {
					k.starts[j]++
				}
			}
		}
		m.Air.Step(&m.Constants, sc.Plugs[0].Output(), sc.Plugs[1].Output(), step.Seconds())
		if !sc.Now.After(from) {
			continue
		}
		if m.Air.CO2 > sc.Target.CO2MaxPPM {
			k.above++
		}
		k.off += math.Abs(m.Air.RH(&m.Constants) - sc.Target.RelativeHumidity.Aim)
		n++
	}
	for j := range k.share {
		k.output[j] /= max(1, k.share[j])
		k.share[j] /= n
	}
	k.off, k.above = k.off/n, k.above/n
	return k
}

// TestDimmedPlugsAreUsedAsSuch: plugs that can run slowly do so for longer, instead of fully for a moment, with fewer
// starts and no worse air.
func TestDimmedPlugsAreUsedAsSuch(t *testing.T) {
	plain, dim := follow(planScene(), 2*time.Hour), follow(dimmed(), 2*time.Hour)
	t.Logf("on or off: %+v; dimmed: %+v", plain, dim)
	if plain.output[1] != 1 {
		t.Errorf("a fan that is on or off runs at %v", plain.output[1])
	}
	for j, what := range []string{"humidifier", "fan"} {
		if dim.output[j] > 0.7 || dim.share[j] < 1.4*plain.share[j] || dim.starts[j] > plain.starts[j]+2 {
			t.Errorf("dimmed, the %s runs %.2f of the time at %.2f with %d starts; on or off %.2f with %d", what,
				dim.share[j], dim.output[j], dim.starts[j], plain.share[j], plain.starts[j])
		}
	}
	if dim.off > plain.off+0.002 || dim.above > plain.above+0.01 {
		t.Errorf("dimmed, humidity is %.4f from its aim and CO2 above its maximum %.3f of the time; on or off %.4f and %.3f", dim.off, dim.above, plain.off, plain.above)
	}
}

// TestDosesSpread: the rules give the same amount of air or mist at the lowest level that will do, over a minute.
func TestDosesSpread(t *testing.T) {
	plug := &chamber.Plug{MinOn: 20*time.Second - guard.Slack, Levels: []float64{0.3, 0.6, 1}}
	for _, c := range []struct{ full, length, level float64 }{
		{18, 60, 0.3}, {6, 20, 0.3}, {3, 20, 0.3}, {30, 50, 0.6}, {50, 50, 1}, {120, 120, 1},
	} {
		if got := dosed(plug, c.full); got.level != c.level || got.length < c.length-0.01 || got.length > c.length+0.01 {
			t.Errorf("%v s at full output: %v s at %v, want %v s at %v", c.full, got.length, got.level, c.length, c.level)
		}
	}
	if got := dosed(&chamber.Plug{MinOn: 20 * time.Second}, 18); got != (dose{18, 1}) {
		t.Errorf("a plug that is on or off: %+v", got)
	}
}

// TestRulesChooseALevel: without a model the rules air a dimmed fan slowly.
func TestRulesChooseALevel(t *testing.T) {
	sc := dimmed()
	sc.Model = nil
	sc.Air.Inside.CO2.Value = 790
	st, _ := Decide(State{}, sc)
	if f := st.Fan; f.Level <= 0 || f.Level >= 1 || f.Until.Sub(f.Since) < 40*time.Second || f.Until.Before(sc.Now) {
		t.Errorf("the fan: %+v", f)
	}
}

// TestHeatersAreDimmed: near its stop a heater gives little, far below all it has.
func TestHeatersAreDimmed(t *testing.T) {
	sc := dimmed()
	spec := *sc.Spec
	spec.Plugs = append(slices.Clone(spec.Plugs), chamber.Plug{Name: "h", Role: chamber.Heater, Levels: tenths})
	sc.Spec, sc.Plugs = &spec, append(sc.Plugs, guard.Plug{Known: true})
	for _, c := range []struct{ air, level float64 }{{11.79, 1}, {8, 1}} {
		sc.Air.Inside.Temperature.Value = c.air
		if _, wants := Decide(State{}, sc); !wants[2].On || wants[2].Level != c.level {
			t.Errorf("at %v °C: %+v", c.air, wants[2])
		}
	}
	sc.Air.Inside.Temperature.Value = 12.4 // a band of 12 to 24: on until 12.6, begun at 11.8
	if _, wants := Decide(State{Heat: true}, sc); !wants[2].On || wants[2].Level != 0.3 {
		t.Errorf("nearly warm: %+v", wants[2])
	}
}

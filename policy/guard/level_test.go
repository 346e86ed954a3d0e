package guard

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"gillkeeper/policy/chamber"
)

// speeds is a fan of three speeds.
func speeds() chamber.Plug {
	return chamber.Plug{Name: "p", Role: chamber.ExhaustFan, MinOn: 20 * time.Second, MinOff: 30 * time.Second, Levels: []float64{0.33, 0.66, 1}, Reports: true}
}

func (b *bench) says(level float64) bool {
	return b.plug.Report(&b.spec, chamber.PlugReport{HasOn: true, On: level > 0, Level: level}, b.now)
}

// running is a fan that was told the level, and obeyed, a minute ago.
func running(t *testing.T, level float64) *bench {
	t.Helper()
	b := newBench(speeds())
	b.says(0)
	b.want(false)
	b.wait(time.Minute)
	v := b.wantThis(Want{On: true, Level: level})
	if !v.Send || !v.On || v.Level != level {
		t.Fatalf("%+v", v)
	}
	b.says(level)
	b.wait(time.Minute)
	return b
}

func TestALevelIsOneOfThePlugs(t *testing.T) {
	for _, c := range []struct{ wanted, level float64 }{{0.1, 0.33}, {0.4, 0.33}, {0.6, 0.66}, {2, 1}, {0, 1}} {
		b := newBench(speeds())
		b.says(0)
		b.want(false)
		b.wait(time.Minute)
		if v := b.wantThis(Want{On: true, Level: c.wanted}); v.Level != c.level || !v.Turned {
			t.Errorf("%v wanted: %+v", c.wanted, v)
		}
	}
	b := newBench(mister()) // it has none
	b.want(false)
	b.wait(time.Minute)
	if v := b.wantThis(Want{On: true, Level: 0.4}); v.Level != 0 || !v.On {
		t.Errorf("%+v", v)
	}
}

// Another level is told without a switching: no minimum time of the relay stands against it, but one of its own does.
func TestALevelChangesWhileItRuns(t *testing.T) {
	b := running(t, 0.33)
	v := b.wantThis(Want{On: true, Level: 1})
	if !v.Send || v.Turned || v.Level != 1 || b.plug.Switches != 1 {
		t.Fatalf("%+v after %d switchings", v, b.plug.Switches)
	}
	b.says(1)
	b.wait(4 * time.Second)
	if v := b.wantThis(Want{On: true, Level: 0.66}); v.Send || v.Level != 1 || !v.Wake.Equal(b.now.Add(6*time.Second)) {
		t.Errorf("four seconds later: %+v", v)
	}
	b.wait(6 * time.Second)
	if v := b.wantThis(Want{On: true, Level: 0.66}); !v.Send || v.Level != 0.66 {
		t.Errorf("ten seconds later: %+v", v)
	}
	b.says(0.66)
	if v := b.want(false); !v.Send || v.On { // on for a minute and more: the change of level began no new run
		t.Errorf("%+v", v)
	}
	if b.plug.Output() != 0.66 {
		t.Errorf("gives %v before it says otherwise", b.plug.Output())
	}
}

// Held on for its shortest run, it keeps its level.
func TestAHeldPlugKeepsItsLevel(t *testing.T) {
	b := newBench(speeds())
	b.says(0)
	b.want(false)
	b.wait(time.Minute)
	b.wantThis(Want{On: true, Level: 0.33})
	b.says(0.33)
	b.wait(5 * time.Second)
	if v := b.want(false); !v.On || v.Level != 0.33 || v.Send {
		t.Errorf("%+v", v)
	}
}

// A plug that does not do as told at its level is told again; one that is turned at its dial is in somebody's hand.
func TestALevelIsToldAgainOrIsAHand(t *testing.T) {
	b := running(t, 0.33)
	b.wantThis(Want{On: true, Level: 1})
	b.wait(2 * time.Second)
	if b.says(0.7) { // on its way
		t.Fatal("a ramp is taken for a hand")
	}
	b.wait(4 * time.Second)
	if v := b.wantThis(Want{On: true, Level: 1}); !v.Send || v.Turned {
		t.Errorf("not told again: %+v", v)
	}
	b.says(1)
	b.wait(time.Minute)
	if b.says(0.98) {
		t.Error("rounding is taken for a hand")
	}
	if !b.says(0.5) {
		t.Fatal("somebody turned the dial, and it was not noticed")
	}
	if v := b.wantThis(Want{On: true, Level: 1}); v.Send || b.plug.Output() != 0.5 {
		t.Errorf("%+v against a hand, gives %v", v, b.plug.Output())
	}
	b.wait(HandAtPlug)
	if v := b.wantThis(Want{On: true, Level: 1}); !v.Send || v.Level != 1 {
		t.Errorf("after the hand: %+v", v)
	}
}

// Whatever is wanted at whatever level, minimum times hold, levels are the plug's own, and no two changes of level come
// sooner than LevelEvery.
func TestLevelsWhateverIsWanted(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := newBench(speeds())
		b.says(0)
		last, level := time.Time{}, 0.0
		for range 60 {
			v := b.wantThis(Want{On: rapid.Bool().Draw(t, "on"), Level: rapid.Float64Range(0, 1.2).Draw(t, "level")})
			if v.Send && v.On {
				if v.Level != 0.33 && v.Level != 0.66 && v.Level != 1 {
					t.Fatalf("level %v", v.Level)
				}
				if !v.Turned && v.Level != level {
					if b.now.Sub(last) < LevelEvery {
						t.Fatalf("another level after %v", b.now.Sub(last))
					}
				}
				if v.Level != level || v.Turned {
					last, level = b.now, v.Level
				}
			}
			if v.Send {
				b.says(v.Level)
			}
			b.wait(time.Duration(rapid.IntRange(1, 15).Draw(t, "s")) * time.Second)
		}
		for i := 1; i < len(b.edges); i++ {
			least := b.spec.MinOff
			if !b.edges[i].on {
				least = b.spec.MinOn
			}
			if d := b.edges[i].at.Sub(b.edges[i-1].at); d < least {
				t.Fatalf("switched after %v", d)
			}
		}
	})
}

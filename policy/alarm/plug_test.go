package alarm_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
)

func TestPlugDisobeys(t *testing.T) {
	d := newDesk(t)
	d.run(time.Minute, nil)
	d.e.Plugs[1].Told, d.e.Plugs[1].DisagreesSince = true, d.e.Now
	d.run(20*time.Second, nil)
	d.expect(alarm.PlugDisobeys, false, "its report may be under way")
	d.run(20*time.Second, nil)
	if c := d.c.Of(alarm.PlugDisobeys); c.Code != alarm.StuckOff || c.Worse || c.About != "exhaust_fan" {
		t.Errorf("told on, reports off: %+v", *c)
	}
	d.e.Plugs[2].Reported, d.e.Plugs[2].On, d.e.Plugs[2].DisagreesSince = true, true, d.e.Now
	d.set(chamber.Temperature, 25)
	d.run(time.Minute, nil)
	c := d.c.Of(alarm.PlugDisobeys)
	if c.Code != alarm.StuckOn || !c.Worse || c.About != "heater" || c.Instances != 0b110 {
		t.Errorf("a heater that does not stop: %+v", *c)
	}
	if h := d.c.Of(alarm.TemperatureHigh); h.Cause != alarm.PlugDisobeys {
		t.Errorf("the heat that follows: %+v", *h)
	}
}

// TestPlugThatDoesNotAnswer: one that was pulled out of the wall while it was on says nothing any more, and what the broker kept says on for
// ever. Nobody knows that it cannot be stopped; of a heater that must be feared all the same. One that answers, and is on, cannot.
func TestPlugThatDoesNotAnswer(t *testing.T) {
	for _, c := range []struct {
		plug     int
		on, mute bool
		code     alarm.Code
		value    float64
		worse    bool
	}{
		{0, true, true, alarm.Unheard, 1, false},
		{0, true, false, alarm.StuckOn, 0, true},
		{0, false, true, alarm.Unheard, 0, false},
		{0, false, false, alarm.StuckOff, 0, false},
		{2, true, true, alarm.Unheard, 1, true},
		{2, true, false, alarm.StuckOn, 0, true},
	} {
		d := newDesk(t)
		p := &d.e.Plugs[c.plug]
		p.HasTold, p.Told, p.Reported, p.On = true, c.on, c.on, c.on
		d.run(5*time.Minute, nil)
		d.mute = c.mute
		p.Told, p.DisagreesSince = !c.on, d.e.Now
		d.run(2*time.Minute, nil)
		if got := d.c.Of(alarm.PlugDisobeys); !got.Active || got.Code != c.code || got.Value != c.value || got.Worse != c.worse {
			t.Errorf("%s, on %v, says nothing %v: %+v", p.Name, c.on, c.mute, *got)
		}
		d.mute = false
		d.run(20*time.Second, nil)
		if got := d.c.Of(alarm.PlugDisobeys); got.Code == alarm.Unheard {
			t.Errorf("%s, on %v: it speaks again: %+v", p.Name, c.on, *got)
		}
	}
}

// TestLatePlugObeys: a plug whose reports come 20 s late says the opposite of its command most of the time when pulses are
// short, and yet it follows. Once it is asked in good time again the alarm of a plug that did not obey goes, however often it
// came and went.
func TestLatePlugObeys(t *testing.T) {
	d := newDesk(t)
	p := &d.e.Plugs[1]
	p.HasTold = true
	pulses := func(n int, late time.Duration) {
		for i := range 2 * n {
			p.Told, p.DisagreesSince = i%2 == 0, d.e.Now
			d.run(late, nil)
			d.expect(alarm.PlugDisobeys, false, fmt.Sprintf("reports %v late", late))
			p.Reported, p.On, p.DisagreesSince = p.Told, p.Told, time.Time{}
			d.run(30*time.Second-late, nil)
		}
	}
	pulses(20, 20*time.Second)
	var s alarm.State
	step := func(length time.Duration) {
		for range int(length / (10 * time.Second)) {
			d.run(10*time.Second, nil)
			s, _ = alarm.Advance(s, d.e.Now, d.c)
		}
	}
	for range 5 { // it comes and goes, and so has to stay away for longer and longer
		p.Told, p.DisagreesSince = !p.Told, d.e.Now
		step(3 * time.Minute)
		p.Reported, p.DisagreesSince = p.Told, time.Time{}
		step(2 * time.Minute)
	}
	if !s.Active(alarm.PlugDisobeys) {
		t.Fatal("the alarm did not come")
	}
	for range 30 {
		p.Told, p.DisagreesSince = !p.Told, d.e.Now
		step(10 * time.Second)
		p.Reported, p.DisagreesSince = p.Told, time.Time{}
		step(50 * time.Second)
	}
	if s.Active(alarm.PlugDisobeys) {
		t.Error("half an hour of following every command, and the alarm still stands")
	}
}

// TestStuckPlugIsNotCuredByRest: a plug that did not go on agrees with every command to be off, and has followed none of them. Its
// alarm goes when it moves, or when it was not asked to for so long that a person may have mended it.
func TestStuckPlugIsNotCuredByRest(t *testing.T) {
	d := newDesk(t)
	p := &d.e.Plugs[0]
	p.HasTold = true
	d.run(time.Minute, nil)
	turn := func(told, reported bool, length time.Duration) {
		p.Told, p.Reported, p.On, p.DisagreesSince = told, reported, reported, time.Time{}
		if told != reported {
			p.DisagreesSince = d.e.Now
		}
		d.run(length, nil)
	}
	for range 4 {
		turn(true, false, 90*time.Second)
		turn(false, false, 2*time.Minute)
		if c := d.c.Of(alarm.PlugDisobeys); !c.Active || c.Code != alarm.StuckOff || c.About != "humidifier" {
			t.Fatalf("stuck off, at rest between two pulses: %+v", *c)
		}
	}
	turn(true, true, 10*time.Second)
	d.expect(alarm.PlugDisobeys, false, "it went on")
	turn(false, false, time.Minute)
	turn(true, false, 90*time.Second)
	turn(false, false, 10*time.Minute)
	d.expect(alarm.PlugDisobeys, true, "stuck again, and not asked since")
	d.run(6*time.Minute, nil)
	d.expect(alarm.PlugDisobeys, false, "not asked for a quarter of an hour")
	turn(true, false, 90*time.Second)
	turn(false, false, time.Minute)
	p.Hand.Active = true
	d.run(10*time.Second, nil)
	d.expect(alarm.PlugDisobeys, false, "in a person's hand")
}

// TestPlugThatSaysNothing: that a plug without a state topic never says that it went on is no sign that it did not. It is not to be
// taken for a chamber that was upset, in which the answer of the air to mist means nothing.
func TestPlugThatSaysNothing(t *testing.T) {
	d := newDesk(t)
	for i := range d.e.Plugs {
		d.e.Spec.Plugs[i].Reports = false
		d.e.Plugs[i].HasTold = true
	}
	for range 20 {
		for _, on := range []bool{true, false} {
			for i := range 2 {
				d.e.Plugs[i].Told, d.e.Plugs[i].On = on, on
			}
			d.run(40*time.Second, nil)
			d.expect(alarm.PlugDisobeys, false, "it has no word to say")
			if d.d.Upset.Was {
				t.Fatal("the chamber passes for upset, because its plugs say nothing")
			}
		}
	}
}

// TestLatePower: where a plug's word comes up to 40 s late, the power of a fan that has just begun to run may be that of the
// pause before, and that of one which rests that of its run.
func TestLatePower(t *testing.T) {
	d := newDesk(t)
	p := &d.e.Plugs[1]
	p.HasTold = true
	turn := func(on bool, late time.Duration) {
		p.Told, p.ToldAt = on, d.e.Now
		d.run(late, nil)
		p.On, p.Reported, p.ChangedAt = on, on, d.e.Now
		p.Switches++
	}
	watts := func(w float64) {
		d.e.Reports = []chamber.PlugReport{{Plug: 1, At: d.e.Now, HasWatts: true, Watts: w}}
		d.step()
	}
	for range 8 {
		turn(true, 0)
		d.run(time.Minute, nil)
		watts(20)
		turn(false, 0)
		d.run(time.Minute, nil)
		watts(0.3)
	}
	for range 6 {
		turn(true, 40*time.Second)
		d.run(20*time.Second, nil)
		watts(0.3)
		turn(false, 40*time.Second)
		d.run(20*time.Second, nil)
		watts(20)
		d.expect(alarm.FanFailed, false, "power of the pause before")
		d.expect(alarm.PlugDisobeys, false, "power of the run before")
	}
	turn(true, 40*time.Second)
	d.run(2*time.Minute, nil)
	for range 3 {
		watts(0.3)
	}
	d.expect(alarm.FanFailed, true, "it draws none, minutes later")
	if !d.d.Upset.Was {
		t.Error("crop and walls are taken to be as ever, after a fan without power")
	}
}

func TestPlugRunsBySilentPower(t *testing.T) {
	d := newDesk(t)
	watts := func(plug int, w float64) {
		d.run(20*time.Second, nil)
		d.e.Reports = []chamber.PlugReport{{Plug: plug, At: d.e.Now, HasWatts: true, Watts: w}}
		d.step()
	}
	d.pulse(0, true)
	for range 8 {
		watts(0, 25)
	}
	d.pulse(0, false)
	watts(0, 25) // one report that was under way proves nothing
	d.expect(alarm.PlugDisobeys, false, "one report")
	watts(0, 25)
	watts(0, 25)
	watts(0, 25)
	d.expect(alarm.PlugDisobeys, true, "told off, says off, draws its running power")
	d.e.Spec.Plugs[0].Meters = false // its power topic was the wrong one, and is taken out of the configuration
	d.run(20*time.Second, nil)
	d.expect(alarm.PlugDisobeys, false, "nobody asks for its power any more")
	d.e.Spec.Plugs[0].Meters = true
	d.run(20*time.Second, nil)
	d.expect(alarm.PlugDisobeys, true, "its power is asked for")
	d.pulse(0, true)
	watts(0, 25)
	d.expect(alarm.PlugDisobeys, true, "it was told on for a while, and ran: that is no sign that it can be stopped")
	if !d.d.Upset.Was {
		t.Error("what the air answers to mist that never stops is taken for an answer")
	}
	d.pulse(0, false)
	d.run(20*time.Second, nil)
	d.expect(alarm.PlugDisobeys, true, "told off again")
	watts(0, 0.3)
	d.expect(alarm.PlugDisobeys, false, "and off at last")
	// The fan's own: on, and no power.
	d.pulse(1, true)
	for range 8 {
		watts(1, 20)
	}
	d.expect(alarm.FanFailed, false, "running")
	for range 3 {
		watts(1, 0.4)
	}
	d.expect(alarm.FanFailed, true, "on without power")
	watts(1, 20)
	d.expect(alarm.FanFailed, false, "running again")
}

// TestPowerExplainsTheAir: of a fan that says nothing of itself, its power shows that it runs although it was told off. Dry air follows
// from that, and CO2 that is too high does not.
func TestPowerExplainsTheAir(t *testing.T) {
	d := newDesk(t)
	fan := &d.e.Spec.Plugs[1]
	fan.Reports = false
	d.pulse(1, true)
	for i := range 12 {
		if i == 8 {
			d.pulse(1, false)
		}
		d.run(20*time.Second, nil)
		d.e.Reports = []chamber.PlugReport{{Plug: 1, At: d.e.Now, HasWatts: true, Watts: 14}}
		d.step()
	}
	d.e.Plugs[1].Reported = false // it never said a word
	d.set(chamber.RelativeHumidity, 0.7)
	d.set(chamber.CO2, 1500)
	d.step()
	if c := d.c.Of(alarm.HumidityLow); !c.Active || c.Cause != alarm.PlugDisobeys {
		t.Errorf("dry air beside a fan that does not stop: %+v", *c)
	}
	if c := d.c.Of(alarm.CO2High); !c.Active || c.Cause != "" {
		t.Errorf("stale air beside it: %+v", *c)
	}
	if !d.d.FanOdd(d.e.Spec) {
		t.Error("what it moves is reckoned with as if it rested")
	}
}

// TestAFanThatStartsByItselfIsToldOfOnce: its word that it runs, although told off, passes for somebody at the plug for a quarter of an hour,
// in which the air dries out. When it is told off again and does not obey, that is the alarm, and the dry air before it was no news of its own.
// Where somebody was there and the air stays dry, or where other controls switch it over and over, the dry air is told of.
func TestAFanThatStartsByItselfIsToldOfOnce(t *testing.T) {
	for name, c := range map[string]struct {
		plug          int
		on            bool
		air           chamber.Quantity
		value         float64
		after         func(d *desk, p *guard.Plug) // when the hand is over
		want          []alarm.Name
		least, latest time.Duration // of the first word, since the plug was switched
	}{
		"a fan that cannot be stopped": {1, true, chamber.RelativeHumidity, 0.7, func(d *desk, p *guard.Plug) { p.Reported, p.DisagreesSince = true, d.e.Now },
			[]alarm.Name{alarm.PlugDisobeys}, 15 * time.Minute, 18 * time.Minute},
		"a fan that somebody let run": {1, true, chamber.RelativeHumidity, 0.7, func(_ *desk, p *guard.Plug) { p.On = false },
			[]alarm.Name{alarm.HumidityLow}, 25 * time.Minute, 27 * time.Minute},
		"a fan on a thermostat": {1, true, chamber.RelativeHumidity, 0.7, func(d *desk, p *guard.Plug) {
			p.Hand = guard.Hand{Active: true, On: true, AtPlug: true, Since: d.e.Now, Until: d.e.Now.Add(guard.HandAtPlug)}
		}, []alarm.Name{alarm.HumidityLow}, 40 * time.Minute, 52 * time.Minute},
		"a fan that somebody stopped":      {1, false, chamber.CO2, 2000, func(_ *desk, p *guard.Plug) {}, []alarm.Name{alarm.CO2High}, 15 * time.Minute, 16 * time.Minute},
		"a fan does not warm the air":      {1, true, chamber.Temperature, 28, func(_ *desk, p *guard.Plug) { p.On = false }, []alarm.Name{alarm.TemperatureHigh}, 10 * time.Minute, 11 * time.Minute},
		"a heater that somebody let run":   {2, true, chamber.Temperature, 28, func(_ *desk, p *guard.Plug) { p.On = false }, []alarm.Name{alarm.TemperatureHigh}, 10 * time.Minute, 11 * time.Minute},
		"a humidifier that was turned off": {0, false, chamber.RelativeHumidity, 0.7, func(_ *desk, p *guard.Plug) {}, []alarm.Name{alarm.HumidityLow}, 25 * time.Minute, 27 * time.Minute},
	} {
		t.Run(name, func(t *testing.T) {
			d := newDesk(t)
			d.run(time.Minute, nil)
			var s alarm.State
			began := d.e.Now
			var told []alarm.Name
			var first time.Duration
			step := func(length time.Duration) {
				for range int(length / (10 * time.Second)) {
					d.run(10*time.Second, nil)
					var changes []alarm.Change
					s, changes = alarm.Advance(s, d.e.Now, d.c)
					for _, x := range changes {
						if x.Notify {
							if told == nil {
								first = d.e.Now.Sub(began)
							}
							told = append(told, x.Alarm)
						}
					}
				}
			}
			p := &d.e.Plugs[c.plug]
			p.HasTold, p.On, p.ChangedAt = true, c.on, d.e.Now
			p.Hand = guard.Hand{Active: true, On: c.on, AtPlug: true, Since: d.e.Now, Until: d.e.Now.Add(guard.HandAtPlug)}
			d.set(c.air, c.value)
			for i := range 5 {
				step(guard.HandAtPlug)
				p.Hand = guard.Hand{}
				if i == 0 || name == "a fan on a thermostat" {
					c.after(d, p)
				}
			}
			if !slices.Equal(told, c.want) || first < c.least || first > c.latest {
				t.Errorf("told of %v, the first %v after it was switched; want %v, %v to %v", told, first, c.want, c.least, c.latest)
			}
		})
	}
}

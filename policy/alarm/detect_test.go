package alarm_test

import (
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
)

func TestAirOutOfBandHasDeadband(t *testing.T) {
	for _, c := range []struct {
		n                 alarm.Name
		q                 chamber.Quantity
		inside, not, over float64 // in the band; beyond it but within the deadband; beyond both
	}{
		{alarm.HumidityLow, chamber.RelativeHumidity, 0.87, 0.846, 0.844},
		{alarm.HumidityHigh, chamber.RelativeHumidity, 0.93, 0.954, 0.956},
		{alarm.TemperatureLow, chamber.Temperature, 14.1, 13.6, 13.4},
		{alarm.TemperatureHigh, chamber.Temperature, 19.9, 20.4, 20.6},
		{alarm.CO2High, chamber.CO2, 990, 1120, 1130}, // 1000 + 75 + 5 %
	} {
		d := newDesk(t)
		d.set(c.q, c.not)
		d.step()
		d.expect(c.n, false, "within the deadband")
		d.set(c.q, c.over)
		d.step()
		d.expect(c.n, true, "beyond the deadband")
		d.set(c.q, c.not)
		d.step()
		d.expect(c.n, true, "back within the deadband")
		d.e.Air.Of(chamber.Inside, c.q).OK = false
		d.step()
		if !d.c.Of(c.n).Unknown {
			t.Errorf("%s is told without a reading", c.n)
		}
		d.set(c.q, c.inside)
		d.step()
		d.expect(c.n, false, "back in the band")
		d.set(c.q, c.over)
		d.e.Target.OK = false
		d.step()
		d.expect(c.n, false, "with nothing growing")
	}
}

// TestWetAirOrWetSensor: a reading at the end of the sensor's range may be the sensor's fault, and who is told that the air is too wet is
// told that too; of one below it is not said, nor of what is no alarm.
func TestWetAirOrWetSensor(t *testing.T) {
	d := newDesk(t)
	for _, c := range []struct {
		value  float64
		active bool
		says   string
	}{
		{0.96, true, "The air is too wet."},
		{0.999, true, "Humidity reads the end of the range: the air is too wet, or the sensor is wet or stuck."},
		{0.98, true, "The air is too wet."},
		{0.92, false, "The air is too wet."},
	} {
		d.set(chamber.RelativeHumidity, c.value)
		d.step()
		d.expect(alarm.HumidityHigh, c.active, "as before")
		told := alarm.Told(alarm.HumidityHigh, d.c.Of(alarm.HumidityHigh).Code)
		if told.Says != c.says || strings.Contains(told.Action, "sensor") != (c.value > 0.99) {
			t.Errorf("at %g it says %q, and to do is %q", c.value, told.Says, told.Action)
		}
	}
}

func TestInputsAreTakenOver(t *testing.T) {
	d := newDesk(t)
	d.e.JournalFailing = true
	d.e.HarvestDue = alarm.Due{Active: true, Batch: "north", Since: d.e.Now}
	d.e.StageOverdue = alarm.Due{Active: true, Batch: "south", Since: d.e.Now}
	d.step()
	for _, n := range []alarm.Name{alarm.JournalFailing, alarm.HarvestDue, alarm.StageOverdue} {
		d.expect(n, true, "said so")
	}
}

// TestFanInVain: a fan that runs most of the time teaches nothing of its effect, in a chamber that is near the room's air. When
// CO2 then climbs to thrice of what it usually stands above the room although the fan runs on, it moves no air; once CO2 has
// fallen in a run, it does.
func TestFanInVain(t *testing.T) {
	d := newDesk(t)
	d.set(chamber.CO2, 560)
	d.e.Air.Room.CO2 = chamber.Estimate{Value: 480, OK: true}
	d.pulse(1, true)
	d.run(4*time.Hour, nil)
	d.quiet("usual")
	co2 := 560.0
	for range 50 { // the crop makes 24 ppm a minute
		co2 += 24
		d.set(chamber.CO2, co2)
		d.run(time.Minute, nil)
		if co2 < 1040 {
			d.expect(alarm.FanFailed, false, "more than usual, and below what it may be")
		}
	}
	d.expect(alarm.FanFailed, true, "half an hour of fan, and ever more CO2")
	if a := d.c.Of(alarm.FanFailed); a.Code != alarm.NoEffect {
		t.Errorf("says %+v", *a)
	}
	d.set(chamber.CO2, co2-450)
	d.run(20*time.Second, nil)
	d.expect(alarm.FanFailed, false, "it moves air again")
}

// TestFanBesideSleepers: two people in a bedroom with its windows shut bring its air to 2500 ppm and more overnight (18 L/h each in
// 40 m³ at half an air change an hour: 1800 ppm above the air outdoors; measured bedrooms, from memory). A fan that draws such air in is
// no broken fan where nobody measures the room and the air is dry. More than that no people make.
func TestFanBesideSleepers(t *testing.T) {
	d := newDesk(t)
	d.set(chamber.CO2, 560)
	d.set(chamber.RelativeHumidity, 0.82)
	d.pulse(1, true)
	d.run(4*time.Hour, nil)
	for co2 := 560.0; co2 < 3800; co2 += 12 {
		d.set(chamber.CO2, co2)
		d.run(time.Minute, nil)
		if co2 < 2900 && d.active(alarm.FanFailed) {
			t.Fatalf("the fan is called broken at %.0f ppm", co2)
		}
	}
	d.expect(alarm.FanFailed, true, "an hour at more than people make")
}

// TestSlowDecay lets fan and humidifier be learned as clean for two days, then as much less.
func TestSlowDecay(t *testing.T) {
	d := newDesk(t)
	d.measureRoom()
	d.every = time.Minute
	d.e.Learned = alarm.Learned{Flow: 90, FlowSD: 0.05, Mist: 200, MistSD: 0.05}
	d.run(48*time.Hour, nil)
	d.expect(alarm.FilterClogged, false, "clean")
	for _, c := range []struct {
		share   float64
		clogged bool
	}{{0.74, false}, {0.66, true}, {0.76, true}, {0.85, false}} {
		d.e.Learned.Flow = 90 * c.share
		d.run(96*time.Hour, nil)
		d.expect(alarm.FilterClogged, c.clogged, fmt.Sprintf("%.0f %% of the clean flow", 100*c.share))
	}
	d.e.Learned.Mist = 60
	d.run(16*time.Hour, nil)
	if c := d.c.Of(alarm.HumidifierWeak); !c.Active || c.Worse || !c.By.After(d.e.Now) {
		t.Errorf("half a day after mist fell to three tenths, which the mean has not reached: %+v", *c)
	}
	d.run(48*time.Hour, nil)
	if c := d.c.Of(alarm.HumidifierWeak); !c.Worse || c.Code != alarm.Severe {
		t.Errorf("three tenths left: %+v", *c)
	}
}

// TestStoppedPlugIsNoDecay: of a fan and a humidifier whose relays stay off for hours, what is learned wanders off. Their own alarm says
// what is wrong, and no filter or disc is to be cleaned.
func TestStoppedPlugIsNoDecay(t *testing.T) {
	for _, stuck := range []bool{false, true} {
		d := newDesk(t)
		d.measureRoom()
		d.every = time.Minute
		d.e.Learned = alarm.Learned{Flow: 90, FlowSD: 0.05, Mist: 200, MistSD: 0.05}
		d.run(48*time.Hour, nil)
		d.e.Learned.Flow, d.e.Learned.Mist = 9, 20
		for i := range 2 {
			if p := &d.e.Plugs[i]; stuck {
				p.Told, p.DisagreesSince = true, d.e.Now
			}
		}
		d.run(12*time.Hour, nil)
		d.expect(alarm.PlugDisobeys, stuck, "told on, and says off")
		d.expect(alarm.FilterClogged, !stuck, fmt.Sprintf("the fan's plug is stuck off: %v", stuck))
		d.expect(alarm.HumidifierWeak, !stuck, fmt.Sprintf("the humidifier's plug is stuck off: %v", stuck))
	}
}

// TestAnotherCropIsNoDecay: half of the blocks are taken out. All that is learned of the chamber steps to two thirds, because crop and
// fan are known only together for a while; that is no filter that clogged nor a disc that scaled within the hour. What is lost after
// that shows, and so does a step that comes of nothing.
func TestAnotherCropIsNoDecay(t *testing.T) {
	for _, c := range []struct {
		jumped learn.Jumped
		want   bool
	}{{learn.CO2Generation, false}, {learn.Leak, false}, {"", true}, {learn.FanFlow, true}} {
		d := newDesk(t)
		d.measureRoom()
		d.every = time.Minute
		d.e.Learned = alarm.Learned{Flow: 90, FlowSD: 0.05, Mist: 200, MistSD: 0.05}
		d.run(48*time.Hour, nil)
		if d.e.Jumped = c.jumped; c.jumped != "" {
			d.e.Jumps++
		}
		d.e.Learned.Flow, d.e.Learned.Mist = 90*0.55, 200*0.5
		d.run(48*time.Hour, nil)
		d.expect(alarm.FilterClogged, c.want, fmt.Sprintf("%q jumped", c.jumped))
		d.expect(alarm.HumidifierWeak, c.want, fmt.Sprintf("%q jumped", c.jumped))
		if c.want {
			continue
		}
		d.e.Learned.Flow, d.e.Learned.Mist = 90*0.55*0.6, 200*0.5*0.4
		d.run(72*time.Hour, nil)
		d.expect(alarm.FilterClogged, true, "four tenths of the flow are lost")
		d.expect(alarm.HumidifierWeak, true, "six tenths of the mist are lost")
	}
}

// TestCreepIsNoDecay: where nobody measures the room's humidity, what is learned of the mist falls by a tenth a day while the disc is
// sound. A disc that is lost within hours shows all the same.
func TestCreepIsNoDecay(t *testing.T) {
	d := newDesk(t)
	d.every = time.Minute
	mist := 200.0
	for range 8 * 24 {
		mist *= math.Pow(0.9, 1.0/24)
		d.e.Learned = alarm.Learned{Mist: mist, MistSD: 0.37}
		d.run(time.Hour, nil)
		d.expect(alarm.HumidifierWeak, false, "creep")
	}
	d.e.Learned.Mist = 0.35 * mist
	d.run(48*time.Hour, nil)
	d.expect(alarm.HumidifierWeak, true, "two days after two thirds were lost")
	room := newDesk(t)
	room.measureRoom()
	room.every = time.Minute
	room.e.Learned = alarm.Learned{Mist: 200, MistSD: 0.37}
	room.run(48*time.Hour, nil)
	room.e.Learned.Mist = 70
	room.run(48*time.Hour, nil)
	room.expect(alarm.HumidifierWeak, false, "mist that is not known, beside a room that is measured")
}

// TestNoDecayIsReadFromSaturatedAir: nothing shows there of what the humidifier gives, and what is learned of it is worth nothing, how
// sure it may seem. Once the air has dried it counts.
func TestNoDecayIsReadFromSaturatedAir(t *testing.T) {
	d := newDesk(t)
	d.every = time.Minute
	d.e.Learned = alarm.Learned{Mist: 200, MistSD: 0.05}
	d.run(48*time.Hour, nil)
	d.set(chamber.RelativeHumidity, 0.999)
	d.run(12*time.Hour, nil)
	d.e.Learned.Mist = 60
	d.run(96*time.Hour, nil)
	d.expect(alarm.HumidifierWeak, false, "saturated for days")
	d.set(chamber.RelativeHumidity, 0.90)
	d.run(48*time.Hour, nil)
	d.expect(alarm.HumidifierWeak, true, "dry enough for mist to show, and there is little")
}

// TestClogDeadband has the alarm go 8 points of the clean flow above where it comes, 74 % where the room's CO2 is
// measured and 70 % where it is not.
func TestClogDeadband(t *testing.T) {
	for _, c := range []struct {
		measured            bool
		above, below        float64 // where it comes
		stillClogged, clean float64 // where it goes
	}{{true, 0.75, 0.73, 0.81, 0.83}, {false, 0.71, 0.69, 0.77, 0.79}} {
		d := newDesk(t)
		d.every = time.Minute
		d.e.Air.Room.CO2.OK = c.measured
		d.e.Learned = alarm.Learned{Flow: 90, FlowSD: 0.05}
		d.run(48*time.Hour, nil)
		for _, x := range []struct {
			share   float64
			clogged bool
		}{{c.above, false}, {c.below, true}, {c.stillClogged, true}, {c.clean, false}} {
			d.e.Learned.Flow = 90 * x.share
			d.run(96*time.Hour, nil)
			d.expect(alarm.FilterClogged, x.clogged, fmt.Sprintf("%.0f %% of the clean flow, the room measured: %v", 100*x.share, c.measured))
		}
	}
}

// TestAGuessedRoomJudgesNoFilter: a flow that is learned as surely as this tells of a filter only where the room's CO2 is measured.
func TestAGuessedRoomJudgesNoFilter(t *testing.T) {
	for _, measured := range []bool{true, false} {
		d := newDesk(t)
		d.every = time.Minute
		d.e.Air.Room.CO2.OK = measured
		d.e.Learned = alarm.Learned{Flow: 90, FlowSD: 0.15}
		d.run(48*time.Hour, nil)
		d.e.Learned.Flow = 55
		d.run(48*time.Hour, nil)
		d.expect(alarm.FilterClogged, measured, fmt.Sprintf("the room is measured: %v", measured))
	}
}

// TestCausesAreDeclared holds the detectors to the table: nothing is attached or suppressed that the table does not say.
func TestCausesAreDeclared(t *testing.T) {
	d := newDesk(t)
	d.e.Link = false
	d.e.Reservoir = &alarm.Reservoir{Dry: true}
	d.e.Fallback = []chamber.Quantity{chamber.CO2}
	d.e.Sensors[rhA].Silent = true
	d.set(chamber.RelativeHumidity, 0.5)
	d.set(chamber.Temperature, 30)
	d.set(chamber.CO2, 3000)
	d.step()
	for i, n := range alarm.Names() {
		c := d.c[i]
		if c.Cause == "" {
			continue
		}
		list := alarm.Of(n).FollowsFrom
		if c.Suppress {
			list = alarm.Of(n).SuppressedBy
		}
		found := false
		for _, x := range list {
			found = found || x == c.Cause
		}
		if !found {
			t.Errorf("%s is laid to %s, which is not declared", n, c.Cause)
		}
	}
	if d.c.Of(alarm.HumidityLow).Cause != alarm.ReservoirDry {
		t.Errorf("dry air of a dry reservoir: %+v", *d.c.Of(alarm.HumidityLow))
	}
}

// TestWarmthFollows: mist cools the air as it evaporates, and the fan carries off what crop and lamp give off. A chamber that is too
// warm without either is no trouble of its own.
func TestWarmthFollows(t *testing.T) {
	d := newDesk(t)
	d.e.Reservoir = &alarm.Reservoir{Dry: true, How: alarm.ByPower}
	d.set(chamber.Temperature, 22) // the target's highest is 20
	d.run(time.Minute, nil)
	if c := d.c.Of(alarm.TemperatureHigh); !c.Active || c.Cause != alarm.ReservoirDry {
		t.Errorf("beside a dry reservoir: %+v", *c)
	}
	d = newDesk(t)
	watts := func(n int, w float64) {
		for range n {
			d.run(20*time.Second, nil)
			d.e.Reports = []chamber.PlugReport{{Plug: 1, At: d.e.Now, HasWatts: true, Watts: w}}
			d.step()
		}
	}
	d.pulse(1, true)
	watts(8, 20)
	d.set(chamber.Temperature, 22)
	d.step()
	if c := d.c.Of(alarm.TemperatureHigh); !c.Active || c.Cause != "" {
		t.Errorf("where all is well: %+v", *c)
	}
	watts(3, 0.4)
	if c := d.c.Of(alarm.TemperatureHigh); !d.active(alarm.FanFailed) || c.Cause != alarm.FanFailed {
		t.Errorf("beside a dead fan: %+v", *c)
	}
}

// TestStateIsAValue: the state given in stays as it was, comes back from JSON whole, and a clock set back does no harm.
func TestStateIsAValue(t *testing.T) {
	d := newDesk(t)
	d.run(2*time.Hour, d.sound)
	before := d.d
	b, err := json.Marshal(before)
	if err != nil {
		t.Fatal(err)
	}
	var back alarm.Detectors
	if err := json.Unmarshal(b, &back); err != nil || !reflect.DeepEqual(back, before) {
		t.Fatalf("came back as %+v, was %+v: %v", back, before, err)
	}
	d.run(time.Hour, d.sound)
	if again, _ := json.Marshal(before); string(again) != string(b) {
		t.Error("the state given in was written to")
	}
	d.e.Now = d.e.Now.Add(-48 * time.Hour)
	d.run(time.Hour, d.sound)
	d.quiet("after the clock was set back")
}

// TestADryReservoirIsToldOnceNoDoorIsOpen: where the air alone shows that a reservoir is dry, it is told once CO2 shows that the chamber
// is shut, or once the humidifier was tried and gave nothing, but no sooner than after 14 minutes; what takes itself back before that is
// not told, and nothing is laid to it.
func TestADryReservoirIsToldOnceNoDoorIsOpen(t *testing.T) {
	for _, c := range []struct {
		name              string
		how               alarm.Code
		shut              bool
		tried, told, back time.Duration // 0: never, at once, and never
	}{
		{"by its power", alarm.ByPower, false, 0, 0, 0},
		{"by the air of a chamber that is shut", alarm.ByResponse, true, 0, 0, 0},
		{"by the air of a chamber that was not known to be shut, and is", alarm.ByResponse, true, 10 * time.Minute, 14 * time.Minute, 0},
		{"by the air, and by a trial", alarm.ByResponse, false, 10 * time.Minute, 14 * time.Minute, 0},
		{"by the air, and by a trial that came late", alarm.ByResponse, false, 20 * time.Minute, 20 * time.Minute, 0},
		{"by the air alone", alarm.ByResponse, false, 0, 25 * time.Minute, 0},
		{"for ten minutes", alarm.ByResponse, false, 0, time.Hour, 10 * time.Minute},
	} {
		d := newDesk(t)
		d.run(time.Hour, d.sound)
		if c.shut {
			d.d.Door.Airing = alarm.Airing{Began: true, Mean: alarm.Moist{CO2: 800, Vapor: 13}, UsualFor: 86400,
				Usual: alarm.Moist{CO2: 200, Vapor: 5}, Level: alarm.Moist{CO2: 800, Vapor: 13}, Moves: alarm.Exchange{Made: 0.5, Fan: 0.01, Leak: 0.0001, Room: 500}}
		}
		began := d.e.Now
		d.e.Reservoir = &alarm.Reservoir{Dry: true, How: c.how, DrySince: began, Shut: c.told == 0}
		d.set(chamber.RelativeHumidity, 0.8)
		for passed := time.Duration(0); passed < 30*time.Minute; passed = d.e.Now.Sub(began) {
			if c.back > 0 && passed >= c.back {
				d.e.Reservoir = &alarm.Reservoir{}
			}
			if c.tried > 0 && passed >= c.tried { // the pause until the next is twice the first of a quarter of an hour
				d.e.Reservoir.ProbeGap = 1800
			}
			d.step()
			if got, want := d.active(alarm.ReservoirDry), passed >= c.told; got != want {
				t.Fatalf("%s: after %s told %v, want %v", c.name, passed, got, want)
			}
			low := d.c.Of(alarm.HumidityLow)
			if want := c.back == 0 || passed < c.back; low.Active && (low.Cause == alarm.ReservoirDry) != want {
				t.Fatalf("%s: after %s dry air has the cause %q", c.name, passed, low.Cause)
			}
			d.e.Now = d.e.Now.Add(d.every)
			d.e.Readings = nil
		}
		if !d.active(alarm.HumidityLow) {
			t.Errorf("%s: the air is not too dry, and the test says nothing", c.name)
		}
	}
}

// TestDryAirAlone is told of: a reservoir that the air made out to be dry while humidity reads what is wanted is none to hurry to.
func TestDryAirAlone(t *testing.T) {
	d := newDesk(t)
	d.run(time.Hour, d.sound)
	d.e.Reservoir = &alarm.Reservoir{Dry: true, How: alarm.ByResponse, DrySince: d.e.Now}
	d.set(chamber.RelativeHumidity, 0.89)
	d.run(time.Hour, d.sound)
	d.expect(alarm.ReservoirDry, false, "89 % of 90")
	d.set(chamber.RelativeHumidity, 0.87)
	d.run(time.Minute, d.sound)
	d.expect(alarm.ReservoirDry, true, "87 % of 90")
}

// TestOutOfServiceIsNobodysCause: what is attached to an alarm that is out of service, or suppressed by it, stands nowhere.
func TestOutOfServiceIsNobodysCause(t *testing.T) {
	for _, root := range []alarm.Name{alarm.PlugDisobeys, alarm.BrokerLost} {
		d := newDesk(t)
		d.run(10*time.Minute, d.sound)
		d.set(chamber.RelativeHumidity, 0.7)
		if root == alarm.BrokerLost {
			d.e.Link, d.e.LinkLost = false, d.e.Now
			for i := range d.e.Sensors {
				d.e.Sensors[i].Silent = true
			}
		} else {
			mist := &d.e.Plugs[0]
			mist.Told, mist.HasTold, mist.Reported, mist.On, mist.DisagreesSince = true, true, false, false, d.e.Now
		}
		d.run(10*time.Minute, nil)
		low, silent := d.c.Of(alarm.HumidityLow), d.c.Of(alarm.SensorSilent)
		if low.Cause != root || root == alarm.BrokerLost && !silent.Suppress {
			t.Errorf("in service: %+v, %+v", low, silent)
		}
		lives := &alarm.State{}
		lives.Of(root).Phase = alarm.OutOfService
		d.e.Lives = lives
		d.run(10*time.Second, nil)
		low, silent = d.c.Of(alarm.HumidityLow), d.c.Of(alarm.SensorSilent)
		if !low.Active || low.Cause != "" || silent.Suppress {
			t.Errorf("%s out of service: %+v, %+v", root, low, silent)
		}
	}
}

// TestWhatStoodBeforeTheBrokerWasLostStandsAlone: of heat that was told of, a broker that is lost half an hour later is no cause, neither while
// it is away nor in the minutes after it is back. What comes while it is away is laid to it.
func TestWhatStoodBeforeTheBrokerWasLostStandsAlone(t *testing.T) {
	d := newDesk(t)
	d.run(time.Minute, d.sound)
	var lives alarm.State
	d.e.Lives = &lives
	step := func(length time.Duration) {
		for range int(length / d.every) {
			d.run(d.every, nil)
			lives, _ = alarm.Advance(lives, d.e.Now, d.c)
		}
	}
	d.set(chamber.Temperature, 28)
	step(30 * time.Minute)
	if !lives.Active(alarm.TemperatureHigh) {
		t.Fatal("the heat is not told of")
	}
	d.e.Link, d.e.LinkLost = false, d.e.Now
	d.set(chamber.RelativeHumidity, 0.7)
	step(12 * time.Minute)
	for _, back := range []bool{false, true} {
		if back {
			d.e.Link, d.e.LinkSince, d.e.LinkLost = true, d.e.Now, time.Time{}
			step(2 * time.Minute)
		}
		if hot, dry := d.c.Of(alarm.TemperatureHigh), d.c.Of(alarm.HumidityLow); !hot.Active || hot.Cause != "" || dry.Cause != alarm.BrokerLost {
			t.Errorf("broker back %v: the heat of before %+v, the dry air since %+v", back, hot, dry)
		}
	}
}

// TestACauseIsAsGraveAsWhatFollows: sensors that disagree are of low priority, and plugs that run blindly for it of medium: whoever
// wants to be told of medium ones is told of the cause. A silent sensor in the room blinds no plug.
func TestACauseIsAsGraveAsWhatFollows(t *testing.T) {
	d := newDesk(t)
	d.run(4*time.Hour, d.sound)
	if c := d.c.Of(alarm.SensorDisagrees); c.Active {
		t.Fatalf("%+v", c)
	}
	d.e.Sensors[roomCO2] = alarm.SensorView{Silent: true, SilentSince: d.e.Now}
	jumped := func(i int) float64 {
		switch i {
		case tempA:
			return 29 + 0.1*float64(d.e.Now.Minute()%3)
		case roomCO2:
			return math.NaN()
		}
		return d.sound(i)
	}
	d.run(30*time.Minute, jumped)
	if c := d.c.Of(alarm.SensorDisagrees); !c.Active || c.Code != alarm.Jumped || c.Worse {
		t.Fatalf("%+v", c)
	}
	d.e.Fallback = []chamber.Quantity{chamber.Temperature}
	d.run(time.Minute, jumped)
	if c, root := d.c.Of(alarm.FallbackActive), d.c.Of(alarm.SensorDisagrees); c.Cause != alarm.SensorDisagrees || !root.Worse {
		t.Errorf("%+v, %+v", c, root)
	}
}

// TestEveryOneIsNamed: an alarm that concerns several sensors or plugs names them all, and of plugs first the one that does harm.
func TestEveryOneIsNamed(t *testing.T) {
	d := newDesk(t)
	d.run(10*time.Minute, d.sound)
	for _, i := range []int{rhB, co2A, lux} {
		d.e.Sensors[i].Silent = true
	}
	for i, told := range []bool{true, false, false} { // the humidifier does not start; fan and heater do not stop
		p := &d.e.Plugs[i]
		p.Told, p.HasTold, p.Reported, p.On, p.DisagreesSince = told, true, !told, !told, d.e.Now
	}
	d.run(10*time.Minute, nil)
	if c := d.c.Of(alarm.SensorSilent); c.About != "rh-b" || c.Also != "co2, lux" {
		t.Errorf("%+v", c)
	}
	if c := d.c.Of(alarm.PlugDisobeys); c.About != "heater" || c.Code != alarm.StuckOn || !c.Worse || c.Also != "humidifier, exhaust_fan" {
		t.Errorf("%+v", c)
	}
}

// TestEveryFillingIsWarnedOf: a reservoir of one liter that lasts for twelve hours is always within the day ahead of which the warning
// comes. It is low once a fifth is used, and no longer when it was filled; one that lasts for days is low a day before its end.
func TestEveryFillingIsWarnedOf(t *testing.T) {
	for _, c := range []struct {
		capacity, litersPerH float64
		left                 float64
		was, want            bool
	}{
		{1, 1.0 / 12, 0.99, false, false}, {1, 1.0 / 12, 0.81, false, false}, {1, 1.0 / 12, 0.79, false, true},
		{1, 1.0 / 12, 0.89, true, true}, {1, 1.0 / 12, 0.99, true, false}, {1, 1.0 / 12, 0.01, false, true},
		{5, 0.1, 2.5, false, false}, {5, 0.1, 2.3, false, true}, {5, 0.1, 2.9, true, true}, {5, 0.1, 3.1, true, false},
		{0, 0.1, 2.3, false, true}, {0, 0.1, 3.1, false, false}, // nobody knows what it holds
	} {
		d := newDesk(t)
		d.e.Spec.Plugs[0].ReservoirLiters = c.capacity
		at := func(liters float64) {
			d.e.Reservoir = &alarm.Reservoir{Known: true, Liters: liters, EmptyOK: true, EmptyIn: time.Duration(liters / c.litersPerH * float64(time.Hour))}
			d.step()
		}
		if c.was {
			at(0.01)
			d.expect(alarm.ReservoirLow, true, "nearly empty")
		}
		at(c.left)
		d.expect(alarm.ReservoirLow, c.want, fmt.Sprintf("%+v", c))
	}
}

// TestAConnectionThatNeverLasts: it comes back every half minute for a second, as where two clients have one id, and not one reading
// need come through. Its alarm must not begin anew with each moment of it. A broker that is restarted twice raises nothing.
func TestAConnectionThatNeverLasts(t *testing.T) {
	for _, c := range []struct {
		name   string
		breaks int
		want   bool
	}{{"again and again", 12, true}, {"twice", 2, false}} {
		d := newDesk(t)
		d.run(10*time.Minute, d.sound)
		lives, _ := alarm.Advance(alarm.State{}, d.e.Now, d.c)
		raised := time.Duration(0)
		began := d.e.Now
		to := func(link bool, lasts time.Duration) {
			if d.e.Link = link; link {
				d.e.LinkSince, d.e.LinkLost = d.e.Now, time.Time{}
			} else {
				d.e.LinkLost = d.e.Now
			}
			d.e.Readings = nil
			for _, dt := range []time.Duration{0, lasts} { // a step as it changes, and one a moment before it changes again
				d.e.Now = d.e.Now.Add(dt)
				d.step()
				var changes []alarm.Change
				lives, changes = alarm.Advance(lives, d.e.Now, d.c)
				for i := range changes {
					if x := &changes[i]; x.Alarm == alarm.BrokerLost && x.To == alarm.Unacknowledged && raised == 0 {
						raised = d.e.Now.Sub(began)
						if x.Condition.Code != alarm.LinkBreaks || !x.Notify {
							t.Errorf("%s: it says %+v", c.name, x)
						}
					}
				}
			}
		}
		for range c.breaks {
			to(false, 29*time.Second)
			to(true, time.Second)
		}
		to(true, 3*time.Minute)
		// Four breaks take a minute and a half; from then on two minutes are the alarm's own delay.
		if got := raised > 0; got != c.want || raised > 4*time.Minute {
			t.Errorf("%s: raised %v, after %v, want %v within 4 min", c.name, got, raised, c.want)
		}
		if d.active(alarm.BrokerLost) {
			t.Errorf("%s: it lasts, and the condition is still there", c.name)
		}
	}
}

// TestAJournalBegunAnewIsSaidUntilItIsSeen: the file works again in the same second. It is said all the same, also after a restart,
// until a person has acknowledged it or a week has passed; and again, to people too, when it happens again.
func TestAJournalBegunAnewIsSaidUntilItIsSeen(t *testing.T) {
	d := newDesk(t)
	lives, told := alarm.State{}, 0
	step := func(length time.Duration) *alarm.Life {
		every := 10 * time.Second
		if length > time.Hour {
			every = 5 * time.Minute
		}
		for until := d.e.Now.Add(length); d.e.Now.Before(until); d.e.Anew = (alarm.Anew{}) {
			d.e.Now = d.e.Now.Add(every)
			d.e.Lives = &lives
			d.step()
			var changes []alarm.Change
			lives, changes = alarm.Advance(lives, d.e.Now, d.c)
			for i := range changes {
				if changes[i].Alarm == alarm.JournalFailing && changes[i].Notify {
					told++
				}
			}
		}
		return lives.Of(alarm.JournalFailing)
	}
	stands := func(l *alarm.Life, about, after string) {
		t.Helper()
		if l.Phase != alarm.Unacknowledged || l.Condition.Code != alarm.SetAside || l.Condition.About != about {
			t.Errorf("%s: %s, %+v", after, l.Phase, l.Condition)
		}
	}
	acknowledge := func() {
		t.Helper()
		var err error
		if lives, _, err = alarm.Acknowledge(lives, alarm.JournalFailing, d.e.Now); err != nil {
			t.Fatal(err)
		}
	}
	step(time.Minute)
	d.e.Anew = alarm.Anew{Code: alarm.SetAside, Aside: "/j.db.damaged-1"}
	stands(step(time.Minute), "/j.db.damaged-1", "a minute")
	b, err := json.Marshal(d.d)
	if err != nil {
		t.Fatal(err)
	}
	d.d = alarm.Detectors{}
	if err := json.Unmarshal(b, &d.d); err != nil {
		t.Fatal(err)
	}
	stands(step(6*24*time.Hour), "/j.db.damaged-1", "six days and a restart")
	acknowledge()
	if l := step(2 * time.Minute); l.Phase != alarm.Normal {
		t.Errorf("acknowledged, it is %s", l.Phase)
	}
	d.e.Anew = alarm.Anew{Code: alarm.SetAside, Aside: "/j.db.damaged-2"}
	stands(step(time.Minute), "/j.db.damaged-2", "again")
	acknowledge()
	d.e.Anew = alarm.Anew{Code: alarm.SetAside, Aside: "/j.db.damaged-3"}
	stands(step(time.Minute), "/j.db.damaged-3", "just when the last was acknowledged")
	if told != 3 {
		t.Errorf("people were told %d times of three damages", told)
	}

	// A full disk is what can be mended now. Acknowledged, it hides the other no longer than it lasts.
	d.e.JournalFailing = true
	if l := step(time.Minute); l.Phase != alarm.Unacknowledged || l.Condition.Code != "" {
		t.Errorf("on a full disk: %s, %+v", l.Phase, l.Condition)
	}
	acknowledge()
	step(time.Minute)
	d.e.JournalFailing = false
	stands(step(time.Minute), "/j.db.damaged-3", "with room on the disk")
	if l := step(7*24*time.Hour + 30*time.Minute); l.Phase != alarm.ReturnedUnacknowledged {
		t.Errorf("after a week it is %s", l.Phase)
	}
	d.e.Anew = alarm.Anew{Code: alarm.TakenAway}
	if l := step(time.Minute); l.Phase != alarm.Unacknowledged || l.Condition.Code != alarm.TakenAway || l.Condition.About != "" {
		t.Errorf("taken away: %s, %+v", l.Phase, l.Condition)
	}
}

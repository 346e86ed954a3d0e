package replay

import (
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

const hours = 6

// life is a chamber's recorded life: what really happened in a simulated chamber, written down as a daemon would.
type life struct {
	journal *journal.Memory
	spec    *chamber.Spec
	from    time.Time
	state   policy.State
	truth   rehearse.Figures
	fan     float64 // m³/h that the fan really moved
	batch   policy.Action
	minutes []journal.Minute
}

func climates(t *testing.T, low, high float64) *species.Table {
	t.Helper()
	table, err := species.Builtin().With([]species.Override{{Species: "pleurotus-ostreatus", Stage: species.Fruiting,
		RelativeHumidity: species.Range{Low: low, High: high}, CO2MaxPPM: new(1000.0), TemperatureC: species.Range{Low: 12, High: 24}}})
	if err != nil {
		t.Fatal(err)
	}
	return table
}

// lived is the life that the tests share; each has a journal of its own.
var lived struct {
	once sync.Once
	life *life
}

// live writes down minutes, learned values and switchings of the shared life, but for those of places that are left out.
func live(t *testing.T, leave ...chamber.Place) *life {
	t.Helper()
	lived.once.Do(func() { lived.life = simulate(t) })
	if lived.life == nil {
		t.Fatal("the shared chamber did not live")
	}
	l := *lived.life
	l.journal = journal.NewMemory()
	if _, err := l.journal.Act(t.Context(), l.spec.Name, l.batch); err != nil {
		t.Fatal(err)
	}
	minutes := slices.Clone(l.minutes)
	minutes = slices.DeleteFunc(minutes, func(m journal.Minute) bool { return m.Place == "room" && slices.Contains(leave, chamber.Room) })
	if err := l.journal.Minutes(t.Context(), minutes); err != nil {
		t.Fatal(err)
	}
	return &l
}

// simulate lets a chamber of the family live under the real policy for some hours.
func simulate(t *testing.T) *life {
	t.Helper()
	c := rehearse.FamilyCase(8, species.Fruiting)
	c.For, c.Settle = hours*time.Hour, time.Hour
	l := &life{spec: c.Spec, from: c.Start, fan: c.Params.FanM3PerH}
	l.batch = policy.Action{ID: "b", Kind: policy.BatchAdd, At: c.Start.Add(-50 * time.Hour), Batch: "b", Species: "pleurotus-ostreatus", Stage: species.Fruiting,
		SubstrateKg: c.Params.SubstrateKg, DryKg: 4}
	c.Actions = []policy.Action{l.batch}
	ctl := rehearse.NewPolicyController(&policy.Policy{Spec: c.Spec, Climates: climates(t, 0.85, 0.95)}, c.Start)
	run, err := rehearse.New(c, ctl)
	if err != nil {
		t.Fatal(err)
	}
	var all []journal.Minute
	for minute := range hours * 60 {
		at := c.Start.Add(time.Duration(minute) * time.Minute)
		sums := map[[2]string]float64{}
		on := make([]float64, len(run.Rig().Outlets))
		for range 60 {
			run.Advance(time.Second)
			air, room := run.Rig().State.Truth(&c.Params), run.Rig().Room()
			for k, v := range map[[2]string]float64{{"chamber", "relative_humidity"}: air.RelativeHumidity, {"chamber", "temperature"}: air.AirC, {"chamber", "co2"}: air.CO2PPM,
				{"room", "relative_humidity"}: room.RelativeHumidity, {"room", "temperature"}: room.AirC, {"room", "co2"}: room.CO2PPM} {
				sums[k] += v / 60
			}
			for i := range on {
				if run.Rig().Outlets[i].On {
					on[i]++
				}
			}
		}
		for k, v := range sums {
			all = append(all, journal.Minute{Chamber: c.Spec.Name, Place: k[0], Quantity: k[1], Start: at, Mean: v, Min: v, Max: v, N: 60})
		}
		for i, s := range on {
			all = append(all, journal.Minute{Chamber: c.Spec.Name, Place: c.Spec.Plugs[i].Name, Quantity: journal.PlugOn, Start: at, Mean: s / 60, N: 60, Seconds: s})
		}
		if minute%10 != 0 {
			continue
		}
		slow := func(place, quantity string, v, low, high float64) {
			all = append(all, journal.Minute{Chamber: c.Spec.Name, Place: place, Quantity: quantity, Start: at, Span: journal.SlowSpan, Mean: v, Min: low, Max: high, N: 1})
		}
		tg := &ctl.State.Target
		slow(journal.PlaceTarget, "relative_humidity", tg.RelativeHumidity.Aim, tg.RelativeHumidity.Low, tg.RelativeHumidity.High)
		slow(journal.PlaceTarget, "co2", tg.CO2MaxPPM, 0, tg.CO2MaxPPM)
		slow(journal.PlaceTarget, "temperature", tg.TemperatureC.Aim, tg.TemperatureC.Low, tg.TemperatureC.High)
		k := ctl.State.Learn.Knowledge(c.Spec.VolumeM3, 0)
		for q, x := range map[string]learn.Learned{journal.AirChangesFanOn: k.FanOn, journal.AirChangesFanOff: k.FanOff, journal.CO2Generation: k.CO2GPerH, journal.MistOutput: k.MistGPerH,
			journal.MistDrawn: ctl.State.Reservoir.Output()} {
			if x.Known {
				slow(journal.PlaceLearned, q, x.Value, x.Value, x.Value)
			}
		}
		if k.FanOn.Known {
			flow := (k.FanOn.Value - k.FanOff.Value) * c.Spec.VolumeM3
			slow(journal.PlaceLearned, journal.FanFlow, flow, flow, flow)
			share := flow / c.Spec.Plugs[c.Spec.Plug(chamber.ExhaustFan)].FlowM3PerH
			slow(journal.PlaceLearned, journal.FanFlowShare, share, share, share)
		}
	}
	l.minutes, l.state, l.truth = all, ctl.State, run.Figures()
	return l
}

func (l *life) query(table *species.Table) Query {
	return Query{Spec: l.spec, Climates: table, State: l.state, From: l.from, To: l.from.Add(hours * time.Hour), Seed: 4}
}

func again(t *testing.T, p *Past) rehearse.Figures {
	t.Helper()
	r, err := p.Begin(false)
	if err != nil {
		t.Fatal(err)
	}
	r.Advance(r.For())
	if !r.Done() {
		t.Fatal("not at its end")
	}
	return r.Figures()
}

// TestReplay lives a recorded stretch again: under the same configuration it goes about as it went, and with other
// targets, another fan and another humidifier it goes otherwise.
func TestReplay(t *testing.T) {
	l := live(t)
	p, err := Read(t.Context(), l.journal, l.query(climates(t, 0.85, 0.95)))
	if err != nil {
		t.Fatal(err)
	}
	// What the figures of the record say is what the true air of that stretch says.
	if math.Abs(p.Recorded.RHWithin5-l.truth.RHWithin5) > 0.05 || math.Abs(p.Recorded.CO2BelowMax-l.truth.CO2BelowMax) > 0.02 ||
		math.Abs(p.Recorded.RHMean-l.truth.RHMean) > 0.003 || math.Abs(p.Recorded.FanHoursPerDay-l.truth.FanHoursPerDay) > 0.01*l.truth.FanHoursPerDay {
		t.Errorf("recorded %+v, in truth %+v", p.Recorded, l.truth)
	}
	if w := l.truth.WaterLitersPerDay; math.Abs(p.Recorded.WaterLitersPerDay-w) > 0.25*w {
		t.Errorf("recorded %.2f L of water a day, in truth %.2f", p.Recorded.WaterLitersPerDay, w)
	}
	if len(p.Assumed) > 0 {
		t.Errorf("assumed %v though all was recorded", p.Assumed)
	}
	if got := p.Case.Params.FanM3PerH; math.Abs(got/l.fan-1) > 0.25 {
		t.Errorf("the fan moves %.1f m³/h, in truth %.1f", got, l.fan)
	}
	same := again(t, p)
	t.Logf("CO2 %.0f and %.0f, given off %.2f g/h", p.Recorded.CO2Mean, same.CO2Mean, p.Case.Params.SubstrateKg*p.Case.Params.SubstrateCO2+p.Case.Params.FruitKg*p.Case.Params.FruitCO2)
	t.Logf("recorded ±5 %.3f CO2 %.3f fan %.2f mean %.3f; again %.3f %.3f %.2f %.3f", p.Recorded.RHWithin5, p.Recorded.CO2BelowMax, p.Recorded.FanHoursPerDay, p.Recorded.RHMean,
		same.RHWithin5, same.CO2BelowMax, same.FanHoursPerDay, same.RHMean)
	t.Logf("water %.3f L a day, recorded %.3f, again %.3f", l.truth.WaterLitersPerDay, p.Recorded.WaterLitersPerDay, same.WaterLitersPerDay)
	// CO2 stood lower then: in its first hours a chamber is aired by what is not yet learned well.
	if math.Abs(same.RHMean-p.Recorded.RHMean) > 0.03 || math.Abs(same.CO2Mean-p.Recorded.CO2Mean) > 130 || math.Abs(same.CO2BelowMax-p.Recorded.CO2BelowMax) > 0.1 {
		t.Errorf("recorded %+v, again %+v", p.Recorded, same)
	}

	q := l.query(climates(t, 0.85, 0.95))
	spec := *l.spec
	spec.Plugs = slices.Clone(spec.Plugs)
	fan := &spec.Plugs[spec.Plug(chamber.ExhaustFan)]
	fan.FlowM3PerH *= 2
	q.Spec = &spec
	p, err = Read(t.Context(), l.journal, q)
	if err != nil {
		t.Fatal(err)
	}
	other := again(t, p)
	if math.Abs(p.Case.Params.FanM3PerH/l.fan-2) > 0.5 {
		t.Errorf("a fan of twice the rating moves %.1f m³/h; the one of then %.1f", p.Case.Params.FanM3PerH, l.fan)
	}
	if other.FanHoursPerDay > 0.85*same.FanHoursPerDay { // not half: a run has its shortest time, which then airs more
		t.Errorf("twice the fan runs %.2f h a day, the one of then %.2f", other.FanHoursPerDay, same.FanHoursPerDay)
	}

	p, err = Read(t.Context(), l.journal, l.query(climates(t, 0.70, 0.80)))
	if err != nil {
		t.Fatal(err)
	}
	if drier := again(t, p); drier.RHMean > same.RHMean-0.08 || p.Recorded.RHMean < 0.8 {
		t.Errorf("aimed at 75 %%: mean %.3f, recorded %.3f", drier.RHMean, p.Recorded.RHMean)
	}

	was := *l.spec
	was.Plugs = slices.Clone(was.Plugs)
	was.Plugs[was.Plug(chamber.Humidifier)].OutputGPerH *= 2 // it had been one of twice the output
	q = l.query(climates(t, 0.85, 0.95))
	q.Was = &was
	half, err := Read(t.Context(), l.journal, q)
	if err != nil {
		t.Fatal(err)
	}
	if r := half.Case.Params.MistGPerH / p.Case.Params.MistGPerH; math.Abs(r-0.5) > 0.01 {
		t.Errorf("a humidifier of half the rating gives %.2f of what it gave", r)
	}
}

// TestReplayWithoutRoom says what it assumed; with too little recorded, or nothing grown, it says so.
func TestReplayWithoutRoom(t *testing.T) {
	l := live(t, chamber.Room)
	p, err := Read(t.Context(), l.journal, l.query(climates(t, 0.85, 0.95)))
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(p.Assumed, []Assumption{RoomCO2, RoomHumidity, RoomTemperature}) {
		t.Errorf("assumed %v", p.Assumed)
	}
	q := l.query(climates(t, 0.85, 0.95))
	q.From, q.To = q.From.AddDate(0, 1, 0), q.To.AddDate(0, 1, 0)
	if _, err := Read(t.Context(), l.journal, q); err == nil || !strings.Contains(err.Error(), "humidity for only 0 %") {
		t.Error(err)
	}
	q.To = q.From.Add(time.Hour)
	if _, err := Read(t.Context(), l.journal, q); err == nil || !strings.Contains(err.Error(), "no stretch to replay") {
		t.Error(err)
	}
	q = l.query(climates(t, 0.85, 0.95))
	empty := journal.NewMemory()
	for m, err := range l.journal.History(t.Context(), journal.HistoryQuery{Chamber: l.spec.Name}) {
		if err != nil {
			t.Fatal(err)
		}
		if err := empty.Minutes(t.Context(), []journal.Minute{m}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := Read(t.Context(), empty, q); err == nil || !strings.Contains(err.Error(), "nothing grew") {
		t.Error(err)
	}
}

// TestAHoleInTheRecordIsNoRest: of five hours the first is left out, the daemon stood still in the third, and nothing grew in the last.
// In the second and fourth the fan ran half of the time, and was switched 40 and 20 times.
func TestAHoleInTheRecordIsNoRest(t *testing.T) {
	l := live(t)
	j := journal.NewMemory()
	if _, err := j.Act(t.Context(), l.spec.Name, l.batch); err != nil {
		t.Fatal(err)
	}
	fan := l.spec.Plugs[l.spec.Plug(chamber.ExhaustFan)].Name
	var ms []journal.Minute
	var notes []journal.Noted
	for hour, switches := range []int{5, 40, 0, 20, 0} {
		if hour == 2 {
			continue
		}
		start := l.from.Add(time.Duration(hour) * time.Hour)
		for k := range 60 {
			at := start.Add(time.Duration(k) * time.Minute)
			on := 30.0
			if hour == 4 {
				on = 0
			}
			ms = append(ms, journal.Minute{Chamber: l.spec.Name, Place: "chamber", Quantity: "relative_humidity", Start: at, Mean: 0.9, Min: 0.9, Max: 0.9, N: 60},
				journal.Minute{Chamber: l.spec.Name, Place: fan, Quantity: journal.PlugOn, Start: at, Mean: on / 60, Seconds: on, N: 60})
			if k%10 == 0 && hour < 4 {
				ms = append(ms, journal.Minute{Chamber: l.spec.Name, Place: journal.PlaceTarget, Quantity: "relative_humidity", Start: at, Span: journal.SlowSpan, Mean: 0.9, Min: 0.85, Max: 0.95, N: 1})
			}
		}
		for k := range switches {
			notes = append(notes, journal.Noted{Chamber: l.spec.Name, Event: policy.Event{At: start.Add(time.Duration(k) * time.Minute), Kind: policy.PlugSwitched, Plug: fan}})
		}
	}
	if err := j.Minutes(t.Context(), ms); err != nil {
		t.Fatal(err)
	}
	if _, err := j.Note(t.Context(), notes); err != nil {
		t.Fatal(err)
	}
	q := l.query(climates(t, 0.85, 0.95))
	q.To = q.From.Add(5 * time.Hour)
	p, err := Read(t.Context(), j, q)
	if err != nil {
		t.Fatal(err)
	}
	if r := p.Recorded; math.Abs(r.Hours-2) > 1e-9 || math.Abs(r.FanHoursPerDay-12) > 1e-9 || math.Abs(r.SwitchesPerHour[fan]-30) > 1e-9 {
		t.Errorf("%+v, want two hours, 12 h of fan a day and 30 switchings an hour", r)
	}
	renamed := *l.spec
	renamed.Plugs = slices.Clone(renamed.Plugs)
	renamed.Plugs[renamed.Plug(chamber.ExhaustFan)].Name = "another"
	q.Spec = &renamed
	if p, err = Read(t.Context(), j, q); err != nil || math.Abs(p.Recorded.FanHoursPerDay-12) > 1e-9 {
		t.Errorf("under another name in the new configuration: %+v, %v", p, err)
	}
}

// TestHoursWithoutACropAreNoRest: a batch that comes in after half of the stretch is replayed at the rates of its own time.
func TestHoursWithoutACropAreNoRest(t *testing.T) {
	l := live(t)
	whole, err := Read(t.Context(), l.journal, l.query(climates(t, 0.85, 0.95)))
	if err != nil {
		t.Fatal(err)
	}
	all := again(t, whole)
	l = live(t)
	late := journal.NewMemory()
	came := l.batch
	came.At = l.from.Add(hours / 2 * time.Hour)
	if _, err := late.Act(t.Context(), l.spec.Name, came); err != nil {
		t.Fatal(err)
	}
	if err := late.Minutes(t.Context(), l.minutes); err != nil {
		t.Fatal(err)
	}
	p, err := Read(t.Context(), late, l.query(climates(t, 0.85, 0.95)))
	if err != nil {
		t.Fatal(err)
	}
	// Half of the hours or so; the fan then runs at much the same rate, and not at three fifths of it.
	if half := again(t, p); half.Hours > 3.1 || half.FanHoursPerDay < 0.8*all.FanHoursPerDay {
		t.Errorf("%+v, the whole time %+v", half, all)
	}
}

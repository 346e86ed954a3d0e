package alarm_test

import (
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/control"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/learn"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/species"
)

// bench runs the detectors in a closed loop: a simulated chamber with noisy sensors and slow plugs, the rule controller
// and the guard, as a daemon would.
type bench struct {
	rig     *plant.Rig
	spec    *chamber.Spec
	target  crop.Target
	now     time.Time
	air     chamber.Air
	views   []alarm.SensorView
	plugs   []guard.Plug
	control control.State

	det     alarm.Detectors
	water   alarm.Reservoir
	alarms  alarm.State
	learn   learn.State
	suspect []alarm.Code
	changes []alarm.Change
	conds   alarm.Conditions
	refills int
	mistOn  float64 // seconds for which the humidifier was commanded on
	noProbe bool
}

const stepSeconds = 2.0

var benchStart = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

// targetOf is a common climate for oysters; the values only have to be ones that a chamber can be held at.
func targetOf(stage species.Stage) crop.Target {
	t := crop.Target{OK: true, Stage: stage, TemperatureC: chamber.Band{Low: 10, Aim: 18, High: 26}}
	if stage == species.Pinning {
		t.RelativeHumidity, t.CO2MaxPPM = chamber.Band{Low: 0.92, Aim: 0.95, High: 0.98}, 800
	} else {
		t.RelativeHumidity, t.CO2MaxPPM = chamber.Band{Low: 0.86, Aim: 0.90, High: 0.94}, 1000
	}
	return t
}

func newBench(seed uint64, stage species.Stage, metered bool) *bench {
	c := plant.Random(seed, stage)
	sensors, outlets := plant.Equip(seed)
	for i := range outlets {
		outlets[i].Meters = metered
	}
	b := &bench{now: benchStart, target: targetOf(stage)}
	b.spec = &chamber.Spec{Name: "loft", VolumeM3: c.Params.VolumeM3}
	for i, s := range sensors {
		b.spec.Sensors = append(b.spec.Sensors, chamber.Sensor{
			Name: s.Place.String() + "-" + s.Quantity.String() + string(rune('a'+i)), Quantity: s.Quantity, Place: s.Place,
			MaxAge: 5 * time.Minute, CompensatesPressure: s.CompensatesPressure,
		})
	}
	for _, o := range outlets {
		p := chamber.Plug{Name: o.Role.String(), Role: o.Role, MinOn: time.Duration(o.MinOnS) * time.Second,
			MinOff: time.Duration(o.MinOffS) * time.Second, Reports: o.Reports, Meters: o.Meters}
		switch o.Role {
		case chamber.Humidifier:
			p.OutputGPerH, p.ReservoirLiters, p.MaxOn = c.MistRated, c.Params.ReservoirG/1000, 30*time.Minute
		case chamber.ExhaustFan:
			p.FlowM3PerH = c.FanRated
		}
		b.spec.Plugs = append(b.spec.Plugs, p)
		b.plugs = append(b.plugs, guard.Plug{Name: p.Name, Role: p.Role})
	}
	b.views = make([]alarm.SensorView, len(sensors))
	b.rig = plant.NewRig(c.Params, c.Weather, sensors, outlets, seed)
	return b
}

// run lets the time pass; each sees every step and ends the run by returning false.
func (b *bench) run(d time.Duration, each func() bool) {
	for end := b.now.Add(d); b.now.Before(end); {
		b.step()
		if each != nil && !each() {
			return
		}
	}
}

func (b *bench) step() {
	samples, reports := b.rig.Advance(stepSeconds)
	b.now = b.now.Add(time.Duration(stepSeconds * float64(time.Second)))
	e := alarm.Evidence{Now: b.now, Spec: b.spec, Target: b.target, Air: b.air, Plugs: b.plugs, Link: true, Sensors: b.views}
	for _, s := range samples {
		e.Readings = append(e.Readings, chamber.Reading{Sensor: s.Sensor, Value: s.Value, At: b.now})
		b.views[s.Sensor] = alarm.SensorView{Fresh: true, Value: s.Value, At: b.now}
	}
	for i := range b.plugs {
		b.plugs[i].Pass(time.Duration(stepSeconds*float64(time.Second)), true)
	}
	for _, r := range reports {
		pr := chamber.PlugReport{Plug: r.Outlet, At: b.now, HasOn: r.HasOn, On: r.On, HasWatts: r.HasWatts, Watts: r.Watts}
		b.plugs[r.Outlet].Report(&b.spec.Plugs[r.Outlet], pr, b.now)
		e.Reports = append(e.Reports, pr)
	}
	for i := range b.views {
		v := &b.views[i]
		if v.Fresh && b.now.Sub(v.At) > b.spec.Sensors[i].MaxAge {
			v.Fresh, v.Silent, v.SilentSince = false, true, b.now
		}
	}
	b.det, b.suspect = b.det.WatchSensors(&e)
	b.vote()
	e.Air = b.air
	h := b.spec.Plug(chamber.Humidifier)
	if b.plugs[h].Told {
		b.mistOn += stepSeconds
	}
	facts := b.facts(e.Readings)
	b.learn = b.learn.Learn(&facts)
	var refilled bool
	b.water, refilled = b.water.Advance(&alarm.Water{Now: b.now, Spec: &b.spec.Plugs[h], Index: h, Plug: b.plugs[h], Learn: &b.learn,
		Facts: &facts, Open: b.det.Door.Open, Reports: e.Reports})
	if refilled {
		b.refills++
	}
	e.Reservoir = &b.water
	b.det, b.conds = b.det.Detect(&e)
	var changes []alarm.Change
	b.alarms, changes = alarm.Advance(b.alarms, b.now, b.conds)
	b.changes = append(b.changes, changes...)
	b.act()
}

// facts are what the learner is told.
func (b *bench) facts(readings []chamber.Reading) learn.Facts {
	h, fan := b.spec.Plug(chamber.Humidifier), b.spec.Plug(chamber.ExhaustFan)
	in, room := &b.air.Inside, &b.air.Room
	f := learn.Facts{Now: b.now, VolumeM3: b.spec.VolumeM3, RatedFlow: b.spec.Plugs[fan].FlowM3PerH, RatedMist: b.spec.Plugs[h].OutputGPerH,
		Mist: b.plugs[h].Output(), Fan: b.plugs[fan].Output(), Dry: b.water.Dry, AirC: 18, RoomC: room.Temperature.Value,
		RoomRH: room.RelativeHumidity.Value, RoomCO2: room.CO2.Value}
	if in.Temperature.OK {
		f.AirC = in.Temperature.Value
	}
	for _, r := range readings {
		switch x := &b.spec.Sensors[r.Sensor]; {
		case b.suspect[r.Sensor] != "":
		case x.Place == chamber.Room:
			f.RoomCO2New = f.RoomCO2New || x.Quantity == chamber.CO2
		case x.Quantity == chamber.RelativeHumidity:
			f.RH = append(f.RH, r.Value)
		case x.Quantity == chamber.CO2:
			f.CO2 = append(f.CO2, r.Value)
		case x.Quantity == chamber.Temperature:
			f.AirCs = append(f.AirCs, r.Value)
		}
	}
	return f
}

// vote takes the mean of the sensors that may be used.
func (b *bench) vote() {
	for _, place := range []chamber.Place{chamber.Inside, chamber.Room} {
		for _, q := range chamber.Quantities() {
			est := b.air.Of(place, q)
			sum, n := 0.0, 0
			for i, s := range b.spec.Sensors {
				if s.Place == place && s.Quantity == q && b.views[i].Fresh && b.suspect[i] == "" {
					sum += b.views[i].Value
					n++
					est.At = b.views[i].At
				}
			}
			est.OK, est.Used = n > 0, n
			if n > 0 {
				est.Value = sum / float64(n)
			}
		}
	}
}

func (b *bench) act() {
	_, resting := b.water.Resting(b.now)
	var wants []guard.Want
	b.control, wants = control.Decide(b.control, &control.Scene{Now: b.now, Spec: b.spec, Target: b.target, Air: &b.air, Plugs: b.plugs,
		Dry: resting && !b.noProbe, ProbeAt: b.water.ProbeAt})
	for i := range wants {
		v := b.plugs[i].Apply(&b.spec.Plugs[i], wants[i], guard.Scene{Now: b.now, Link: true, LinkSince: benchStart})
		if v.Send {
			b.rig.Command(i, chamber.Order{On: v.On})
		}
	}
}

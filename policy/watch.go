package policy

import (
	"time"

	"gillkeeper/policy/air"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
)

// suspect has the sensors judged by this step's readings, so that none under suspicion takes part in the vote.
func (t *step) suspect() {
	t.gather()
	t.evidence.Foreseen = t.s.Learn.Foresees()
	var codes []alarm.Code
	t.s.Detectors, codes = t.s.Detectors.WatchSensors(&t.evidence)
	for i := range t.s.Sensors {
		x, was := &t.s.Sensors[i], t.s.Sensors[i].Suspect
		x.Suspect = ""
		if i < len(codes) && !t.heeds(i, codes) {
			x.Suspect = string(codes[i])
		}
		spec := &t.Spec.Sensors[i]
		if x.Suspect == string(alarm.Constant) && was == "" && spec.Quantity == chamber.CO2 && spec.Place == chamber.Inside {
			t.misled = true
		}
	}
}

// heedFor is for how long the only sensor of a quantity is still heeded after a step that the air cannot have made, as far as is
// known: winter at an open door, or somebody's breath, does make one, and a heater that goes off for it does harm. It is gone in
// less, and a grower was told by then of what the sensor says, if that is out of range, and that it jumped.
const heedFor = 20 * time.Minute

// heeds reports whether a sensor that seems to have jumped is used all the same, because there is no other and not much time has
// passed. The learner is told nothing of it.
func (t *step) heeds(i int, codes []alarm.Code) bool {
	if codes[i] != alarm.Jumped || t.s.Detectors.Sensors[i].Good >= heedFor.Seconds() {
		return false
	}
	me := &t.Spec.Sensors[i]
	for j := range codes {
		if o := &t.Spec.Sensors[j]; j != i && o.Quantity == me.Quantity && o.Place == me.Place && codes[j] == "" && t.evidence.Sensors[j].Fresh {
			return false
		}
	}
	return true
}

// firm is the air as far as it can be built on, and apart from it what rests on a sensor that seems to have jumped: a fan that does
// not bring down what such a sensor says is no broken fan.
func (t *step) firm() (air, heeded chamber.Air) {
	air = t.s.Air
	for _, q := range chamber.Quantities() {
		if e := air.Of(chamber.Inside, q); e.OK && t.doubted(q) {
			*heeded.Of(chamber.Inside, q) = *e
			e.OK = false
		}
	}
	return air, heeded
}

// doubted reports whether the quantity's reading in the chamber rests on a sensor that seems to have jumped.
func (t *step) doubted(q chamber.Quantity) bool {
	for i := range t.Spec.Sensors {
		if x := &t.Spec.Sensors[i]; x.Quantity == q && x.Place == chamber.Inside && t.jumped(i) && t.s.Sensors[i].Suspect == "" {
			return true
		}
	}
	return false
}

func (t *step) jumped(sensor int) bool {
	all := t.s.Detectors.Sensors
	return sensor < len(all) && all[sensor].Suspect == alarm.Jumped
}

// water takes the reservoir one step further, before control asks of it.
func (t *step) water() {
	i := t.Spec.Plug(chamber.Humidifier)
	if i < 0 {
		return
	}
	d := &t.s.Detectors
	w := alarm.Water{
		Now: t.in.Now, Spec: &t.Spec.Plugs[i], Index: i, Plug: t.s.Plugs[i], Learn: &t.s.Learn, Facts: &t.facts,
		Open: d.Upset.Was, DoorOpen: d.Door.Open, Shut: d.Door.Airing.Shut,
		Hidden: !d.MistShows(), MayBeOpen: d.Door.Airing.Aired || d.Door.Airing.Low, Low: d.Door.Airing.Low && t.s.Air.Room.CO2.OK,
		Weighed: d.WeighsHumidity(t.Spec), FanOdd: d.FanOdd(t.Spec), Reports: t.evidence.Reports, Late: d.Late(i),
	}
	if t.Spec.Has(chamber.RelativeHumidity, chamber.Room) { // else it rests on a guess, and was half as much again as the truth
		w.MistGPerH = t.learned().Mist * t.Spec.Share(i, chamber.Output)
	}
	if w.Asked = t.asked(); w.Asked != t.s.Reservoir.Balance.Asked {
		w.Demand = t.demand()
	}
	var refilled bool
	t.s.Reservoir, refilled = t.s.Reservoir.Advance(&w)
	if refilled {
		t.event(Event{Kind: RefillSeen, Plug: t.Spec.Plugs[i].Name})
	}
}

// asked is what is asked of the chamber that moves its need of water.
func (t *step) asked() alarm.Asked {
	g := &t.s.Target
	return alarm.Asked{Humidity: g.RelativeHumidity.Aim, CO2Max: g.CO2MaxPPM, Changes: g.FAEPerHour}
}

// demand is what that need depends on beside, as learned.
func (t *step) demand() alarm.Demand {
	inside := &t.s.Air.Inside.Temperature
	if m := &t.model.Constants; inside.OK && m.RoomV > 0 {
		l := t.learned()
		full, _ := air.VaporDensity(air.Celsius(inside.Value), 1)
		return alarm.Demand{Made: l.Exchange.Made, RoomCO2: m.RoomCO2, RoomVapor: m.RoomV, Full: float64(full), Leak: m.Leak}
	}
	return alarm.Demand{}
}

// watch has the detectors look at the step and takes every alarm one step further.
func (t *step) watch() {
	e := &t.evidence
	e.Target, e.Fallback = t.s.Target, t.short
	e.Air, e.Heeded = t.firm()
	e.HarvestDue = t.due(t.s.Crop.HarvestDue(t.Climates, t.in.Now))
	e.StageOverdue = t.due(t.s.Crop.Overdue(t.Climates, t.in.Now))
	e.Lives = &t.s.Alarms
	e.Learned, e.Likely = t.learned(), t.s.Learn.Likely
	e.Jumped = t.s.Learn.Change.What
	if e.Jumps = t.s.Learn.Change.Times; t.Spec.Only(chamber.RelativeHumidity, chamber.Inside) >= 0 { // it judges a sensor that has no other beside it
		e.Vapor = t.s.Learn.Vapor(&t.facts)
	}
	var conditions alarm.Conditions
	t.s.Detectors, conditions = t.s.Detectors.Detect(e)
	var changes []alarm.Change
	t.s.Alarms, changes = alarm.Advance(t.s.Alarms, t.in.Now, conditions)
	for i := range changes {
		t.event(changed(&changes[i]))
	}
}

// due tells the detectors of what is due of some batches, the first of which has waited longest.
func (t *step) due(all []crop.Due) (d alarm.Due) {
	for i := range all {
		switch {
		case i == 0:
			d = alarm.Due{Active: true, Batch: all[i].Batch, Since: all[i].From}
		default:
			d.Others = append(d.Others, all[i].Batch)
		}
		for k := range t.s.Crop.Batches {
			if t.s.Crop.Batches[k].Name == all[i].Batch {
				d.Instances |= alarm.Instance(k)
			}
		}
	}
	return d
}

// learned gives what was identified of fan and humidifier. Before the reservoir is taken further it may be other than after:
// a dry one sets back what was learned of its mist.
func (t *step) learned() alarm.Learned {
	var l alarm.Learned
	_, l.MistInDoubt = t.s.Learn.MistInDoubt()
	k := t.s.Learn.Knowledge(t.Spec.VolumeM3, t.Spec.AltitudeM)
	if k.FanOn.Known && k.FanOff.Value < 0.5*k.FanOn.Value {
		l.Flow, l.FlowSD = k.FanOn.Value-k.FanOff.Value, k.FanOn.RelativeSD
	}
	if k.CO2GPerH.Known {
		l.Crop = k.CO2MeanGPerH
	}
	if k.MistGPerH.Known {
		l.Mist, l.MistSD = k.MistGPerH.Value, k.MistGPerH.RelativeSD
	}
	if m := &t.model.Constants; k.FanOn.Known && k.CO2GPerH.Known {
		l.Exchange = alarm.Exchange{Made: m.CO2Rate, Fan: m.Flow, Leak: m.Leak, Room: m.RoomCO2}
	}
	return l
}

func changed(c *alarm.Change) Event {
	return Event{Kind: AlarmChanged, Alarm: c.Alarm, Phase: c.To.String(), Priority: c.Priority.String(), Notify: c.Notify, Condition: new(c.Condition)}
}

// gather puts together what the detectors may look at and what stands once the step has heard: sensors, plugs and what
// they said. Target, air and what the crop asks for come in [step.watch], when they are decided.
func (t *step) gather() {
	s := t.s
	air, _ := t.firm()
	t.evidence = alarm.Evidence{
		Now: t.in.Now, Spec: t.Spec, Target: s.Target, Air: air, Sensors: make([]alarm.SensorView, len(s.Sensors)), Plugs: s.Plugs,
		Reports: live(t.in.Reports), Link: t.in.Link, LinkLost: s.LinkLost, LinkSince: s.LinkSince,
		JournalFailing: t.in.JournalFailing, Anew: t.in.JournalAnew,
	}
	e := &t.evidence
	for _, r := range t.in.Readings {
		if !r.Retained && r.Sensor >= 0 && r.Sensor < len(s.Sensors) {
			e.Readings = append(e.Readings, r)
		}
	}
	for i := range s.Sensors {
		x := &s.Sensors[i]
		v := alarm.SensorView{Fresh: x.Fresh(&t.Spec.Sensors[i], t.in.Now), Silent: x.Silent, Value: x.Value, At: x.At}
		if x.Silent {
			v.SilentSince = latest(x.At, x.Watched)
			if x.Seldom >= seldomTimes*seldomFades {
				v.Every = x.Pause
			}
			if x.Refused.After(x.At) && t.in.Now.Sub(x.Refused) <= t.Spec.Sensors[i].MaxAge {
				v.Refused, v.Old = true, x.Old
			}
		}
		e.Sensors[i] = v
	}
	if t.Spec.Plug(chamber.Humidifier) >= 0 {
		e.Reservoir = &s.Reservoir
	}
}

// live leaves retained reports out: nobody knows how old they are.
func live(all []chamber.PlugReport) []chamber.PlugReport {
	var out []chamber.PlugReport
	for _, r := range all {
		if !r.Retained {
			out = append(out, r)
		}
	}
	return out
}

func latest(a time.Time, more ...time.Time) time.Time {
	for _, b := range more {
		if b.After(a) {
			a = b
		}
	}
	return a
}

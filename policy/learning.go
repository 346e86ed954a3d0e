package policy

import (
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
)

// learn tells the learner what happened in this step. What it is told is kept for the plan.
func (t *step) learn() {
	s := t.s
	f := learn.Facts{Now: t.in.Now, VolumeM3: t.Spec.VolumeM3, AltitudeM: t.Spec.AltitudeM, AirC: 18, RoomC: 20}
	if e := s.Air.Inside.Temperature; !e.At.IsZero() {
		f.AirC = e.Value
	}
	if e := s.Air.Room.Temperature; !e.At.IsZero() {
		f.RoomC = e.Value
	}
	if e := s.Air.Room.RelativeHumidity; !e.At.IsZero() {
		f.RoomRH = e.Value
	}
	if e := s.Air.Room.CO2; e.OK {
		f.RoomCO2 = e.Value
	}
	f.Dry = s.Reservoir.Dry
	if i := t.Spec.Plug(chamber.ExhaustFan); i >= 0 {
		f.RatedFlow, f.Fan = t.Spec.Plugs[i].FlowM3PerH, s.Plugs[i].Output()
	}
	if i := t.Spec.Plug(chamber.Humidifier); i >= 0 {
		f.RatedMist, f.Mist = t.Spec.Plugs[i].OutputGPerH, s.Plugs[i].Output()
	}
	for _, r := range t.in.Readings {
		if r.Retained || r.Sensor < 0 || r.Sensor >= len(s.Sensors) || s.Sensors[r.Sensor].Suspect != "" {
			continue
		}
		switch x := &t.Spec.Sensors[r.Sensor]; {
		case x.Place == chamber.Inside && x.Quantity == chamber.RelativeHumidity:
			f.RH = append(f.RH, r.Value)
		case x.Place == chamber.Inside && x.Quantity == chamber.CO2:
			f.CO2 = append(f.CO2, r.Value)
		case x.Place == chamber.Inside && x.Quantity == chamber.Temperature:
			f.AirCs = append(f.AirCs, r.Value)
		case x.Place == chamber.Room && x.Quantity == chamber.CO2:
			f.RoomCO2New = true
		}
	}
	s.Learn = s.Learn.Learn(&f)
	t.facts = f
	t.model, t.trusted = s.Learn.Model(&f)
}

package web

import (
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
)

// changeShown is for how long a jump of what was learned is worth telling: after that it is learned anew.
const changeShown = 48 * time.Hour

// learned is what was identified of the chamber; only what its plugs and sensors can tell of is listed.
func (v *view) learned() *api.Learned {
	spec := v.snap.Spec
	k := v.snap.State.Learn.Knowledge(spec.VolumeM3, spec.AltitudeM)
	l := &api.Learned{Values: []api.LearnedValue{}}
	for _, g := range learn.Gaps(spec) {
		l.Gaps = append(l.Gaps, api.LearnedGap{Code: string(g), Text: words.Gap(g)})
	}
	if c := &v.snap.State.Learn.Change; c.Times > 0 && v.snap.State.Now.Sub(c.At) < changeShown {
		if at := v.at(c.At); at != nil {
			l.Changed = &api.LearnedChange{At: *at, What: string(c.What), Text: words.Changed(c.What)}
		}
	}
	add := func(tells bool, name, label, unit string, x learn.Learned) {
		if !tells || x.Value <= 0 {
			return
		}
		low, high := x.Interval()
		l.Values = append(l.Values, api.LearnedValue{Name: name, Label: label, Unit: unit, Value: x.Value, Low: low, High: high, Known: x.Known})
	}
	co2, rh := spec.Has(chamber.CO2, chamber.Inside), spec.Has(chamber.RelativeHumidity, chamber.Inside)
	fan, mist := co2 && spec.Plug(chamber.ExhaustFan) >= 0, rh && spec.Plug(chamber.Humidifier) >= 0
	add(fan, "fan_flow", "air moved by the fan", "m³/h", k.FanM3PerH)
	add(fan, "air_changes_fan_on", "air changes, fan running", "/h", k.FanOn)
	add(co2, "air_changes_fan_off", "air changes, fan at rest", "/h", k.FanOff)
	add(co2, "air_changes", "air changes, last hours", "/h", k.ChangesPerH)
	add(co2, "co2_generation", "CO2 from the crop", "g/h", k.CO2GPerH)
	add(mist, "humidifier_output", "water drawn by the humidifier, running", "g/h", v.snap.State.Reservoir.Output())
	add(mist, "humidifier_evaporated", "vapor that its mist becomes, running", "g/h", k.VaporGPerH)
	add(rh, "crop_evaporation", "evaporation from the crop", "g/h", k.CropGPerH)
	add(co2, "room_co2", "CO2 of the room's air", "ppm", k.RoomCO2)
	add(rh, "room_humidity", "humidity of the room's air", "% RH", k.RoomRH)
	add(co2, "co2_sensor_lag", "lag of the CO2 sensor", "s", k.CO2LagS)
	add(rh, "humidity_sensor_lag", "lag of the humidity sensors", "s", k.RHLagS)
	return l
}

package api

import "time"

// Learned is what was identified of a chamber from its own readings.
type Learned struct {
	Values []LearnedValue `json:"values"`
	Gaps   []LearnedGap   `json:"gaps,omitempty" doc:"what cannot be known for want of a sensor"`
	// Changed is the last time that the chamber became another than what was learned.
	Changed *LearnedChange `json:"changed,omitempty" doc:"the last jump of what was learned; it is learned anew from there"`
}

// LearnedChange is a jump of a learned value.
type LearnedChange struct {
	At   time.Time `json:"at"`
	What string    `json:"what" doc:"fan_flow, co2_generation, leak or mist_output"`
	Text string    `json:"text"`
}

// LearnedValue is one learned value with its uncertainty.
type LearnedValue struct {
	Name  string  `json:"name" doc:"air_changes_fan_on, air_changes_fan_off, air_changes, fan_flow, co2_generation, humidifier_output, humidifier_evaporated, crop_evaporation, room_co2, room_humidity, co2_sensor_lag or humidity_sensor_lag"`
	Label string  `json:"label" doc:"the same in words"`
	Unit  string  `json:"unit"`
	Value float64 `json:"value"`
	Low   float64 `json:"low" doc:"with high: where the truth lies in nine of ten cases"`
	High  float64 `json:"high"`
	Known bool    `json:"known" doc:"false: still too unsure to be relied on"`
}

// LearnedGap is something that cannot be known.
type LearnedGap struct {
	Code string `json:"code" doc:"no_co2, no_room_co2, no_humidity, one_humidity or no_room_rh"`
	Text string `json:"text"`
}

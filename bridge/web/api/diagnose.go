package api

import "time"

// Diagnosis ranks what may have made the signs that a grower sees.
type Diagnosis struct {
	Chamber  string      `json:"chamber"`
	Batch    string      `json:"batch"`
	Species  string      `json:"species"`
	Signs    []SignSeen  `json:"signs"`
	From     time.Time   `json:"from" doc:"of the time in which the signs were made"`
	To       time.Time   `json:"to"`
	Stages   []string    `json:"stages" doc:"that the batch was in then"`
	Recorded float64     `json:"recorded_hours" doc:"of that time"`
	Causes   []CauseRank `json:"causes" doc:"the likeliest first"`
}

// SignSeen is one sign.
type SignSeen struct {
	Sign string `json:"sign"`
	Says string `json:"says"`
}

// CauseRank is one cause with what speaks for and against it.
type CauseRank struct {
	Cause    string     `json:"cause"`
	Says     string     `json:"says"`
	Chance   float64    `json:"chance" doc:"0 to 1; of all causes together 1"`
	Sureness string     `json:"sureness" doc:"the chance in words"`
	Seen     bool       `json:"seen" doc:"the record holds something on it"`
	For      []Evidence `json:"for"`
	Against  []Evidence `json:"against"`
	Change   *Remedy    `json:"change,omitempty" doc:"what to change, in numbers of this chamber as learned"`
	Ask      []string   `json:"ask" doc:"to check by hand"`
}

// Evidence is one thing that the record shows.
type Evidence struct {
	Kind     string     `json:"kind"`
	Quantity string     `json:"quantity,omitempty"`
	Bound    float64    `json:"bound"`
	Extreme  float64    `json:"extreme"`
	Mean     float64    `json:"mean"`
	Hours    float64    `json:"hours" doc:"beyond the bound"`
	Of       float64    `json:"of_hours"`
	At       *time.Time `json:"at,omitempty" doc:"of the extreme"`
	Says     string     `json:"says"`
}

// Remedy is what to change and what that costs. What is 0 or absent is not said.
type Remedy struct {
	CO2MaxPPM  float64  `json:"co2_max_ppm,omitempty"`
	RHLow      float64  `json:"relative_humidity_low,omitempty"`
	RHHigh     float64  `json:"relative_humidity_high,omitempty"`
	TempC      float64  `json:"temperature_c,omitempty"`
	LightHours float64  `json:"light_hours,omitempty"`
	PickByDay  float64  `json:"pick_by_day,omitempty"`
	AirChanges float64  `json:"air_changes_per_hour,omitempty"`
	FanShare   float64  `json:"fan_share,omitempty"`
	FanWas     float64  `json:"fan_share_before,omitempty"`
	MistGPerH  float64  `json:"vapor_carried_off_g_per_h,omitempty"`
	MistShare  float64  `json:"humidifier_share,omitempty"`
	MistWas    float64  `json:"humidifier_share_before,omitempty"`
	LitersADay float64  `json:"liters_a_day,omitempty"`
	LitersWas  float64  `json:"liters_a_day_before,omitempty"`
	Says       []string `json:"says"`
}

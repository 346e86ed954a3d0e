package api

import "time"

// Then is what the record holds of a past moment.
type Then struct {
	From    time.Time   `json:"from" doc:"of the stretch that the values are of: a minute, or wider where the record is older"`
	Seconds float64     `json:"seconds" doc:"its length; 0: nothing was recorded"`
	Values  []ThenValue `json:"values"`
	Batches []ThenBatch `json:"batches"`
}

// ThenValue is one quantity in that stretch.
type ThenValue struct {
	Quantity string   `json:"quantity"`
	Place    string   `json:"place" doc:"chamber or room; learned for what was known of the chamber"`
	Mean     float64  `json:"mean" doc:"ratio, degrees Celsius, ppm, lux; pascals for vapor_pressure_deficit"`
	Min      float64  `json:"min"`
	Max      float64  `json:"max"`
	Low      *float64 `json:"low,omitempty" doc:"of the range that was wanted"`
	Aim      *float64 `json:"aim,omitempty"`
	High     *float64 `json:"high,omitempty"`
	InRange  *float64 `json:"in_range,omitempty" doc:"share of the stretch"`
	Says     string   `json:"says"`
}

// ThenBatch is a batch that grew then.
type ThenBatch struct {
	Batch   string    `json:"batch"`
	Species string    `json:"species"`
	Stage   string    `json:"stage"`
	Flush   int       `json:"flush"`
	Since   time.Time `json:"since" doc:"of the stage"`
}

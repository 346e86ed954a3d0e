package api

import "time"

// Beside is what a daemon that only observes saw of the controls that are in charge.
type Beside struct {
	Since    time.Time     `json:"since" doc:"when the observing began"`
	Observed Duration      `json:"observed" doc:"how long, without the gaps between"`
	InRange  []BesideRange `json:"in_range" doc:"how the present controls kept the air"`
	Plugs    []BesidePlug  `json:"plugs" doc:"what each plug did, beside what this daemon would have had it do with that air"`
}

// BesideRange is the share of time in which a quantity was within the range that the crop wants.
type BesideRange struct {
	Quantity string  `json:"quantity" doc:"relative_humidity, temperature or co2"`
	Share    float64 `json:"share" doc:"0..1"`
}

// BesidePlug is what one plug did, and what this daemon would have had it do, in the same time.
type BesidePlug struct {
	Name           string   `json:"name"`
	Observed       Duration `json:"observed" doc:"for how long both were known"`
	On             Duration `json:"on" doc:"for how long it ran"`
	Switches       int      `json:"switches" doc:"how often it was switched"`
	Wanted         Duration `json:"wanted" doc:"for how long this daemon would have run it"`
	WantedSwitches int      `json:"wanted_switches" doc:"how often it would have switched it"`
}

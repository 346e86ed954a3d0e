// Package crop keeps the batches of one chamber, their stages, flushes and harvests, and works out what climate they
// want together.
//
// It must never know of plugs or sensors. Start reading at [State] and [Target].
package crop

import (
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// Batch is a set of blocks or trays of one species that were put in together.
type Batch struct {
	Name        string        `json:"name"` // unique at the site, a-z 0-9 -
	Species     string        `json:"species"`
	Strain      string        `json:"strain,omitempty"`
	Supplements string        `json:"supplements,omitempty"` // to the substrate, in the grower's words
	Position    string        `json:"position,omitempty"`    // where in the chamber
	Inoculated  time.Time     `json:"inoculated,omitzero"`
	SubstrateKg float64       `json:"substrate_kg"` // wet
	DryKg       float64       `json:"dry_kg"`
	Added       time.Time     `json:"added"`
	Stage       species.Stage `json:"stage"`
	Since       time.Time     `json:"since"` // of the stage
	Flush       int           `json:"flush"` // crop number, from 1: the one that grows now, or rests after it
	Flushes     []Flush       `json:"flushes,omitempty"`
	Retired     time.Time     `json:"retired,omitzero"`
}

// Flush is what one crop of a batch gave.
type Flush struct {
	Number   int       `json:"number"`
	Pickings []Picking `json:"pickings"`
	Closed   time.Time `json:"closed,omitzero"`
}

// Picking is one weighing.
type Picking struct {
	At     time.Time `json:"at"`
	FreshG float64   `json:"fresh_g"`
}

// State is the crop's part of a chamber's state.
type State struct {
	Batches []Batch `json:"batches,omitempty"`
	// Ramp makes the change from one target to the next smooth.
	Ramp Ramp `json:"ramp,omitzero"`
	// Breath is what tells of a new stage beside the calendar.
	Breath Breath `json:"breath,omitzero"`
}

// Ramp remembers what was aimed at before the last change of target.
type Ramp struct {
	From  Target    `json:"from,omitzero"`
	To    Target    `json:"to,omitzero"` // as last computed from the batches, to notice a change
	Since time.Time `json:"since,omitzero"`
}

// Target is the climate wanted in a chamber now.
type Target struct {
	OK               bool          `json:"ok"`              // false: no batch, or no row for it
	Stage            species.Stage `json:"stage,omitempty"` // the most delicate present
	RelativeHumidity chamber.Band  `json:"relative_humidity"`
	TemperatureC     chamber.Band  `json:"temperature_c"`
	CO2MinPPM        float64       `json:"co2_min_ppm"`  // 0: none
	CO2MaxPPM        float64       `json:"co2_max_ppm"`  // 0: none
	FAEPerHour       float64       `json:"fae_per_hour"` // air changes, for a chamber without a CO2 sensor
	LightHours       float64       `json:"light_hours"`
	LightsOn         time.Duration `json:"lights_on"` // after midnight, site time
	Conflicts        []Conflict    `json:"conflicts,omitempty"`
}

// Conflict says that two batches want ranges that do not meet, and which one was followed. On CO2 an end of Wanted
// that is 0 was not asked for.
type Conflict struct {
	Quantity chamber.Quantity `json:"quantity"`
	Followed string           `json:"followed"` // batch name
	Slighted string           `json:"slighted"` // batch name
	Wanted   species.Range    `json:"wanted"`   // what the slighted batch wanted
}

// Package guard has the last word on every command: minimum on and off times, longest runs, interlocks, a person's
// hand, and what a plug does when nothing can be known.
//
// It must never want anything of its own. Start reading at [Apply].
package guard

import (
	"time"

	"gillkeeper/policy/chamber"
)

// Plug is what is known of one plug, and what it was last told.
type Plug struct {
	Name string       `json:"name"`
	Role chamber.Role `json:"role"`

	// On is the best knowledge of what the plug does: what it reports where it reports, else what it was told.
	On        bool      `json:"on"`
	Known     bool      `json:"known"`               // false until it was told or has reported
	ChangedAt time.Time `json:"changed_at,omitzero"` // when On last changed

	Told   bool      `json:"told"` // the last command that left
	ToldAt time.Time `json:"told_at,omitzero"`

	Reported    bool      `json:"reported"`
	HasReported bool      `json:"has_reported,omitempty"`
	ReportedAt  time.Time `json:"reported_at,omitzero"`
	// DisagreesSince is since when the report differs from the command; zero: it agrees.
	DisagreesSince time.Time `json:"disagrees_since,omitzero"`
	Repeats        int       `json:"repeats,omitempty"`

	Watts    float64   `json:"watts"`
	HasWatts bool      `json:"has_watts,omitempty"`
	WattsAt  time.Time `json:"watts_at,omitzero"`

	Hand Hand `json:"hand,omitzero"`

	// Duty is the share of time on, as a mean over about the last six hours under automatic control with good
	// readings; it is what the plug falls back to.
	Duty      float64 `json:"duty"`
	DutyKnown float64 `json:"duty_known"` // hours that the mean rests on

	OnSeconds float64 `json:"on_seconds"` // counter
	Switches  int64   `json:"switches"`   // counter
}

// Hand is a person's hold on a plug.
type Hand struct {
	Active bool      `json:"active,omitempty"`
	On     bool      `json:"on,omitempty"`
	AtPlug bool      `json:"at_plug,omitempty"` // switched at the plug itself, not by command
	Since  time.Time `json:"since,omitzero"`
	Until  time.Time `json:"until,omitzero"`
}

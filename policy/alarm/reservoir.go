package alarm

import (
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/guard"
)

// Reservoir is what is known of the humidifier's water.
type Reservoir struct {
	Now time.Time `json:"now,omitzero"` // of the last step

	Known     bool          `json:"known,omitempty"` // LitersLeft means something
	Liters    float64       `json:"liters"`          // left
	Low       float64       `json:"low"`             // nine times in ten the truth lies between Low and High
	High      float64       `json:"high"`
	EmptyIn   time.Duration `json:"empty_in,omitempty"` // at the present use
	EmptyOK   bool          `json:"empty_ok,omitempty"`
	Dry       bool          `json:"dry,omitempty"`
	DrySince  time.Time     `json:"dry_since,omitzero"`
	How       Code          `json:"how,omitempty"`
	ProbeAt   time.Time     `json:"probe_at,omitzero"`
	RefillSaw time.Time     `json:"refill_saw,omitzero"`
}

// Water is the evidence of one step about the humidifier's water.
type Water struct {
	Now      time.Time
	Spec     *chamber.Plug // the humidifier
	Index    int           // of the humidifier, in Spec.Plugs
	Plug     guard.Plug    // after this step's reports
	FanOn    bool
	VolumeM3 float64
	Air      chamber.Air // voted
	AimRH    float64     // 0: none; the response counts only while mist is needed
	Open     bool        // the chamber is open: responses mean nothing
	Reports  []chamber.PlugReport
}

// Advance takes the reservoir one step further. It reports whether a refill was noticed in this step.
func (r Reservoir) Advance(w *Water) (next Reservoir, refilled bool) {
	r.Now = w.Now
	return r, false
}

// Refill takes a person's word: the reservoir holds so many liters, or is full for 0.
func (r Reservoir) Refill(liters, capacity float64, now time.Time) Reservoir {
	return r
}

// ProbeFor is how long a dry humidifier is tried, once its [Reservoir.ProbeAt] has come.
const ProbeFor = time.Minute

// Resting reports whether the humidifier is to be left off because it is dry, and until when. While it is dry it may
// run for [ProbeFor] from ProbeAt on.
func (r *Reservoir) Resting(now time.Time) (until time.Time, resting bool) {
	if !r.Dry || !now.Before(r.ProbeAt) {
		return time.Time{}, false
	}
	return r.ProbeAt, true
}

package policy

import (
	"math"
	"slices"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/control"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/reason"
)

// What a plug runs when the reading it goes by is gone: its own mean of the last hours, bounded, so that a chamber
// neither dries out nor drowns while nobody knows.
const (
	// leastDutyHours is how long a duty must have been learned to be used; before that the blind duty holds.
	leastDutyHours = 2
	// mostMistDuty and mostFanDuty bound a learned duty.
	mostMistDuty = 0.25
	mostFanDuty  = 0.5
	// blindMistDuty is run when nothing was learned: a little moisture keeps blocks from cracking for hours, and
	// cannot drown them (common practice: a few percent of the time).
	blindMistDuty = 0.03
	// fallbackPeriod is the cycle in which a duty is run, at least. A humidifier takes 10 to 20 s until it gives all: the same
	// share of time in long runs would be half as much mist again as in the short ones that it was learned from.
	fallbackPeriod = 3 * time.Minute
)

// fallBack replaces what control wants of humidifier and exhaust fan where the quantity they go by has no usable
// reading.
func (t *step) fallBack() {
	t.short = t.short[:0]
	if !t.s.Target.OK {
		return
	}
	for i := range t.Spec.Plugs {
		role := t.Spec.Plugs[i].Role
		var q chamber.Quantity
		switch role {
		case chamber.Humidifier:
			q = chamber.RelativeHumidity
		case chamber.ExhaustFan:
			q = chamber.CO2
		case chamber.Heater, chamber.Cooler:
			q = chamber.Temperature
		default:
			continue
		}
		if t.s.Air.Of(chamber.Inside, q).OK || !t.Spec.Has(q, chamber.Inside) {
			continue // known, or never measured: control has its own way without
		}
		if t.waiting(q) {
			t.wants[i] = guard.Want{Reasons: []reason.Reason{{Code: reason.WaitEffect, Quantity: q}}}
			continue
		}
		if !slices.Contains(t.short, q) {
			t.short = append(t.short, q)
		}
		switch role {
		case chamber.Humidifier:
			t.wants[i] = t.runDuty(i, q, t.mistDuty(i))
		case chamber.ExhaustFan:
			t.wants[i] = t.runDuty(i, q, t.fanDuty(i))
		}
	}
	t.airWithMist()
	t.prove()
}

// What shows whether a sensor of humidity at the end of its range is sound: a run of the fan that changes most of the air, without
// mist, every so often.
const (
	proveEvery = 30 * time.Minute
	proveRun   = 3 * time.Minute
)

// prove runs the fan and no mist for a few minutes now and then while every sensor of humidity is left out or doubted, and stands at
// the end of its range: a sound one dips, and one that is wet dries.
func (t *step) prove() {
	fan, mist := t.Spec.Plug(chamber.ExhaustFan), t.Spec.Plug(chamber.Humidifier)
	pinned := time.Duration(t.pinnedHours() * float64(time.Hour))
	if fan < 0 || pinned < proveEvery || pinned%proveEvery >= proveRun {
		return
	}
	until := t.in.Now.Add(proveRun - pinned%proveEvery)
	why := []reason.Reason{{Code: reason.Prove, Quantity: chamber.RelativeHumidity, Until: until}}
	t.wants[fan] = guard.Want{On: true, Until: until, Reasons: why}
	if mist >= 0 {
		t.wants[mist] = guard.Want{Until: until, Reasons: why}
	}
}

// airWithMist runs the fan by habit too where mist is, on top of what CO2 asks for: with less air than it was learned beside, the
// same mist would drench the chamber.
func (t *step) airWithMist() {
	i := t.Spec.Plug(chamber.ExhaustFan)
	if i < 0 || !slices.Contains(t.short, chamber.RelativeHumidity) || slices.Contains(t.short, chamber.CO2) || t.wants[i].On {
		return
	}
	if p := &t.s.Plugs[i]; p.DutyHours >= leastDutyHours {
		if w := t.runDuty(i, chamber.RelativeHumidity, t.fanDuty(i)); w.On {
			t.wants[i] = w
		}
	}
}

// waiting reports whether the quantity's sensors are simply still to be heard for the first time.
func (t *step) waiting(q chamber.Quantity) bool {
	for i := range t.Spec.Sensors {
		if s := &t.Spec.Sensors[i]; s.Quantity == q && s.Place == chamber.Inside {
			if x := &t.s.Sensors[i]; !x.Silent && x.Suspect == "" && !x.aside(t.in.Now) {
				return true
			}
		}
	}
	return false
}

func (t *step) mistDuty(i int) float64 {
	if t.s.Reservoir.Dry {
		return 0
	}
	if p := &t.s.Plugs[i]; p.DutyHours >= leastDutyHours {
		return math.Min(p.Habit(), mostMistDuty) * t.sparing()
	}
	return blindMistDuty
}

// Where every sensor of humidity is left out and stands at the end of its range, the air may yet be as wet as they say,
// and what is run by habit would keep it so, and them from showing that they are sound: the longer that lasts, the less mist is
// given, down to a third.
const (
	sparingAfter = 1.25 // hours at the end of the range
	sparingHour  = 0.7  // of the duty that is left after each more
	sparingLeast = 0.35
)

// sparing is the share of the habit that is run.
func (t *step) sparing() float64 {
	return math.Max(sparingLeast, math.Pow(sparingHour, math.Max(0, t.pinnedHours()-sparingAfter)))
}

// pinnedHours is for how many hours every sensor of humidity in the chamber, left out or doubted, has stood at the end of its range.
func (t *step) pinnedHours() float64 {
	hours, any := math.Inf(1), false
	for i := range t.Spec.Sensors {
		if x := &t.Spec.Sensors[i]; x.Quantity == chamber.RelativeHumidity && x.Place == chamber.Inside {
			w := &t.s.Detectors.Sensors[i]
			if w.Suspect == "" && !t.s.Detectors.Doubts(i) || w.Suspect == alarm.Drifted || w.Pinned <= 0 { // one that drifted gets there in dry air
				return 0
			}
			hours, any = math.Min(hours, w.Pinned/3600), true
		}
	}
	if !any {
		return 0
	}
	return hours
}

func (t *step) fanDuty(i int) float64 {
	if p := &t.s.Plugs[i]; p.DutyHours >= leastDutyHours {
		return math.Min(p.Habit(), mostFanDuty)
	}
	return math.Min(math.Max(t.s.Target.FAEPerHour, 1)*t.Spec.VolumeM3/(control.RatedFlow(t.Spec)*control.InstalledFlow), mostFanDuty)
}

// runDuty runs a plug for a share of the time, in pulses no shorter than it can be held.
func (t *step) runDuty(i int, q chamber.Quantity, duty float64) guard.Want {
	w := guard.Want{Reasons: []reason.Reason{{Code: reason.Fallback, Quantity: q, Value: duty}}}
	if duty <= 0 {
		return w
	}
	spec := &t.Spec.Plugs[i]
	run := max(spec.MinOn+guard.Slack, time.Duration(duty*float64(fallbackPeriod)))
	period := time.Duration(float64(run) / duty)
	phase := time.Duration(t.in.Now.UnixNano() % int64(period))
	w.On = phase < run
	if w.On {
		w.Until = t.in.Now.Add(run - phase)
	} else {
		w.Until = t.in.Now.Add(period - phase)
	}
	return w
}

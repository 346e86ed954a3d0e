package policy

import (
	"slices"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/reason"
)

// Beside is what a policy that only observes sees of the controls that are in charge: how they kept the air, and what
// each plug did beside what the policy would have had it do. The wishes are to the air as those controls made it: a
// policy in charge would have had other air before it.
type Beside struct {
	Since   time.Time     `json:"since"`
	Seconds float64       `json:"seconds"` // observed, without the gaps between
	InRange []BesideRange `json:"in_range,omitempty"`
	Plugs   []BesidePlug  `json:"plugs,omitempty"`
}

// BesideRange is for how long a quantity was measured, and within the range that the crop wants.
type BesideRange struct {
	Quantity chamber.Quantity `json:"quantity"`
	Seconds  float64          `json:"seconds"`
	Within   float64          `json:"within"`
}

// BesidePlug is what one plug did, and was wished to do, in the time for which both were known.
type BesidePlug struct {
	Plug           string  `json:"plug"`
	Seconds        float64 `json:"seconds"`
	OnSeconds      float64 `json:"on_seconds"`
	WantedSeconds  float64 `json:"wanted_seconds"`
	Switches       int     `json:"switches"`
	WantedSwitches int     `json:"wanted_switches"`

	Known  bool `json:"known,omitempty"` // as of the last step
	On     bool `json:"on,omitempty"`
	Wanted bool `json:"wanted,omitempty"`
}

// besideGap is the longest time between two steps that counts as observed: what happened in a longer one nobody knows.
const besideGap = 5 * time.Minute

// beside takes the comparison one step further; passed is the time since the last one. It ends when the policy takes
// charge.
func (t *step) beside(passed time.Duration) {
	if !t.Observe {
		t.s.Beside = nil
		return
	}
	var b Beside
	if t.s.Beside == nil {
		b.Since, passed = t.in.Now, 0
	} else {
		b = *t.s.Beside
	}
	dt := passed.Seconds()
	if passed > besideGap {
		dt = 0
	}
	b.Seconds += dt
	b.InRange = t.besideRanges(b.InRange, dt)
	old := b.Plugs
	b.Plugs = make([]BesidePlug, len(t.s.Plugs))
	for i := range b.Plugs {
		x := BesidePlug{Plug: t.s.Plugs[i].Name}
		if j := slices.IndexFunc(old, func(o BesidePlug) bool { return o.Plug == x.Plug }); j >= 0 {
			x = old[j]
		}
		wanted := t.d.Plugs[i].On
		if t.heldShort(i) {
			wanted = x.Wanted
		}
		b.Plugs[i] = x.step(dt, t.s.Plugs[i].Known, t.s.Plugs[i].On, wanted)
		t.disown(i)
	}
	t.s.Beside = &b
}

// heldShort reports whether a plug would be held as the controls in charge have just switched it, for its shortest run or
// rest, or run on by the plan only until it may end. That is no wish.
func (t *step) heldShort(i int) bool {
	d := &t.d.Plugs[i]
	return slices.ContainsFunc(d.Reasons, func(r reason.Reason) bool {
		return r.Code == reason.MinOn || r.Code == reason.MinOff || d.On && r.Plan != nil && !r.Plan.Runs
	})
}

// disown forgets what a plug was told while the policy was in charge. Else every switch by the controls that are in charge
// now would pass for a hand at the plug, or for disobedience, and the wish would follow them instead of standing beside.
func (t *step) disown(i int) {
	x := &t.s.Plugs[i]
	x.HasTold = false
	if x.Hand.AtPlug {
		x.Release()
	}
}

// step counts the time that the last states held, and what changed since.
func (x BesidePlug) step(dt float64, known, on, wanted bool) BesidePlug {
	if x.Known {
		x.Seconds += dt
		if x.On {
			x.OnSeconds += dt
		}
		if x.Wanted {
			x.WantedSeconds += dt
		}
		if known && on != x.On {
			x.Switches++
		}
		if known && wanted != x.Wanted {
			x.WantedSwitches++
		}
	}
	x.Known, x.On, x.Wanted = known, on, wanted
	return x
}

// besideRanges counts the time in range of what is measured and wanted now.
func (t *step) besideRanges(old []BesideRange, dt float64) []BesideRange {
	list := slices.Clone(old)
	if !t.s.Target.OK {
		return list
	}
	target := &t.s.Target
	for _, r := range []struct {
		q         chamber.Quantity
		low, high float64
	}{
		{chamber.RelativeHumidity, target.RelativeHumidity.Low, target.RelativeHumidity.High},
		{chamber.Temperature, target.TemperatureC.Low, target.TemperatureC.High},
		{chamber.CO2, target.CO2MinPPM, target.CO2MaxPPM},
	} {
		e := t.s.Air.Of(chamber.Inside, r.q)
		if !e.OK || r.high == 0 {
			continue
		}
		i := slices.IndexFunc(list, func(x BesideRange) bool { return x.Quantity == r.q })
		if i < 0 {
			i = len(list)
			list = append(list, BesideRange{Quantity: r.q})
		}
		list[i].Seconds += dt
		if e.Value >= r.low && e.Value <= r.high {
			list[i].Within += dt
		}
	}
	return list
}

package policy

import (
	"slices"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/control"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/learn"
)

// StateSchema is the version of State's layout.
const StateSchema = 1

// LongestSleep is the longest time between two steps: counters, ages and alarms want a look at least that often.
const LongestSleep = 10 * time.Second

// slept is by how much longer than that nothing was looked at where the program, or its machine, was asleep. The first look after it may
// come before what sensors said meanwhile has come in, and before a lost connection is known to be.
const slept = 6 * LongestSleep

// Fresh is the state of a chamber that nothing is known of yet.
func (p *Policy) Fresh(now time.Time) State {
	return p.Fit(State{Schema: StateSchema, Now: now, LinkLost: now})
}

// Fit lays a saved state over the present configuration: sensors and plugs are found again by name, new ones begin
// unknown, and those that are gone are dropped. What the plugs did while nobody looked is awaited anew.
func (p *Policy) Fit(s State) State {
	s = s.clone()
	sensors, plugs := s.Sensors, s.Plugs
	s.Sensors = make([]SensorState, len(p.Spec.Sensors))
	for i := range p.Spec.Sensors {
		s.Sensors[i] = SensorState{Name: p.Spec.Sensors[i].Name, Watched: s.Now}
		for _, old := range sensors {
			if old.Name == p.Spec.Sensors[i].Name {
				s.Sensors[i] = old.fitted(&p.Spec.Sensors[i])
			}
		}
	}
	s.Plugs = make([]guard.Plug, len(p.Spec.Plugs))
	for i := range p.Spec.Plugs {
		spec := &p.Spec.Plugs[i]
		s.Plugs[i] = guard.Plug{Name: spec.Name, Role: spec.Role}
		for _, old := range plugs {
			if old.Name == spec.Name && old.Role == spec.Role {
				s.Plugs[i] = old.Fitted(spec, s.Now)
			}
		}
	}
	ofSensors, ofPlugs := alarm.Places{}, alarm.Places{}
	for i := range sensors {
		ofSensors = append(ofSensors, slices.IndexFunc(s.Sensors, func(x SensorState) bool { return x.Name == sensors[i].Name }))
	}
	for i := range plugs {
		ofPlugs = append(ofPlugs, slices.IndexFunc(s.Plugs, func(x guard.Plug) bool { return x.Name == plugs[i].Name && x.Role == plugs[i].Role }))
	}
	s.Alarms = s.Alarms.Refit(ofSensors, ofPlugs)
	s.Detectors = s.Detectors.Refit(ofSensors, ofPlugs)
	if s.Schema == 0 {
		s.Schema = StateSchema
	}
	return s
}

// Step takes a chamber's state and what happened since, and gives the next state and the decision. It never writes to
// what the given state points at.
func (p *Policy) Step(s State, in Input) (State, Decision) {
	s.unshare()
	if in.Now.Before(s.Now) { // a clock that went back between two lives: time stands still until it has caught up
		in.Now = s.Now
	}
	d := Decision{At: in.Wall, Plugs: make([]PlugDecision, len(p.Spec.Plugs))}
	st := step{Policy: p, s: &s, in: &in, d: &d}
	passed := in.Now.Sub(s.Now)
	st.pass(passed)
	s.Now = in.Now
	if passed > slept {
		s.Woke = in.Now
	}
	if s.Filling != nil && s.Now.Sub(s.Filling.At) > RefillUndoFor {
		s.Filling = nil
	}
	st.link()
	st.hear()
	st.act()
	st.silence()
	st.suspect()
	st.vote()
	st.learn()
	st.breathe()
	st.water()
	var next crop.State
	s.Target, next = s.Crop.Aim(p.Climates, in.Now)
	s.Crop = next
	st.airByLoad()
	st.decide()
	s.Short = st.short
	st.watch()
	st.beside(passed)
	d.Wake = sooner(d.Wake, in.Now.Add(LongestSleep))
	return s, d
}

// step is one step in the making: the parts of Step read and write it in order.
type step struct {
	*Policy
	s        *State
	in       *Input
	d        *Decision
	wants    []guard.Want
	model    learn.Model        // of the chamber, to plan with
	trusted  bool               // whether a plan can rest on it
	short    []chamber.Quantity // quantities that some plug runs without
	evidence alarm.Evidence     // for the detectors
	facts    learn.Facts        // that the learner was told
	misled   bool               // a sensor of CO2 in the chamber was found to repeat itself
}

// clone is a state of which a step may write to all.
func (s State) clone() State {
	s.unshare()
	return s
}

// unshare copies what a step may write to and the state points at.
func (s *State) unshare() {
	s.Sensors = slices.Clone(s.Sensors)
	s.Plugs = slices.Clone(s.Plugs)
	s.Totals.InRange = slices.Clone(s.Totals.InRange)
	s.Totals.Stages = slices.Clone(s.Totals.Stages)
	s.Totals.Harvests = slices.Clone(s.Totals.Harvests)
	s.Done = slices.Clone(s.Done)
}

func (t *step) event(e Event) {
	e.At = t.in.Wall
	t.d.Events = append(t.d.Events, e)
}

// link notes the broker's going and coming. What a plug said counts no more once the connection is lost, and not only when the next one
// stands: that is so when every subscription was answered, and by then what the broker retained may have come in.
func (t *step) link() {
	there := t.s.LinkLost.IsZero()
	switch {
	case !t.in.Link && there:
		t.s.LinkLost = t.in.Now
		t.unsync()
	case t.in.Link && (t.in.LinkUp || !there):
		t.in.LinkUp = true
		t.s.LinkLost, t.s.LinkSince = time.Time{}, t.in.Now
		t.s.Control.Anew()
		if there { // it went and came back between two steps
			t.unsync()
		}
	}
}

func (t *step) unsync() {
	for i := range t.s.Plugs {
		t.s.Plugs[i].Unsync()
	}
}

// hear takes in what sensors and plugs said.
func (t *step) hear() {
	for _, l := range t.in.Liveness {
		if l.Sensor >= 0 && l.Sensor < len(t.s.Sensors) {
			t.s.Sensors[l.Sensor].Dead = !l.Alive
		}
	}
	for _, r := range t.in.Refusals {
		if r.Sensor >= 0 && r.Sensor < len(t.s.Sensors) {
			t.s.Sensors[r.Sensor].Refused, t.s.Sensors[r.Sensor].Old = r.At, r.Old
		}
	}
	t.hearReadings()
	for _, i := range t.in.Unsent {
		if i >= 0 && i < len(t.s.Plugs) {
			t.s.Plugs[i].NotSent()
		}
	}
	for _, r := range t.in.Reports {
		if r.Plug < 0 || r.Plug >= len(t.s.Plugs) {
			continue
		}
		if t.s.Plugs[r.Plug].Report(&t.Spec.Plugs[r.Plug], r, t.in.Now) {
			t.event(Event{Kind: PlugByHand, Plug: t.s.Plugs[r.Plug].Name, On: r.On})
		}
	}
}

// vote makes one value of each quantity and place out of its sensors: the median of three or more, the mean of two.
func (t *step) vote() {
	for _, place := range []chamber.Place{chamber.Inside, chamber.Room} {
		for _, q := range chamber.Quantities() {
			t.voteOn(place, q)
		}
	}
}

// silence notes which sensors have gone quiet.
func (t *step) silence() {
	for i := range t.s.Sensors {
		x := &t.s.Sensors[i]
		last := x.At
		if last.IsZero() {
			last = x.Watched
		}
		// A sensor that could not be heard gets its time again once the broker, or the program, is back.
		last = latest(last, x.Aside, t.s.LinkSince, t.s.Woke)
		x.Silent = x.Dead || t.in.Now.Sub(last) > t.Spec.Sensors[i].MaxAge
	}
}

// A sensor reports too seldom for its max_age that was silent and came back by itself so many times.
const (
	seldomTimes = 2.0
	seldomMost  = 5.0
	seldomFades = 0.9 // of it, by each reading in time: some come in twos
)

// seldom follows whether the sensor is silent again and again between two readings, the second of which comes now. What the broker or
// the program missed does not count.
func (t *step) seldom(x *SensorState, maxAge time.Duration) {
	if !x.Live || !x.At.After(latest(t.s.LinkSince, t.s.Woke, x.Aside)) {
		return
	}
	switch pause := t.in.Now.Sub(x.At); {
	case pause > maxAge:
		x.Seldom, x.Pause = min(x.Seldom+1, seldomMost), pause.Seconds()
	case pause > 0:
		x.Seldom *= seldomFades
	}
}

func (t *step) voteOn(place chamber.Place, q chamber.Quantity) {
	var fresh, known []float64
	var newest time.Time
	for i := range t.s.Sensors {
		spec, x := &t.Spec.Sensors[i], &t.s.Sensors[i]
		if spec.Quantity != q || spec.Place != place || !x.Known {
			continue
		}
		known = append(known, x.Value)
		if x.Fresh(spec, t.in.Now) && x.Suspect == "" {
			fresh = append(fresh, x.Value)
			if x.At.After(newest) {
				newest = x.At
			}
		}
	}
	e := t.s.Air.Of(place, q)
	switch {
	case len(fresh) > 0:
		*e = chamber.Estimate{Value: median(fresh), OK: true, At: newest, Used: len(fresh)}
	case len(known) > 0:
		*e = chamber.Estimate{Value: median(known), At: e.At}
	default:
		*e = chamber.Estimate{Value: e.Value, At: e.At}
	}
}

func median(v []float64) float64 {
	slices.Sort(v)
	n := len(v)
	if n%2 == 1 {
		return v[n/2]
	}
	return (v[n/2-1] + v[n/2]) / 2
}

// decide asks control, falls back where it has nothing to go by, and lets the guard have the last word.
func (t *step) decide() {
	s := t.s
	light, lightNext := crop.Light(s.Target, t.in.Wall, t.Spec.Zone)
	sc := control.Scene{
		Now: t.in.Now, Spec: t.Spec, Target: s.Target, Air: &s.Air, Plugs: s.Plugs,
		Light: light, LightNext: t.in.Now.Add(lightNext.Sub(t.in.Wall)),
	}
	sc.ProbeAt, sc.Dry = s.Reservoir.Resting(t.in.Now)
	sc.Probe = s.Reservoir.Dry && !sc.Dry
	if t.trusted && !t.Rules {
		sc.Model = &t.model
	}
	s.Control, t.wants = control.Decide(s.Control, &sc)
	t.purge(light)
	t.fallBack()
	t.together()
	scene := guard.Scene{Now: t.in.Now, Link: t.in.Link, LinkUp: t.in.LinkUp, LinkSince: s.LinkSince, Observe: t.Observe}
	for i := range t.wants {
		v := s.Plugs[i].Apply(&t.Spec.Plugs[i], t.wants[i], scene)
		if v.Ended {
			t.event(Event{Kind: HandOver, Plug: s.Plugs[i].Name, On: v.On})
		}
		if v.Turned && v.Send {
			t.event(Event{Kind: PlugSwitched, Plug: s.Plugs[i].Name, On: v.On, Reasons: v.Reasons})
		}
		t.d.Plugs[i] = PlugDecision{On: v.On, Level: v.Level, Send: v.Send, For: v.For, Reasons: v.Reasons}
		t.d.Wake = sooner(t.d.Wake, v.Wake)
	}
}

// together has every further plug of a role do as the first.
func (t *step) together() {
	for i := range t.wants {
		t.wants[i] = t.wants[t.Spec.First(i)]
	}
}

// sooner returns the earlier of two times, where zero means never; a time that is not after now is looked at again at
// the next step anyway.
func sooner(a, b time.Time) time.Time {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}

// WithCounters is the state with the counters of another: those that a store holds, so that what is shown of them
// never goes back. What was harvested is in the journal before it is answered, so it is as it stands.
func (s State) WithCounters(stored *State) State {
	s = s.clone()
	harvests := s.Totals.Harvests
	s.Totals = stored.Totals
	s.Totals.Harvests = harvests
	for i := range s.Plugs {
		x := &s.Plugs[i]
		x.OnSeconds, x.Switches = 0, 0
		for j := range stored.Plugs {
			if old := &stored.Plugs[j]; old.Name == x.Name && old.Role == x.Role {
				x.OnSeconds, x.Switches = old.OnSeconds, old.Switches
			}
		}
	}
	return s
}

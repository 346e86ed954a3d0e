package policy

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/nearest"
)

// The limits of what people can ask.
const (
	// LongestHand is the longest time for which a plug can be taken under hand: a forgotten hand must not cost a crop.
	LongestHand = 24 * time.Hour
	// doneKept is how many action IDs are remembered, so that a repeated request does nothing twice.
	doneKept = 64
	// longestNote bounds free text.
	longestNote = 500
)

// Check says whether an action can be done in this state; it gives a [Refusal] if not.
func (p *Policy) Check(s *State, a *Action) error {
	if slices.Contains(s.Done, a.ID) {
		return nil // done before: nothing happens
	}
	if err := p.checkWeight(a); err != nil {
		return err
	}
	_, _, err := p.apply(s.clone(), a, s.Now)
	return err
}

// fullKgPerM3 is what a chamber would hold if it were full of water: nothing that is put in is heavier. Grams that were given for
// kilograms are.
const fullKgPerM3 = 1000.0

// checkWeight refuses a batch that the chamber cannot hold. What is on record already, and what is imported, is taken as it is: the
// chamber may have been another.
func (p *Policy) checkWeight(a *Action) error {
	switch {
	case a.Kind == Correct && a.Amended != nil:
		a = a.Amended
	case a.Kind != BatchAdd:
		return nil
	}
	if most := fullKgPerM3 * p.Spec.VolumeM3; most > 0 && a.SubstrateKg > most {
		return &Refusal{Field: "substrate_kg", Value: strconv.FormatFloat(a.SubstrateKg, 'g', -1, 64),
			Allowed: fmt.Sprintf("give the wet weight in kg: a chamber of %g m³ cannot hold more than %.0f", p.Spec.VolumeM3, most)}
	}
	return nil
}

// Redo applies an action from the journal after a restart, as of the time it was done: seconds ago, or, where the state
// was lost, years. What it had asked for a while is over by then, and a batch keeps its dates. What was taken then is
// taken again, though its species may have left the climate table since.
func (p *Policy) Redo(s State, a Action) State {
	now := latest(s.Now, a.At)
	then := *p
	switch a.Kind {
	case HandSet, AlarmShelve, SensorAside:
		if a.For > 0 && a.At.Add(a.For).Before(s.Now) {
			s = s.clone() // it is over: only its id is remembered
			s.remember(a.ID)
			return s
		}
	default:
		if slices.Contains(CropKinds(), a.Kind) {
			then.Climates = nil
			if !a.At.IsZero() {
				now = a.At
			}
		}
	}
	next, _, err := then.apply(s.clone(), &a, now)
	if err != nil {
		return s // it was refused then too
	}
	return next
}

// Recall applies a command that was written ahead and may or may not have left before the process died: the plug
// counts as changed then.
func (p *Policy) Recall(s State, plug string, on bool, at time.Time) State {
	s = s.clone()
	for i := range s.Plugs {
		x := &s.Plugs[i]
		if x.Name != plug || !at.After(x.TurnedAt) {
			continue
		}
		x.Unsent = x.Unsent || !p.Spec.Plugs[i].Reports
		if x.HasTold && x.Told == on { // told again, see [guard.Plug.RetoldAt]: it may have been so since before
			x.ToldAt, x.RetoldAt = at, at
			continue
		}
		x.Told, x.ToldAs, x.HasTold, x.ToldAt, x.TurnedAt = on, 0, true, at, at
		if !p.Spec.Plugs[i].Reports {
			x.On, x.Known, x.ChangedAt = on, true, at
		}
	}
	return s
}

// Rest says which plugs to turn off when nobody will watch them any more: humidifiers, heaters and coolers that run.
func (p *Policy) Rest(s State, now time.Time) (State, []int) {
	s = s.clone()
	var stop []int
	for i := range s.Plugs {
		x := &s.Plugs[i]
		switch x.Role {
		case chamber.Humidifier, chamber.Heater, chamber.Cooler:
		default:
			continue
		}
		if !x.Told && !x.On || x.Hand.Active && x.Hand.AtPlug || p.Observe {
			continue
		}
		if x.Told {
			x.TurnedAt = now
		}
		x.Told, x.ToldAs, x.HasTold, x.ToldAt, x.Lease = false, 0, true, now, time.Time{}
		if !p.Spec.Plugs[i].Reports {
			x.On, x.ChangedAt = false, now
		}
		stop = append(stop, i)
	}
	return s, stop
}

// act does what people asked. An action that is refused here was checked against an older state; it does nothing.
func (t *step) act() {
	for i := range t.in.Actions {
		a := &t.in.Actions[i]
		next, events, err := t.apply(*t.s, a, t.in.Now)
		if err != nil {
			continue
		}
		*t.s = next
		t.event(Event{Kind: PersonActed, Action: a.brief()})
		for _, e := range events {
			t.event(e)
		}
	}
}

// apply does one action, or gives a [Refusal].
func (p *Policy) apply(s State, a *Action, now time.Time) (State, []Event, error) {
	if a.ID == "" {
		return s, nil, &Refusal{Field: "id", Value: a.ID, Allowed: "give the action an id of its own"}
	}
	if slices.Contains(s.Done, a.ID) {
		return s, nil, nil
	}
	if len(a.Note) > longestNote {
		return s, nil, &Refusal{Field: "note", Value: crop.Short(a.Note), Allowed: fmt.Sprintf("at most %d bytes", longestNote)}
	}
	var events []Event
	var err error
	switch a.Kind {
	case BatchAdd, BatchRetire, StageSet, HarvestDone, LossSeen, NoteMade, Undo, Correct, Import:
		before := s.Crop
		if s.Crop, err = p.applyCrop(before, a, now); err == nil {
			s.Totals.written(a, &before, &s.Crop, now)
			if a.Kind != NoteMade {
				s.Detectors = s.Detectors.VaporMoved()
			}
		}
	case Refilled:
		if s, err = p.applyRefill(s, a, now); err == nil && a.Cleaned {
			s.Detectors = s.Detectors.VaporMoved()
		}
	case RefillUndo:
		s, err = undoRefill(s, a, now)
	case HandSet:
		s, err = p.applyHand(s, a, now)
	case Calibrate, CalibrateClear, SensorAside:
		if s, err = p.applyCalibration(s, a, now); err == nil && a.Kind != SensorAside {
			i, _ := p.sensorNamed(a.Sensor)
			s.Detectors = s.Detectors.Recalibrated(p.Spec, i)
		}
	case AlarmAck, AlarmUnack, AlarmShelve, AlarmUnshelve, AlarmOutOfService, AlarmInService:
		s, events, err = applyAlarm(s, a, now)
	default:
		err = &Refusal{Field: "kind", Value: string(a.Kind), Allowed: "it is not an action"}
	}
	if err != nil {
		return s, nil, refusal(err)
	}
	s.remember(a.ID)
	return s, events, nil
}

// remember keeps an action's ID, so that it is not done twice.
func (s *State) remember(id string) {
	s.Done = append(s.Done, id)
	if over := len(s.Done) - doneKept; over > 0 {
		s.Done = slices.Clone(s.Done[over:])
	}
}

func (p *Policy) applyRefill(s State, a *Action, now time.Time) (State, error) {
	i := p.Spec.Plug(chamber.Humidifier)
	if i < 0 {
		return s, &Refusal{Field: "chamber", Value: p.Spec.Name, Allowed: "it has no humidifier to refill"}
	}
	capacity := p.Spec.Plugs[i].ReservoirLiters
	switch {
	case math.IsNaN(a.Liters) || a.Liters < 0:
		return s, &Refusal{Field: "liters", Value: fmt.Sprint(a.Liters), Allowed: "give the liters that the reservoir holds now, or none when it is full"}
	case capacity > 0 && a.Liters > capacity:
		return s, &Refusal{Field: "liters", Value: fmt.Sprint(a.Liters), Allowed: fmt.Sprintf("the reservoir holds %g L; correct reservoir_liters in the configuration if it holds more", capacity)}
	case capacity == 0 && a.Liters == 0:
		return s, &Refusal{Field: "liters", Value: "0", Allowed: "the capacity is not known: set reservoir_liters in the configuration, or give the liters"}
	}
	s.Filling = &Filling{ID: a.ID, At: now, Before: s.Reservoir}
	s.Reservoir = s.Reservoir.Refill(&p.Spec.Plugs[i], a.Liters, now)
	s.Alarms = s.Alarms.Meet(alarm.ReservoirLow)
	if a.Cleaned {
		s.Reservoir = s.Reservoir.Clean()
	}
	return s, nil
}

// RefillUndoFor is how long a refill can be taken back: what was there before is known only as it was then.
const RefillUndoFor = 10 * time.Minute

// undoRefill puts the reservoir back as it was before it was said to be filled: what it held, and when it was cleaned.
func undoRefill(s State, a *Action, now time.Time) (State, error) {
	f := s.Filling
	if f == nil || f.ID != a.Of || now.Sub(f.At) > RefillUndoFor {
		return s, &Refusal{Field: "of", Value: a.Of, Missing: true,
			Allowed: fmt.Sprintf("only the last refill can be taken back, for %s; say refill with what the reservoir holds now", RefillUndoFor)}
	}
	s.Reservoir, s.Filling = f.Before, nil
	s.Reservoir.Now = now // what ran meanwhile is not counted
	return s, nil
}

func (p *Policy) applyHand(s State, a *Action, now time.Time) (State, error) {
	i, err := p.plugNamed(a.Plug)
	if err != nil {
		return s, err
	}
	x, spec := &s.Plugs[i], &p.Spec.Plugs[i]
	if a.Hand == HandAuto {
		x.Release()
		return s, nil
	}
	if a.Hand != HandOn && a.Hand != HandOff {
		return s, &Refusal{Field: "hand", Value: string(a.Hand), Allowed: "it is on, off or auto"}
	}
	if a.For <= 0 || a.For > LongestHand {
		return s, &Refusal{Field: "for", Value: a.For.String(), Allowed: fmt.Sprintf("give a time up to %s, such as 15m", LongestHand)}
	}
	if a.Hand == HandOn && spec.MaxOn > 0 && a.For > spec.MaxOn {
		return s, &Refusal{Field: "for", Value: a.For.String(), Allowed: fmt.Sprintf("the longest run of plug %s is %s (max_on)", spec.Name, spec.MaxOn)}
	}
	x.Hold(a.Hand == HandOn, now, a.For)
	return s, nil
}

// plugNamed finds a plug by its name or, failing that, by its role.
func (p *Policy) plugNamed(word string) (int, error) {
	byRole := -1
	var ofRole []string
	for i := range p.Spec.Plugs {
		spec := &p.Spec.Plugs[i]
		if spec.Name == word {
			return i, nil
		}
		if spec.Role.String() == word {
			byRole, ofRole = i, append(ofRole, spec.Name)
		}
	}
	switch {
	case len(ofRole) == 1:
		return byRole, nil
	case len(ofRole) > 1:
		return 0, &Refusal{Field: "plug", Value: word, Allowed: "several plugs have that role; name one of " + strings.Join(ofRole, ", ")}
	case len(p.Spec.Plugs) == 0:
		return 0, &Refusal{Field: "plug", Value: word, Missing: true, Allowed: "the chamber has no plugs"}
	}
	return 0, &Refusal{Field: "plug", Value: word, Missing: true, Allowed: p.plugHint(word)}
}

// plugHint says which plugs there are, with the roles by which they may be named too, and which word is the nearest.
func (p *Policy) plugHint(word string) string {
	var words, shown []string
	for i := range p.Spec.Plugs {
		name, role := p.Spec.Plugs[i].Name, p.Spec.Plugs[i].Role.String()
		words = append(words, name, role)
		if role != name {
			name += " (" + role + ")"
		}
		shown = append(shown, name)
	}
	hint := "plugs are " + strings.Join(shown, ", ")
	if n := nearest.Word(word, words); n != "" {
		hint += fmt.Sprintf("; did you mean %q", n)
	}
	return hint
}

func applyAlarm(s State, a *Action, now time.Time) (State, []Event, error) {
	var c alarm.Change
	var err error
	n := alarm.Name(a.Alarm)
	if n.Index() < 0 {
		var all []string
		for _, x := range alarm.Names() {
			all = append(all, string(x))
		}
		allowed := "alarms are " + strings.Join(all, ", ")
		if near := nearest.Word(a.Alarm, all); near != "" {
			allowed = "did you mean " + near + "?"
		}
		return s, nil, &Refusal{Field: "alarm", Value: crop.Short(a.Alarm), Missing: true, Allowed: allowed}
	}
	switch a.Kind {
	case AlarmAck:
		s.Alarms, c, err = alarm.Acknowledge(s.Alarms, n, now)
	case AlarmUnack:
		s.Alarms, c, err = alarm.Unacknowledge(s.Alarms, n, now)
	case AlarmShelve:
		s.Alarms, c, err = alarm.Shelve(s.Alarms, n, a.For, now)
	case AlarmUnshelve:
		s.Alarms, c, err = alarm.Unshelve(s.Alarms, n, now)
	default:
		s.Alarms, c, err = alarm.SetOutOfService(s.Alarms, n, a.Kind == AlarmOutOfService, now)
	}
	if err != nil {
		return s, nil, err
	}
	return s, []Event{changed(&c)}, nil
}

// refusal turns the refusals of the parts into the policy's own.
func refusal(err error) error {
	if r, ok := errors.AsType[*Refusal](err); ok {
		return r
	}
	if r, ok := errors.AsType[*crop.Refused](err); ok {
		return &Refusal{Field: r.Field, Value: r.Value, Allowed: r.Allowed, Missing: r.Missing, Unfit: r.Unfit}
	}
	if r, ok := errors.AsType[*alarm.Refused](err); ok {
		if r.Length != nil {
			return &Refusal{Field: "for", Value: r.Length.String(), Allowed: r.Why}
		}
		return &Refusal{Field: "alarm", Value: string(r.Alarm), Allowed: r.Why, Unfit: true}
	}
	return err
}

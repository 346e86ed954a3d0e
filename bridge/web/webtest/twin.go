// Package webtest is an owner of chambers in memory, for tests of whatever speaks to the API: the real policies on
// readings made up here, without broker, journal or clock.
//
// It must never be imported by the program. Start reading at [New].
package webtest

import (
	"context"
	"errors"
	"iter"
	"slices"
	"sync"
	"time"

	"github.com/maruel/natural"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/nearest"
	"gillkeeper/policy/species"
)

// Start is the twin's first moment: a morning in spring.
var Start = time.Date(2026, 4, 21, 8, 0, 0, 0, time.UTC)

// Twin owns chambers. It implements the backend of package web.
type Twin struct {
	// Record answers History and Actions; a test writes into it what it wants to be there.
	Record *journal.Memory

	mu       sync.Mutex
	now      time.Time // guarded by mu, as all below
	ahead    time.Duration
	chambers []*unit
	ready    error
	failing  error
}

type unit struct {
	policy *policy.Policy
	state  policy.State
	snap   *policy.Snapshot
	events []policy.Event
	air    Air
	// controls are in charge where the policy only observes; nil where it is in charge itself.
	controls func(plug string, at time.Time) bool
}

// Air is what the sensors of a chamber say. A NaN or a quantity without a sensor says nothing.
type Air struct {
	RH, TemperatureC, CO2 float64
	RoomRH, RoomC         float64
	Watts                 float64 // of the humidifier, while it is on
}

// New gives a twin of three chambers in which half an hour has passed: loft, which does well, cellar, whose air is too
// dry and too stale, and nursery, in which nothing grows.
//
// The half hour is stepped through once; every call gives a twin of its own that starts at its end.
func New() *Twin {
	first := settled()
	t := &Twin{now: first.now, Record: journal.NewMemory()}
	for a := range first.Record.Actions(context.Background(), journal.ActionQuery{}) {
		if _, err := t.Record.Act(context.Background(), a.Chamber, a.Action); err != nil {
			panic(err)
		}
	}
	for _, u := range first.chambers {
		own := *u
		own.events = slices.Clip(own.events) // states and snapshots are never written to
		t.chambers = append(t.chambers, &own)
	}
	return t
}

var settled = sync.OnceValue(settle)

func settle() *Twin {
	t := &Twin{now: Start, Record: journal.NewMemory()}
	zone := time.FixedZone("UTC+2", 2*3600)
	// The cellar draws in air so dry that its mister cannot keep up: with the air of a moist room, it would seem to be dry.
	t.Add(Spec("cellar", zone), Air{RH: 0.71, TemperatureC: 14.2, CO2: 2400, RoomRH: 0.15, RoomC: 18, Watts: 24})
	t.Add(Spec("loft", zone), Air{RH: 0.885, TemperatureC: 16.4, CO2: 640, RoomRH: 0.45, RoomC: 18, Watts: 26})
	t.Add(Spec("nursery", zone), Air{RH: 0.62, TemperatureC: 19, CO2: 520, RoomRH: 0.5, RoomC: 19, Watts: 25})
	t.must("cellar", policy.Action{ID: "setup-1", Kind: policy.BatchAdd, Batch: "king-7", Species: "pleurotus-eryngii",
		SubstrateKg: 14, DryKg: 5, Stage: species.Fruiting})
	t.must("loft", policy.Action{ID: "setup-2", Kind: policy.BatchAdd, Batch: "oyster-12", Species: "pleurotus-ostreatus",
		SubstrateKg: 12, DryKg: 4.2, Stage: species.Fruiting})
	t.must("loft", policy.Action{ID: "setup-3", Kind: policy.Refilled})
	t.Pass(30 * time.Minute)
	return t
}

// Spec gives a chamber of 0.56 cubic meters with a sensor of each kind, a humidifier, an exhaust fan and a lamp.
func Spec(name string, zone *time.Location) *chamber.Spec {
	sensor := func(name string, q chamber.Quantity, p chamber.Place) chamber.Sensor {
		return chamber.Sensor{Name: name, Quantity: q, Place: p, MaxAge: 5 * time.Minute, CompensatesPressure: true}
	}
	return &chamber.Spec{
		Name: name, VolumeM3: 0.56, AltitudeM: 620, Zone: zone,
		Sensors: []chamber.Sensor{
			sensor("chamber-relative_humidity", chamber.RelativeHumidity, chamber.Inside),
			sensor("chamber-temperature", chamber.Temperature, chamber.Inside),
			sensor("chamber-co2", chamber.CO2, chamber.Inside),
			sensor("room-relative_humidity", chamber.RelativeHumidity, chamber.Room),
			sensor("room-temperature", chamber.Temperature, chamber.Room),
		},
		Plugs: []chamber.Plug{
			{Name: "mister", Role: chamber.Humidifier, MinOn: 20 * time.Second, MinOff: 20 * time.Second, MaxOn: 30 * time.Minute,
				OutputGPerH: 300, ReservoirLiters: 5, Reports: true, Meters: true},
			{Name: "exhaust_fan", Role: chamber.ExhaustFan, MinOn: 20 * time.Second, MinOff: 20 * time.Second, FlowM3PerH: 60, Reports: true},
			{Name: "lamp", Role: chamber.Lamp, MinOn: time.Minute, MinOff: time.Minute},
		},
	}
}

// Add puts a chamber in.
func (t *Twin) Add(spec *chamber.Spec, air Air) {
	t.mu.Lock()
	defer t.mu.Unlock()
	u := &unit{policy: &policy.Policy{Spec: spec, Climates: species.Builtin()}, air: air}
	u.state = u.policy.Fresh(t.now)
	u.step(t.now, t.ahead, nil)
	t.chambers = append(t.chambers, u)
	slices.SortFunc(t.chambers, func(a, b *unit) int { return natural.Compare(a.policy.Spec.Name, b.policy.Spec.Name) })
}

// Pass lets time go by: every ten seconds each chamber takes a step on its readings.
func (t *Twin) Pass(d time.Duration) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for end := t.now.Add(d); t.now.Before(end); {
		t.now = t.now.Add(10 * time.Second)
		for _, u := range t.chambers {
			u.step(t.now, t.ahead, nil)
		}
	}
}

// SetAir changes what the sensors of a chamber say from now on.
func (t *Twin) SetAir(name string, air Air) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.find(name).air = air
}

// Observe has a chamber only watched from now on, while other controls say which plugs run.
func (t *Twin) Observe(name string, controls func(plug string, at time.Time) bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	u := t.find(name)
	own := *u.policy // policies are shared between twins
	own.Observe = true
	u.policy, u.controls = &own, controls
}

// SetAhead moves the calendar ahead of the steady clock from the next step on, as after a change of the machine's clock.
func (t *Twin) SetAhead(d time.Duration) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.ahead = d
}

// SetReady makes Ready give err.
func (t *Twin) SetReady(err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.ready = err
}

// SetFailing makes every action fail with err, as with a full disk.
func (t *Twin) SetFailing(err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.failing = err
}

// Now is the twin's calendar.
func (t *Twin) Now() time.Time {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.now.Add(t.ahead)
}

// Snapshots gives every chamber, by name.
func (t *Twin) Snapshots() []*policy.Snapshot {
	t.mu.Lock()
	defer t.mu.Unlock()
	var out []*policy.Snapshot
	for _, u := range t.chambers {
		out = append(out, u.snap)
	}
	return out
}

// Snapshot gives one chamber.
func (t *Twin) Snapshot(name string) (*policy.Snapshot, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if u := t.find(name); u != nil {
		return u.snap, true
	}
	return nil, false
}

// Act does an action at once.
func (t *Twin) Act(ctx context.Context, name string, a policy.Action) (*policy.Snapshot, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.failing != nil {
		return nil, t.failing
	}
	u := t.find(name)
	if u == nil {
		return nil, &policy.Refusal{Field: "chamber", Value: name, Missing: true, Allowed: t.hint(name)}
	}
	if a.At.IsZero() {
		a.At = t.now.Add(t.ahead)
	}
	if a.Reaches() {
		if err := u.policy.Settle(t.entries(name), &a, t.now.Add(t.ahead)); err != nil {
			return nil, err
		}
	}
	if err := u.policy.Check(&u.state, &a); err != nil {
		return nil, err
	}
	if _, err := t.Record.Act(ctx, name, a); err != nil {
		return nil, err
	}
	u.step(t.now, t.ahead, []policy.Action{a})
	return u.snap, nil
}

// entries is what is written down of a chamber's crop.
func (t *Twin) entries(name string) []policy.Entry {
	var all []policy.Entry
	for a, err := range t.Record.Actions(context.Background(), journal.CropQuery(name)) {
		if err == nil {
			all = append(all, policy.Entries(a.Seq, a.Action)...)
		}
	}
	return all
}

// CheckImport checks entries as the keeper does.
func (t *Twin) CheckImport(ctx context.Context, imports []journal.Acted) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	var bad policy.Rejected
	for i := range imports {
		c := imports[i].Chamber
		if list := t.find(c).policy.CheckImport(t.entries(c), imports[i].Action.Entries, t.now.Add(t.ahead)); len(list) > 0 {
			bad.Chambers = append(bad.Chambers, policy.Misfits{Chamber: c, List: list})
		}
	}
	if len(bad.Chambers) > 0 {
		return &bad
	}
	return nil
}

// ImportAll brings entries in, chamber by chamber.
func (t *Twin) ImportAll(ctx context.Context, imports []journal.Acted) error {
	if err := t.CheckImport(ctx, imports); err != nil {
		return err
	}
	for _, a := range imports {
		if _, err := t.Act(ctx, a.Chamber, a.Action); err != nil {
			return err
		}
	}
	return nil
}

// WhyAt gives for each plug its last switch at or before a moment.
func (t *Twin) WhyAt(ctx context.Context, name string, at time.Time) ([]policy.Event, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	u := t.find(name)
	if u == nil {
		return nil, errors.New("no such chamber")
	}
	var out []policy.Event
	for i := range u.policy.Spec.Plugs {
		for _, e := range slices.Backward(u.events) {
			if e.Kind == policy.PlugSwitched && e.Plug == u.policy.Spec.Plugs[i].Name && !e.At.After(at) {
				out = append(out, e)
				break
			}
		}
	}
	return out, nil
}

// Events gives what happened from one moment on and before another.
func (t *Twin) Events(ctx context.Context, name string, from, to time.Time, kinds ...policy.EventKind) ([]policy.Event, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	u := t.find(name)
	if u == nil {
		return nil, errors.New("no such chamber")
	}
	var out []policy.Event
	for _, e := range u.events {
		if !e.At.Before(from) && e.At.Before(to) && (len(kinds) == 0 || slices.Contains(kinds, e.Kind)) {
			out = append(out, e)
		}
	}
	return out, nil
}

// History gives what the record holds.
func (t *Twin) History(ctx context.Context, q journal.HistoryQuery) iter.Seq2[journal.Minute, error] {
	return t.Record.History(ctx, q)
}

// Actions gives what the record holds.
func (t *Twin) Actions(ctx context.Context, q journal.ActionQuery) iter.Seq2[journal.Acted, error] {
	return t.Record.Actions(ctx, q)
}

// Preview says what an action would bring.
func (t *Twin) Preview(name string, a policy.Action) (policy.Preview, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	u := t.find(name)
	if u == nil {
		return policy.Preview{}, &policy.Refusal{Field: "chamber", Value: name, Missing: true, Allowed: t.hint(name)}
	}
	return u.policy.Preview(&u.state, a, t.now)
}

// Climates gives the built-in table.
func (t *Twin) Climates(name string) *species.Table { return species.Builtin() }

// Ready gives what SetReady was told.
func (t *Twin) Ready() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.ready
}

func (t *Twin) find(name string) *unit {
	for _, u := range t.chambers {
		if u.policy.Spec.Name == name {
			return u
		}
	}
	return nil
}

func (t *Twin) hint(name string) string {
	var names []string
	for _, u := range t.chambers {
		names = append(names, u.policy.Spec.Name)
	}
	return "did you mean " + nearest.Word(name, names)
}

// must is for setting up: what a test starts from cannot be refused.
func (t *Twin) must(name string, a policy.Action) {
	if _, err := t.Act(context.Background(), name, a); err != nil {
		panic(err)
	}
}

// step takes one step on the readings of the moment; plugs do what they were told and say so.
func (u *unit) step(now time.Time, ahead time.Duration, actions []policy.Action) {
	in := policy.Input{Now: now, Wall: now.Add(ahead), Link: true, LinkUp: u.snap == nil, Actions: actions}
	for i, v := range []float64{u.air.RH, u.air.TemperatureC, u.air.CO2, u.air.RoomRH, u.air.RoomC} {
		if i < len(u.policy.Spec.Sensors) && u.policy.Spec.Sensors[i].Quantity.Plausible(v) {
			in.Readings = append(in.Readings, chamber.Reading{Sensor: i, Value: v, At: now})
		}
	}
	for i := range u.policy.Spec.Plugs {
		if !u.policy.Spec.Plugs[i].Reports {
			continue
		}
		on := u.state.Plugs[i].Told
		if u.controls != nil {
			on = u.controls(u.policy.Spec.Plugs[i].Name, now)
		}
		r := chamber.PlugReport{Plug: i, At: now, HasOn: true, On: on}
		if u.policy.Spec.Plugs[i].Meters {
			r.HasWatts = true
			if on {
				r.Watts = u.air.Watts
			}
		}
		in.Reports = append(in.Reports, r)
	}
	var d policy.Decision
	u.state, d = u.policy.Step(u.state, in)
	u.events = append(u.events, d.Events...)
	u.snap = &policy.Snapshot{Spec: u.policy.Spec, Wall: in.Wall, State: u.state, Decision: d, Observe: u.policy.Observe,
		Proposals: u.state.Crop.Proposals(u.policy.Climates, u.state.Now)}
}

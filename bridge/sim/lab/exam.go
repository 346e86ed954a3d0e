package lab

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/plant"
)

// examiner is the policy of one chamber with somebody who looks over its shoulder at every step: who knows the truth,
// what is wrong, and what must hold.
type examiner struct {
	c     *chamberCase
	state policy.State
	rig   *plant.Rig
	began time.Duration

	windows    []window
	firstFault int
	dead       bool
	saved      []byte // the state as last written
	savedAt    time.Time
	savedHeard []heard
	handed     bool

	last    time.Time
	sent    []sent
	heard   []heard
	wetted  []float64 // for what share of the last wettedOver each sensor had water on it
	runFor  []float64 // seconds that each outlet has run
	course  course
	stood   []alarm.Name // that stood when the chamber was forked: they find nothing
	healthy time.Duration
	wetAt   time.Duration // when a sensor was last wet
	told    []Raise       // of which a person was notified
	wrong   []Raise
	broken  []string
	seen    int // violations of the rig that were looked at
	digest  uint64
	asks    []policy.Action   // of people, for the next step
	tells   func(line string) // of every alarm, for a replay
}

// sent is the last command that left for a plug.
type sent struct {
	on  bool
	at  time.Time
	any bool
	cut bool // for safety
}

// heard is the last live reading of a sensor.
type heard struct {
	value float64
	at    time.Time
}

func newExaminer(c *chamberCase) *examiner {
	return &examiner{c: c, state: c.policy.Fresh(c.Start), last: c.Start, sent: make([]sent, len(c.Spec.Plugs)),
		heard: make([]heard, len(c.Spec.Sensors)), wetted: make([]float64, len(c.Spec.Sensors)), runFor: make([]float64, len(c.Spec.Plugs))}
}

// fork is another examiner that goes on from here with empty books.
func (e *examiner) fork() *examiner {
	f := *e
	f.began = e.last.Sub(e.c.Start)
	f.sent, f.heard, f.wetted, f.runFor = slices.Clone(e.sent), slices.Clone(e.heard), slices.Clone(e.wetted), slices.Clone(e.runFor)
	f.course = e.course.fork()
	f.healthy, f.told, f.wrong, f.broken, f.digest, f.stood = 0, nil, nil, nil, 0, nil
	for _, n := range alarm.Names() {
		if e.state.Alarms.Active(n) {
			f.stood = append(f.stood, n)
		}
	}
	return &f
}

// Step steps the policy, and looks.
func (e *examiner) Step(in policy.Input) policy.Decision {
	at := in.Now.Sub(e.c.Start)
	dt := in.Now.Sub(e.last)
	e.last = in.Now
	if down, d := e.trouble(&in, at); down {
		e.watchOutlets(at, dt.Seconds())
		return d
	}
	e.listen(&in)
	in.Actions = append(in.Actions, e.asks...)
	e.asks = nil
	plugs, sensors := e.state.Plugs, e.state.Sensors // a step never writes to those of the state before it
	var d policy.Decision
	e.state, d = e.c.policy.Step(e.state, in)
	e.note(&d)
	if e.rig == nil { // the first step, before the run exists
		return d
	}
	e.course.add(at, e.rig, &e.c.Params, e.state.Reservoir.Balance.Cycles > 0)
	e.watchOutlets(at, dt.Seconds())
	e.invariants(plugs, &in, &d, at)
	e.wets(at, dt)
	e.alarms(&d, at)
	e.tell(sensors, &d, at)
	e.find(at, dt.Seconds())
	if at >= settle && !e.disturbed(at) {
		e.healthy += dt
	}
	return d
}

// listen keeps the last live reading of each sensor.
func (e *examiner) listen(in *policy.Input) {
	for _, r := range in.Readings {
		if !r.Retained {
			e.heard[r.Sensor] = heard{r.Value, r.At}
		}
	}
}

// active gives whether a trouble of the program holds.
func (e *examiner) active(what trouble, at time.Duration) bool {
	for i := range e.windows {
		if w := &e.windows[i]; w.kind.by == what && at >= w.from && at < w.to {
			return true
		}
	}
	return false
}

// disturbed reports whether a fault holds or has held a while ago.
func (e *examiner) disturbed(at time.Duration) bool {
	for i := range e.windows {
		if at >= e.windows[i].from {
			return true
		}
	}
	return false
}

// saveEvery is how often the keeper writes a chamber's state at the least.
const saveEvery = time.Minute

// trouble does to the program what is wrong with it, and reports whether it is dead.
func (e *examiner) trouble(in *policy.Input, at time.Duration) (down bool, d policy.Decision) {
	if len(e.windows) == 0 {
		return false, d
	}
	in.JournalFailing = e.active(diskFull, at)
	if e.active(clockBack, at) {
		in.Wall = in.Wall.Add(-time.Hour)
	}
	if e.active(clockForward, at) {
		in.Wall = in.Wall.Add(time.Hour)
	}
	if e.active(handAtPlug, at) && !e.handed {
		e.handed = true
		i := e.c.Spec.Plug(fanRole)
		e.rig.Hand(i, !e.rig.Outlets[i].On)
	}
	switch dead := e.active(killed, at); {
	case dead:
		e.dead = true
		return true, policy.Decision{Plugs: make([]policy.PlugDecision, len(e.c.Spec.Plugs)), Wake: in.Now.Add(10 * time.Second)}
	case e.dead:
		e.dead = false
		e.resume(in)
	case in.Now.Sub(e.savedAt) >= saveEvery && slices.ContainsFunc(e.windows, func(w window) bool { return w.kind.by == killed && at < w.from && at > w.from-2*saveEvery }):
		e.save(in.Now)
	}
	return false, d
}

func (e *examiner) save(now time.Time) {
	b, err := json.Marshal(e.state)
	if err != nil {
		e.breaks(now.Sub(e.c.Start), "the state cannot be written: %v", err)
		return
	}
	e.saved, e.savedAt, e.savedHeard = b, now, slices.Clone(e.heard)
}

// resume starts the program from what it had saved.
func (e *examiner) resume(in *policy.Input) {
	var s policy.State
	if err := json.Unmarshal(e.saved, &s); err != nil {
		e.breaks(in.Now.Sub(e.c.Start), "the state cannot be read: %v", err)
		return
	}
	e.state = e.c.policy.Fit(s)
	in.LinkUp = true
	copy(e.heard, e.savedHeard) // what came meanwhile was not heard
	for i := range e.sent {
		e.sent[i].any = false
	}
}

// note adds a decision to the digest.
func (e *examiner) note(d *policy.Decision) {
	add := func(x uint64) { e.digest = (e.digest ^ x) * 1099511628211 } // FNV-1a, by the word
	add(uint64(d.At.UnixNano()))
	add(uint64(d.Wake.UnixNano()))
	for i := range d.Plugs {
		p := &d.Plugs[i]
		x := uint64(p.For) << 2
		if p.On {
			x |= 1
		}
		if p.Send {
			x |= 2
		}
		add(x)
	}
	for i := range d.Events {
		for _, b := range []byte(string(d.Events[i].Kind) + string(d.Events[i].Alarm) + d.Events[i].Phase + d.Events[i].Plug) {
			add(uint64(b))
		}
	}
}

// tell writes down what a person who replays a trial wants to see.
func (e *examiner) tell(before []policy.SensorState, d *policy.Decision, at time.Duration) {
	if e.tells == nil {
		return
	}
	truth := e.rig.State.Truth(&e.c.Params)
	air := &e.state.Air.Inside
	now := fmt.Sprintf("%-10v air %.1f %% %.0f ppm %.1f °C, read %.1f %% %.0f ppm", at, 100*truth.RelativeHumidity, truth.CO2PPM, truth.AirC,
		100*air.RelativeHumidity.Value, air.CO2.Value)
	for i := range d.Events {
		switch v := &d.Events[i]; v.Kind {
		case policy.AlarmChanged:
			e.tells(fmt.Sprintf("%s: alarm %s %s %s %s", now, v.Alarm, v.Phase, v.Condition.Code, v.Condition.About))
		case policy.PlugByHand, policy.HandOver, policy.RefillSeen, policy.PersonActed:
			e.tells(fmt.Sprintf("%s: %s %s", now, v.Kind, v.Plug))
		}
	}
	for i := range e.state.Sensors {
		if was, is := before[i].Suspect, e.state.Sensors[i].Suspect; was != is {
			e.tells(fmt.Sprintf("%s: sensor %s is suspect: %q", now, e.state.Sensors[i].Name, is))
		}
	}
}

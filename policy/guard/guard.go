// Package guard has the last word on every command: minimum on and off times, longest runs, a person's hand, when a
// command is sent and when it is repeated.
//
// It must never want anything of its own. Start reading at [Plug.Apply].
package guard

import (
	"math"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/reason"
)

// The limits of the guard. Each holds for every plug of every chamber.
const (
	// HandAtPlug is how long a plug that somebody switched at the plug itself is left as it is: long enough to
	// water, pick or clean, short enough that a forgotten switch does not cost a crop.
	HandAtPlug = 15 * time.Minute
	// Slack is added to minimum times, because a command takes a moment to reach the plug and the one before may
	// have taken longer.
	Slack = 250 * time.Millisecond
	// SettleLink is how long after the broker came back a plug's own state is awaited before it is commanded.
	SettleLink = 2 * time.Second
	// FirstRepeat is how long a plug may take to report what it was told before it is told again. Each further
	// repeat waits twice as long, up to SlowestRepeat: relays should not be hammered by a dead plug's keeper.
	FirstRepeat   = 5 * time.Second
	SlowestRepeat = time.Minute
	// RetryUnsent is the pause before a command that did not leave is tried again.
	RetryUnsent = time.Second
	// BlindRepeat is how often a plug that reports nothing is told again: it may have lost power in between.
	BlindRepeat = 5 * time.Minute
	// LongestLease is the longest time for which a plug that turns itself off is told to stay on without being told
	// again: if the daemon dies, nothing runs on for longer.
	LongestLease = 10 * time.Minute
	// ShortestLease is the shortest time for which such a plug is told to stay on, short of its longest run. A lease is renewed when
	// two thirds of it are over: what is left must be longer than a command may take, or the plug goes off and on again.
	ShortestLease = 3 * time.Second
	// LevelEvery is the least time between two changes of level of a plug that runs: a fan takes seconds to come to its
	// speed, and a radio must not be flooded.
	LevelEvery = 10 * time.Second
	// UnderWay is how long it may take until it is known whether a command left: the broker has five seconds to acknowledge it.
	UnderWay = 10 * time.Second
	// RestAfterCut is the least pause after a longest run was cut, so that a cut is a cut.
	RestAfterCut = time.Minute
)

// Plug is what is known of one plug, and what it was last told.
type Plug struct {
	Name string       `json:"name"`
	Role chamber.Role `json:"role"`

	// On is the best knowledge of what the plug does: what it reports where it reports, else what it was told.
	On        bool      `json:"on"`
	Level     float64   `json:"level,omitempty"`     // with On, of a plug that modulates: share of full output; 0: full
	Known     bool      `json:"known"`               // false until it was told or has reported
	ChangedAt time.Time `json:"changed_at,omitzero"` // when On last changed
	CutUntil  time.Time `json:"cut_until,omitzero"`  // after a longest run was cut: rest until then

	Told     bool      `json:"told"`              // the last command that left
	ToldAs   float64   `json:"told_as,omitempty"` // its level, as Level
	LevelAt  time.Time `json:"level_at,omitzero"` // when it last changed the level of a plug that ran
	HasTold  bool      `json:"has_told,omitempty"`
	ToldAt   time.Time `json:"told_at,omitzero"`   // when it last left, repeats included
	TurnedAt time.Time `json:"turned_at,omitzero"` // when it last differed from the command before
	RetoldAt time.Time `json:"retold_at,omitzero"` // when it was told the same again, and may not have heard it before
	Lease    time.Time `json:"lease,omitzero"`     // a plug that turns itself off does so then

	Reported    bool      `json:"reported"`
	ReportedAs  float64   `json:"reported_as,omitempty"` // its level, as Level
	HasReported bool      `json:"has_reported,omitempty"`
	ReportedAt  time.Time `json:"reported_at,omitzero"`
	Synced      bool      `json:"synced,omitempty"`   // reported since the broker last came back
	Answered    bool      `json:"answered,omitempty"` // reported since it was last told otherwise than before
	Obeyed      bool      `json:"obeyed,omitempty"`   // and had done as told when that was
	Owed        int       `json:"owed,omitempty"`     // commands of which it had not said that it did as told when it was told otherwise
	Answers     float64   `json:"answers,omitempty"`  // seconds in which its word of having obeyed comes, in the mean
	// DisagreesSince is since when the report differs from the command; zero: it agrees.
	DisagreesSince time.Time `json:"disagrees_since,omitzero"`
	Repeats        int       `json:"repeats,omitempty"`
	Unsent         bool      `json:"unsent,omitempty"` // what counts as told did not leave

	Watts    float64   `json:"watts"`
	HasWatts bool      `json:"has_watts,omitempty"`
	WattsAt  time.Time `json:"watts_at,omitzero"`
	Metered  bool      `json:"metered,omitempty"` // Watts were told since the broker last came back

	Hand Hand `json:"hand,omitzero"`

	// Duty is the share of time on, or of full output, as a mean over about the last six hours under automatic control with good
	// readings; it is what the plug falls back to.
	Duty      float64 `json:"duty"`
	DutyHours float64 `json:"duty_hours"` // what the mean rests on
	// Before is Duty as it was in the last hour, a quarter of one apart, the newest first.
	Before      [5]float64 `json:"before"`
	BeforeHours float64    `json:"before_hours"` // since the newest was put down

	OnSeconds float64 `json:"on_seconds"` // counter
	Switches  int64   `json:"switches"`   // counter
}

// Hand is a person's hold on a plug.
type Hand struct {
	Active bool      `json:"active,omitempty"`
	On     bool      `json:"on,omitempty"`
	Level  float64   `json:"level,omitempty"`   // with On: share of full output; 0: full
	AtPlug bool      `json:"at_plug,omitempty"` // switched at the plug itself, not by command
	Since  time.Time `json:"since,omitzero"`
	Until  time.Time `json:"until,omitzero"`
}

// Want is what control would have a plug do.
type Want struct {
	On      bool
	Level   float64   // with On: share of full output, for a plug that modulates; 0: full
	Until   time.Time // when control expects to want the opposite; zero: not known
	Cut     bool      // a safety matter: off now, minimum on time or not
	Reasons []reason.Reason
}

// Scene is what the guard must know of the moment.
type Scene struct {
	Now       time.Time
	Link      bool
	LinkUp    bool      // the broker has just come back: tell every plug again
	LinkSince time.Time // when it came back
	Observe   bool
}

// Verdict is the guard's word on one plug.
type Verdict struct {
	On      bool    // what the plug should do now, all limits respected
	Level   float64 // with On: share of full output, one of the plug's levels; 0: full, or it does not modulate
	Send    bool    // publish it now
	For     time.Duration
	Reasons []reason.Reason
	Wake    time.Time // look again then; zero: no need
	Ended   bool      // a hand's time was up
	Turned  bool      // the command differs from the one before
}

// Apply gives the guard's verdict on what control wants and writes down what is sent. It never shortens a minimum on
// or off time but for a safety cut, never lets a plug outrun its longest run, and never commands a plug that somebody
// switched at the plug itself.
func (p *Plug) Apply(spec *chamber.Plug, w Want, sc Scene) Verdict {
	v := Verdict{On: w.On, Level: levelOf(spec, w.Level), Reasons: w.Reasons, Wake: w.Until}
	until := w.Until
	if p.handOver(sc.Now) {
		v.Ended = true
	}
	if p.Hand.Active {
		v.On, v.Level, until = p.Hand.On, levelOf(spec, p.Hand.Level), p.Hand.Until
		code := reason.Hand
		if p.Hand.AtPlug {
			code = reason.HandAtPlug
		}
		v.Reasons = []reason.Reason{{Code: code, Until: p.Hand.Until}}
		v.Wake = p.Hand.Until
	}
	cut := p.limitRun(spec, &v, sc.Now)
	if w.Cut && p.commanded() && !p.Hand.Active {
		v.On, cut = false, true
	}
	held := !cut && p.holdMinimum(spec, &v, sc.Now)
	if held && v.On { // nobody wants it: a plug that turns itself off is told no longer than its shortest run
		until = p.latest().Add(spec.MinOn + Slack)
	}
	p.holdLevel(spec, &v, sc.Now)
	if held && v.On && !p.HasTold {
		// It says that it is on, maybe by a retained copy of unknown age, and nobody wants it. It is let run, and not told to.
		return v
	}
	p.send(spec, &v, sc, until)
	return v
}

// handOver ends a hand whose time is up.
func (p *Plug) handOver(now time.Time) bool {
	if !p.Hand.Active || now.Before(p.Hand.Until) {
		return false
	}
	p.Hand = Hand{}
	return true
}

// Output is the share of full output that the plug gives, by the best knowledge of it.
func (p *Plug) Output() float64 { return chamber.Order{On: p.On, Level: p.Level}.Output() }

// Doing is the share of full output that the plug is taken to give now, and since when. One that did as it was told, and was told
// something else a moment ago, is taken to do that since then: switching takes an instant, but its report goes through radio, gateway
// and broker, each time for another while. By when reports arrive, runs of half a minute would seem seconds shorter or longer than
// they are, and the fan to move half as much air again.
func (p *Plug) Doing(now time.Time) (output float64, since time.Time) {
	obeys := p.HasTold && !p.Hand.AtPlug && !p.Unsent
	if obeys && p.Obeyed && p.Told != p.On && now.Sub(p.TurnedAt) <= LateAnswer && p.TurnedAt.After(p.ChangedAt) {
		return chamber.Order{On: p.Told, Level: p.ToldAs}.Output(), p.TurnedAt
	}
	since = p.ChangedAt
	if p.On && p.LevelAt.After(since) {
		since = p.LevelAt
	}
	if wait := since.Sub(p.TurnedAt); obeys && p.Told == p.On && wait >= 0 && wait <= LateAnswer {
		since = p.TurnedAt
	}
	return p.Output(), since
}

// Pending is how much later than now, in seconds, the plug's word is to be expected of what it was told; 0: it has come. Minimum times
// count from then.
func (p *Plug) Pending() float64 {
	if !p.HasTold || p.Told == p.On {
		return 0
	}
	return p.Answers
}

// levelOf is the level of a plug that modulates nearest to the one wanted, which is the highest where none is said; 0
// for one that does not.
func levelOf(spec *chamber.Plug, wanted float64) float64 {
	best := spec.Most()
	if !spec.Modulates() {
		return 0
	}
	if wanted > 0 {
		for _, l := range spec.Levels {
			if math.Abs(l-wanted) < math.Abs(best-wanted) {
				best = l
			}
		}
	}
	return best
}

// commanded is the state that the plug is meant to have: what it was told, or before it was ever told what it
// reports.
func (p *Plug) commanded() bool {
	if p.HasTold {
		return p.Told
	}
	return p.On
}

// edge is the last moment at which the plug may have changed.
func (p *Plug) edge() time.Time {
	if p.TurnedAt.After(p.ChangedAt) {
		return p.TurnedAt
	}
	return p.ChangedAt
}

// latest is the last moment at which the plug may have changed, also by a command that it did not hear when it first was told. Minimum
// times count from then, and the longest run from the edge: each from what makes it safe.
func (p *Plug) latest() time.Time {
	if e := p.edge(); e.After(p.RetoldAt) {
		return e
	}
	return p.RetoldAt
}

// limitRun cuts a run that has reached the longest allowed, also one by a person's hand, and keeps the pause after
// it. It reports whether it cut.
func (p *Plug) limitRun(spec *chamber.Plug, v *Verdict, now time.Time) bool {
	if now.Before(p.CutUntil) && v.On {
		v.On = false
		v.Reasons = prepend(reason.Reason{Code: reason.MaxOn, Value: spec.MaxOn.Seconds(), Until: p.CutUntil}, v.Reasons)
		v.Wake = earlier(v.Wake, p.CutUntil)
		return false
	}
	if spec.MaxOn <= 0 || !p.commanded() && !p.On {
		return false
	}
	end := p.edge().Add(spec.MaxOn)
	if now.Before(end) {
		v.Wake = earlier(v.Wake, end)
		return false
	}
	if !v.On && !p.commanded() { // told off already; a plug that will not go off is told again by send
		return false
	}
	p.Hand = Hand{}
	p.CutUntil = now.Add(max(spec.MinOff+Slack, RestAfterCut))
	v.On = false
	v.Reasons = prepend(reason.Reason{Code: reason.MaxOn, Value: spec.MaxOn.Seconds(), Until: p.CutUntil}, v.Reasons)
	v.Wake = earlier(v.Wake, p.CutUntil)
	return true
}

// holdMinimum keeps the plug as it is until its minimum on or off time is over. It reports whether it does.
func (p *Plug) holdMinimum(spec *chamber.Plug, v *Verdict, now time.Time) bool {
	cur := p.commanded()
	if !p.Known {
		// Nothing is known: the plug may have changed a moment ago. It is told to rest first.
		v.On = false
		return false
	}
	if v.On == cur {
		return false
	}
	least, code := spec.MinOff, reason.MinOff
	if cur {
		least, code = spec.MinOn, reason.MinOn
	}
	if p.latest().IsZero() {
		return false
	}
	end := p.latest().Add(least + Slack)
	if !now.Before(end) {
		return false
	}
	v.On, v.Level = cur, p.ToldAs
	v.Reasons = prepend(reason.Reason{Code: code, Until: end}, v.Reasons)
	v.Wake = earlier(v.Wake, end)
	return true
}

// holdLevel keeps a running plug at its level until the last change of it is long enough ago. That wears no relay, but a
// motor takes seconds to follow, and the air longer.
func (p *Plug) holdLevel(spec *chamber.Plug, v *Verdict, now time.Time) {
	switch {
	case !v.On || !spec.Modulates():
		v.Level = 0
	case p.HasTold && p.Told && p.ToldAs > 0 && v.Level != p.ToldAs:
		if end := p.LevelAt.Add(LevelEvery); now.Before(end) {
			v.Level, v.Wake = p.ToldAs, earlier(v.Wake, end)
		}
	}
}

// send decides whether a command leaves now, and writes it down as if it did; a command that did not leave is
// reported back with [Plug.NotSent].
func (p *Plug) send(spec *chamber.Plug, v *Verdict, sc Scene, until time.Time) {
	if p.Hand.Active && p.Hand.AtPlug {
		return
	}
	if sc.Observe {
		v.Reasons = append(v.Reasons, reason.Reason{Code: reason.Observe})
		return
	}
	if !sc.Link {
		v.Reasons = append(v.Reasons, reason.Reason{Code: reason.LinkDown})
		return
	}
	if spec.Reports && !p.Synced {
		if settled := sc.LinkSince.Add(SettleLink); sc.Now.Before(settled) {
			v.Wake = earlier(v.Wake, settled)
			return
		}
	}
	turned := !p.HasTold || v.On != p.Told
	leveled := !turned && v.On && v.Level != p.ToldAs
	again, next := p.repeatDue(spec, v.On, sc)
	renew := p.leaseDue(spec, v.On, sc.Now)
	retry := p.Unsent
	if at := p.ToldAt.Add(RetryUnsent); retry && sc.Now.Before(at) {
		retry, next = false, earlier(next, at)
	}
	if !turned && !leveled && !again && !renew && !retry {
		v.Wake = earlier(v.Wake, next)
		if spec.Timed && v.On {
			v.Wake = earlier(v.Wake, p.renewAt())
		}
		return
	}
	again = again && (sc.LinkUp || !p.obeys()) // the reassurance of a plug that does as told is no repeat
	switch {
	case again && spec.Reports:
		v.Reasons = append(v.Reasons, reason.Reason{Code: reason.Repeat, Value: float64(p.Repeats)})
	case again:
		v.Reasons = append(v.Reasons, reason.Reason{Code: reason.Remind})
	}
	v.Send, v.Turned = true, turned
	if heard := spec.Reports && p.obeys(); !turned && !heard && p.Unsent {
		p.RetoldAt = sc.Now // the command before did not leave, for all that is known: this may be the one that turns it
	}
	p.told(spec, v, turned, again, until, sc.Now)
	_, next = p.repeatDue(spec, v.On, Scene{Now: sc.Now, Link: true})
	v.Wake = earlier(v.Wake, next)
}

// told writes down a command that leaves now.
func (p *Plug) told(spec *chamber.Plug, v *Verdict, turned, again bool, until, now time.Time) {
	if v.On && v.Level != p.ToldAs {
		p.LevelAt, p.Repeats = now, 0
	}
	if turned {
		p.Obeyed = p.obeys()
		switch {
		case p.Obeyed:
			p.Owed = 0
		case p.HasTold:
			p.Owed++
		}
	}
	p.Told, p.ToldAs, p.HasTold, p.ToldAt, p.Unsent = v.On, v.Level, true, now, false
	if again {
		p.Repeats++
	}
	if turned {
		p.TurnedAt, p.Repeats, p.DisagreesSince, p.Answered = now, 0, time.Time{}, false
	}
	switch {
	case !spec.Reports || turned:
	case v.On && !p.Synced: // it may have gone off unheard meanwhile: this may turn it, or it may run since long ago
		p.RetoldAt = now
	case !v.On && (!p.Synced || p.obeys()):
		p.TurnedAt = now // it may have gone on unheard meanwhile: this may turn it
	}
	if !spec.Reports {
		p.set(v.On, v.Level, now)
	} else if p.HasReported && !p.agrees() {
		if p.DisagreesSince.IsZero() {
			p.DisagreesSince = now
		}
	}
	p.Known = true
	if spec.Timed && v.On {
		v.For = p.lease(spec, until, now)
		p.Lease = now.Add(v.For)
		v.Wake = earlier(v.Wake, p.renewAt())
	} else {
		p.Lease = time.Time{}
	}
}

// lease is for how long a plug that turns itself off is told to stay on.
func (p *Plug) lease(spec *chamber.Plug, until, now time.Time) time.Duration {
	d := LongestLease
	if left := until.Sub(now); !until.IsZero() && left < d {
		d = left
	}
	d = max(d, p.latest().Add(spec.MinOn+Slack).Sub(now), ShortestLease)
	if spec.MaxOn > 0 {
		d = min(d, p.edge().Add(spec.MaxOn).Sub(now))
	}
	return max(d, time.Second).Round(time.Second)
}

// renewAt is when a lease that is still wanted is renewed: after two thirds of it.
func (p *Plug) renewAt() time.Time {
	return p.Lease.Add(-p.Lease.Sub(p.ToldAt) / 3)
}

func (p *Plug) leaseDue(spec *chamber.Plug, on bool, now time.Time) bool {
	return spec.Timed && on && p.Told && !p.Lease.IsZero() && !now.Before(p.renewAt())
}

// repeatDue reports whether the plug must be told again what it was told before, and when to look next.
func (p *Plug) repeatDue(spec *chamber.Plug, on bool, sc Scene) (bool, time.Time) {
	if !p.HasTold || on != p.Told {
		return false, time.Time{}
	}
	if sc.LinkUp {
		return true, time.Time{}
	}
	var at time.Time
	switch {
	case !spec.Reports:
		at = p.ToldAt.Add(BlindRepeat)
	case p.obeys():
		if p.Told || spec.MaxOn <= 0 {
			return false, time.Time{}
		}
		// It may have gone on by itself, and its word of that be lost: it is off again before its longest run is over.
		at = p.ToldAt.Add(spec.MaxOn / 2)
	case p.HasReported && p.Synced && p.agrees():
		// What it said before it was told agrees by chance. Where its word of having obeyed the command before was lost, and
		// then this command too, it does the opposite, and a humidifier would run for hours: it is asked until it answers. One
		// that has nothing to say of a command that changes nothing is told no more often than a plug that reports nothing.
		at = p.ToldAt.Add(min(FirstRepeat<<min(p.Repeats, 10), BlindRepeat))
	default:
		at = p.ToldAt.Add(min(FirstRepeat<<min(p.Repeats, 10), SlowestRepeat))
	}
	return !sc.Now.Before(at), at
}

// NotSent takes back a command that did not leave: it will be decided and told anew.
func (p *Plug) NotSent() { p.Unsent = true }

// obeys reports whether the plug has answered and does what it was told. What it said before the broker was away says nothing of now.
func (p *Plug) obeys() bool { return p.HasReported && p.Synced && p.Answered && p.agrees() }

// agrees reports whether the plug says that it does what it was told.
func (p *Plug) agrees() bool {
	told, said := chamber.Order{On: p.Told, Level: p.ToldAs}.Output(), chamber.Order{On: p.Reported, Level: p.ReportedAs}.Output()
	return p.Told == p.Reported && (p.ReportedAs == 0 || math.Abs(told-said) <= chamber.SameLevel)
}

func (p *Plug) set(on bool, level float64, now time.Time) {
	p.Level = 0
	if on {
		p.Level = level
	}
	if p.Known && on == p.On {
		return
	}
	if p.Known {
		p.Switches++
	}
	p.On, p.Known, p.ChangedAt = on, true, now
}

func prepend(r reason.Reason, rs []reason.Reason) []reason.Reason {
	return append([]reason.Reason{r}, rs...)
}

// earlier returns the earlier of two times, where zero means never.
func earlier(a, b time.Time) time.Time {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}

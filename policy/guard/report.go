package guard

import (
	"math"
	"time"

	"gillkeeper/policy/chamber"
)

// LeaseSlack is how far from the end of its lease a plug that turns itself off may do so: its clock is not ours, and
// reports travel.
const LeaseSlack = 5 * time.Second

// Report takes in what a plug says of itself. It returns true when somebody switched the plug at the plug itself:
// the plug had agreed with its command and then changed without being told.
func (p *Plug) Report(spec *chamber.Plug, r chamber.PlugReport, now time.Time) (byHand bool) {
	if r.HasWatts {
		p.Watts, p.HasWatts, p.WattsAt, p.Metered = r.Watts, true, now, true
	}
	if !r.HasOn {
		return false
	}
	changed := p.HasReported && r.On != p.Reported
	late := p.owes(changed, now)
	agreed := !late && p.Synced && p.HasReported && p.HasTold && p.agrees() && p.answered(spec, r.On, now)
	turned := p.HasReported && r.On && p.Reported && r.Level > 0 && math.Abs(r.Level-p.ReportedAs) > chamber.SameLevel &&
		now.Sub(p.ToldAt) > LateAnswer // until then it may still be on its way
	p.Reported, p.ReportedAs, p.HasReported, p.ReportedAt, p.Answered = r.On, r.Level, true, now, true
	first := !p.Known
	level := r.Level
	switch {
	case !r.On || !spec.Modulates():
		level = 0
	case level == 0: // it does not say
		level = p.ToldAs
	}
	if wait := now.Sub(p.TurnedAt); p.HasTold && p.Told == r.On && p.On != r.On && wait >= 0 && wait <= LateAnswer {
		p.Answers += answersShare * (wait.Seconds() - p.Answers)
	}
	p.set(r.On, level, now)
	if first {
		p.ChangedAt = now // it may have changed a moment ago
	}
	defer func() { p.Synced = true }()
	if !p.HasTold || p.agrees() {
		p.DisagreesSince, p.Repeats = time.Time{}, 0
		return false
	}
	if spec.Timed && !r.On && !p.Lease.IsZero() && !now.Before(p.Lease.Add(-LeaseSlack)) {
		p.Told, p.ToldAs, p.TurnedAt, p.Lease = false, 0, now, time.Time{} // its own timer was up
		return false
	}
	if agreed && (changed || turned) && !r.Retained {
		p.grip(r.On, level, now)
		return true
	}
	if p.DisagreesSince.IsZero() {
		p.DisagreesSince = now
	}
	return false
}

// LateAnswer is how long after a command a report may still be the answer to the one before it: some plugs sit behind
// slow radio, and a pulse may be over before its beginning is reported.
const LateAnswer = 15 * time.Second

// OwedFor is how long after the last command an answer that never came may still come: until then a plug that says nothing was told
// again.
const OwedFor = SlowestRepeat + LateAnswer

// owes reports whether that is the late answer to an earlier command: the plug had not said that it did as told when it was told
// otherwise. A plug that loses its radio for a minute is told on and off meanwhile; when it is back it does all of it, and says so, in a
// moment. What it said last may agree with what it was told last by chance.
func (p *Plug) owes(changed bool, now time.Time) bool {
	if p.Owed == 0 || !changed || now.Sub(p.ToldAt) > OwedFor {
		return false
	}
	p.Owed--
	return true
}

// answersShare is the share of an answer in the mean of them.
const answersShare = 0.1

// answered reports whether the plug has spoken since its command last changed, or had the time to. Until then a report
// that agrees by chance, being older than the command, says nothing of who switches the plug next. A plug that turned
// itself off may be turned on once more by a repeated command that was still on its way.
func (p *Plug) answered(spec *chamber.Plug, on bool, now time.Time) bool {
	if now.Sub(p.ToldAt) > LateAnswer {
		return true
	}
	return !p.ReportedAt.Before(p.TurnedAt) && !(spec.Timed && on)
}

// grip takes down that somebody switched the plug at the plug itself. What the person chose counts as told, so that
// nothing is repeated against it; but it never was told, and will be once the hand is gone: where an old report came late, nobody
// was there, and the plug still does what it was told before.
func (p *Plug) grip(on bool, level float64, now time.Time) {
	p.Hand = Hand{Active: true, On: on, Level: level, AtPlug: true, Since: now, Until: now.Add(HandAtPlug)}
	if on != p.Told {
		p.TurnedAt = now
	}
	p.Told, p.ToldAs, p.Lease, p.DisagreesSince, p.Repeats, p.Unsent = on, level, time.Time{}, time.Time{}, 0, true
}

// Hold puts the plug under a person's hand by command.
func (p *Plug) Hold(on bool, now time.Time, d time.Duration) {
	p.Hand = Hand{Active: true, On: on, Since: now, Until: now.Add(d)}
}

// Release gives the plug back before its time.
func (p *Plug) Release() { p.Hand = Hand{} }

// Unsync forgets that the plug's report is current, because the broker was away: a change meanwhile is no hand, and a
// disagreement from before it may have been mended.
func (p *Plug) Unsync() { p.Synced, p.Metered, p.DisagreesSince = false, false, time.Time{} }

// Fitted is the plug, as it was known at a moment, under a configuration that may say otherwise of it: what it does while nobody looks is
// awaited anew, and what the configuration no longer listens to is forgotten. A command that was still under way may never have left: a
// plug that reports says so itself, another is told again.
func (p Plug) Fitted(spec *chamber.Plug, known time.Time) Plug {
	p.Unsync()
	p.Unsent = p.Unsent || !spec.Reports && p.HasTold && known.Sub(p.TurnedAt) < UnderWay
	if !spec.Reports {
		p.Reported, p.ReportedAs, p.HasReported, p.ReportedAt = false, 0, false, time.Time{}
	}
	if !spec.Meters {
		p.Watts, p.HasWatts, p.WattsAt = 0, false, time.Time{}
	}
	return p
}

// The memory of the duty.
const (
	dutyMemory = 6 * time.Hour // long enough to hold a whole cycle of mist and air, short enough for a stage
	dutyCap    = 48            // hours after which more history makes the mean no surer
	dutyApart  = 0.25          // hours
)

// Pass lets time go by: the counter of on-time grows, and the mean duty where learn says that control had good
// readings.
func (p *Plug) Pass(dt time.Duration, learn bool) {
	if dt <= 0 {
		return
	}
	if p.On {
		p.OnSeconds += dt.Seconds()
	}
	if !learn || p.Hand.Active {
		return
	}
	h := dt.Hours()
	memory := math.Min(dutyMemory.Hours(), math.Max(p.DutyHours, 0.25))
	w := 1 - math.Exp(-h/memory)
	p.Duty += w * (p.Output() - p.Duty)
	p.DutyHours = math.Min(p.DutyHours+h, dutyCap)
	if p.BeforeHours += h; p.BeforeHours >= dutyApart {
		copy(p.Before[1:], p.Before[:])
		p.Before[0], p.BeforeHours = p.Duty, 0
	}
}

// Habit is Duty as it was an hour ago: the sensor for whose want it is asked may have misled control until it was found out.
func (p *Plug) Habit() float64 {
	if old := p.Before[len(p.Before)-1]; old > 0 {
		return old
	}
	return p.Duty
}

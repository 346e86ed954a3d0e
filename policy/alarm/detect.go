package alarm

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
)

// Detectors is what the detectors remember from step to step. The zero value remembers nothing; what it needs it
// learns within hours.
type Detectors struct {
	Now      time.Time     `json:"now,omitzero"` // of the last Detect
	Watched  time.Time     `json:"watched,omitzero"`
	Held     []Held        `json:"held,omitempty"`
	Sensors  []SensorWatch `json:"sensors,omitempty"`
	Plugs    []PlugWatch   `json:"plugs,omitempty"`
	Acts     int64         `json:"acts,omitempty"` // switchings of humidifier and exhaust fan seen so far
	Drying   Drying        `json:"drying,omitzero"`
	Door     Door          `json:"door,omitzero"`
	Fan      FanTest       `json:"fan,omitzero"`
	Room     Exposure      `json:"room,omitzero"`
	Flow     Decay         `json:"flow,omitzero"`   // of the exhaust fan
	Mist     Decay         `json:"mist,omitzero"`   // for a second of on-time
	Jumps    int           `json:"jumps,omitempty"` // of what was learned, as of the last step
	Offset   Offset        `json:"offset,omitzero"`
	Soaked   float64       `json:"soaked,omitempty"` // share of the last hours in which humidity read the end of its range
	Baseline Baseline      `json:"baseline,omitzero"`
	Link     Linger        `json:"link,omitzero"`
	Breaks   Breaks        `json:"breaks,omitzero"`
	Begun    Begun         `json:"begun,omitzero"`
	Dry      Linger        `json:"dry,omitzero"`
	DryTold  bool          `json:"dry_told,omitempty"` // the last time that the reservoir was dry was told of
	Upset    Linger        `json:"upset,omitzero"`     // walls and crop are not as wet as they usually are
	Below    float64       `json:"below,omitempty"`    // seconds for which the chamber's CO2 has read below the room's
}

// Held is a condition that is active, for its deadband and its beginning.
type Held struct {
	Alarm     Name      `json:"alarm"`
	Since     time.Time `json:"since"`
	Instances uint64    `json:"instances,omitempty"` // as of the condition
}

// Linger remembers a cause for a while after it has ceased, because its consequences cease later.
type Linger struct {
	Was     bool    `json:"was,omitempty"`
	Seconds float64 `json:"seconds"` // since it ceased
}

func (l Linger) advance(active bool, dt, forSeconds float64) Linger {
	switch {
	case active:
		return Linger{Was: true}
	case l.Was:
		l.Seconds += dt
		if l.Seconds >= forSeconds {
			return Linger{}
		}
	}
	return l
}

// Breaks counts how often the connection to the broker broke off in a row, each time soon after it had come back. One that never
// lasts is as good as none: each moment of it would begin the delay of broker_lost anew, and hold back what follows from it.
type Breaks struct {
	Count int       `json:"count,omitempty"`
	Last  time.Time `json:"last,omitzero"` // since when it was away the last time
}

// advance counts a break once, and forgets them all when the connection has lasted.
func (b Breaks) advance(e *Evidence) Breaks {
	switch {
	case e.Link && e.Now.Sub(e.LinkSince) >= linkLasts:
		return Breaks{}
	case e.Link || b.Count > 0 && e.LinkLost.Equal(b.Last):
		return b
	case e.LinkLost.Sub(e.LinkSince) >= linkLasts:
		b.Count = 0
	}
	return Breaks{b.Count + 1, e.LinkLost}
}

// Anew says why the journal's file was begun anew; the zero value: it was not.
type Anew struct {
	Code Code `json:"code"` // [SetAside] or [TakenAway]
	// Aside is where the damaged file is now, a path.
	Aside string `json:"aside,omitempty"`
}

// Begun keeps in mind that the journal's file was begun anew: that is over in a moment, and a person is to know of it.
type Begun struct {
	Anew
	Times int       `json:"times"` // each is news
	Since time.Time `json:"since,omitzero"`
}

// advance keeps it until a person has acknowledged it, or has had the time to see it.
func (b Begun) advance(e *Evidence) Begun {
	if e.Anew.Code != "" {
		return Begun{e.Anew, b.Times + 1, e.Now}
	}
	seen := false
	if e.Lives != nil {
		l := e.Lives.Of(JournalFailing)
		seen = l.Phase == Acknowledged && l.Condition.Code == b.Code && l.Condition.Instances == Instance(b.Times)
	}
	if seen || e.Now.Sub(b.Since) >= begunTold {
		b = Begun{Times: b.Times}
	}
	return b
}

// detection is one call of Detect: the detectors, the evidence, and what comes of them.
type detection struct {
	*Detectors
	e       *Evidence
	dt      float64 // seconds since the last step, bounded; never negative
	out     Conditions
	unheard bool // neither sensors nor plugs of the chamber speak
}

// Detect gives one condition for each alarm. It expects [Detectors.WatchSensors] to have been called in the same step.
func (d Detectors) Detect(e *Evidence) (Detectors, Conditions) {
	s := detection{Detectors: &d, e: e, dt: steadySeconds(d.Now, e.Now)}
	d.Now = e.Now
	s.plugs()
	s.door()
	s.airOutOfBand()
	s.sensors()
	s.fan()
	s.water()
	s.roomCO2()
	s.inputs()
	s.causes()
	s.upset()
	s.offset()
	d.Held = s.held()
	return d, s.out
}

// steadySeconds is the time between two steps, at most [maxStep], and none when the clock went back.
func steadySeconds(from, to time.Time) float64 {
	if from.IsZero() || !to.After(from) {
		return 0
	}
	return min(to.Sub(from), maxStep).Seconds()
}

// since gives when a condition that is active began, if it was active in the last step.
func (d *Detectors) since(n Name) (time.Time, bool) {
	for i := range d.Held {
		if d.Held[i].Alarm == n {
			return d.Held[i].Since, true
		}
	}
	return time.Time{}, false
}

func (d *Detectors) was(n Name) bool {
	_, was := d.since(n)
	return was
}

// wasOf reports whether a condition was active of sensor i: what holds one sensor's deadband is that sensor's own.
func (d *Detectors) wasOf(n Name, i int) bool {
	return slices.ContainsFunc(d.Held, func(h Held) bool { return h.Alarm == n && h.Instances&Instance(i) != 0 })
}

// held gives every active condition its beginning and remembers it. A condition that cannot be told now keeps what it
// was.
func (s *detection) held() []Held {
	var held []Held
	for i := range s.out {
		c := &s.out[i]
		if !c.Active && !c.Unknown {
			continue
		}
		since, was := s.since(names[i])
		if c.Unknown && !was {
			continue
		}
		if !was {
			if since = c.Since; since.IsZero() || since.After(s.e.Now) {
				since = s.e.Now
			}
		}
		c.Since = since
		held = append(held, Held{names[i], since, c.Instances})
	}
	return held
}

// airOutOfBand compares the voted air with the target.
func (s *detection) airOutOfBand() {
	t := &s.e.Target
	s.outside(HumidityLow, chamber.RelativeHumidity, t.RelativeHumidity.Low, -HumidityDeadband)
	if t.RelativeHumidity.High+HumidityDeadband < 0.995 { // a sensor cannot tell 99.5 from 100 %
		s.outside(HumidityHigh, chamber.RelativeHumidity, t.RelativeHumidity.High, HumidityDeadband)
		if c := s.out.Of(HumidityHigh); c.Active && c.Value >= saturated { // it takes a while to tell saturated air from a wet sensor
			c.Code = EndOfRange
		}
	}
	s.outside(TemperatureLow, chamber.Temperature, t.TemperatureC.Low, -TemperatureDeadbandK)
	s.outside(TemperatureHigh, chamber.Temperature, t.TemperatureC.High, TemperatureDeadbandK)
	if t.CO2MaxPPM > 0 {
		s.outside(CO2High, chamber.CO2, t.CO2MaxPPM, CO2DeadbandPPM+CO2DeadbandShare*t.CO2MaxPPM)
	}
}

// outside raises an alarm when the value is beyond the bound by more than the deadband, and returns it at the bound. A
// negative deadband means a lower bound.
func (s *detection) outside(n Name, q chamber.Quantity, bound, deadband float64) {
	c := s.out.Of(n)
	if !s.e.Target.OK || !s.e.Spec.Has(q, chamber.Inside) {
		return
	}
	est := s.e.Air.Of(chamber.Inside, q)
	if heeded := s.e.Heeded.Of(chamber.Inside, q); heeded.OK {
		est = heeded
	}
	c.Quantity, c.Value, c.Bound = q, est.Value, bound
	if !est.OK {
		c.Unknown = true
		return
	}
	limit := bound + deadband
	if s.was(n) {
		limit = bound
	}
	c.Active = est.Value < limit
	if deadband > 0 {
		c.Active = est.Value > limit
	}
}

// In air that reads the end of its range for hours mist shows nowhere, and what is learned of it wanders off: no fall is read from
// that while more than soakedMost of the last soakedFor seconds were such.
const (
	soakedMost = 0.5
	soakedFor  = 6 * 3600.0
)

// MistShows reports whether the air tells what the humidifier gives: it was not saturated for most of the last hours.
func (d *Detectors) MistShows() bool { return d.Soaked < soakedMost }

// soak follows for what share of the last hours humidity read the end of its range.
func (s *detection) soak() {
	rh, now := s.e.Air.Inside.RelativeHumidity, 0.0
	if !rh.OK {
		return
	}
	if rh.Value >= saturated {
		now = 1
	}
	s.Soaked += (1 - math.Exp(-s.dt/soakedFor)) * (now - s.Soaked)
}

// water takes over what the reservoir knows.
func (s *detection) water() {
	l, r := &s.e.Learned, s.e.Reservoir
	sure, clogged, clean := flowSure, clogOn, clogOff
	if !s.e.Air.Room.CO2.OK {
		sure, clogged, clean = flowSureBlind, clogOnBlind, clogOffBlind
	}
	s.unsettle()
	if !s.Open() && !s.Fan.Odd() && s.obeys(chamber.ExhaustFan) { // what is learned of one that does not run, or does not rest, only wanders
		s.Flow.advance(l.Flow, l.FlowSD, sure, 0, s.dt)
	}
	s.soak()
	if !s.Open() && s.MistShows() && s.obeys(chamber.Humidifier) && (r == nil || !r.Dry && r.Response.evidence() < doubted) {
		mist := mistSure
		if !s.e.Spec.Has(chamber.RelativeHumidity, chamber.Room) {
			mist = math.Hypot(mistSure, learn.UnmeasuredMist)
			s.Mist.creep(mistCreeps, s.dt)
		}
		s.Mist.advance(l.Mist, l.MistSD, mist, l.Crop, s.dt)
	}
	s.share(FilterClogged, &s.Flow, clogged, clean, chamber.ExhaustFan)
	s.share(HumidifierWeak, &s.Mist, weakOn, weakOff, chamber.Humidifier)
	if r == nil {
		return
	}
	if r.Dry {
		s.DryTold = s.tellsDry(r)
	}
	lingers := dryLingers
	if !s.DryTold { // nothing is to be laid to what nobody was told of
		lingers = 0
	}
	s.Dry = s.Dry.advance(r.Dry, s.dt, lingers.Seconds())
	if r.Dry && s.DryTold {
		*s.out.Of(ReservoirDry) = Condition{Active: true, Code: r.How, About: s.plugName(chamber.Humidifier), Since: r.DrySince}
	}
	limit, days, liters, used := LowAhead, CleanAfter.Hours()/24, CleanLiters, math.Inf(1)
	wasLow := s.was(ReservoirLow) && !s.e.met(ReservoirLow) // what somebody has just filled is judged afresh
	if i := s.e.Spec.Plug(chamber.Humidifier); i >= 0 {
		p := &s.e.Spec.Plugs[i]
		limit = cmp.Or(p.WarnBefore, limit)
		if p.ReservoirLiters > 0 {
			used = lowOn * p.ReservoirLiters
			if wasLow {
				used = lowOff * p.ReservoirLiters
			}
		}
		days, liters = cmp.Or(p.CleanAfter.Hours()/24, days), cmp.Or(p.CleanLiters, liters)
	}
	switch about := s.plugName(chamber.Humidifier); {
	case r.Uncleaned >= days:
		*s.out.Of(CleaningDue) = Condition{Active: true, Code: ByDays, About: about, Value: r.Uncleaned, Bound: days}
	case r.Through >= liters:
		*s.out.Of(CleaningDue) = Condition{Active: true, Code: ByLiters, About: about, Value: r.Through, Bound: liters}
	}
	if wasLow {
		limit += limit / 4
	}
	if r.EmptyOK && r.EmptyIn < limit && r.Liters <= used {
		*s.out.Of(ReservoirLow) = Condition{Active: true, Code: ByWaterCount, Value: r.Liters, Bound: r.High, About: s.plugName(chamber.Humidifier)}
	}
}

// Days for which what is learned of fan and mist is not compared after the chamber was another: of mist longer, for walls and crop find
// their balance within half a day.
const flowSettles, mistSettles = 3.0 / 24, 12.0 / 24

// unsettle notes that the chamber was opened, that another crop makes its CO2, or that the fan stood still: what is learned of all that
// moves air and water then steps by about the same factor, and is no filter that clogs nor a disc that scales, which takes days.
func (s *detection) unsettle() {
	other := s.e.Jumps != s.Jumps && (s.e.Jumped == learn.CO2Generation || s.e.Jumped == learn.Leak)
	s.Jumps = s.e.Jumps
	if broken := s.Fan.Failed || s.Fan.Choked || s.Fan.Account.Still; other || broken || s.Door.lately() {
		s.Flow.unsettle(flowSettles, !other && !broken)
		s.Mist.unsettle(mistSettles, !other && !broken)
	}
}

// A filling that does not last as long as the warning is to come ahead is low once it holds lowOn of what it can, and no longer from
// lowOff on: low from the beginning, it would be told of once and never of the next filling.
const (
	lowOn  = 0.8
	lowOff = 0.9
)

// A dry reservoir that the air alone shows is told after dryTold at the soonest, where CO2 does not show at once that the chamber is shut:
// mist goes out of an open door, too, and with fan and humidifier at rest CO2 soon shows which it is. The humidifier's first trial is
// waited for, which shows mist in a chamber that was shut again and in one that answers otherwise than was foreseen; but no longer than
// dryProved.
const dryTold, dryProved = 14 * time.Minute, 25 * time.Minute

// tellsDry reports whether a reservoir that counts as dry is to be told of.
func (s *detection) tellsDry(r *Reservoir) bool {
	if r.How != ByResponse || s.was(ReservoirDry) {
		return true
	}
	if rh, aim := s.e.Air.Inside.RelativeHumidity, s.e.Target.RelativeHumidity.Aim; rh.OK && s.e.Target.OK && rh.Value >= aim-heldNear {
		return false // nothing is dry
	}
	since := s.e.Now.Sub(r.DrySince)
	return r.Shut && s.Door.Airing.Shut || since >= dryProved || since >= dryTold && r.proved()
}

// share raises an alarm when too little is left of something.
func (s *detection) share(n Name, d *Decay, on, off float64, role chamber.Role) {
	c, share := s.out.Of(n), d.share()
	if share <= 0 {
		c.Unknown = s.was(n)
		return
	}
	limit := on
	if s.was(n) {
		limit = off
	}
	*c = Condition{Active: share < limit, Value: share, Bound: on, About: s.plugName(role), By: d.by(s.e.Now)}
	if share < clogSevere {
		c.Code, c.Worse = Severe, true
	}
}

func (s *detection) plugName(r chamber.Role) string {
	if i := s.e.Spec.Plug(r); i >= 0 {
		return s.e.Spec.Plugs[i].Name
	}
	return ""
}

// inputs takes over what others found out.
func (s *detection) inputs() {
	lost := !s.e.Link
	s.Breaks = s.Breaks.advance(s.e)
	if again := s.Breaks.Count >= linkBreaks; lost || again {
		c := Condition{Active: true, Since: s.Breaks.Last}
		if again {
			c.Code = LinkBreaks
		}
		*s.out.Of(BrokerLost) = c
	}
	s.Link = s.Link.advance(lost, s.dt, brokerLingers.Seconds())
	switch s.Begun = s.Begun.advance(s.e); {
	case s.e.JournalFailing: // what can be mended comes first
		s.out.Of(JournalFailing).Active = true
	case s.Begun.Code != "":
		*s.out.Of(JournalFailing) = Condition{Active: true, Code: s.Begun.Code, About: s.Begun.Aside, Since: s.Begun.Since, Instances: Instance(s.Begun.Times)}
	}
	for _, q := range s.e.Fallback {
		c := s.out.Of(FallbackActive)
		c.Active, c.Instances = true, c.Instances|1<<uint(q)
		if c.Quantity == 0 {
			c.Quantity = q
		}
	}
	s.due(HarvestDue, &s.e.HarvestDue)
	s.due(StageOverdue, &s.e.StageOverdue)
}

func (s *detection) due(n Name, d *Due) {
	if d.Active {
		*s.out.Of(n) = Condition{Active: true, About: d.Batch, Also: strings.Join(d.Others, ", "), Since: d.Since, Instances: d.Instances}
	}
}

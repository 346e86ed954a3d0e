package main

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gillkeeper/bridge/sim"
	"gillkeeper/bridge/words"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/rehearse"
)

// demoChamber is one chamber of the demonstration: what was seen of it, and the same chamber under common practice.
type demoChamber struct {
	name    string
	spec    *chamber.Spec
	batches []policy.Action
	settle  time.Duration

	now    sim.Look
	snap   *policy.Snapshot
	course []point // oldest first
	grower grower
	acts   int

	practice       *rehearse.Run
	practiceGrower grower

	heard  time.Time           // events before it were said
	raised map[alarm.Name]bool // that were said to stand
}

// point is one look at a chamber. What was not known is NaN.
type point struct {
	at        time.Duration
	rh, co2   float64 // voted readings
	mist, fan float64 // seconds of on-time so far
}

// newDemoChamber makes a chamber of its case; common practice runs offline on a copy that does not end.
func newDemoChamber(index int, k *rehearse.Case, batches []policy.Action) (*demoChamber, error) {
	c := &demoChamber{name: k.Spec.Name, spec: k.Spec, batches: batches, settle: k.Settle, raised: map[alarm.Name]bool{}}
	other := *k
	other.For = math.MaxInt64
	other.Outlets = append(other.Outlets[:0:0], k.Outlets...)
	var err error
	c.practice, err = rehearse.New(&other, rehearse.NewCommonPractice(k.Spec, k.Target, rehearse.CarefulTimer(k)))
	return c, err
}

// changed reports whether something else grows here, or in another stage, than at the beginning, by which all figures are judged.
func (c *demoChamber) changed() bool {
	if c.snap == nil {
		return false
	}
	here := 0
	for i := range c.snap.State.Crop.Batches {
		b := &c.snap.State.Crop.Batches[i]
		if !b.Retired.IsZero() {
			continue
		}
		here++
		if !slices.ContainsFunc(c.batches, func(a policy.Action) bool { return a.Batch == b.Name && a.Stage == b.Stage }) {
			return true
		}
	}
	return here != len(c.batches)
}

// practiceTo lets the chamber under common practice follow.
func (c *demoChamber) practiceTo(elapsed time.Duration) {
	for c.practice.At() < elapsed {
		c.practice.Advance(min(10*time.Second, elapsed-c.practice.At()))
		if r := c.practice.Rig(); c.practiceGrower.comes(c.practice.At(), r.State.ReservoirG) {
			r.Refill()
		}
	}
}

// grower fills a reservoir some hours after it ran dry, whoever keeps the chamber.
type grower struct {
	dry bool
	at  time.Duration
}

// growerTakes is how long it takes until somebody comes with water.
const growerTakes = 3 * time.Hour

func (g *grower) comes(elapsed time.Duration, reservoirG float64) bool {
	switch {
	case reservoirG > 0:
		g.dry = false
	case !g.dry:
		g.dry, g.at = true, elapsed+growerTakes
	case elapsed >= g.at:
		g.dry = false
		return true
	}
	return false
}

// window is the longest course that is kept.
const window = 24 * time.Hour

// sample adds a point to the course, but no more than a plot can show.
func (c *demoChamber) sample() {
	if n := len(c.course); c.snap == nil || n > 0 && c.now.Elapsed-c.course[n-1].at < window/2000 {
		return
	}
	p := point{at: c.now.Elapsed, rh: math.NaN(), co2: math.NaN()}
	if e := c.snap.State.Air.Inside.RelativeHumidity; e.OK {
		p.rh = e.Value
	}
	if e := c.snap.State.Air.Inside.CO2; e.OK {
		p.co2 = e.Value
	}
	p.mist, p.fan = c.onSeconds(chamber.Humidifier), c.onSeconds(chamber.ExhaustFan)
	c.course = append(c.course, p)
	for len(c.course) > 0 && c.course[0].at < p.at-window-time.Hour {
		c.course = c.course[1:]
	}
}

func (c *demoChamber) onSeconds(r chamber.Role) float64 {
	if i := c.spec.Plug(r); i >= 0 && i < len(c.snap.State.Plugs) {
		return c.snap.State.Plugs[i].OnSeconds
	}
	return 0
}

// said is one event in words.
type said struct {
	at      time.Duration // since the start
	chamber string
	text    string
	bad     bool
	good    bool
}

// eventLog holds the latest events.
type eventLog []said

func (l *eventLog) add(e said) {
	*l = append(*l, e)
	if n := len(*l); n > 50 {
		*l = (*l)[n-50:]
	}
}

// hearEvents takes the news of every chamber from the journal, as the page does.
func (d *demonstration) hearEvents(ctx context.Context) {
	var news []said
	for _, c := range d.chambers {
		if c.heard.IsZero() {
			c.heard = d.start
		}
		// The newest are written in a moment's batch; what is younger than that is left for the next time.
		to := d.daemon.Clock().Now().Add(-time.Duration(1.2 * d.f.pace * float64(time.Second)))
		if !to.After(c.heard) {
			continue
		}
		list, err := d.daemon.Keeper().Events(ctx, c.name, c.heard, to)
		if err != nil {
			break
		}
		c.heard = to
		for i := range list {
			if e, ok := d.inWords(c, &list[i]); ok {
				news = append(news, e)
			}
		}
	}
	slices.SortStableFunc(news, func(a, b said) int { return cmp.Compare(a.at, b.at) })
	for _, e := range news {
		d.view.say(e)
	}
}

// inWords says an event. Switching plugs is what the picture shows; it is not said.
func (d *demonstration) inWords(c *demoChamber, e *policy.Event) (said, bool) {
	s := said{at: e.At.Sub(d.start), chamber: c.name}
	switch e.Kind {
	case policy.AlarmChanged:
		s.text = alarmWords(e.Alarm)
		switch e.Phase {
		case alarm.Unacknowledged.String():
			s.bad, c.raised[e.Alarm] = true, true
			s.text += fmt.Sprintf(" (%s)", e.Priority)
			if e.Condition != nil {
				if w := d.words().Condition(e.Alarm, e.Condition); w != "" {
					s.text += ": " + w
				}
			}
		case alarm.Normal.String(), alarm.ReturnedUnacknowledged.String():
			if !c.raised[e.Alarm] { // it never came so far as to be said
				return s, false
			}
			s.good, c.raised[e.Alarm] = true, false
			s.text += " is over"
		default:
			return s, false
		}
	case policy.PersonActed:
		if e.Action == nil {
			return s, false
		}
		s.text = actionWords(c, e.Action)
	case policy.RefillSeen:
		s.text, s.good = "water is back in the reservoir", true
	case policy.PlugByHand:
		s.text = e.Plug + ": a report came late at this pace, and was taken for somebody's hand at the plug" // nobody is there
	default:
		return s, false
	}
	return s, s.text != ""
}

func alarmWords(n alarm.Name) string { return strings.ReplaceAll(string(n), "_", " ") }

func actionWords(c *demoChamber, a *policy.Action) string {
	switch a.Kind {
	case policy.BatchAdd:
		return fmt.Sprintf("%s put in: %s, %s, %g kg", a.Batch, words.Species(a.Species), a.Stage, a.SubstrateKg)
	case policy.Refilled:
		if c.acts <= len(c.batches)+1 {
			return ""
		}
		return "the grower has filled the reservoir"
	}
	return strings.ReplaceAll(string(a.Kind), "_", " ") + " by page or command"
}

func (d *demonstration) words() words.Words { return words.Words{Zone: d.config.Site.Zone} }

// clockWords is a moment of the simulated days.
func clockWords(at time.Duration) string {
	t := time.Duration(demoStart)*time.Hour + at
	return fmt.Sprintf("day %d %02d:%02d", 1+int(t/(24*time.Hour)), int(t.Hours())%24, int(t.Minutes())%60)
}

// crops names what grows in a chamber.
func (c *demoChamber) crops() string {
	var list []string
	for _, b := range c.snap.State.Crop.Batches {
		if b.Retired.IsZero() {
			list = append(list, fmt.Sprintf("%s, %s", words.Species(b.Species), b.Stage))
		}
	}
	if list == nil {
		return "empty"
	}
	return strings.Join(list, " + ")
}

// water says what the daemon knows of the reservoir.
func (c *demoChamber) water() string {
	r := &c.snap.State.Reservoir
	i := c.spec.Plug(chamber.Humidifier)
	switch {
	case i < 0:
		return ""
	case r.Dry:
		return "dry"
	case !r.Known:
		return "not known"
	}
	s := fmt.Sprintf("%.2f of %g L", r.Liters, c.spec.Plugs[i].ReservoirLiters)
	if r.EmptyOK {
		s += ", empty " + words.EmptyIn(r)
	}
	return s
}

// standing lists the alarms that stand, the worst first, in words.
func (c *demoChamber) standing(w words.Words) (list []string, worst alarm.Priority) {
	for _, p := range []alarm.Priority{alarm.Urgent, alarm.High, alarm.Medium, alarm.Low} {
		for _, n := range alarm.Names() {
			l := c.snap.State.Alarms.Of(n)
			if !l.Phase.Active() || alarm.Of(n).Priority != p {
				continue
			}
			worst = max(worst, p)
			s := fmt.Sprintf("%s (%s)", alarmWords(n), p)
			if x := w.Condition(n, &l.Condition); x != "" {
				s += ": " + strings.TrimSuffix(x, ".")
			}
			list = append(list, s)
		}
	}
	return list, worst
}

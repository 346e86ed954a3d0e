package notify

import (
	"fmt"
	"strings"
	"time"

	"gillkeeper/bridge/words"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
)

// mostDaily is how many chambers a daily message writes out; of the others it says only those that are not well.
const mostDaily = 20

// settled reports whether snapshots show the chambers as they are and not as they were before the program started: every one was
// decided on, and what is still awaited from its sensors has come or is missed.
func settled(snaps []*policy.Snapshot) bool {
	for _, s := range snaps {
		if s.Decision.At.IsZero() || !s.State.LinkLost.IsZero() && !s.State.Alarms.Active(alarm.BrokerLost) {
			return false
		}
		for i := range s.State.Sensors {
			x := &s.State.Sensors[i]
			if !x.Silent && (!x.Live || s.State.Now.Sub(x.At) > s.Spec.Sensors[i].MaxAge) {
				return false
			}
		}
	}
	return true
}

// seconds are a chamber's counters of a quantity, over all stages.
type seconds struct {
	Observed float64 `json:"observed"`
	In       float64 `json:"in"`
}

// tally is what the counters showed at a daily message, by chamber and quantity.
type tally map[string]map[string]seconds

func tallyOf(snaps []*policy.Snapshot) tally {
	t := tally{}
	for _, s := range snaps {
		one := map[string]seconds{}
		for _, r := range s.State.Totals.InRange {
			x := one[r.Quantity.String()]
			x.Observed += r.ObservedSeconds
			x.In += r.InRangeSeconds
			one[r.Quantity.String()] = x
		}
		t[s.Spec.Name] = one
	}
	return t
}

// daily says how every chamber is, in one or two lines each, so that silence is never ambiguous.
func daily(site *Site, snaps []*policy.Snapshot, before tally, wall time.Time) Message {
	now := tallyOf(snaps)
	var lines []string
	unwell, left, hidden := 0, 0, false
	for i, s := range snaps {
		standing := standing(s)
		if len(standing) > 0 {
			unwell++
		}
		hidden = hidden || len(shelved(s)) > 0
		if i >= mostDaily && len(standing) == 0 && len(shelved(s)) == 0 {
			left++
			continue
		}
		lines = append(lines, chamberLines(site.words(), s, standing, before[s.Spec.Name], now[s.Spec.Name])...)
	}
	switch left {
	case 0:
	case 1:
		lines = append(lines, "1 more chamber is well.")
	default:
		lines = append(lines, fmt.Sprintf("%d more chambers are well.", left))
	}
	m := Message{Kind: Daily, Site: site.Name, Priority: alarm.Low, At: wall.UTC()}
	switch {
	case len(snaps) == 0:
		m.Title = titled(site.Name, "No chamber is configured")
	case unwell == 0 && hidden:
		m.Title = titled(site.Name, "No alarm but what is shelved")
	case unwell == 0 && len(snaps) == 1:
		m.Title = titled(site.Name, "All is well in "+snaps[0].Spec.Name)
	case unwell == 0:
		m.Title = titled(site.Name, fmt.Sprintf("All is well in %d chambers", len(snaps)))
	case len(snaps) == 1:
		m.Title = titled(site.Name, "Alarms in "+snaps[0].Spec.Name)
	default:
		m.Title = titled(site.Name, fmt.Sprintf("Alarms in %d of %d chambers", unwell, len(snaps)))
	}
	m.Text = strings.Join(lines, "\n")
	return m
}

// standing lists the alarms that stand and follow from no other.
func standing(s *policy.Snapshot) (all []alarm.Name) {
	for _, n := range alarm.Names() {
		if l := s.State.Alarms.Of(n); l.Phase.Active() && l.Condition.Cause == "" {
			all = append(all, n)
		}
	}
	return all
}

// shelved lists the alarms whose condition is there and which a person has put off: nobody is told of them, but all is not well.
func shelved(s *policy.Snapshot) (all []alarm.Name) {
	for _, n := range alarm.Names() {
		if l := s.State.Alarms.Of(n); l.Phase == alarm.Shelved && l.Standing && l.Condition.Cause == "" {
			all = append(all, n)
		}
	}
	return all
}

func chamberLines(w words.Words, s *policy.Snapshot, standing []alarm.Name, before, now map[string]seconds) []string {
	var air []string
	for _, q := range chamber.Quantities() {
		if e := s.State.Air.Of(chamber.Inside, q); e.OK && q != chamber.Illuminance {
			air = append(air, words.QuantityAmid(q)+" "+w.Value(q, e.Value)+shareOf(before[q.String()], now[q.String()]))
		}
	}
	if air == nil {
		air = []string{"nothing is measured"}
	}
	first := s.Spec.Name + ": " + strings.Join(air, ", ") + "."
	var second []string
	if r := &s.State.Reservoir; s.Spec.Plug(chamber.Humidifier) >= 0 {
		switch {
		case r.Dry:
			second = append(second, "Reservoir dry.")
		case r.Known && r.EmptyOK:
			second = append(second, fmt.Sprintf("Water %s, empty %s.", words.Liters(r.Liters), words.EmptyIn(r)))
		case r.Known:
			second = append(second, fmt.Sprintf("Water %s.", words.Liters(r.Liters)))
		}
	}
	for i := range s.State.Crop.Batches {
		if b := &s.State.Crop.Batches[i]; b.Retired.IsZero() {
			second = append(second, fmt.Sprintf("%s: %s, flush %d.", b.Name, b.Stage, b.Flush))
		}
	}
	for _, n := range standing {
		says := alarm.Told(n, s.State.Alarms.Of(n).Condition.Code).Says
		if detail := w.Condition(n, &s.State.Alarms.Of(n).Condition); detail != "" {
			says += " " + detail
		}
		second = append(second, fmt.Sprintf("ALARM %s: %s", n, says))
	}
	for _, n := range shelved(s) {
		l := s.State.Alarms.Of(n)
		second = append(second, fmt.Sprintf("Shelved until %s: %s: %s", w.Clock(s.Wall.Add(l.ShelvedLeft), s.Wall), n, alarm.Told(n, l.Condition.Code).Says))
	}
	if second == nil {
		return []string{first}
	}
	return []string{first, "  " + strings.Join(second, " ")}
}

// leastSeen is how long a quantity must have been observed for its share in range to be said.
const leastSeen = 3600.0

// shareOf says which share of the time since the last message a quantity was in range.
func shareOf(before, now seconds) string {
	seen, in := now.Observed-before.Observed, now.In-before.In
	if before.Observed == 0 || seen < leastSeen || in < 0 {
		return ""
	}
	return fmt.Sprintf(" (in range %s of the time)", words.Percent(min(in/seen, 1), 0))
}

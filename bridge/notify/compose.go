package notify

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"

	"gillkeeper/bridge/words"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
)

// Site is what messages need to know of the site.
type Site struct {
	Name       string
	Zone       *time.Location // nil: UTC
	Fahrenheit bool
	TwelveHour bool
}

func (s *Site) words() words.Words {
	return words.Words{Zone: s.Zone, Fahrenheit: s.Fahrenheit, TwelveHour: s.TwelveHour}
}

// moment is a time with its day: a message may be read, or get through, on another.
func (s *Site) moment(t time.Time) string {
	return s.local(t).Format("Mon 2 Jan " + s.words().ClockForm(false))
}

func (s *Site) local(t time.Time) time.Time {
	if s.Zone == nil {
		return t.UTC()
	}
	return t.In(s.Zone)
}

// raised makes the message of an alarm that stands; why is what is known of its cause, or "".
func raised(site *Site, snap *policy.Snapshot, n alarm.Name, c *alarm.Condition, p alarm.Priority, at time.Time, why string) Message {
	d, w := alarm.Told(n, c.Code), site.words()
	m := about(site, snap, n, p, at)
	m.Kind, m.State = Raised, alarm.Unacknowledged.String()
	m.Title = titled(site.Name, snap.Spec.Name+": "+d.Says)
	var lines []string
	if s := w.Condition(n, c); s != "" {
		lines = append(lines, s)
	}
	if why != "" {
		lines = append(lines, "Why: "+why+".")
	}
	lines = append(lines,
		fmt.Sprintf("Since %s. Priority %s: act within %s.", site.moment(at), p, words.Duration(d.Respond)),
		"", "Likely cause: "+d.Cause, "If nobody acts: "+d.Consequence, "Do: "+d.Action)
	if s := followers(w, snap, n); s != "" {
		lines = append(lines, "", s)
	}
	lines = append(lines, "", fmt.Sprintf("To acknowledge it: gillkeeper alarm ack %s %s", snap.Spec.Name, n))
	m.Text = strings.Join(lines, "\n")
	return m
}

// followers lists what follows from an alarm: it is attached here and not sent by itself.
func followers(w words.Words, snap *policy.Snapshot, root alarm.Name) string {
	var all []string
	for _, n := range alarm.Names() {
		l := snap.State.Alarms.Of(n)
		if l.Condition.Cause != root || !l.Phase.Active() && l.Phase != alarm.SuppressedByDesign {
			continue
		}
		s := alarm.Told(n, l.Condition.Code).Says
		if detail := w.Condition(n, &l.Condition); detail != "" {
			s += " " + detail
		}
		all = append(all, "- "+s)
	}
	if all == nil {
		return ""
	}
	return "Follows from it:\n" + strings.Join(all, "\n")
}

// returned makes the message that an alarm is over.
func returned(site *Site, snap *policy.Snapshot, n alarm.Name, p alarm.Priority, phase alarm.Phase, since, at time.Time) Message {
	d := alarm.Of(n)
	m := about(site, snap, n, p, at)
	m.Kind, m.State = Returned, phase.String()
	m.Title = titled(site.Name, snap.Spec.Name+": over: "+d.Says)
	m.Text = fmt.Sprintf("Back to normal since %s; it had lasted since %s. There is nothing left to do.", site.moment(at), site.moment(since))
	if phase == alarm.LatchedUnacknowledged || phase == alarm.LatchedAcknowledged {
		m.Title = titled(site.Name, snap.Spec.Name+": its condition has cleared: "+d.Says)
		m.Text = fmt.Sprintf("Cleared at %s; it had lasted since %s. The alarm stays until somebody resets it: gillkeeper alarm ack %s %s",
			site.moment(at), site.moment(since), snap.Spec.Name, n)
	}
	return m
}

func about(site *Site, snap *policy.Snapshot, n alarm.Name, p alarm.Priority, at time.Time) Message {
	return Message{Site: site.Name, Priority: p, Chamber: snap.Spec.Name, Alarm: n, At: at.UTC()}
}

// idOf is made of the ids of all: sent again with others, it is not the same message, and whoever leaves out what they have had is not
// to leave those out.
func idOf(ms []Message) string {
	h := sha256.New()
	for i := range ms {
		fmt.Fprintln(h, ms[i].ID)
	}
	return hex.EncodeToString(h.Sum(nil)[:12])
}

// mostParts is how many messages are written out when several go as one.
const mostParts = 8

// together makes one message of several: first what stands and then what is over by now, in each the gravest first and then in order
// of time. Of a night's messages, what is left to do is not to be looked for behind what has passed.
func together(site *Site, ms []Message) Message {
	if len(ms) == 1 {
		return ms[0]
	}
	over := func(m *Message) bool {
		return slices.ContainsFunc(ms, func(o Message) bool {
			return o.Kind == Returned && o.State != alarm.LatchedUnacknowledged.String() && o.State != alarm.LatchedAcknowledged.String() &&
				o.Chamber == m.Chamber && o.Alarm == m.Alarm && !o.At.Before(m.At)
		})
	}
	stands, past := []Message{}, []Message{}
	for i := range ms {
		if ms[i].Alarm != "" && over(&ms[i]) {
			past = append(past, ms[i])
		} else {
			stands = append(stands, ms[i])
		}
	}
	for _, part := range [][]Message{stands, past} {
		slices.SortStableFunc(part, func(a, b Message) int {
			if a.Priority != b.Priority {
				return int(b.Priority) - int(a.Priority)
			}
			return a.At.Compare(b.At)
		})
	}
	what := "the worst"
	if len(stands) == 0 && past[0].Kind == Raised {
		what = "all over by now"
	}
	ms = append(stands, past...)
	highest := slices.MaxFunc(ms, func(a, b Message) int { return int(a.Priority) - int(b.Priority) }).Priority
	out := Message{Kind: Several, Site: site.Name, Priority: highest, At: ms[0].At, Parts: ms, ID: "several-" + idOf(ms)}
	groups := byCause(ms)
	out.Title = titled(site.Name, heading(site, groups[0]))
	if len(groups) > 1 {
		out.Title = titled(site.Name, fmt.Sprintf("%d messages, %s: %s", len(ms), what, heading(site, groups[0])))
	}
	var b strings.Builder
	left := len(ms)
	for i, g := range groups {
		if i == mostParts {
			fmt.Fprintf(&b, "And %d more; see gillkeeper alarm list and alarm history.\n", left)
			break
		}
		left -= len(g)
		fmt.Fprintf(&b, "%s\n%s\n\n", heading(site, g), g[0].Text)
	}
	out.Text = strings.TrimSpace(b.String())
	return out
}

// byCause puts messages together that tell of one thing in several chambers: broker and journal are the site's. All others stay by
// themselves, in the order given.
func byCause(ms []Message) (groups [][]Message) {
	for i := range ms {
		m := &ms[i]
		k := slices.IndexFunc(groups, func(g []Message) bool {
			return (m.Alarm == alarm.BrokerLost || m.Alarm == alarm.JournalFailing) && g[0].Alarm == m.Alarm && g[0].Kind == m.Kind
		})
		if k < 0 {
			groups = append(groups, nil)
			k = len(groups) - 1
		}
		groups[k] = append(groups[k], *m)
	}
	return groups
}

// mostNamed is how many chambers the heading of one thing in several names.
const mostNamed = 5

// heading is a message's title without the site, with the names of all the chambers that it is of.
func heading(site *Site, g []Message) string {
	says := strings.TrimPrefix(g[0].Title, site.Name+": ")
	if len(g) == 1 {
		return says
	}
	var names []string
	for i := range g {
		if i == mostNamed {
			names = append(names, fmt.Sprintf("%d more", len(g)-i))
			break
		}
		if !slices.Contains(names, g[i].Chamber) {
			names = append(names, g[i].Chamber)
		}
	}
	return strings.Join(names, ", ") + ": " + strings.TrimPrefix(says, g[0].Chamber+": ")
}

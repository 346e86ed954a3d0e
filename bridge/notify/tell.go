package notify

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/policy"
	"gillkeeper/policy/alarm"
)

// hear works through the inbox and through a reload.
func (d *Desk) hear(ctx context.Context) {
	d.mu.Lock()
	inbox, next := d.inbox, d.next
	d.inbox, d.next = nil, nil
	d.mu.Unlock()
	var records []journal.Record
	if next != nil {
		records = append(d.take(next), d.mem.record())
		d.compared = time.Time{} // a new service is told of what stands
	}
	for i := range inbox {
		records = append(records, d.event(&inbox[i])...)
	}
	d.keep(ctx, records...)
}

// event makes letters of one change of one alarm.
func (d *Desk) event(h *happened) []journal.Record {
	n := h.event.Alarm
	if n.Index() < 0 {
		return nil
	}
	var phase alarm.Phase
	var p alarm.Priority
	if phase.UnmarshalText([]byte(h.event.Phase)) != nil || p.UnmarshalText([]byte(h.event.Priority)) != nil {
		return nil
	}
	if h.event.Notify {
		c := h.event.Condition
		if c == nil {
			c = &alarm.Condition{}
		}
		return d.raise(d.lines, h.snap, n, c, p, h.event.At)
	}
	return d.ended(h.snap, n, phase, h.event.At)
}

// raise tells every service among some that is to know and does not yet know of this occurrence, or not of how grave it has become.
func (d *Desk) raise(lines []*line, snap *policy.Snapshot, n alarm.Name, c *alarm.Condition, p alarm.Priority, at time.Time) (records []journal.Record) {
	key := snap.Spec.Name + "/" + string(n)
	life := snap.State.Alarms.Of(n)
	m := raised(&d.site, snap, n, c, p, at, d.why(n))
	for _, l := range lines {
		was, ok := d.mem.Told[l.Name][key]
		same := ok && was.Raised.Equal(life.Raised)
		if p < l.MinPriority || same && was.Told.Equal(life.ToldAt) && was.Instances == life.LastTold && p <= was.Priority {
			continue
		}
		since := at
		if same {
			since = was.Since
		}
		d.mem.Told[l.Name][key] = told{Priority: p, Since: since, Raised: life.Raised, Told: life.ToldAt, Instances: life.LastTold}
		records = append(records, d.post(l, m)...)
	}
	if records != nil {
		records = append(records, d.mem.record())
	}
	return records
}

// why is what is known of an alarm's cause beyond its condition: of a lost broker the session knows more than the chamber.
func (d *Desk) why(n alarm.Name) string {
	if n != alarm.BrokerLost || d.unlinked == nil {
		return ""
	}
	return d.unlinked()
}

// ended tells those who were told of an alarm that it is over. What a person shelved or took out of service, they know
// of; what is suppressed is not over; and what happened once is not over either.
func (d *Desk) ended(snap *policy.Snapshot, n alarm.Name, phase alarm.Phase, at time.Time) (records []journal.Record) {
	switch phase {
	case alarm.Unacknowledged, alarm.Acknowledged, alarm.SuppressedByDesign:
		return nil
	}
	key := snap.Spec.Name + "/" + string(n)
	for _, l := range d.lines {
		was, ok := d.mem.Told[l.Name][key]
		if !ok {
			continue
		}
		delete(d.mem.Told[l.Name], key)
		if records == nil {
			records = []journal.Record{{}} // the memory's, once all is done
		}
		if phase != alarm.Shelved && phase != alarm.OutOfService && !snap.State.Alarms.Of(n).Condition.Code.Past() {
			records = append(records, d.post(l, returned(&d.site, snap, n, was.Priority, phase, was.Since, at))...)
		}
	}
	if records != nil {
		records[0] = d.mem.record()
	}
	return records
}

// compare looks whether what stands was told, and whether what was told still stands: events may be lost with the
// process, states are not.
func (d *Desk) compare(ctx context.Context) {
	now := time.Now()
	var fresh []*line
	for _, l := range d.lines {
		if now.Sub(l.added) < newFor {
			fresh = append(fresh, l)
		}
	}
	every := compareEvery
	if fresh != nil {
		every = gatherFor
	}
	if !d.compared.IsZero() && now.Sub(d.compared) < every || len(d.lines) == 0 {
		return
	}
	snaps := d.snapshots()
	for _, s := range snaps {
		if s.Decision.At.IsZero() {
			return // not decided on yet since the start: what it shows is of before
		}
	}
	d.compared = now
	var records []journal.Record
	for _, s := range snaps {
		for _, n := range alarm.Names() {
			l := s.State.Alarms.Of(n)
			since := s.Wall.Add(l.Since.Sub(s.State.Now))
			switch {
			case l.Phase == alarm.Unacknowledged && l.Condition.Cause == "" && (l.Told || fresh != nil):
				lines := d.lines
				if !l.Told { // held back from those who were told of it a short while ago
					lines = fresh
				}
				records = append(records, d.raise(lines, s, n, &l.Condition, l.Condition.Priority(n), s.Wall.Add(l.Raised.Sub(s.State.Now)))...)
			default:
				records = append(records, d.ended(s, n, l.Phase, since)...)
			}
		}
	}
	d.keep(ctx, records...)
}

// post puts a message into the outbox of one service.
func (d *Desk) post(l *line, m Message) []journal.Record {
	now := time.Now()
	if m.ID == "" {
		m.ID = now.UTC().Format("20060102T150405") + "-" + rand.Text()[:8]
	}
	x := &letter{Service: l.Name, Message: m, Made: now, Due: now.Add(gatherFor)}
	d.letters = append(d.letters, x)
	return append(d.trim(l), x.record())
}

// trim gives up the least of a service's letters when there are too many: the oldest of the lowest priority.
func (d *Desk) trim(l *line) []journal.Record {
	n, least := 0, -1
	for i, x := range d.letters {
		if x.Service != l.Name {
			continue
		}
		n++
		if least < 0 || x.Message.Priority < d.letters[least].Message.Priority {
			least = i
		}
	}
	if n <= mostLetters {
		return nil
	}
	return []journal.Record{d.giveUp(least, "too many messages wait")}
}

func (d *Desk) giveUp(i int, why string) journal.Record {
	x := d.letters[i]
	d.letters = slices.Delete(d.letters, i, i+1)
	d.count(resultDropped)
	d.log.Error("a message to people was given up", "service", x.Service, "title", x.Message.Title, "why", why)
	return x.gone()
}

// daily makes the daily message of each service whose time has come. One whose time went by while the program was away is made once it is
// back, unless the next is near.
func (d *Desk) daily(ctx context.Context) {
	wall := d.wall()
	local := d.site.local(wall)
	var records []journal.Record
	var snaps []*policy.Snapshot
	for _, l := range d.lines {
		if !l.HasDaily {
			continue
		}
		due := lastDue(local, l.Daily)
		late := sinceMidnight(local) - l.Daily
		if late < 0 {
			late += 24 * time.Hour
		}
		day := due.Format(time.DateOnly)
		last, begun := d.mem.Days[l.Name]
		if last > local.AddDate(0, 0, 1).Format(time.DateOnly) { // the calendar was in the future once, or is not set yet
			if time.Since(d.started) < settleFor {
				continue
			}
			last, begun = "", false
		}
		if last >= day {
			continue
		}
		if begun && late <= lateDaily {
			if l.Quiet.Holds(local) && (late > loudDaily || !l.Quiet.Holds(due)) {
				continue // until they are over
			}
			if snaps == nil {
				snaps = d.snapshots()
			}
			if wall.Sub(d.began) < settleFor && !settled(snaps) {
				continue // d.nap looks again
			}
		}
		d.mem.Days[l.Name] = day
		records = append(records, journal.Record{})
		if !begun || late > lateDaily {
			continue // the program was first started after the hour, or was away for too long
		}
		// Yesterday's that is still waiting says nothing any more.
		d.letters = slices.DeleteFunc(d.letters, func(x *letter) bool {
			old := x.Service == l.Name && x.Message.Kind == Daily
			if old {
				records = append(records, x.gone())
				d.count(resultDropped)
			}
			return old
		})
		m := daily(&d.site, snaps, d.mem.Tallies[l.Name], wall)
		if late > settleFor && d.began.After(due) {
			m.Text += fmt.Sprintf("\nThis was due on %s; gillkeeper was started on %s.", d.site.moment(due), d.site.moment(d.began))
		}
		records = append(records, d.post(l, m)...)
		d.mem.Tallies[l.Name] = tallyOf(snaps)
	}
	if records != nil {
		records = append(slices.DeleteFunc(records, func(r journal.Record) bool { return r.Name == "" }), d.mem.record())
	}
	d.keep(ctx, records...)
}

// lastDue is the last moment at which it was a time of day by the site's clock.
func lastDue(local time.Time, at time.Duration) time.Time {
	y, m, day := local.Date()
	if sinceMidnight(local) < at {
		day--
	}
	return time.Date(y, m, day, int(at/time.Hour), int(at%time.Hour/time.Minute), 0, 0, local.Location())
}

// sendDue hands what is due to each service, as one message.
func (d *Desk) sendDue(ctx context.Context, wg *sync.WaitGroup) {
	now := time.Now()
	d.expire(ctx, now)
	quiet := d.site.local(d.wall())
	for _, l := range d.lines {
		if l.sending {
			continue
		}
		var due []*letter
		urgent := false
		for _, x := range d.letters {
			if x.Service != l.Name || x.Due.After(now) && x.Due.Sub(now) <= longestPause { // a clock set back does not hold it for longer
				continue
			}
			loud := x.Message.Priority >= alarm.Urgent
			if l.Quiet.Holds(quiet) && !loud && x.Message.Kind != Daily {
				continue
			}
			urgent = urgent || loud
			due = append(due, x)
		}
		due = d.withEarlier(l, due)
		if len(due) == 0 || !urgent && (now.Before(l.until) || !l.bucket.AllowN(now, 1)) {
			continue
		}
		d.send(ctx, wg, l, due)
	}
}

// withEarlier takes along what waits for another attempt and tells of the same alarms earlier: that an alarm stands must not arrive
// after that it is over.
func (d *Desk) withEarlier(l *line, due []*letter) []*letter {
	var all []*letter
	for _, x := range d.letters {
		if x.Service == l.Name && (slices.Contains(due, x) || slices.ContainsFunc(due, func(later *letter) bool {
			return x.Message.Alarm != "" && x.Message.Alarm == later.Message.Alarm && x.Message.Chamber == later.Message.Chamber && x.Made.Before(later.Made)
		})) {
			all = append(all, x)
		}
	}
	return all
}

func (d *Desk) send(ctx context.Context, wg *sync.WaitGroup, l *line, due []*letter) {
	l.sending = true
	var ms []Message
	for _, x := range due {
		ms = append(ms, x.Message)
	}
	m := together(&d.site, ms)
	wg.Go(func() {
		r := result{line: l, letters: due, err: l.Notifier.Send(ctx, &m)}
		select {
		case d.results <- r:
		case <-ctx.Done(): // sent or not, it is kept: told twice is better than not at all
		}
	})
}

// settle takes note of what became of an attempt.
func (d *Desk) settle(ctx context.Context, r *result) {
	now := time.Now()
	l := d.lineOf(r.line.Name) // a reload may have made another of it
	if l == nil {
		return // and gave up its letters
	}
	l.sending = false
	var records []journal.Record
	_, partly := errors.AsType[*Partly](r.err)
	if r.err != nil && !partly {
		if l.failing.IsZero() {
			l.failing = now
			d.log.Warn("a message to people could not be sent; it is tried again", "service", l.Name, "error", r.err)
		}
		l.fault = r.err.Error()
		d.count(resultFailed)
		var asked time.Duration
		if b, ok := errors.AsType[*Busy](r.err); ok {
			asked = min(b.For, longestPause)
		}
		if l == r.line {
			l.until = now.Add(asked)
		}
		for _, x := range r.letters {
			x.Tries++
			x.Due = now.Add(max(asked, pause(x.Tries)))
			if l != r.line { // it went to the address of before a reload
				x.Due = now
			}
			if slices.Contains(d.letters, x) {
				records = append(records, x.record())
			}
		}
		d.keep(ctx, records...)
		return
	}
	switch {
	case partly && l.failing.IsZero():
		l.failing = now
		d.log.Warn("a message to people was not taken for all whom it is for", "service", l.Name, "error", r.err)
	case !partly && !l.failing.IsZero():
		d.log.Info("messages to people are sent again", "service", l.Name)
		l.failing = time.Time{}
	}
	l.fault, l.lastSent = "", now
	if partly {
		l.fault = r.err.Error()
	}
	for _, x := range r.letters {
		if i := slices.Index(d.letters, x); i >= 0 {
			d.letters = slices.Delete(d.letters, i, i+1)
		}
		records = append(records, x.gone())
		d.count(resultSent)
	}
	for _, x := range d.letters { // it works again: the others need not wait
		if x.Service == l.Name && x.Tries > 0 {
			x.Due = now
		}
	}
	d.keep(ctx, records...)
}

// expire gives up what has waited for too long.
func (d *Desk) expire(ctx context.Context, now time.Time) {
	var records []journal.Record
	for i := 0; i < len(d.letters); {
		l := d.lineOf(d.letters[i].Service)
		if now.Sub(d.letters[i].Made) > longestWait && (l == nil || !l.sending) {
			records = append(records, d.giveUp(i, "it could not be sent for "+longestWait.String()))
			continue
		}
		i++
	}
	d.keep(ctx, records...)
}

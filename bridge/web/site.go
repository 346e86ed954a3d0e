package web

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/maruel/natural"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
)

// sitePage is the site at a glance. Everything in it is text or a number for a drawing.
type sitePage struct {
	Time     string // with minutes only, so that the page stays the same for a minute
	Standing standing
	NotReady string
	Unsent   []string // messages to people that do not go through
	Cards    []*card
	Dense    bool // many chambers: what is in order is shown small
}

// standing is how something does: its class picks color and shape, its words say the same.
type standing struct {
	Class string // fine, look, act; wait: nobody knows yet
	Words string
}

// card is one chamber.
type card struct {
	Name      string
	Standing  standing
	Observe   bool
	Alarms    []alarmLine
	Quiet     []alarmLine // over and not seen, or put off
	QuietSays string
	Gauges    []gauge
	NoTarget  bool
	Batches   []batchLine
	Conflicts []string
	Plugs     []plugLine
	Water     *water
	Sensors   []sensorLine // of one chamber that is asked for alone
	Unheard   bool         // it has sensors, and none of them has a fresh reading
	Compared  string       // while it is only observed: in short, what the controls in charge do beside this
	rank      int
}

type alarmLine struct {
	Name, Class, Priority, Says, Detail, Do, Note string
	Cause, Consequence                            string
	MayAck, MayShelve                             bool
}

// gauge draws a value against its range. Positions are in hundredths of the drawing's width.
type gauge struct {
	Key                              string // short name, for the live stream
	Name, Value, Unit, Target, Note  string
	Class                            string // fine, look, old
	From, To                         float64
	BandAt, BandWide, Mark, MarkLeft float64
	Drawn, HasBand                   bool
}

// Wanted says the range.
func (g gauge) Wanted() string {
	if g.Target == "" {
		return "nothing wanted"
	}
	return "wanted " + tie(g.Target)
}

type batchLine struct{ Name, Species, Strain, Stage, Day, Flush, Picked string }

type plugLine struct {
	Plug, Name, State, Class string
	Hand                     bool
	Why                      string
}

type water struct {
	Text, Class string
	Share       float64 // of the capacity, in hundredths
	Drawn       bool
}

// denseFrom is from how many chambers on those in order are shown small.
const denseFrom = 12

// After how many seconds a page without script looks again: sooner when something was just done, whose effect one waits for.
const refreshAfter, refreshDone = 15, 5

func (v *visit) site() error {
	seq := v.s.live.touch("")
	p := v.s.sitePage()
	return v.render(200, frame{Title: p.Standing.Words, View: "site", Body: &p, Live: "live", Seq: seq, Refresh: refreshAfter})
}

func (s *Server) sitePage() sitePage {
	set := s.settings.Load()
	p := sitePage{Time: clockLine(set, s.now())}
	if err := s.backend.Ready(); err != nil {
		p.NotReady = oneLine(err.Error())
	}
	if s.posts != nil {
		for _, n := range s.posts() {
			if n.FailingSince != nil {
				p.Unsent = append(p.Unsent, set.words.Undelivered(fmt.Sprintf("%s (%s)", n.Name, n.Scheme), *n.FailingSince, s.now(), n.Waiting, oneLine(n.Fault)))
			}
		}
	}
	for _, snap := range s.backend.Snapshots() {
		p.Cards = append(p.Cards, cardOf(snap, set.words))
	}
	sortCards(p.Cards)
	p.Standing = overall(p.Cards)
	p.Dense = len(p.Cards) >= denseFrom
	return p
}

// clockLine says the date and time of the site, in words that are read alike everywhere.
func clockLine(set *settings, now time.Time) string {
	zone := cmp.Or(set.site.Zone, time.UTC)
	return now.In(zone).Format("Monday 2 January, " + set.words.ClockForm(false))
}

// sortCards puts the worst first, and what is empty last.
func sortCards(cards []*card) {
	slices.SortStableFunc(cards, func(a, b *card) int {
		return cmp.Or(-cmp.Compare(a.rank, b.rank), -compareBool(len(a.Batches) > 0, len(b.Batches) > 0), natural.Compare(a.Name, b.Name))
	})
}

// overall says how the site does as a whole.
func overall(cards []*card) standing {
	act, look, wait, outside := 0, 0, 0, false
	for _, k := range cards {
		outside = outside || k.outside()
		switch k.Standing.Class {
		case "act":
			act++
		case "look":
			look++
		default:
			if k.Unheard {
				wait++
			}
		}
	}
	switch {
	case act > 0:
		return standing{"act", counted(act, "chamber needs", "chambers need") + " you"}
	case look > 0:
		return standing{"look", counted(look, "chamber needs", "chambers need") + " a look"}
	case len(cards) == 0:
		return standing{"look", "No chamber is configured"}
	case wait > 0: // as in the first seconds: nobody knows yet
		return standing{"look", counted(wait, "chamber waits", "chambers wait") + " for readings"}
	case outside:
		return standing{"fine", "No alarm"}
	}
	return standing{"fine", "Everything is in order"}
}

// outside reports whether a value that is measured now lies outside its range.
func (k *card) outside() bool {
	return slices.ContainsFunc(k.Gauges, func(g gauge) bool { return g.Class == "look" })
}

func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func cardOf(snap *policy.Snapshot, w words.Words) *card {
	c := newView(snap, w).chamber()
	return makeCard(snap, &c, w)
}

// unheard reports whether a chamber has sensors of which none has a fresh reading: after a start it takes them a while, and until then
// nothing shows that it is in order.
func unheard(snap *policy.Snapshot) bool {
	sensors := false
	for i := range snap.Spec.Sensors {
		x := &snap.Spec.Sensors[i]
		if x.Place != chamber.Inside || i >= len(snap.State.Sensors) {
			continue
		}
		if snap.State.Sensors[i].Fresh(x, snap.State.Now) {
			return false
		}
		sensors = true
	}
	return sensors
}

// detailOf is the card of a chamber that is looked at alone.
func detailOf(snap *policy.Snapshot, w words.Words) *card {
	v := newView(snap, w)
	c := v.chamber()
	c.Sensors = v.sensors()
	return makeCard(snap, &c, w)
}

func makeCard(snap *policy.Snapshot, c *api.Chamber, w words.Words) *card {
	k := &card{Name: c.Name, Observe: c.Observe, NoTarget: !c.Target.Given, Unheard: unheard(snap), Gauges: gauges(c, w), rank: priority(c.Worst)}
	switch {
	case k.rank >= priority("high"):
		k.Standing = standing{"act", "Needs you"}
	case k.rank >= 0:
		k.Standing = standing{"look", "Have a look"}
	case k.Unheard && len(c.Batches) == 0:
		k.Standing = standing{"wait", "Empty"}
	case len(c.Batches) == 0:
		k.Standing = standing{"fine", "Empty"}
	case k.Unheard:
		k.Standing = standing{"wait", "No reading yet"}
	case k.outside(): // an alarm takes its time, and may not come: the plugs are at it
		k.Standing = standing{"fine", "No alarm"}
	default:
		k.Standing = standing{"fine", "In order"}
	}
	for i := range c.Alarms {
		if line, ok := makeAlarm(&c.Alarms[i], c.At, w); ok {
			if line.Class == "quiet" {
				k.Quiet = append(k.Quiet, line)
			} else {
				k.Alarms = append(k.Alarms, line)
			}
		}
	}
	k.QuietSays = quietSays(k.Quiet)
	for i := range c.Batches {
		k.Batches = append(k.Batches, makeBatch(&c.Batches[i]))
	}
	for _, x := range c.Target.Conflicts {
		k.Conflicts = append(k.Conflicts, x.Text)
	}
	for i := range c.Plugs {
		k.Plugs = append(k.Plugs, makePlug(&c.Plugs[i]))
	}
	k.Water = makeWater(c.Reservoir)
	k.Sensors = makeSensors(c, w)
	if b := makeBeside(c, w); b != nil {
		k.Compared = b.Short
	}
	return k
}

// quietSays counts the alarms that need nobody now.
func quietSays(lines []alarmLine) string {
	put := 0
	for i := range lines {
		if !lines[i].MayShelve {
			put++
		}
	}
	var parts []string
	if n := len(lines) - put; n > 0 {
		parts = append(parts, counted(n, "alarm is over and not seen yet", "alarms are over and not seen yet"))
	}
	if put > 0 {
		parts = append(parts, counted(put, "is put off", "are put off"))
	}
	return strings.Join(parts, ", ")
}

// makeAlarm leaves out what needs nobody: suppressed by design and out of service.
func makeAlarm(a *api.Alarm, now time.Time, w words.Words) (alarmLine, bool) {
	line := alarmLine{Name: a.Alarm, Class: "look", Priority: a.Priority, Says: a.Says, Detail: a.Detail, Do: a.Do,
		Cause: a.Cause, Consequence: a.Consequence, MayAck: true, MayShelve: true}
	if priority(a.Priority) >= priority("high") {
		line.Class = "act"
	}
	if a.FollowsFrom != "" { // what to do about it stands at that one
		line.Do, line.Note = "", "follows from "+strings.ReplaceAll(a.FollowsFrom, "_", " ")
	}
	switch a.State {
	case "suppressed_by_design", "out_of_service":
		return line, false
	case "shelved":
		line.Class, line.Do, line.Note, line.MayAck, line.MayShelve = "quiet", "", "shelved", false, false
		if a.ShelvedUntil != nil {
			line.Note += " until " + w.Clock(*a.ShelvedUntil, now)
		}
	case "acknowledged", "latched_acknowledged":
		line.MayAck = false
		if line.Note != "" {
			line.Note += ", "
		}
		line.Note += "acknowledged"
	case "returned_unacknowledged":
		line.Class, line.Do, line.Note = "quiet", "", "is over; not acknowledged yet"
	}
	return line, true
}

// scale is how a gauge of a quantity is drawn: its name, and the values at its ends in the program's unit.
type scale struct {
	key, name string
	q         chamber.Quantity
	from, to  float64
}

func gauges(c *api.Chamber, w words.Words) []gauge {
	a, t := &c.Air.Chamber, &c.Target
	var rh, temp api.Band
	if t.RelativeHumidity != nil {
		rh = *t.RelativeHumidity
	}
	if t.TemperatureC != nil {
		temp = *t.TemperatureC
	}
	top := math.Max(2000, 1.5*math.Max(t.CO2MaxPPM, t.CO2MinPPM))
	var out []gauge
	add := func(x scale, r *api.Reading, low, high float64) {
		if r != nil {
			out = append(out, makeGauge(&x, r, low, high, t.Given && (low != 0 || high != 0), c.At, w))
		}
	}
	add(scale{"h", "Humidity", chamber.RelativeHumidity, 0.5, 1}, a.RelativeHumidity, rh.Low, rh.High)
	add(scale{"t", "Temperature", chamber.Temperature, 0, 35}, a.TemperatureC, temp.Low, temp.High)
	add(scale{"c", "CO2", chamber.CO2, 400, top}, a.CO2PPM, t.CO2MinPPM, t.CO2MaxPPM)
	return out
}

func makeGauge(x *scale, r *api.Reading, low, high float64, wanted bool, now time.Time, w words.Words) gauge {
	g := gauge{Key: x.key, Name: x.name, Class: "fine", Drawn: true, From: shown(w, x.q, x.from), To: shown(w, x.q, x.to)}
	g.Value, g.Unit, _ = strings.Cut(w.Value(x.q, r.Value), " ")
	switch {
	case !r.Fresh:
		g.Class, g.Note = "old", "no fresh reading; last known"
		if r.At != nil {
			g.Note += " from " + w.Clock(*r.At, now)
		}
	case r.Range == "below":
		g.Class, g.Note = "look", "below its range"
	case r.Range == "above":
		g.Class, g.Note = "look", "above its range"
	}
	if wanted {
		g.Target, g.HasBand = w.Span(x.q, low, high), true
		if high == 0 {
			high = x.to
		}
		g.BandAt = place(low, x.from, x.to)
		g.BandWide = math.Max(1, math.Round(10*(place(high, x.from, x.to)-g.BandAt))/10)
	}
	g.Mark = place(r.Value, x.from, x.to)
	g.MarkLeft = g.Mark - 1
	return g
}

// shown is a value as the page shows it: percent, the site's degrees, ppm.
func shown(w words.Words, q chamber.Quantity, v float64) float64 {
	switch q {
	case chamber.RelativeHumidity:
		return v * 100
	case chamber.Temperature:
		return w.Degrees(v)
	}
	return v
}

// place gives where a value stands on a scale, 0..100.
func place(v, from, to float64) float64 {
	return math.Round(1000*math.Min(1, math.Max(0, (v-from)/(to-from)))) / 10
}

func makeBatch(b *api.Batch) batchLine {
	l := batchLine{Name: b.Name, Species: words.Species(b.Species), Strain: b.Strain, Stage: b.Stage, Day: fmt.Sprintf("day %d", b.StageDay),
		Flush: fmt.Sprintf("flush %d", b.Flush)}
	if b.FreshG > 0 {
		l.Picked = fmt.Sprintf("%s g picked, biological efficiency %s", words.Number(b.FreshG, 0), words.Percent(b.BiologicalEfficiency, 0))
	}
	return l
}

func makePlug(p *api.Plug) plugLine {
	l := plugLine{Plug: p.Name, Name: plugName(p.Name, p.Role), State: "off", Class: "off", Hand: p.Hand != nil}
	switch {
	case !p.Known:
		l.State, l.Class = "not known", "unknown"
	case p.On:
		l.State, l.Class = "on", "on"
		if p.Level != nil {
			l.State += ", " + words.Percent(*p.Level, 0)
		}
	}
	var why []string
	for _, r := range p.Reasons {
		why = append(why, r.Text)
	}
	l.Why = strings.Join(why, " ")
	return l
}

// plugName says a plug by its role, and its own name where it has one.
func plugName(name, role string) string {
	s := strings.ReplaceAll(role, "_", " ")
	switch {
	case role == "":
		return name
	case name != role:
		s += " (" + name + ")"
	}
	return s
}

func makeWater(r *api.Reservoir) *water {
	if r == nil {
		return nil
	}
	x := &water{Text: r.Text, Class: "fine"}
	switch {
	case r.Dry:
		x.Class = "act"
	case r.EmptyIn != nil && time.Duration(*r.EmptyIn) < 24*time.Hour:
		x.Class = "look"
	}
	if r.Known && r.CapacityLiters > 0 {
		x.Drawn, x.Share = true, place(r.Liters, 0, r.CapacityLiters)
	}
	return x
}

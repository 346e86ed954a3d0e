package web

import (
	"cmp"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/learn"
	"gillkeeper/policy/species"
)

// chamberPage is one chamber with its past.
type chamberPage struct {
	Card    *card
	Time    string
	Spans   []choice
	Span    string
	Plots   *plots
	Learned []learnedLine
	Why     whyPart
	Water   bool // there is a reservoir to fill
	Beside  *besidePart
	Done    *doneNote
}

// choice is one of several links of which one is where we are.
type choice struct {
	Value, Words string
	Here         bool
}

// learnedLine is one value that was learned by watching the chamber.
type learnedLine struct {
	Name, Value, Unsure, Before string
	Path                        string // how it moved, 1000 by 40
}

// whyPart is the reasons of now or of a moment.
type whyPart struct {
	Past  bool
	When  string
	Input string // the moment as the form writes it
	Max   string
	Plugs []whyLine
	Then  []string // what grew, and what the air was
	Fault string
}

type whyLine struct {
	Name, State, Class, Since string
	Reasons                   []string
}

func (v *visit) chamber() error {
	name := v.r.PathValue("chamber")
	seq := ""
	if _, ok := v.s.backend.Snapshot(name); ok {
		seq = v.s.live.touch(name)
	}
	view, err := v.s.viewOf(name)
	if err != nil {
		return err
	}
	c := view.chamber()
	c.Sensors = view.sensors()
	p := chamberPage{Card: makeCard(view.snap, &c, v.set.words), Time: clockLine(v.set, v.s.now()), Water: c.Reservoir != nil, Done: v.doneNote()}
	from, to := v.span(view, &p)
	course, err := v.s.readCourse(v.r.Context(), view, from, to)
	if err != nil {
		return err
	}
	p.Plots = course.draw(view, v.set.words)
	p.Learned = v.learned(course, view)
	p.Why = v.why(view)
	p.Beside = makeBeside(&c, v.set.words)
	f := frame{Title: name, View: "chamber", Body: &p, Live: "live?" + url.Values{"chamber": {name}}.Encode(), Seq: seq, Refresh: refreshAfter}
	switch {
	case v.r.URL.Query().Has("at"):
		f.Refresh = 0
	case p.Done != nil:
		f.Refresh = refreshDone
	}
	return v.render(http.StatusOK, f)
}

// span reads which stretch of time is wanted.
func (v *visit) span(view *view, p *chamberPage) (from, to time.Time) {
	to = view.snap.Wall
	since, flush := flushSince(view)
	p.Span = v.r.URL.Query().Get("span")
	switch {
	case p.Span == "7d":
		from = to.Add(-7 * 24 * time.Hour)
	case p.Span == "flush" && flush:
		from = since
		if least := to.Add(-24 * time.Hour); from.After(least) {
			from = least
		}
	default:
		p.Span, from = "24h", to.Add(-24*time.Hour)
	}
	p.Spans = []choice{{"24h", "24 hours", p.Span == "24h"}, {"7d", "7 days", p.Span == "7d"}}
	if flush {
		p.Spans = append(p.Spans, choice{"flush", "This flush", p.Span == "flush"})
	}
	return from, to
}

// longestFlush is as far back as a flush is drawn.
const longestFlush = 120 * 24 * time.Hour

// flushSince is when the flush began that has grown longest here.
func flushSince(view *view) (time.Time, bool) {
	var first time.Time
	for i := range view.snap.State.Crop.Batches {
		b := &view.snap.State.Crop.Batches[i]
		if !b.Retired.IsZero() {
			continue
		}
		since := b.Added
		for j := range b.Flushes {
			if f := &b.Flushes[j]; f.Number == b.Flush-1 && !f.Closed.IsZero() {
				since = f.Closed
			}
		}
		if at := view.at(since); at != nil && (first.IsZero() || at.Before(first)) {
			first = *at
		}
	}
	if least := view.snap.Wall.Add(-longestFlush); !first.IsZero() && first.Before(least) {
		first = least
	}
	return first, !first.IsZero()
}

// learned lists what was learned, and how it moved.
func (v *visit) learned(c *course, view *view) []learnedLine {
	spec := view.snap.Spec
	k := view.snap.State.Learn.Knowledge(spec.VolumeM3, spec.AltitudeM)
	fan, mist := spec.Plug(chamber.ExhaustFan) >= 0, spec.Plug(chamber.Humidifier) >= 0
	var out []learnedLine
	add := func(show bool, name, quantity, unit string, digits int, x learn.Learned) {
		if !show {
			return
		}
		l := learnedLine{Name: name, Value: "not known yet"}
		if x.Known {
			l.Value, l.Unsure = words.Number(x.Value, digits)+unit, unsure(x, digits)
		}
		s := c.of(journal.PlaceLearned, quantity)
		l.Before = wandered(s, cell{mean: x.Value, ok: x.Known}, digits, unit)
		l.Path = sparkline(s)
		if !x.Known && l.Before != "" {
			l.Value = "not sure at present"
		}
		out = append(out, l)
	}
	add(fan, "Air changes an hour, fan running", journal.AirChangesFanOn, "", 1, k.FanOn)
	add(true, "Air changes an hour, fan at rest", journal.AirChangesFanOff, "", 2, k.FanOff)
	add(true, "Respiration of the crop, CO2", journal.CO2Generation, " g/h", 2, k.CO2GPerH)
	add(mist, "Water drawn by the humidifier, running", journal.MistDrawn, " g/h", 0, view.snap.State.Reservoir.Output())
	add(mist, "Vapor that its mist becomes, running", journal.MistEvaporated, " g/h", 0, k.VaporGPerH)
	add(fan, "Fan flow through filter and duct", journal.FanFlow, " m³/h", 1, k.FanM3PerH)
	return out
}

// unsure says within what the truth lies, as status and the metrics have it.
func unsure(x learn.Learned, digits int) string {
	low, high := x.Interval()
	return words.Number(low, digits) + " to " + words.Number(high, digits) + " in 9 of 10 cases"
}

// wandered says where a series began, and between what it lay up to what is known now, which the record does not have yet.
func wandered(s []cell, now cell, digits int, unit string) string {
	first, low, high := "", math.Inf(1), math.Inf(-1)
	if now.ok {
		low, high = now.mean, now.mean
	}
	for _, x := range s {
		if !x.ok {
			continue
		}
		if first == "" {
			first = words.Number(x.mean, digits)
		}
		low, high = min(low, x.mean), max(high, x.mean)
	}
	if first == "" {
		return ""
	}
	text := first + unit + " at the start of this time"
	if l, h := words.Number(low, digits), words.Number(high, digits); l != h {
		text += ", " + l + " to " + h + " within it"
	}
	return text
}

// sparkline draws a series small.
func sparkline(s []cell) string {
	low, high := math.Inf(1), math.Inf(-1)
	for _, x := range s {
		if x.ok {
			low, high = min(low, x.mean), max(high, x.mean)
		}
	}
	if math.IsInf(low, 0) {
		return ""
	}
	if least := 0.1 * math.Abs(high); high-low < least { // what hardly moves must not look as if it did
		middle := (low + high) / 2
		low, high = middle-least/2, middle+least/2
	}
	if high <= low {
		high = low + 1
	}
	var b strings.Builder
	pen := byte('M')
	for i, x := range s {
		if x.ok {
			fmt.Fprintf(&b, "%c%s %s", pen, short1(1000*(float64(i)+0.5)/float64(len(s))), short1(38-36*(x.mean-low)/(high-low)))
			pen = 'L'
		}
	}
	return b.String()
}

// why gives the reasons of now, or of the moment that was pointed at.
func (v *visit) why(view *view) whyPart {
	zone := v.set.words.Zone
	if zone == nil {
		zone = time.UTC
	}
	const form = "2006-01-02T15:04"
	p := whyPart{Max: view.snap.Wall.In(zone).Format(form), Input: view.snap.Wall.In(zone).Format(form)}
	text := v.r.URL.Query().Get("at")
	if text == "" {
		c := view.chamber()
		for i := range c.Plugs {
			x := &c.Plugs[i]
			p.Plugs = append(p.Plugs, whyOf(x.Name, x.Role, x.On, x.Known, x.Since, x.Reasons, view, v.set.words))
		}
		return p
	}
	p.Past = true
	at, err := v.s.pastMoment("at", text, view.snap.Wall)
	if err != nil {
		p.Fault = asProblem(err).Detail
		return p
	}
	p.Input, p.When = at.In(zone).Format(form), at.In(zone).Format("Monday 2 January, "+v.set.words.ClockForm(false))
	got, err := v.s.whyAt(v.r, view, at)
	if err != nil {
		p.Fault = asProblem(err).Detail
		return p
	}
	past := got.(api.Why)
	if t := past.Then; t != nil {
		for _, b := range t.Batches {
			p.Then = append(p.Then, fmt.Sprintf("%s, %s, flush %d: %s", b.Batch, words.Species(b.Species), b.Flush, b.Stage))
		}
		for i := range t.Values {
			if t.Values[i].Place == chamber.Inside.String() {
				p.Then = append(p.Then, t.Values[i].Says)
			}
		}
	}
	for _, x := range past.Plugs {
		p.Plugs = append(p.Plugs, whyOf(x.Name, x.Role, x.On, true, x.Since, x.Reasons, view, v.set.words))
	}
	return p
}

func whyOf(name, role string, on, known bool, since *time.Time, reasons []api.Reason, view *view, w words.Words) whyLine {
	l := whyLine{Name: plugName(name, role), State: "off", Class: "off"}
	switch {
	case !known:
		l.State, l.Class = "not known", "unknown"
	case on:
		l.State, l.Class = "on", "on"
	}
	if since != nil {
		l.Since = w.Clock(*since, view.snap.Wall)
	}
	for _, r := range reasons {
		l.Reasons = append(l.Reasons, r.Text)
	}
	return l
}

// speciesChoices lists the species that a chamber's table knows, as people write them.
func speciesChoices(t *species.Table, chosen string) []choice {
	var out []choice
	for _, name := range t.Species() {
		out = append(out, choice{name, words.Species(name), name == chosen})
	}
	slices.SortFunc(out, func(a, b choice) int { return cmp.Compare(a.Words, b.Words) })
	return append([]choice{{"", "choose one", chosen == ""}}, out...) // nothing grows by default
}

// stageChoices lists the stages.
func stageChoices(chosen species.Stage) []choice {
	var out []choice
	for _, s := range species.Stages() {
		out = append(out, choice{s.String(), s.String(), s == chosen})
	}
	return out
}

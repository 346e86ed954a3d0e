package yield

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"gillkeeper/policy/species"
)

// Mark is what a report's file begins with after its doctype, to know it by.
const Mark = "<!-- gillkeeper season report -->"

//go:embed page.html
var pageSource string

//go:embed page.css
var pageStyle string

// The template escapes every text by where it stands; what is marked as safe is the file's own style sheet and mark.
var page = template.Must(template.New("page").Funcs(template.FuncMap{
	"style": func() template.CSS { return template.CSS(pageStyle) },
	"mark":  func() template.HTML { return template.HTML(Mark) },
	"px":    func(v float64) string { return strings.TrimSuffix(fmt.Sprintf("%.1f", v), ".0") },
}).Parse(pageSource))

// strongest is how many relations are drawn as scatter.
const strongest = 6

// WriteHTML writes the report as one page that needs nothing else: no script, no font, no address.
func (r *Report) WriteHTML(w io.Writer, s *Season, made time.Time) error {
	return page.Execute(w, r.view(s, made))
}

// view is what the page shows, in words and drawings.
type view struct {
	Site, Range, Made string
	Numbers           []pair
	Findings          []string
	Species           []speciesView
	Batches           []batchView
	Scatter           []scatterView
	Forest            []forestView
	Questions         []questionView
	Asked             int
	Level             string
	Alarms            []alarmView
	Uses              []useView
	Unexpected        bool // some species has no range for its flushes
}

type pair struct{ Name, Value string }

type speciesView struct {
	Name, Common, Expected string
	Picture                *picture
	Flushes                []int
}

type batchView struct {
	Name, Chamber, Species, Standing string
	Facts                            []pair
	Flushes                          []flushView
	Losses                           []string
}

type flushView struct {
	Title, Yield, Standing string
	Picture                *picture
	Stages                 []string
	Rows                   []rowView
}

type rowView struct {
	Name  string
	Cells []string
}

type scatterView struct {
	Title, Species, Text string
	Found                bool
	Picture              *picture
	Flushes              []int
}

type forestView struct {
	Species string
	Picture *picture
}

type questionView struct {
	Species, Stage, Measure, R, Interval, P, Q, N string
	Found                                         bool
}

type alarmView struct{ Chamber, Alarm, Priority, Times, Hours, Longest, Crop, Flushes, Dry, Stale string }

type useView struct{ Chamber, Days, Fresh, Water, PerKg, Energy, KWhPerKg, Mist, Fan, Light string }

func (r *Report) view(s *Season, made time.Time) *view {
	c := s.clock()
	v := &view{Site: r.Site, Range: c.day(r.From) + " to " + c.day(r.To), Made: c.day(made), Findings: r.findings(s),
		Asked: len(r.Relations), Level: percent(r.Level)}
	if v.Site == "" {
		v.Site = "Season"
	}
	v.Numbers = r.numbers()
	v.harvests(r, s)
	for i := range r.Batches {
		v.Batches = append(v.Batches, r.batchView(s, &s.Batches[i], &r.Batches[i]))
	}
	v.relations(r, s)
	for i := range r.Alarms {
		v.Alarms = append(v.Alarms, r.Alarms[i].view())
	}
	for i := range r.Chambers {
		v.Uses = append(v.Uses, r.Chambers[i].view())
	}
	return v
}

func (r *Report) numbers() []pair {
	fresh, final := 0.0, 0
	for i := range r.Harvests {
		fresh += r.Harvests[i].FreshG
		if r.Harvests[i].Final {
			final++
		}
	}
	return []pair{
		{"chambers", fixed(float64(len(r.Chambers)), 0)}, {"batches", fixed(float64(len(r.Batches)), 0)},
		{"finished flushes", fixed(float64(final), 0)}, {"harvested", fixed(fresh/1000, 1) + " kg"},
	}
}

// harvests draws the bars, one picture for each species.
func (v *view) harvests(r *Report, s *Season) {
	var names []string
	by := map[string][]*BatchYield{}
	for i := range r.Batches {
		b := &r.Batches[i]
		names = append(names, b.Species)
		by[b.Species] = append(by[b.Species], b)
	}
	slices.Sort(names)
	for _, name := range slices.Compact(names) {
		x := speciesView{Name: binomial(name), Common: s.called(name), Picture: s.bars(by[name], r.Harvests)}
		for i := range r.Harvests {
			if f := min(r.Harvests[i].Flush, 4); r.Harvests[i].Species == name && !slices.Contains(x.Flushes, f) {
				x.Flushes = append(x.Flushes, f)
			}
		}
		slices.Sort(x.Flushes)
		if c, ok := s.crop(name); ok && c.BEHigh > 0 {
			x.Expected = fmt.Sprintf("Expected of a whole batch: %s to %s (%s; %s).", percent(c.BELow), percent(c.BEHigh), c.Source, c.Sureness)
			if c.Note != "" {
				x.Expected += " " + strings.ToUpper(c.Note[:1]) + c.Note[1:] + "."
			}
		}
		if shares[name] == nil {
			v.Unexpected = true
		}
		v.Species = append(v.Species, x)
	}
}

func (r *Report) batchView(s *Season, b *Batch, y *BatchYield) batchView {
	c := s.clock()
	v := batchView{Name: b.Name, Chamber: b.Chamber, Species: s.called(b.Species), Standing: y.Standing.words()}
	add := func(name, value string) {
		if value != "" {
			v.Facts = append(v.Facts, pair{name, value})
		}
	}
	add("strain", b.Strain)
	add("substrate", fmt.Sprintf("%s kg, dry %s kg", tick(b.SubstrateKg), tick(b.DryKg)))
	add("supplements", b.Supplements)
	add("place", b.Position)
	in := "since " + c.day(b.Added)
	if !b.Retired.IsZero() {
		in = c.day(b.Added) + " to " + c.day(b.Retired)
	}
	add("in the chamber", in)
	add("harvest", fmt.Sprintf("%s g, biological efficiency %s", fixed(y.FreshG, 0), percent(y.Efficiency)))
	add("note", b.Note)
	for _, l := range b.Losses {
		text := fmt.Sprintf("%s: %s in flush %d", c.short(l.At), l.Cause, l.Flush)
		if l.Grams > 0 {
			text += ", " + fixed(l.Grams, 0) + " g"
		}
		if l.Note != "" {
			text += " (" + l.Note + ")"
		}
		v.Losses = append(v.Losses, text)
	}
	for _, n := range y.Flushes {
		v.Flushes = append(v.Flushes, r.flushView(s, b, &r.Harvests[n]))
	}
	return v
}

func (st Standing) words() string {
	if st == Unknown {
		return ""
	}
	return string(st) + " the expected range"
}

func (r *Report) flushView(s *Season, b *Batch, h *Harvest) flushView {
	f := flushView{Title: fmt.Sprintf("Flush %d", h.Flush), Yield: fmt.Sprintf("%s g · efficiency %s", fixed(h.FreshG, 0), percent(h.Efficiency)),
		Standing: h.Standing.words(), Picture: s.ribbon(b, h)}
	switch {
	case !h.Final:
		f.Standing = "not finished"
	case h.High > 0:
		f.Standing = fmt.Sprintf("%s of %s to %s", h.Standing.words(), percent(h.Low), percent(h.High))
	}
	var shown []*Conditions
	for i := range h.Conditions {
		if st := h.Conditions[i].Stage; st == species.Pinning || st == species.Fruiting {
			shown = append(shown, &h.Conditions[i])
			f.Stages = append(f.Stages, st.String())
		}
	}
	for _, row := range s.figures() {
		x := rowView{Name: row.name}
		some := false
		for _, c := range shown {
			cell := row.of(c)
			some = some || cell != "–"
			x.Cells = append(x.Cells, cell)
		}
		if some {
			f.Rows = append(f.Rows, x)
		}
	}
	return f
}

// figure is one row of a flush's table.
type figure struct {
	name string
	of   func(*Conditions) string
}

func (s *Season) figures() []figure {
	temperature := func(v Value) string { return v.shown(1, 1, " °C") }
	degreeHours := func(v Value) string { return v.shown(1, 0, " °C·h") }
	if s.Fahrenheit {
		temperature = func(v Value) string { return (v*1.8 + 32).shown(1, 1, " °F") }
		degreeHours = func(v Value) string { return (v * 1.8).shown(1, 0, " °F·h") }
	}
	return []figure{
		{"length", func(c *Conditions) string { return Value(c.Hours).shown(1, 0, " h") }},
		{"observed", func(c *Conditions) string { return Value(c.Observed).shown(100, 0, " %") }},
		{"humidity in range", func(c *Conditions) string { return c.RHInRange.shown(100, 0, " %") }},
		{"longest dry dip", func(c *Conditions) string { return c.DryDipHours.shown(1, 1, " h") }},
		{"mean vapor deficit", func(c *Conditions) string { return c.MeanVPDPa.shown(1, 0, " Pa") }},
		{"CO2 above its limit", func(c *Conditions) string { return c.CO2AboveHours.shown(1, 1, " h") }},
		{"temperature in range", func(c *Conditions) string { return c.TInRange.shown(100, 0, " %") }},
		{"mean temperature", func(c *Conditions) string { return temperature(c.MeanC) }},
		{"degree-hours above freezing", func(c *Conditions) string { return degreeHours(c.DegreeHours) }},
		{"air changes", func(c *Conditions) string {
			if !c.AirChanges.OK() {
				return "–"
			}
			return c.AirChanges.shown(1, 0, "") + " (" + c.AirChangesPerHour.shown(1, 1, "/h") + ")"
		}},
		{"light", func(c *Conditions) string {
			if !c.LightHours.OK() {
				return "–"
			}
			return c.LightHours.shown(1, 0, " h") + " (" + c.LightHoursPerDay.shown(1, 1, " h/d") + ")"
		}},
		{"CO2 given off in the chamber", func(c *Conditions) string { return c.RespirationG.shown(1, 0, " g") }},
	}
}

func (v *view) relations(r *Report, s *Season) {
	by := map[string][]*Relation{}
	var names []string
	for i := range r.Relations {
		x := &r.Relations[i]
		if len(by[x.Species]) == 0 {
			names = append(names, x.Species)
		}
		by[x.Species] = append(by[x.Species], x)
		if i < strongest {
			v.Scatter = append(v.Scatter, x.view(s))
		}
		unit, _, _ := s.unit(x.Measure)
		v.Questions = append(v.Questions, questionView{s.called(x.Species), x.Stage.String(), unit, fixed(x.R, 2),
			between(x.Low, x.High), probability(x.P), probability(x.Q), fmt.Sprintf("%d / %d", x.Flushes, x.Batches), x.Found})
	}
	slices.Sort(names)
	for _, name := range names {
		v.Forest = append(v.Forest, forestView{s.called(name), s.forest(by[name])})
	}
}

func between(low, high Value) string {
	if !low.OK() || !high.OK() {
		return "–"
	}
	return fixed(float64(low), 2) + " to " + fixed(float64(high), 2)
}

func (r *Relation) view(s *Season) scatterView {
	text := r.rank() + "; " + chance(r.P) + "; q = " + probability(r.Q) + "."
	if r.Least.OK() {
		text += fmt.Sprintf(" Third with the least: %s of the median; with the most: %s.", percent(float64(r.Least)), percent(float64(r.Most)))
	}
	title := r.headline() + "."
	if !r.Found {
		title = upper(measureOf(r.Measure).Name) + " " + during(r.Stage) + ": nothing that stands out."
	}
	x := scatterView{Title: title, Species: s.called(r.Species), Text: text, Found: r.Found, Picture: s.scatter(r)}
	for _, p := range r.Points {
		if f := min(p.Flush, 4); !slices.Contains(x.Flushes, f) {
			x.Flushes = append(x.Flushes, f)
		}
	}
	slices.Sort(x.Flushes)
	return x
}

func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func (a *AlarmCost) view() alarmView {
	return alarmView{a.Chamber, upper(strings.ReplaceAll(strings.ReplaceAll(a.Alarm, "_", " "), "co2", "CO2")), a.Priority, fixed(float64(a.Times), 0), Value(a.Hours).shown(1, 1, " h"),
		Value(a.Longest).shown(1, 1, " h"), Value(a.CropHours).shown(1, 1, " h"), fixed(float64(a.Flushes), 0),
		a.DryHours.shown(1, 1, " h"), a.StaleHours.shown(1, 1, " h")}
}

func (u *Use) view() useView {
	return useView{u.Chamber, fixed(math.Round(u.Hours/24), 0), Value(u.FreshKg).shown(1, 1, " kg"), u.WaterL.shown(1, 1, " L"), u.WaterPerKg.shown(1, 1, " L"),
		u.EnergyKWh.shown(1, 1, " kWh"), u.KWhPerKg.shown(1, 2, " kWh"), u.MistHours.shown(1, 0, " h"), u.FanHours.shown(1, 0, " h"), u.LightHours.shown(1, 0, " h")}
}

package web

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
)

// Drawings are 1000 wide and plotHeight high, and stretched to the page; labels stand beside them as text of the page, at
// even distances, so that they keep their size.
const plotHeight = 200

// plots is all that is drawn of a course.
type plots struct {
	Plots  []plot
	Lanes  []lane
	Alarms []lane
	Stages []stageLane
	XTicks []tick
	Marks  []float64 // where people did something, in thousandths
	Done   []listed  // the same as text
	Stood  []listed  // alarms as text
	Head   []string  // of the table
	Rows   [][]string
	Start  int64 // Unix seconds of the first step
	Step   int   // seconds
	Last   int   // index of the last step
	End    int64 // Unix seconds of the end, which lies within the last step
	Zone   int   // seconds east of UTC, from Turn on
	Turn   int64 // Unix seconds of the clock's last change within; 0: there is none
	Before int   // seconds east of UTC before it
	Twelve bool  // the time of day is written as 2:05 pm
	Spread bool  // steps are so long that lowest and highest are drawn
	Empty  bool
}

// tick is a round moment of the site's calendar. At is in thousandths, X the same as the drawing of text takes it.
type tick struct {
	At      float64
	X, Text string
}

// stageLane is one batch: its stages over time, in hundredths as the drawing takes them.
type stageLane struct {
	Batch, Says string
	Parts       []stagePart
}

type stagePart struct{ X, Width, TextX, Text string }

type listed struct{ When, What string }

// plot is one quantity over time.
type plot struct {
	Name, Unit, Now  string
	Band, Area, Line string // paths; Area is from the lowest to the highest of each step
	YTicks           []string
	Values           string // of the line, comma between, empty where there is none
	Says             string
}

// lane is a narrow strip: how long a plug ran in each step, or when an alarm stood.
type lane struct {
	Name, Class string
	Path        string
	Values      string // percent of each step; empty for alarms
	Says        string
}

// draw makes the drawings of a course.
func (c *course) draw(v *view, w words.Words) *plots {
	zone := w.Zone
	if zone == nil {
		zone = time.UTC
	}
	_, east := c.to.In(zone).Zone()
	p := &plots{Stages: c.stageLanes(w), Spread: c.step > finest, Twelve: w.TwelveHour, Start: c.from.Unix(), Step: int(c.step / time.Second), Last: max(0, c.n-1), End: c.to.Unix(), Zone: east, XTicks: c.xTicks(w)}
	p.Turn, p.Before = c.turn(zone)
	for _, q := range []chamber.Quantity{chamber.RelativeHumidity, chamber.Temperature, chamber.CO2} {
		if s := c.of(chamber.Inside.String(), q.String()); s != nil {
			p.Plots = append(p.Plots, c.plot(q, s, w))
		}
	}
	for i := range v.snap.Spec.Plugs {
		spec := &v.snap.Spec.Plugs[i]
		if s := c.of(spec.Name, journal.PlugOn); s != nil {
			p.Lanes = append(p.Lanes, c.lane(plugName(spec.Name, spec.Role.String()), s))
		}
	}
	p.Empty = len(p.Plots) == 0 && len(p.Lanes) == 0
	p.Alarms = c.alarmLanes()
	for _, m := range c.marks {
		p.Marks = append(p.Marks, rounded(c.share(m.at)))
		p.Done = append(p.Done, listed{w.Clock(m.at, c.to), m.text})
	}
	for _, a := range c.alarms {
		when := w.Clock(a.from, c.to) + " to " + w.Clock(a.to, c.to)
		if a.open {
			when = "since " + w.Clock(a.from, c.to)
		}
		p.Stood = append(p.Stood, listed{when, alarm.Told(a.name, a.code).Says})
	}
	c.table(p, v, w)
	return p
}

// finest is the longest step whose lowest and highest are not worth drawing.
const finest = 5 * time.Minute

// turn finds the last moment within at which the site's clock was changed.
func (c *course) turn(zone *time.Location) (at int64, before int) {
	offset := func(t time.Time) int { _, east := t.In(zone).Zone(); return east }
	for t := c.to; t.After(c.from); t = t.Add(-time.Hour) {
		if was := offset(t.Add(-time.Hour)); was != offset(t) {
			start, _ := t.In(zone).ZoneBounds()
			return start.Unix(), was
		}
	}
	return 0, 0
}

// mostTicks is how many dates stand side by side on a narrow phone.
const mostTicks = 5

// xTicks labels round moments of the site's calendar: hours of a day, or days.
func (c *course) xTicks(w words.Words) []tick {
	zone := w.Zone
	if zone == nil {
		zone = time.UTC
	}
	length := time.Duration(c.n) * c.step
	hours := 1
	for _, h := range []int{1, 2, 3, 6, 12, 24, 48, 96, 168, 336, 720} {
		if hours = h; length <= mostTicks*time.Duration(h)*time.Hour {
			break
		}
	}
	y, m, d := c.from.In(zone).Date()
	var out []tick
	for i := 0; ; i++ {
		at := time.Date(y, m, d, i*hours, 0, 0, 0, zone) // by the calendar, so that noon stays noon when the clock is changed
		if at.Sub(c.from) > length {
			return out
		}
		if at.Before(c.from) {
			continue
		}
		form := w.ClockForm(false)
		if at.Hour() == 0 || hours >= 24 {
			form = "2 Jan"
		}
		share := c.share(at)
		out = append(out, tick{At: rounded(share), X: short1(share/10) + "%", Text: at.Format(form)})
	}
}

// stageLanes draws the stages that each batch went through.
func (c *course) stageLanes(w words.Words) []stageLane {
	var out []stageLane
	for i := range c.grown {
		r := &c.grown[i]
		l := stageLane{Batch: r.Batch}
		var says []string
		for _, p := range r.Stages {
			end := p.To
			if end.IsZero() {
				end = c.to
			}
			if !end.After(c.from) || !p.From.Before(c.to) {
				continue
			}
			x0, x1 := c.share(p.From), c.share(end)
			part := stagePart{X: short1(x0/10) + "%", Width: short1(max(x1-x0, 3)/10) + "%"}
			if x1-x0 > 120 { // wide enough for its name on a phone
				part.TextX, part.Text = short1(x0/10+1)+"%", p.Stage.String()
			}
			l.Parts = append(l.Parts, part)
			if p.To.IsZero() {
				says = append(says, p.Stage.String()+" since "+w.Clock(p.From, c.to))
			} else {
				says = append(says, p.Stage.String()+" until "+w.Clock(p.To, c.to))
			}
		}
		if len(l.Parts) > 0 {
			l.Says = strings.Join(says, ", ")
			out = append(out, l)
		}
	}
	return out
}

// plot draws one quantity with its range.
func (c *course) plot(q chamber.Quantity, s []cell, w words.Words) plot {
	digits := 1
	if q == chamber.CO2 {
		digits = 0
	}
	target := c.target(q)
	low, high := c.span(q, s, target, w)
	y := func(v float64) float64 {
		return plotHeight - rounded(plotHeight*min(1, max(0, (shown(w, q, v)-low)/(high-low))))
	}
	p := plot{Name: words.Quantity(q)}
	_, p.Unit, _ = strings.Cut(w.Value(q, 0), " ")
	for i := range 3 {
		p.YTicks = append(p.YTicks, words.Number(high-(high-low)*float64(i)/2, tickDigits(high-low)))
	}
	p.Line = c.linePath(s, y)
	if c.step > finest {
		p.Area = c.spreadPath(s, y)
	}
	p.Band = c.areaPath(target, y, func(x cell) (float64, float64) {
		if q == chamber.CO2 && x.max == 0 {
			return x.min, math.Inf(1)
		}
		return x.min, x.max
	})
	p.Values = joined(s, func(x cell) string { return words.Number(shown(w, q, x.mean), digits) })
	p.Says, p.Now = says(q, s, target, w)
	return p
}

// brief is the share of the steps that may lie beyond the scale, to either side, where they would more than double it: the first minutes
// of a chamber that starts out as dry as its room would flatten all that comes after. They are drawn along the edge, and told in words.
const brief = 0.02

// span gives round ends of the scale that hold the range and the values, all but brief ones that lie far out.
func (c *course) span(q chamber.Quantity, s, target []cell, w words.Words) (low, high float64) {
	var lows, highs []float64
	low, high = math.Inf(1), math.Inf(-1)
	hold := func(v float64) { low, high = min(low, v), max(high, v) }
	for i, x := range s {
		if x.ok {
			lows, highs = append(lows, shown(w, q, x.min)), append(highs, shown(w, q, x.max))
		}
		if target != nil && target[i].ok {
			if target[i].min > 0 || q != chamber.CO2 {
				hold(shown(w, q, target[i].min))
			}
			if target[i].max > 0 {
				hold(shown(w, q, target[i].max))
			}
		}
	}
	least := map[chamber.Quantity]float64{chamber.RelativeHumidity: 4, chamber.Temperature: 2, chamber.CO2: 100}[q]
	if n := len(lows); n > 0 {
		slices.Sort(lows)
		slices.Sort(highs)
		out := int(brief * float64(n))
		hold(lows[out])
		hold(highs[n-1-out])
		if first, last := min(low, lows[0]), max(high, highs[n-1]); last-first <= 2*max(high-low, least) {
			low, high = first, last
		}
	}
	if math.IsInf(low, 0) {
		return 0, 1
	}
	unit := niceStep(max(high-low, least) / 2)
	low = math.Floor(low/unit) * unit
	high = max(math.Ceil(high/unit)*unit, low+2*unit)
	if q == chamber.RelativeHumidity && high > 100 {
		high = 100
		low = min(low, 96)
	}
	return low, high
}

// niceStep rounds up to 1, 2 or 5 times a power of ten.
func niceStep(v float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5} {
		if v <= m*p {
			return m * p
		}
	}
	return 10 * p
}

func tickDigits(span float64) int {
	if span != math.Trunc(span/2)*2 {
		return 1
	}
	return 0
}

func (c *course) x(i int) float64 { return rounded(1000 * (float64(i) + 0.5) / float64(c.n)) }

// linePath joins the means of neighboring steps; a gap in the record is a gap in the line.
func (c *course) linePath(s []cell, y func(float64) float64) string {
	var b strings.Builder
	pen := byte('M')
	for i, x := range s {
		if !x.ok {
			pen = 'M'
			continue
		}
		fmt.Fprintf(&b, "%c%s %s", pen, short1(c.x(i)), short1(y(x.mean)))
		if pen == 'M' && (i+1 == len(s) || !s[i+1].ok) { // a step alone is a dot
			b.WriteString("h1")
		}
		pen = 'L'
	}
	return b.String()
}

// spreadPath fills between the lowest and the highest of neighboring steps.
func (c *course) spreadPath(s []cell, y func(float64) float64) string {
	var b strings.Builder
	for i := 0; i < len(s); {
		if !s[i].ok {
			i++
			continue
		}
		end := i
		for end < len(s) && s[end].ok {
			end++
		}
		pen := byte('M')
		for j := i; j < end; j++ {
			fmt.Fprintf(&b, "%c%s %s", pen, short1(c.x(j)), short1(y(s[j].max)))
			pen = 'L'
		}
		for j := end - 1; j >= i; j-- {
			fmt.Fprintf(&b, "L%s %s", short1(c.x(j)), short1(y(s[j].min)))
		}
		b.WriteByte('z')
		i = end
	}
	return b.String()
}

// areaPath fills between two values of each step, as steps.
func (c *course) areaPath(s []cell, y func(float64) float64, ends func(cell) (low, high float64)) string {
	var b strings.Builder
	for i := 0; i < len(s); {
		if !s[i].ok {
			i++
			continue
		}
		low, high := ends(s[i])
		end := i + 1
		for end < len(s) && s[end].ok { // as long as it stays the same: one piece
			l, h := ends(s[end])
			if y(l) != y(low) || y(h) != y(high) {
				break
			}
			end++
		}
		x0, x1 := rounded(1000*float64(i)/float64(c.n)), rounded(1000*float64(end)/float64(c.n))
		fmt.Fprintf(&b, "M%s %sH%sV%sH%sz", short1(x0), short1(y(high)), short1(x1), short1(max(y(low), y(high)+1)), short1(x0))
		i = end
	}
	return b.String()
}

// lane draws how long a plug ran in each step, as height.
func (c *course) lane(name string, s []cell) lane {
	l := lane{Name: name, Class: "run"}
	var b strings.Builder
	hours, seen := 0.0, 0.0
	for i, x := range s {
		if !x.ok {
			continue
		}
		seen += float64(x.n) / 3600 // of the first and the last step, and of one with a restart, only a part
		hours += x.seconds / 3600
		if x.mean <= 0 {
			continue
		}
		x0, x1 := rounded(1000*float64(i)/float64(c.n)), rounded(1000*float64(i+1)/float64(c.n))
		fmt.Fprintf(&b, "M%s 20V%sH%sV20z", short1(x0), short1(min(19, 20-rounded(20*x.mean))), short1(x1))
	}
	l.Path = b.String()
	l.Values = joined(s, func(x cell) string { return words.Number(100*x.mean, 0) })
	if seen > 0 {
		l.Says = fmt.Sprintf("on for %s, %s of the time", words.Duration(time.Duration(hours*float64(time.Hour)).Round(time.Minute)), words.Percent(hours/seen, 0))
	}
	return l
}

// alarmLanes draws a strip for each alarm that stood.
func (c *course) alarmLanes() []lane {
	var out []lane
	for _, n := range alarm.Names() {
		var b strings.Builder
		times := 0
		for _, a := range c.alarms {
			if a.name != n {
				continue
			}
			times++
			x0, x1 := c.share(a.from), c.share(a.to)
			fmt.Fprintf(&b, "M%s 3H%sV17H%sz", short1(x0), short1(max(x1, x0+2)), short1(x0))
		}
		if times == 0 {
			continue
		}
		d := alarm.Of(n)
		class := "look"
		if d.Priority >= alarm.High {
			class = "act"
		}
		out = append(out, lane{Name: strings.ReplaceAll(string(n), "_", " "), Class: class, Path: b.String(), Says: counted(times, "time", "times")})
	}
	return out
}

// says puts a plot in words, for who does not see it.
func says(q chamber.Quantity, s, target []cell, w words.Words) (text, now string) {
	low, high, in, judged := math.Inf(1), math.Inf(-1), 0, 0
	last := cell{}
	for i, x := range s {
		if !x.ok {
			continue
		}
		low, high, last = min(low, x.min), max(high, x.max), x
		if target != nil && target[i].ok {
			judged++
			if t := target[i]; x.mean >= t.min && (x.mean <= t.max || q == chamber.CO2 && t.max == 0) {
				in++
			}
		}
	}
	if !last.ok {
		return "nothing was measured", ""
	}
	text = fmt.Sprintf("from %s to %s, last %s", w.Value(q, low), w.Value(q, high), w.Value(q, last.mean))
	if judged > 0 {
		text += fmt.Sprintf("; in range %s of the time", words.Percent(float64(in)/float64(judged), 0))
	}
	return text, w.Value(q, last.mean)
}

// table says the same in rows: by the hour for a day, by the day for longer.
func (c *course) table(p *plots, v *view, w words.Words) {
	width := max(1, int(time.Hour/c.step))
	zone := w.Zone
	if zone == nil {
		zone = time.UTC
	}
	form := "2 Jan " + w.ClockForm(false)
	if length := time.Duration(c.n) * c.step; length > 48*time.Hour {
		width = max(1, int(6*time.Hour/c.step))
	}
	width = max(width, (c.n+39)/40)
	p.Head = []string{"From"}
	type column struct {
		s    []cell
		text func(lo, hi, mean, seconds float64) string
	}
	var columns []column
	for _, q := range []chamber.Quantity{chamber.RelativeHumidity, chamber.Temperature, chamber.CO2} {
		if s := c.of(chamber.Inside.String(), q.String()); s != nil {
			p.Head = append(p.Head, words.Quantity(q)+", mean (lowest–highest)")
			columns = append(columns, column{s, func(lo, hi, mean, _ float64) string {
				return w.Value(q, mean) + " (" + w.Span(q, lo, hi) + ")"
			}})
		}
	}
	for i := range v.snap.Spec.Plugs {
		spec := &v.snap.Spec.Plugs[i]
		if s := c.of(spec.Name, journal.PlugOn); s != nil {
			p.Head = append(p.Head, plugName(spec.Name, spec.Role.String())+", on for")
			columns = append(columns, column{s, func(_, _, _, seconds float64) string {
				return words.Duration(time.Duration(seconds * float64(time.Second)).Round(time.Second))
			}})
		}
	}
	for i := 0; i < c.n; i += width {
		row := []string{c.from.Add(time.Duration(i) * c.step).In(zone).Format(form)}
		some := false
		for _, col := range columns {
			lo, hi, sum, seconds, n := math.Inf(1), math.Inf(-1), 0.0, 0.0, 0
			for _, x := range col.s[i:min(i+width, c.n)] {
				if x.ok {
					lo, hi, sum, seconds, n = min(lo, x.min), max(hi, x.max), sum+x.mean, seconds+x.seconds, n+1
				}
			}
			text := "–"
			if n > 0 {
				text, some = col.text(lo, hi, sum/float64(n), seconds), true
			}
			row = append(row, text)
		}
		if some {
			p.Rows = append(p.Rows, row)
		}
	}
}

func joined(s []cell, text func(cell) string) string {
	var b strings.Builder
	for i, x := range s {
		if i > 0 {
			b.WriteByte(',')
		}
		if x.ok {
			b.WriteString(text(x))
		}
	}
	return b.String()
}

func rounded(v float64) float64 { return math.Round(v*10) / 10 }

// short1 writes a coordinate with at most one digit after the point.
func short1(v float64) string { return strconv.FormatFloat(rounded(v), 'f', -1, 64) }

package main

import (
	"fmt"
	"iter"
	"os"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/term"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
)

// picture draws the simulated day on a terminal, again and again in place.
type picture struct {
	d      *demonstration
	color  bool
	width  int
	height int
	last   []string // the newest frame
}

func newPicture(d *demonstration) *picture {
	return &picture{d: d, color: d.getenv("NO_COLOR") == ""}
}

// The escape sequences used (ECMA-48, and the private modes that terminals share).
const (
	otherScreen = "\x1b[?1049h\x1b[?25l" // with the cursor hidden
	firstScreen = "\x1b[?1049l\x1b[?25h"
	frameBegins = "\x1b[?2026h\x1b[H" // shown at once where the terminal can
	frameEnds   = "\x1b[J\x1b[?2026l"
	lineEnds    = "\x1b[K\r\n"
)

func (p *picture) begin() { fmt.Fprint(p.d.stdout, otherScreen) }

// end goes back to the first screen and leaves the last frame there.
func (p *picture) end() {
	fmt.Fprint(p.d.stdout, firstScreen)
	for _, l := range p.last {
		fmt.Fprintln(p.d.stdout, l)
	}
}

func (p *picture) say(e said) { p.d.events.add(e) }

func (p *picture) show() {
	p.width, p.height = p.size()
	p.last = p.frame()
	lines := p.last
	if len(lines) > p.height {
		lines = lines[:p.height]
	}
	fmt.Fprint(p.d.stdout, frameBegins+strings.Join(lines, lineEnds)+"\x1b[K"+frameEnds)
}

// size asks each time: people resize their windows.
func (p *picture) size() (width, height int) {
	if f, ok := p.d.printed.w.(*os.File); ok {
		if w, h, err := term.GetSize(int(f.Fd())); err == nil && w > 0 && h > 0 {
			return max(w, 40), max(h, 8)
		}
	}
	return 80, 24
}

// The lines of a frame beside plots: the head, each chamber's text, and the events, at the least one.
const (
	headLines    = 3
	chamberLines = 5
	leastEvents  = 3
	mostRows     = 7
)

func (p *picture) frame() []string {
	n := len(p.d.chambers)
	spare := p.height - headLines - leastEvents - n*chamberLines
	brief := spare < 2*n
	if brief { // the alarms move up beside the name
		spare += n
	}
	gap := 0
	if spare >= 3*n { // a blank line between chambers once there is room for two rows of plot
		gap = 1
	}
	rows := max(1, min(mostRows, spare/n-gap))
	lines := p.head()
	for _, c := range p.d.chambers {
		lines = append(lines, p.chamber(c, rows, brief)...)
		if gap > 0 {
			lines = append(lines, "")
		}
	}
	return append(lines, p.events(max(leastEvents, min(10, p.height-len(lines))))...)
}

// head is the bar of time and the addresses.
func (p *picture) head() []string {
	d := p.d
	now := clockWords(d.elapsed)
	web := "http://" + d.daemon.Web()
	first := fmt.Sprintf("%s  %s  %s", p.paint(bold, "gillkeeper demo"), p.paint(bold, now), p.paint(dim, fmt.Sprintf("pace %s×  seed %d  Ctrl-C ends", d.paceWords(), d.f.seed)))
	share := float64(d.elapsed%window) / float64(window)
	text := fmt.Sprintf(" %s simulated", hoursWords(d.elapsed.Truncate(6*time.Minute)))
	if d.f.length > 0 {
		share = float64(d.elapsed) / float64(d.f.length)
		text = fmt.Sprintf(" %s of %s", hoursWords(d.elapsed.Truncate(6*time.Minute)), hoursWords(d.f.length))
	}
	width := max(10, p.width-utf8.RuneCountInString(text)-1)
	return []string{
		p.fit(first),
		p.paint(green, bar(width, min(1, share))) + text,
		p.fit(p.paint(dim, "page "+web+"   metrics "+web+"/metrics")),
	}
}

// chamber is one chamber: name and crop, values, plots, what the plugs did, and what they do now.
func (p *picture) chamber(c *demoChamber, rows int, brief bool) []string {
	w := p.d.words()
	air, t := &c.snap.State.Air.Inside, &c.snap.State.Target
	title := p.paint(bold, c.name) + "  " + c.crops() + p.paint(dim, "  "+measured(w, chamber.Temperature, &air.Temperature))
	alarms, worst := c.standing(w)
	state := p.paint(dim, "no alarm")
	if alarms != nil {
		state = p.paint(p.alarmColor(worst), strings.Join(alarms, "; "))
	}
	if brief {
		title += "  " + state
	}
	cells := (p.width - 2*axisWidth - 2) / 2
	half := axisWidth + cells
	rhText := fmt.Sprintf("humidity %s", p.value(measured(w, chamber.RelativeHumidity, &air.RelativeHumidity), air.RelativeHumidity.OK && t.RelativeHumidity.Holds(air.RelativeHumidity.Value))) +
		p.paint(dim, fmt.Sprintf("  wanted %s", w.Span(chamber.RelativeHumidity, t.RelativeHumidity.Low, t.RelativeHumidity.High)))
	co2Text := fmt.Sprintf("CO2 %s", p.value(measured(w, chamber.CO2, &air.CO2), air.CO2.OK && (t.CO2MaxPPM == 0 || air.CO2.Value <= t.CO2MaxPPM))) +
		p.paint(dim, "  wanted "+w.Span(chamber.CO2, t.CO2MinPPM, t.CO2MaxPPM))
	lines := []string{p.fit(title), p.pad(rhText, half+2) + p.fitTo(co2Text, half)}

	from, to := p.span()
	rh := plot{rows: rows, cells: cells, low: max(0, t.RelativeHumidity.Low-0.12), high: 1, bandLow: t.RelativeHumidity.Low, bandHigh: min(t.RelativeHumidity.High, 0.999), scale: 100}
	co2 := plot{rows: rows, cells: cells, low: 400, high: max(1200, t.CO2MaxPPM*1.4), bandLow: 400, bandHigh: t.CO2MaxPPM, scale: 1}
	left := rh.draw(c.course, from, to, func(x *point) float64 { return x.rh }, p)
	right := co2.draw(c.course, from, to, func(x *point) float64 { return x.co2 }, p)
	for i := range left {
		lines = append(lines, left[i]+"  "+right[i])
	}
	mist := p.paint(dim, "mist ") + p.paint(blue, dutyStrip(c.course, from, to, cells, func(x *point) float64 { return x.mist }))
	fan := p.paint(dim, " fan ") + p.paint(blue, dutyStrip(c.course, from, to, cells, func(x *point) float64 { return x.fan }))
	lines = append(lines, mist+"  "+fan)
	lines = append(lines, p.fit(p.plugs(c)))
	if !brief {
		lines = append(lines, p.fit("  "+state))
	}
	return lines
}

// span is the time that the plots show: the whole of a demonstration of up to a day, else the last day.
func (p *picture) span() (from, to time.Duration) {
	length := window
	if p.d.f.length > 0 {
		length = min(length, p.d.f.length)
	}
	return max(0, p.d.elapsed-length), max(length, p.d.elapsed)
}

// plugs says what each plug does now, and what is left of the water.
func (p *picture) plugs(c *demoChamber) string {
	var parts []string
	for i := range c.snap.State.Plugs {
		x := &c.snap.State.Plugs[i]
		s := p.paint(dim, "○ "+x.Name)
		if x.On {
			s = p.paint(green, "● "+x.Name)
		}
		if x.HasWatts && c.spec.Plugs[i].Meters {
			s += p.paint(dim, fmt.Sprintf(" %4.1f W", x.Watts))
		}
		parts = append(parts, s)
	}
	water := c.water()
	if c.snap.State.Reservoir.Dry {
		water = p.paint(red, water)
	}
	if i := c.spec.Plug(chamber.Humidifier); i >= 0 {
		full := c.spec.Plugs[i].ReservoirLiters * 1000
		water = p.paint(blue, bar(8, c.now.ReservoirG/full)) + " water " + water
	}
	return "  " + strings.Join(append(parts, water), "   ")
}

// events are the latest, the newest last.
func (p *picture) events(n int) []string {
	list := p.d.events
	if len(list) > n {
		list = list[len(list)-n:]
	}
	var lines []string
	for _, e := range list {
		color := ""
		switch {
		case e.bad:
			color = yellow
		case e.good:
			color = green
		}
		lines = append(lines, p.fit(p.paint(dim, clockWords(e.at))+"  "+p.paint(color, strings.TrimSpace(e.chamber+"  "+e.text))))
	}
	return lines
}

// The colors, by their numbers in ECMA-48.
const (
	bold   = "1"
	dim    = "2"
	red    = "31"
	green  = "32"
	yellow = "33"
	blue   = "36"
)

func (p *picture) paint(color, s string) string {
	if !p.color || color == "" || s == "" {
		return s
	}
	return "\x1b[" + color + "m" + s + "\x1b[0m"
}

func (p *picture) value(s string, good bool) string {
	if good {
		return p.paint(green, s)
	}
	return p.paint(yellow, s)
}

func (p *picture) alarmColor(a alarm.Priority) string {
	if a >= alarm.High {
		return red
	}
	return yellow
}

func (p *picture) fit(s string) string { return p.fitTo(s, p.width) }

// fitTo cuts a painted line to so many columns.
func (p *picture) fitTo(s string, width int) string {
	column := 0
	for i := range visible(s) {
		if column++; column >= width && columns(s[i:]) > 1 {
			s = s[:i] + "…"
			if p.color {
				s += "\x1b[0m"
			}
			return s
		}
	}
	return s
}

// pad fills a painted line up to so many columns.
func (p *picture) pad(s string, width int) string {
	s = p.fitTo(s, width)
	return s + strings.Repeat(" ", max(0, width-columns(s)))
}

// columns is how wide a painted line is. Every sign used here takes one column.
func columns(s string) (n int) {
	for range visible(s) {
		n++
	}
	return n
}

// visible gives where the signs of a painted line stand, without those that only color it.
func visible(s string) iter.Seq[int] {
	return func(yield func(int) bool) {
		escape := false
		for i, r := range s {
			switch {
			case r == '\x1b':
				escape = true
			case escape:
				escape = r != 'm'
			case !yield(i):
				return
			}
		}
	}
}

package main

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"math"
	"os"
	"strings"
	"time"

	"gillkeeper/bridge/words"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/rehearse"
)

// The picture of a rehearsal: for each chamber a panel of humidity, one of carbon dioxide and strips of the plugs, over
// its last day. Lengths are in pixels.
const (
	svgWidth    = 1200
	svgLeft     = 64
	svgRight    = 24
	svgPanel    = 150 // height of a panel
	svgStrip    = 16  // height of a strip
	svgGap      = 24
	svgHead     = 46
	svgChamber  = svgHead + 2*(svgPanel+svgGap) + 4*(svgStrip+4) + 20
	svgDay      = 24 * 60 // minutes shown
	colorMain   = "#1b6e4b"
	colorOther  = "#b9772a"
	colorBand   = "#d9efe3"
	colorInk    = "#2b2f2d"
	colorFaint  = "#dfe3e0"
	svgFontText = "font-family=\"system-ui,sans-serif\""
)

// writeCourses writes the picture to a file.
func writeCourses(path string, pairs []*pair) error {
	var b bytes.Buffer
	height := svgChamber * len(pairs)
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%d" viewBox="0 0 %d %d" %s font-size="12" fill="%s">`+"\n",
		svgWidth, height, svgWidth, height, svgFontText, colorInk)
	fmt.Fprintf(&b, `<rect width="%d" height="%d" fill="#ffffff"/>`+"\n", svgWidth, height)
	for i, p := range pairs {
		d := drawing{b: &b, top: float64(svgChamber * i), pair: p}
		d.draw()
	}
	b.WriteString("</svg>\n")
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
		return fmt.Errorf("write the picture: %w", err)
	}
	return nil
}

// drawing is the part of one chamber.
type drawing struct {
	b    *bytes.Buffer
	top  float64
	pair *pair
	from int // minute at the left edge
	to   int
}

func (d *drawing) draw() {
	tr := d.pair.main.Trace()
	d.to = len(tr.Minute)
	d.from = max(0, d.to-svgDay)
	c := d.pair.c
	d.heading()
	y := d.top + svgHead
	band := c.Target.RelativeHumidity
	floor := math.Max(0, math.Floor((band.Low-0.15)*20)/20)
	d.panel(y, floor*100, 100, 5, "RH %", band.Low*100, band.High*100)
	d.both(y, floor*100, 100, func(t *rehearse.Trace) []float64 { return t.RH }, 100)
	y += svgPanel + svgGap
	top := 2000.0
	if c.Target.CO2MaxPPM > 0 {
		top = math.Ceil(c.Target.CO2MaxPPM*1.6/200) * 200
	}
	d.panel(y, 400, top, 200, "CO2 ppm", 400, c.Target.CO2MaxPPM)
	d.both(y, 400, top, func(t *rehearse.Trace) []float64 { return t.CO2 }, 1)
	y += svgPanel + svgGap
	d.hours(y - svgGap + 14)
	d.strips(y)
}

func (d *drawing) heading() {
	c := d.pair.c
	d.text(svgLeft, d.top+20, "start", 15, c.Spec.Name+" – the last "+hoursWords(time.Duration(d.to-d.from)*time.Minute))
	x := svgLeft
	for _, l := range d.lines() {
		fmt.Fprintf(d.b, `<rect x="%d" y="%.0f" width="18" height="4" fill="%s"/>`+"\n", x, d.top+32, l.color)
		d.text(float64(x+24), d.top+38, "start", 12, l.name)
		x += 40 + 8*len(l.name)
	}
	d.text(svgWidth-svgRight, d.top+38, "end", 12, "shaded: the range wanted; lines: the true air")
}

// line is one controller's course.
type svgLine struct {
	name, color string
	trace       *rehearse.Trace
}

// lines are those to draw, the main one last and on top.
func (d *drawing) lines() []svgLine {
	var list []svgLine
	if d.pair.by != nil {
		list = append(list, svgLine{practiceWords, colorOther, d.pair.by.Trace()})
	}
	return append(list, svgLine{d.pair.controller, colorMain, d.pair.main.Trace()})
}

// x is where a minute lies.
func (d *drawing) x(minute int) float64 {
	return svgLeft + float64(minute-d.from)/float64(max(1, d.to-d.from))*(svgWidth-svgLeft-svgRight)
}

// panel draws axis, grid and the range wanted.
func (d *drawing) panel(y, low, high, grid float64, name string, bandLow, bandHigh float64) {
	at := func(v float64) float64 { return y + svgPanel*(1-(v-low)/(high-low)) }
	if bandHigh > bandLow {
		fmt.Fprintf(d.b, `<rect x="%d" y="%.1f" width="%d" height="%.1f" fill="%s"/>`+"\n",
			svgLeft, at(math.Min(bandHigh, high)), svgWidth-svgLeft-svgRight, at(math.Max(bandLow, low))-at(math.Min(bandHigh, high)), colorBand)
	}
	for v := low; v <= high+1e-9; v += grid {
		fmt.Fprintf(d.b, `<path d="M%d %.1fH%d" stroke="%s"/>`+"\n", svgLeft, at(v), svgWidth-svgRight, colorFaint)
		d.text(svgLeft-8, at(v)+4, "end", 11, fmt.Sprintf("%.0f", v))
	}
	fmt.Fprintf(d.b, `<text transform="translate(14 %.1f) rotate(-90)" text-anchor="middle">%s</text>`+"\n", y+svgPanel/2, name)
}

func (d *drawing) both(y, low, high float64, column func(*rehearse.Trace) []float64, scale float64) {
	for i, l := range d.lines() {
		values := column(l.trace)
		var path strings.Builder
		for m := d.from; m < min(d.to, len(values)); m++ {
			v := math.Max(low, math.Min(high, values[m]*scale))
			command := byte('L')
			if m == d.from {
				command = 'M'
			}
			fmt.Fprintf(&path, "%c%.1f %.1f", command, d.x(m), y+svgPanel*(1-(v-low)/(high-low)))
		}
		width := 1.6
		if i == 0 && d.pair.by != nil {
			width = 1
		}
		fmt.Fprintf(d.b, `<path d="%s" fill="none" stroke="%s" stroke-width="%.1f" stroke-linejoin="round"/>`+"\n", &path, l.color, width)
	}
}

// hours labels the time axis every three hours, in hours since the start.
func (d *drawing) hours(y float64) {
	step := 180
	if d.to-d.from <= 360 {
		step = 30
	}
	for m := (d.from + step - 1) / step * step; m <= d.to; m += step {
		d.text(d.x(m), y, "middle", 11, hoursWords(time.Duration(m)*time.Minute))
	}
}

// strips show for how much of every few minutes humidifier and fan ran.
func (d *drawing) strips(y float64) {
	for _, role := range []chamber.Role{chamber.Humidifier, chamber.ExhaustFan} {
		i := d.pair.c.Spec.Plug(role)
		if i < 0 {
			continue
		}
		for _, l := range d.lines() {
			column := l.trace.Humidifier
			if role == chamber.ExhaustFan {
				column = l.trace.ExhaustFan
			}
			fmt.Fprintf(d.b, `<rect x="%d" y="%.1f" width="%d" height="%d" fill="#f4f6f5"/>`+"\n", svgLeft, y, svgWidth-svgLeft-svgRight, svgStrip)
			d.strip(y, l.color, column)
			y += svgStrip + 4
		}
		d.text(svgLeft-8, y-float64(len(d.lines()))*(svgStrip+4)/2+2, "end", 11, stripName(role))
	}
}

func stripName(r chamber.Role) string {
	if r == chamber.Humidifier {
		return "mist"
	}
	return "fan"
}

// strip draws bars, each the mean over a few minutes.
func (d *drawing) strip(y float64, color string, column []float64) {
	each := max(1, (d.to-d.from)/480)
	var path strings.Builder
	for m := d.from; m < min(d.to, len(column)); m += each {
		sum, n := 0.0, 0
		for k := m; k < min(m+each, d.to, len(column)); k++ {
			sum += column[k]
			n++
		}
		if h := svgStrip * sum / float64(n); h > 0 {
			fmt.Fprintf(&path, "M%.1f %.1fh%.2fv%.2fh-%.2fz", d.x(m), y+svgStrip-h, d.x(m+each)-d.x(m), h, d.x(m+each)-d.x(m))
		}
	}
	if path.Len() > 0 {
		fmt.Fprintf(d.b, `<path d="%s" fill="%s"/>`+"\n", &path, color)
	}
}

func (d *drawing) text(x, y float64, anchor string, size int, s string) {
	var escaped bytes.Buffer
	_ = xml.EscapeText(&escaped, []byte(s)) // a buffer takes everything
	fmt.Fprintf(d.b, `<text x="%.1f" y="%.1f" text-anchor="%s" font-size="%d">%s</text>`+"\n", x, y, anchor, size, &escaped)
}

// hoursWords writes a length of time in hours, and what is too short for that as what it is.
func hoursWords(t time.Duration) string {
	if 0 < t && t < 6*time.Minute {
		return words.Duration(t.Round(time.Second))
	}
	return strings.TrimSuffix(fmt.Sprintf("%.1f", t.Hours()), ".0") + " h"
}

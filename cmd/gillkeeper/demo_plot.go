package main

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// plot draws a course in braille: two by four dots to a cell.
type plot struct {
	rows, cells       int
	low, high         float64
	bandLow, bandHigh float64 // wanted; its edges are drawn
	scale             float64 // of the labels
}

// axisWidth is the columns of a label and the axis.
const axisWidth = 5

// draw gives the plot's rows, each axisWidth and cells columns wide.
func (b *plot) draw(course []point, from, to time.Duration, of func(*point) float64, p *picture) []string {
	dots, out := b.dots(course, from, to, of)
	lines := make([]string, b.rows)
	for r := range b.rows {
		edge := r == b.row(b.bandLow) || r == b.row(b.bandHigh)
		line := p.paint(dim, b.label(r)+axis(edge))
		line += runs(b.cells, func(i int) (string, string) {
			d := dots[r*b.cells+i]
			switch {
			case d == 0 && edge:
				return dim, "╌"
			case d == 0:
				return "", " "
			case out[r*b.cells+i]:
				return yellow, string('\u2800' + d)
			}
			return green, string('\u2800' + d)
		}, p)
		lines[r] = line
	}
	return lines
}

func axis(edge bool) string {
	if edge {
		return "┤"
	}
	return "│"
}

// runs joins signs of one color, so that a frame stays small.
func runs(n int, cell func(i int) (color, sign string), p *picture) string {
	var all, run strings.Builder
	color := ""
	for i := range n {
		c, s := cell(i)
		if c != color {
			all.WriteString(p.paint(color, run.String()))
			run.Reset()
			color = c
		}
		run.WriteString(s)
	}
	all.WriteString(p.paint(color, run.String()))
	return all.String()
}

// level is the dot row of a value, from the top; it may lie outside the plot.
func (b *plot) level(v float64) int {
	return int(math.Floor((b.high - v) / (b.high - b.low) * float64(4*b.rows)))
}

// row is the row that holds a value.
func (b *plot) row(v float64) int { return max(0, min(b.rows-1, b.level(v)/4)) }

// label names the edges of the range wanted, and the ends where there is room.
func (b *plot) label(r int) string {
	v := math.NaN()
	switch {
	case r == b.row(b.bandHigh):
		v = b.bandHigh
	case r == b.row(b.bandLow):
		v = b.bandLow
	case r == 0:
		v = b.high
	case r == b.rows-1:
		v = b.low
	}
	if math.IsNaN(v) {
		return strings.Repeat(" ", axisWidth-1)
	}
	return fmt.Sprintf("%*.0f", axisWidth-1, v*b.scale)
}

// braille has the bit of each dot, by column and row (Unicode block U+2800).
var braille = [2][4]rune{{0x01, 0x02, 0x04, 0x40}, {0x08, 0x10, 0x20, 0x80}}

// dots sets the dots of a course and tells which cells hold a value outside the range wanted.
func (b *plot) dots(course []point, from, to time.Duration, of func(*point) float64) (dots []rune, out []bool) {
	dots, out = make([]rune, b.rows*b.cells), make([]bool, b.rows*b.cells)
	previous, before := -1, 0
	for i := range course {
		x := &course[i]
		v := of(x)
		if x.at < from || math.IsNaN(v) {
			previous = -1
			continue
		}
		column := int(float64(x.at-from) / float64(to-from) * float64(2*b.cells))
		if column >= 2*b.cells {
			continue
		}
		level := max(0, min(4*b.rows-1, b.level(v)))
		first, last := level, level
		if previous >= 0 && column-previous <= 1 { // join with the point before
			first, last = min(level, before), max(level, before)
		}
		for l := first; l <= last; l++ {
			cell := l/4*b.cells + column/2
			dots[cell] |= braille[column%2][l%4]
			out[cell] = out[cell] || (v < b.bandLow || b.bandHigh > 0 && v > b.bandHigh) && l == level
		}
		previous, before = column, level
	}
	return dots, out
}

// dutyStrip shows for how much of the time a plug ran, one sign a column.
func dutyStrip(course []point, from, to time.Duration, cells int, of func(*point) float64) string {
	signs := []rune(" ▁▂▃▄▅▆▇█")
	on, span := make([]float64, cells), make([]float64, cells)
	for i := 1; i < len(course); i++ {
		a, z := &course[i-1], &course[i]
		column := int(float64(z.at-from) / float64(to-from) * float64(cells))
		if z.at < from || column >= cells {
			continue
		}
		on[column] += max(0, of(z)-of(a))
		span[column] += (z.at - a.at).Seconds()
	}
	var s strings.Builder
	for i := range cells {
		sign := signs[0]
		if span[i] > 0 && on[i] > 0 {
			sign = signs[max(1, min(8, int(math.Ceil(8*on[i]/span[i]))))]
		}
		s.WriteRune(sign)
	}
	return s.String()
}

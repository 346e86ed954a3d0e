package yield

import (
	"fmt"
	"math"
	"strings"
)

// picture is a drawing as data; the page's template writes it as SVG, so that every text in it is escaped there.
// Lengths are in pixels of a narrow phone; the page scales it.
type picture struct {
	W, H   float64
	Title  string // read out instead of the drawing
	Shapes []shape
}

// shape is one part of a drawing. Which fields count depends on Kind: rect, line, path, dot, text.
type shape struct {
	Kind, Class string
	X, Y, W, H  float64 // of a line, W and H lead to its end; of a dot, W is the radius
	D           string  // of a path
	Text        string  // of a text; of anything else what a pointer over it shows
	Anchor      string  // of a text
}

func (p *picture) rect(class string, x, y, w, h float64, says string) {
	p.Shapes = append(p.Shapes, shape{Kind: "rect", Class: class, X: x, Y: y, W: math.Max(w, 0), H: math.Max(h, 0), Text: says})
}

func (p *picture) line(class string, x, y, x2, y2 float64) {
	p.Shapes = append(p.Shapes, shape{Kind: "line", Class: class, X: x, Y: y, W: x2, H: y2})
}

func (p *picture) path(class, d string) {
	if d != "" {
		p.Shapes = append(p.Shapes, shape{Kind: "path", Class: class, D: d})
	}
}

func (p *picture) dot(class string, x, y, r float64, says string) {
	p.Shapes = append(p.Shapes, shape{Kind: "dot", Class: class, X: x, Y: y, W: r, Text: says})
}

func (p *picture) text(class, anchor string, x, y float64, s string) {
	p.Shapes = append(p.Shapes, shape{Kind: "text", Class: class, Anchor: anchor, X: x, Y: y, Text: s})
}

// mark draws the sign of a flush number: so that they differ without color.
func (p *picture) mark(flush int, x, y float64, says string) {
	const r = 4.2
	class := fmt.Sprintf("mark f%d", min(flush, 4))
	switch flush {
	case 1:
		p.dot(class, x, y, r, says)
		return
	case 2:
		p.rect(class, x-r, y-r, 2*r, 2*r, says)
		return
	case 3:
		p.Shapes = append(p.Shapes, shape{Kind: "path", Class: class, Text: says, D: fmt.Sprintf("M%.1f %.1fl%.1f %.1fh%.1fz", x, y-r-0.8, r+0.8, 2*r+0.6, -2*(r+0.8))})
		return
	}
	p.Shapes = append(p.Shapes, shape{Kind: "path", Class: class, Text: says, D: fmt.Sprintf("M%.1f %.1fl%.1f %.1fl%.1f %.1fl%.1f %.1fz", x, y-r-1, r+1, r+1, -r-1, r+1, -r-1, -r-1)})
}

// axis maps values to pixels.
type axis struct{ low, high, from, to float64 }

func (a axis) at(v float64) float64 {
	if a.high <= a.low {
		return a.from
	}
	v = math.Max(a.low, math.Min(a.high, v))
	return a.from + (v-a.low)/(a.high-a.low)*(a.to-a.from)
}

// ticks gives round values within the axis, at most so many.
func (a axis) ticks(most int) (out []float64) {
	span := a.high - a.low
	if !(span > 0) {
		return nil
	}
	step := math.Pow(10, math.Floor(math.Log10(span/float64(most))))
	for _, m := range []float64{1, 2, 2.5, 5, 10} {
		if span/(step*m) <= float64(most) {
			step *= m
			break
		}
	}
	for i := math.Ceil(a.low/step - 1e-9); i*step <= a.high+1e-9*span; i++ {
		out = append(out, i*step)
	}
	return out
}

// tick writes a value of an axis without needless digits.
func tick(v float64) string {
	s := fmt.Sprintf("%.2f", v)
	s = strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
	if s == "-0" {
		return "0"
	}
	return strings.Replace(s, "-", minus, 1)
}

// curve draws a line through points, broken where one is missing.
func curve(x, y []float64) string {
	var b strings.Builder
	pen := byte('M')
	for i := range x {
		if math.IsNaN(y[i]) {
			pen = 'M'
			continue
		}
		fmt.Fprintf(&b, "%c%.1f %.1f", pen, x[i], y[i])
		pen = 'L'
	}
	return b.String()
}

// ribbon draws the area between two lines, one piece for each unbroken stretch.
func ribbon(x, low, high []float64) string {
	var b strings.Builder
	for i := 0; i < len(x); {
		if math.IsNaN(low[i]) || math.IsNaN(high[i]) {
			i++
			continue
		}
		j := i
		for j < len(x) && !math.IsNaN(low[j]) && !math.IsNaN(high[j]) {
			j++
		}
		for k := i; k < j; k++ {
			pen := byte('L')
			if k == i {
				pen = 'M'
			}
			fmt.Fprintf(&b, "%c%.1f %.1f", pen, x[k], high[k])
		}
		for k := j - 1; k >= i; k-- {
			fmt.Fprintf(&b, "L%.1f %.1f", x[k], low[k])
		}
		b.WriteByte('z')
		i = j
	}
	return b.String()
}

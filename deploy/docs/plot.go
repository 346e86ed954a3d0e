package docs

import (
	"fmt"
	"math"
	"strings"
)

// The look of the pictures: ink on white, so that they print, and two colors that people who see few colors tell apart.
const (
	ink    = "#2b2f2d"
	faint  = "#dfe3e0"
	green  = "#1b6e4b"
	orange = "#b35c1e"
	pale   = "#d9efe3"
	sky    = "#cfe3f2"
)

// drawing is an SVG picture in the making. Lengths are in pixels.
type drawing struct{ b strings.Builder }

func newDrawing(width, height int, title string) *drawing {
	d := &drawing{}
	fmt.Fprintf(&d.b, "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"%d\" height=\"%d\" viewBox=\"0 0 %d %d\" font-family=\"system-ui,sans-serif\" font-size=\"14\" fill=\"%s\" role=\"img\">\n",
		width, height, width, height, ink)
	fmt.Fprintf(&d.b, "<title>%s</title>\n<rect width=\"%d\" height=\"%d\" fill=\"#fff\"/>\n", title, width, height)
	return d
}

func (d *drawing) bytes() []byte { return []byte(d.b.String() + "</svg>\n") }

func (d *drawing) rect(x, y, w, h float64, fill, stroke string) {
	fmt.Fprintf(&d.b, "<rect x=\"%.1f\" y=\"%.1f\" width=\"%.1f\" height=\"%.1f\" fill=\"%s\" stroke=\"%s\"/>\n", x, y, w, h, fill, stroke)
}

func (d *drawing) text(x, y float64, anchor, s string) {
	fmt.Fprintf(&d.b, "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"%s\">%s</text>\n", x, y, anchor, s)
}

func (d *drawing) colored(x, y float64, anchor, color, s string) {
	fmt.Fprintf(&d.b, "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"%s\" fill=\"%s\">%s</text>\n", x, y, anchor, color, s)
}

func (d *drawing) path(color string, width float64, dash string, points ...[2]float64) {
	var s strings.Builder
	for i, p := range points {
		fmt.Fprintf(&s, "%c%.1f %.1f", "ML"[min(i, 1)], p[0], p[1])
	}
	if dash != "" {
		dash = fmt.Sprintf(" stroke-dasharray=\"%s\"", dash)
	}
	fmt.Fprintf(&d.b, "<path d=\"%s\" fill=\"none\" stroke=\"%s\" stroke-width=\"%.1f\"%s/>\n", s.String(), color, width, dash)
}

func (d *drawing) dot(x, y float64, color string) {
	fmt.Fprintf(&d.b, "<circle cx=\"%.1f\" cy=\"%.1f\" r=\"4.5\" fill=\"%s\"/>\n", x, y, color)
}

// arrow is a line with a head at its end.
func (d *drawing) arrow(x1, y1, x2, y2 float64, color string) {
	d.path(color, 2, "", [2]float64{x1, y1}, [2]float64{x2, y2})
	a := math.Atan2(y2-y1, x2-x1)
	head := func(turn float64) [2]float64 {
		return [2]float64{x2 - 9*math.Cos(a+turn), y2 - 9*math.Sin(a+turn)}
	}
	d.path(color, 2, "", head(0.5), [2]float64{x2, y2}, head(-0.5))
}

// panel is a plot within a drawing: values from (x0, y0) to (x1, y1) on a frame at left, top.
type panel struct {
	d                        *drawing
	left, top, width, height float64
	x0, x1, y0, y1           float64
}

func (p *panel) at(x, y float64) [2]float64 {
	return [2]float64{p.left + (x-p.x0)/(p.x1-p.x0)*p.width, p.top + p.height - (y-p.y0)/(p.y1-p.y0)*p.height}
}

// axes draws a grid with a number at every step, and says what runs along.
func (p *panel) axes(xStep, yStep float64, across, up string) {
	for x := p.x0; x <= p.x1+1e-9; x += xStep {
		a, b := p.at(x, p.y0), p.at(x, p.y1)
		p.d.path(faint, 1, "", a, b)
		p.d.text(a[0], a[1]+18, "middle", fmt.Sprintf("%.4g", x))
	}
	for y := p.y0; y <= p.y1+1e-9; y += yStep {
		a, b := p.at(p.x0, y), p.at(p.x1, y)
		p.d.path(faint, 1, "", a, b)
		p.d.text(a[0]-8, a[1]+5, "end", fmt.Sprintf("%.4g", y))
	}
	p.d.text(p.left+p.width/2, p.top+p.height+38, "middle", across)
	p.d.text(p.left-40, p.top-12, "start", up)
}

// curve draws f from x to x, only where it lies within the frame.
func (p *panel) curve(color string, width float64, dash string, from, to float64, f func(x float64) float64) {
	const steps = 160
	var points [][2]float64
	for i := range steps + 1 {
		x := from + (to-from)*float64(i)/steps
		if y := f(x); y >= p.y0 && y <= p.y1 {
			points = append(points, p.at(x, y))
		}
	}
	p.d.path(color, width, dash, points...)
}

// series draws values at equal distances from x0 to x1.
func (p *panel) series(color string, values []float64) {
	points := make([][2]float64, len(values))
	for i, v := range values {
		points[i] = p.at(p.x0+(p.x1-p.x0)*float64(i)/float64(len(values)-1), min(max(v, p.y0), p.y1))
	}
	p.d.path(color, 2.2, "", points...)
}

// band fills what lies between two heights.
func (p *panel) band(low, high float64, color string) {
	a, b := p.at(p.x0, high), p.at(p.x1, low)
	p.d.rect(a[0], a[1], b[0]-a[0], b[1]-a[1], color, "none")
}

package yield

import (
	"fmt"
	"math"
)

// bars draws what each batch of a species gave, flush upon flush, over the range that the handbook lets expect.
func (s *Season) bars(batches []*BatchYield, harvests []Harvest) *picture {
	const left, right, row, head, width = 88.0, 52.0, 24.0, 22.0, 360.0
	c, _ := s.crop(batches[0].Species)
	x := axis{high: c.BEHigh, from: left, to: width - right}
	for _, b := range batches {
		x.high = math.Max(x.high, b.Efficiency)
	}
	x.high *= 1.04
	p := &picture{W: width, H: head + row*float64(len(batches)) + 22, Title: "Biological efficiency of " + s.called(batches[0].Species)}
	bottom := head + row*float64(len(batches))
	if c.BEHigh > 0 {
		p.rect("wanted", x.at(c.BELow), head-6, x.at(c.BEHigh)-x.at(c.BELow), bottom-head+6, "")
		p.text("axis", "middle", (x.at(c.BELow)+x.at(c.BEHigh))/2, head-10, fmt.Sprintf("expected %s to %s", percent(c.BELow), percent(c.BEHigh)))
	}
	for _, v := range x.ticks(5) {
		p.line("grid", x.at(v), head-6, x.at(v), bottom)
		p.text("axis", "middle", x.at(v), bottom+13, percent(v))
	}
	for i, b := range batches {
		y := head + row*float64(i)
		p.text("label", "end", left-6, y+14, clip(b.Batch, 13))
		at := 0.0
		for _, n := range b.Flushes {
			h := &harvests[n]
			says := fmt.Sprintf("flush %d: %s g, %s", h.Flush, fixed(h.FreshG, 0), percent(h.Efficiency))
			p.rect(fmt.Sprintf("bar f%d", min(h.Flush, 4)), x.at(at), y+3, x.at(at+h.Efficiency)-x.at(at), row-8, says)
			if x.at(at+h.Efficiency)-x.at(at) > 14 {
				p.text("onbar", "middle", (x.at(at)+x.at(at+h.Efficiency))/2, y+15, fmt.Sprint(h.Flush))
			}
			at += h.Efficiency
		}
		growing := ""
		if b.Retired.IsZero() {
			growing = " …"
		}
		p.text("label", "start", x.at(at)+5, y+14, percent(b.Efficiency)+growing)
	}
	return p
}

// clip shortens a name to what a margin can hold. The middle goes: a grower's batches begin alike, and their numbers stand at the end.
func clip(s string, most int) string {
	r := []rune(s)
	if len(r) <= most {
		return s
	}
	end := most / 2
	return string(r[:most-1-end]) + "…" + string(r[len(r)-end:])
}

// scatter draws one relation: each flush by its condition and its yield against the median of its number.
func (s *Season) scatter(r *Relation) *picture {
	const left, right, top, bottom, width, height = 40.0, 10.0, 8.0, 34.0, 360.0, 230.0
	unit, scale, shift := s.unit(r.Measure)
	x := axis{low: math.Inf(1), high: math.Inf(-1), from: left, to: width - right}
	y := axis{low: 0.9, high: 1.1, from: height - bottom, to: top}
	for _, p := range r.Points {
		v := p.X*scale + shift
		x.low, x.high = math.Min(x.low, v), math.Max(x.high, v)
		y.low, y.high = math.Min(y.low, p.Relative), math.Max(y.high, p.Relative)
	}
	if len(r.Points) == 0 {
		return nil
	}
	pad := math.Max(0.05*(x.high-x.low), 1e-9)
	x.low, x.high, y.low, y.high = x.low-pad, x.high+pad, y.low-0.06, y.high+0.06
	p := &picture{W: width, H: height, Title: r.headline()}
	for _, v := range x.ticks(6) {
		p.line("grid", x.at(v), y.to, x.at(v), y.from)
		p.text("axis", "middle", x.at(v), y.from+14, tick(v))
	}
	for _, v := range y.ticks(5) {
		p.line("grid", x.from, y.at(v), x.to, y.at(v))
		p.text("axis", "end", left-4, y.at(v)+3, tick(100*v)+" %")
	}
	p.line("usual", x.from, y.at(1), x.to, y.at(1))
	p.text("axis", "middle", (x.from+x.to)/2, height-6, unit)
	for _, k := range r.Points {
		v := k.X*scale + shift
		p.mark(k.Flush, x.at(v), y.at(k.Relative), fmt.Sprintf("%s, flush %d: %s; %s of the median", k.Batch, k.Flush, tick(v), percent(k.Relative)))
	}
	return p
}

// forest draws every correlation of a species with its interval, so that the few that stand out stand beside the many
// that were asked.
func (s *Season) forest(list []*Relation) *picture {
	const width, row, head, left, right = 360.0, 30.0, 14.0, 12.0, 12.0
	x := axis{low: -1, high: 1, from: left, to: width - right}
	p := &picture{W: width, H: head + row*float64(len(list)) + 4, Title: "Rank correlation of every condition with the yield of " + s.called(list[0].Species)}
	for _, v := range []float64{-1, -0.5, 0, 0.5, 1} {
		class := "grid"
		if v == 0 {
			class = "usual"
		}
		p.line(class, x.at(v), head, x.at(v), p.H)
		p.text("axis", "middle", x.at(v), head-4, tick(v))
	}
	for i, r := range list {
		y := head + row*float64(i) + 22
		class := ""
		if r.Found {
			class = " found"
		}
		p.text("label"+class, "start", left, y-9, s.short(r))
		if r.Low.OK() {
			p.line("whisker"+class, x.at(float64(r.Low)), y, x.at(float64(r.High)), y)
		}
		p.dot("point"+class, x.at(r.R), y, 4, r.rank())
	}
	return p
}

// short names a question on a plot.
func (s *Season) short(r *Relation) string {
	unit, _, _ := s.unit(r.Measure)
	return r.Stage.String() + ": " + unit
}

// unit says how a measure is shown: its name with its unit, and the line that leads from the figure to what is shown.
func (s *Season) unit(key string) (name string, scale, shift float64) {
	m := measureOf(key)
	if s.Fahrenheit && key == "mean_temperature_c" {
		return "mean temperature, °F", 1.8, 32
	}
	return m.Unit, m.Scale, 0
}

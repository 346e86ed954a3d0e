package yield

import (
	"fmt"
	"math"
	"slices"
	"time"

	"gillkeeper/policy/species"
)

// The ribbon of a flush: a strip of its stages, and below it humidity, carbon dioxide and temperature beside what was
// wanted, with a mark for each picking. Lengths are in pixels.
const (
	ribbonWidth  = 360.0
	ribbonLeft   = 30.0
	ribbonRight  = 6.0
	ribbonStrip  = 16.0
	ribbonTrack  = 54.0
	ribbonGap    = 17.0
	ribbonFoot   = 30.0
	ribbonPoints = 150 // more than the width shows is noise
)

// track is one quantity of a ribbon.
type track struct {
	name           string
	mean, low, top Column
	scale          func(float64) float64
	want           func(Want) (low, high float64) // in the quantity's own unit; an end that is NaN is open
	least          float64                        // how many units the axis spans at least
}

// ribbon draws one flush.
func (s *Season) ribbon(b *Batch, h *Harvest) *picture {
	var shown []Stage
	for _, p := range b.Stages {
		if p.Flush == h.Flush && (p.Stage == species.Pinning || p.Stage == species.Fruiting || p.Stage == species.Rest) {
			if p.To.IsZero() || p.To.After(s.To) {
				p.To = s.To
			}
			if p.Stage == species.Rest && p.To.Sub(p.From) > 48*time.Hour {
				p.To = p.From.Add(48 * time.Hour) // the rest is the next flush's beginning; here it only frames the picking
			}
			shown = append(shown, p)
		}
	}
	c := s.chamber(b.Chamber)
	if len(shown) == 0 || c == nil {
		return nil
	}
	from, to := shown[0].From, shown[len(shown)-1].To
	if h.Last.After(to) {
		to = h.Last
	}
	if !from.Before(to) {
		return nil
	}
	x := axis{low: unix(from), high: unix(to), from: ribbonLeft, to: ribbonWidth - ribbonRight}
	p := &picture{W: ribbonWidth, Title: fmt.Sprintf("Climate of flush %d of %s from %s to %s", h.Flush, b.Name, s.clock().minute(from), s.clock().minute(to))}
	s.strip(p, shown, x)
	y := ribbonStrip + ribbonGap
	at := c.Climate.between(from, to)
	for _, t := range s.tracks(&c.Climate) {
		s.track(p, t, at, &c.Climate, b, shown, x, y)
		y += ribbonTrack + ribbonGap
	}
	s.foot(p, b, h, x, from, to, y-ribbonGap+4)
	p.H = y - ribbonGap + 4 + ribbonFoot
	return p
}

func unix(t time.Time) float64 { return float64(t.UnixNano()) / 1e9 }

func (s *Season) clock() clock { return clock{s.Zone()} }

// between gives the aggregates that begin within a stretch of time.
func (c *Climate) between(from, to time.Time) []int {
	i, _ := slices.BinarySearch(c.Start, from.Unix())
	j, _ := slices.BinarySearch(c.Start, to.Unix())
	var out []int
	for ; i < j; i++ {
		out = append(out, i)
	}
	return out
}

func (s *Season) strip(p *picture, shown []Stage, x axis) {
	for _, st := range shown {
		a, b := x.at(unix(st.From)), x.at(unix(st.To))
		p.rect("stage "+st.Stage.String(), a, 0, b-a, ribbonStrip, st.Stage.String()+", "+s.clock().minute(st.From)+" to "+s.clock().minute(st.To))
		if b-a > 38 {
			p.text("onstage", "middle", (a+b)/2, ribbonStrip-4.5, st.Stage.String())
		}
	}
}

func (s *Season) tracks(c *Climate) []track {
	percent := func(v float64) float64 { return 100 * v }
	degrees, unit := func(v float64) float64 { return v }, "°C"
	if s.Fahrenheit {
		degrees, unit = func(v float64) float64 { return v*9/5 + 32 }, "°F"
	}
	all := []track{
		{"humidity, %", c.RH, c.RHMin, c.RHMax, percent, func(w Want) (float64, float64) { return w.RHLow, w.RHHigh }, 10},
		{"CO2, ppm", c.CO2, c.CO2, c.CO2Max, func(v float64) float64 { return v }, func(w Want) (float64, float64) {
			if w.CO2MaxPPM > 0 {
				return math.NaN(), w.CO2MaxPPM
			}
			return math.NaN(), math.NaN()
		}, 400},
		{"temperature, " + unit, c.TemperatureC, c.TemperatureC, c.TemperatureC, degrees, func(w Want) (float64, float64) { return w.LowC, w.HighC }, 6},
	}
	return slices.DeleteFunc(all, func(t track) bool {
		return !slices.ContainsFunc(t.mean, func(v float64) bool { return !math.IsNaN(v) })
	})
}

// track draws one quantity: what was wanted, the range from minimum to maximum, and the mean.
func (s *Season) track(p *picture, t track, at []int, c *Climate, b *Batch, shown []Stage, x axis, top float64) {
	xs, mean, low, high := thin(t, at, c)
	y := axis{low: math.Inf(1), high: math.Inf(-1), from: top + ribbonTrack, to: top}
	see := func(v float64) {
		if !math.IsNaN(v) {
			y.low, y.high = math.Min(y.low, v), math.Max(y.high, v)
		}
	}
	for i := range xs {
		see(low[i])
		see(high[i])
	}
	for _, st := range shown {
		if w, ok := s.want(b.Species, st.Stage); ok && st.Stage != species.Rest {
			a, z := t.want(w)
			see(t.scale(a))
			see(t.scale(z))
		}
	}
	if math.IsInf(y.low, 0) {
		return
	}
	if missing := t.least - (y.high - y.low); missing > 0 {
		y.low, y.high = y.low-missing/2, y.high+missing/2
	}
	pad := 0.06 * (y.high - y.low)
	y.low, y.high = y.low-pad, y.high+pad
	s.wanted(p, t, b, shown, x, y)
	for _, v := range y.ticks(3) {
		p.line("grid", x.from, y.at(v), x.to, y.at(v))
		p.text("axis", "end", x.from-4, y.at(v)+3, tick(v))
	}
	p.text("axis name", "start", x.from, top-4, t.name)
	px := make([]float64, len(xs))
	for i := range xs {
		px[i], mean[i], low[i], high[i] = x.at(xs[i]), pixel(y, mean[i]), pixel(y, low[i]), pixel(y, high[i])
	}
	p.path("spread", ribbon(px, low, high))
	p.path("curve", curve(px, mean))
}

func pixel(y axis, v float64) float64 {
	if math.IsNaN(v) {
		return v
	}
	return y.at(v)
}

// wanted shades the range of each stage; what has no lower end reaches down to the axis.
func (s *Season) wanted(p *picture, t track, b *Batch, shown []Stage, x, y axis) {
	for _, st := range shown {
		w, ok := s.want(b.Species, st.Stage)
		if !ok {
			continue
		}
		low, high := t.want(w)
		if math.IsNaN(high) {
			continue
		}
		bottom := y.from
		if !math.IsNaN(low) {
			bottom = y.at(t.scale(low))
		}
		a := x.at(unix(st.From))
		p.rect("wanted", a, y.at(t.scale(high)), x.at(unix(st.To))-a, bottom-y.at(t.scale(high)), "")
	}
}

// thin puts aggregates together until there are no more than the picture can show.
func thin(t track, at []int, c *Climate) (xs, mean, low, high []float64) {
	each := (len(at) + ribbonPoints - 1) / ribbonPoints
	for chunk := range slices.Chunk(at, max(each, 1)) {
		var m tally
		lo, hi := math.NaN(), math.NaN()
		for _, i := range chunk {
			m.add(t.mean[i], c.Seconds[i])
			lo, hi = least(lo, t.low[i]), most(hi, t.top[i])
			lo, hi = least(lo, t.mean[i]), most(hi, t.mean[i])
		}
		last := chunk[len(chunk)-1]
		xs = append(xs, (float64(c.Start[chunk[0]])+float64(c.Start[last])+c.Seconds[last])/2)
		mean, low, high = append(mean, t.scale(float64(m.mean()))), append(low, t.scale(lo)), append(high, t.scale(hi))
	}
	return xs, mean, low, high
}

func least(a, b float64) float64 {
	if math.IsNaN(a) || b < a {
		return b
	}
	return a
}

func most(a, b float64) float64 {
	if math.IsNaN(a) || b > a {
		return b
	}
	return a
}

// foot draws the days, and where it was picked.
func (s *Season) foot(p *picture, b *Batch, h *Harvest, x axis, from, to time.Time, y float64) {
	p.line("base", x.from, y, x.to, y)
	p.text("axis", "start", x.from, y+26, s.clock().short(from))
	p.text("axis", "end", x.to, y+26, s.clock().short(to))
	for d := from.Add(24 * time.Hour); d.Before(to) && to.Sub(from) < 90*24*time.Hour; d = d.Add(24 * time.Hour) {
		p.line("base", x.at(unix(d)), y, x.at(unix(d)), y+3)
	}
	for i := range b.Flushes {
		f := &b.Flushes[i]
		if f.Number != h.Flush {
			continue
		}
		last := -100.0
		for _, k := range f.Pickings {
			at := x.at(unix(k.At))
			p.line("pick", at, ribbonStrip, at, y)
			p.dot("pick", at, y, 3.2, fixed(k.FreshG, 0)+" g on "+s.clock().minute(k.At))
			if at-last > 34 {
				p.text("axis picked", "middle", math.Min(at, x.to-16), y+14, fixed(k.FreshG, 0)+" g")
				last = at
			}
		}
	}
}

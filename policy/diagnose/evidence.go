package diagnose

import (
	"math"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// Finding is one thing that the record shows, in numbers. Words are made at the edge.
type Finding struct {
	Kind     FindingKind      `json:"kind"`
	Against  bool             `json:"against,omitempty"` // it speaks against the cause
	Quantity chamber.Quantity `json:"quantity,omitempty"`
	Bound    float64          `json:"bound"`            // that was passed, or kept
	Extreme  float64          `json:"extreme"`          // the farthest value of ten minutes or an hour
	Mean     float64          `json:"mean"`             // over the window
	Hours    float64          `json:"hours"`            // beyond the bound
	Of       float64          `json:"of"`               // hours with a reading
	At       time.Time        `json:"at,omitzero"`      // of the extreme, or the start of a dip
	Long     time.Duration    `json:"long,omitempty"`   // of the longest stretch beyond the bound
	From     int              `json:"from"`             // hour of the day at the site from which on three hours were the worst
	Fan      float64          `json:"fan"`              // the fan's share of time in those hours; −1: not known
	Mist     float64          `json:"mist"`             // the humidifier's
	Wanted   float64          `json:"wanted,omitempty"` // hours of light a day, or days in the stage
	Got      float64          `json:"got,omitempty"`
}

// FindingKind says which numbers of a [Finding] mean something.
type FindingKind string

// The kinds of findings.
const (
	FoundAbove FindingKind = "above" // Quantity, Bound, Hours, Of, Extreme, Mean, At, Long, From, Fan, Mist
	FoundBelow FindingKind = "below" // the same
	FoundDip   FindingKind = "dip"   // Quantity, Bound, Extreme, At, Long
	FoundRange FindingKind = "range" // Quantity, Bound = usual swing of a day, Extreme = widest, Mean, At
	FoundLight FindingKind = "light" // Wanted, Got: hours a day
	FoundDays  FindingKind = "days"  // Wanted = longest usual days, Got
	FoundNone  FindingKind = "none"  // Quantity was not recorded
	FoundThin  FindingKind = "thin"  // Hours of Of hours are recorded: too little to go by
)

// view is what the window shows of one cause.
type view struct {
	strength float64 // 0: the record speaks against it, 1: for it; 0.5: it says nothing
	seen     bool
	findings []Finding
}

// The doses at which a cause is as likely as not to make its sign, in its own measure, see the function of each. They
// are common practice: about as much as growers call too much. A day or two on the wrong side of a limit by half its
// width is one.
const (
	halfCO2, co2Over   = 0.13, 0.5  // mean of the excess over the limit, by half the limit
	halfDry, dryUnder  = 0.16, 0.08 // mean of the deficit below the range, by 8 points of humidity
	halfDip            = 0.5        // of one hour 12 points below the range
	dipDepth           = 0.12
	halfWet, wetOver   = 0.25, 0.03 // mean of the excess over the range, by 3 points
	halfHeat, heatOver = 0.16, 3.0  // mean of the excess in K by 3 K
	halfSwing          = 0.5        // mean of the swing of a day beyond what is usual, by 4 K
	usualSwing, swings = 4.5, 4.0
	halfLight          = 0.42 // share of the wanted light that is missing
	halfLate           = 0.30 // share of the longest usual days that the fruit stood beyond them
	mostOver           = 2.0  // one hour counts no more than twice its measure
	thinHours          = 10.0 // of record below which nothing is said
	lightHours         = 23.0 // the same for light, of which half a day says nothing
)

// steep is how sharply likelihood rises with dose.
const steep = 2.5

// strength turns a dose in units of its half dose into 0..1.
func strength(d float64) float64 {
	p := math.Pow(math.Max(d, 0), steep)
	return p / (1 + p)
}

// look weighs one cause by the window.
func (w *span) look(c Cause) *view {
	if c != Hidden && c != LatePicking && w.Covered.Hours() < thinHours {
		return &view{strength: 0.5, findings: []Finding{{Kind: FoundThin, Hours: w.Covered.Hours(), Of: w.To.Sub(w.From).Hours()}}}
	}
	switch c {
	case HighCO2:
		return w.beyond(chamber.CO2, +1, halfCO2, func(r *species.Row) (float64, float64) { return r.CO2MaxPPM, co2Over * r.CO2MaxPPM })
	case LowHumidity:
		return w.lowHumidity()
	case DryDip:
		return w.dip()
	case Wet:
		return w.beyond(chamber.RelativeHumidity, +1, halfWet, func(r *species.Row) (float64, float64) {
			return math.Min(math.Max(r.RelativeHumidity.High, 0.93)+0.01, 0.97), wetOver
		})
	case Heat:
		return w.beyond(chamber.Temperature, +1, halfHeat, func(r *species.Row) (float64, float64) { return r.TemperatureC.High + 0.5, heatOver })
	case Cold:
		return w.beyond(chamber.Temperature, -1, halfHeat, func(r *species.Row) (float64, float64) { return r.TemperatureC.Low - 0.5, heatOver })
	case Swings:
		return w.swing()
	case LowLight:
		return w.light()
	case LatePicking:
		return w.late()
	}
	return &view{strength: 0.5}
}

// value takes one quantity out of a bucket.
func (b *Bucket) value(q chamber.Quantity) Value {
	switch q {
	case chamber.CO2:
		return b.CO2
	case chamber.Temperature:
		return b.TempC
	case chamber.Illuminance:
		return b.Lux
	}
	return b.RH
}

// beyond measures how far and how long a quantity was beyond a limit that depends on the stage: above it with side +1,
// below it with −1. limit gives the limit and the measure of an excess; a limit of 0 is none.
func (w *span) beyond(q chamber.Quantity, side, half float64, limit func(*species.Row) (bound, measure float64)) *view {
	var t tally
	for i := range w.buckets {
		b, row := w.buckets[i], w.rows[i]
		v := b.value(q)
		if !v.OK || row == nil {
			continue
		}
		bound, measure := limit(row)
		if bound == 0 || measure == 0 {
			continue
		}
		t.take(w, b, v, bound, side, side*(v.Mean-bound)/measure)
	}
	if t.hours < thinHours {
		return &view{strength: 0.5, findings: []Finding{{Kind: FoundNone, Quantity: q}}}
	}
	kind := FoundAbove
	if side < 0 {
		kind = FoundBelow
	}
	d := t.dose / t.hours / half
	f := t.finding(kind, q)
	f.Against = d < 1 && t.beyond < 0.1*t.hours
	return &view{strength: strength(d), seen: true, findings: []Finding{f}}
}

// tally adds buckets up.
type tally struct {
	side           float64
	dose           float64 // of excess, in hours
	hours, beyond  float64
	sum            float64
	bound, extreme float64
	at             time.Time
	run, long      time.Duration
	byHour         [24]share
	started        bool
}

type share struct{ sum, hours, fan, fanHours, mist, mistHours float64 }

func (t *tally) take(w *span, b *Bucket, v Value, bound, side, excess float64) {
	h := b.Span.Hours()
	t.side, t.bound = side, bound
	t.hours += h
	t.sum += v.Mean * h
	if !t.started || side*v.Mean > side*t.extreme {
		t.extreme, t.at, t.started = v.Mean, b.At, true
	}
	if excess > 0 {
		t.dose += math.Min(excess, mostOver) * h
		t.beyond += h
		t.run += b.Span
		t.long = max(t.long, t.run)
	} else {
		t.run = 0
	}
	zone := w.c.Zone
	if zone == nil {
		zone = time.UTC
	}
	x := &t.byHour[b.At.In(zone).Hour()]
	x.sum += v.Mean * h
	x.hours += h
	if b.Fan.OK {
		x.fan += b.Fan.Mean * h
		x.fanHours += h
	}
	if b.Mist.OK {
		x.mist += b.Mist.Mean * h
		x.mistHours += h
	}
}

func (t *tally) finding(kind FindingKind, q chamber.Quantity) Finding {
	f := Finding{Kind: kind, Quantity: q, Bound: t.bound, Extreme: t.extreme, Mean: t.sum / t.hours, Hours: t.beyond, Of: t.hours, At: t.at, Long: t.long}
	f.From, f.Fan, f.Mist = t.worstHours()
	return f
}

// worstHours finds the three hours of the day in which the quantity was farthest on its side, and what ran then.
func (t *tally) worstHours() (from int, fan, mist float64) {
	best := math.Inf(-1)
	for h := range 24 {
		var s share
		for k := range 3 {
			x := t.byHour[(h+k)%24]
			s.sum += x.sum
			s.hours += x.hours
			s.fan += x.fan
			s.fanHours += x.fanHours
			s.mist += x.mist
			s.mistHours += x.mistHours
		}
		if s.hours == 0 {
			continue
		}
		if v := t.side * s.sum / s.hours; v > best {
			best, from = v, h
			fan, mist = -1, -1
			if s.fanHours > 0 {
				fan = s.fan / s.fanHours
			}
			if s.mistHours > 0 {
				mist = s.mist / s.mistHours
			}
		}
	}
	return from, fan, mist
}

// lowHumidity is beyond for the lower end of the range. A single dip is none of it: it counts as far as the time below
// reaches a fifth of the window.
func (w *span) lowHumidity() *view {
	v := w.beyond(chamber.RelativeHumidity, -1, halfDry, func(r *species.Row) (float64, float64) {
		return math.Min(r.RelativeHumidity.Low, 0.92) - 0.01, dryUnder
	})
	if !v.seen {
		return v
	}
	f := &v.findings[0]
	v.strength *= math.Min(1, f.Hours/f.Of/0.2)
	return v
}

// dip looks for a short, deep drop of humidity: 20 minutes to 12 hours.
func (w *span) dip() *view {
	var worst, hours float64
	var best Finding
	var run time.Duration
	var depth, extreme, below float64
	var at time.Time
	end := func() {
		if run > 0 && run <= 12*time.Hour {
			if d := depth / dipDepth; d > worst {
				worst, best = d, Finding{Kind: FoundDip, Quantity: chamber.RelativeHumidity, Extreme: extreme, At: at, Long: run, Bound: best.Bound}
			}
		}
		run, depth = 0, 0
	}
	for i := range w.buckets {
		b, row := w.buckets[i], w.rows[i]
		if !b.RH.OK || row == nil {
			end()
			continue
		}
		hours += b.Span.Hours()
		bound := math.Min(row.RelativeHumidity.Low, 0.92) - 0.04
		best.Bound = bound
		if b.RH.Mean >= bound {
			end()
			continue
		}
		if run == 0 {
			at, extreme = b.At, b.RH.Mean
		}
		below += b.Span.Hours()
		run += b.Span
		extreme = math.Min(extreme, b.RH.Mean)
		depth += math.Min(bound-b.RH.Mean, 2*dipDepth) * math.Min(b.Span.Hours(), 1)
	}
	end()
	if hours < thinHours {
		return &view{strength: 0.5, findings: []Finding{{Kind: FoundNone, Quantity: chamber.RelativeHumidity}}}
	}
	if best.Kind == "" {
		best = Finding{Kind: FoundDip, Quantity: chamber.RelativeHumidity, Against: true, Bound: best.Bound}
	}
	s := strength(worst / halfDip)
	// Where the air was dry for long a dip more does not tell.
	s *= 1 - math.Min(1, math.Max(0, below/hours-0.08)/0.12)
	return &view{strength: s, seen: true, findings: []Finding{best}}
}

// swing measures how far temperature went up and down within days.
func (w *span) swing() *view {
	var dose, days, sum, widest float64
	var at time.Time
	for i := 0; i < len(w.buckets); {
		low, high, hours := math.Inf(1), math.Inf(-1), 0.0
		start := w.buckets[i].At
		for ; i < len(w.buckets) && w.buckets[i].At.Sub(start) < day; i++ {
			if v := w.buckets[i].TempC; v.OK {
				low, high = math.Min(low, v.Mean), math.Max(high, v.Mean)
				hours += w.buckets[i].Span.Hours()
			}
		}
		if hours < thinHours {
			continue
		}
		r := high - low
		days++
		sum += r
		dose += math.Min(math.Max(0, r-usualSwing)/swings, mostOver)
		if r > widest {
			widest, at = r, start
		}
	}
	if days == 0 {
		return &view{strength: 0.5, findings: []Finding{{Kind: FoundNone, Quantity: chamber.Temperature}}}
	}
	f := Finding{Kind: FoundRange, Quantity: chamber.Temperature, Bound: usualSwing, Extreme: widest, Mean: sum / days, At: at, Of: days}
	f.Against = widest < usualSwing
	return &view{strength: strength(dose/days/halfSwing) * w.balance(), seen: true, findings: []Finding{f}}
}

// balance is 1 where temperature left its range to both sides or to none, and small where it left it to one side: that
// is cold or heat by night or day rather than a swing.
func (w *span) balance() float64 {
	var hot, cold, hours float64
	for i, b := range w.buckets {
		if row := w.rows[i]; row != nil && b.TempC.OK {
			h := b.Span.Hours()
			hours += h
			hot += math.Max(0, b.TempC.Mean-row.TemperatureC.High) / heatOver * h
			cold += math.Max(0, row.TemperatureC.Low-b.TempC.Mean) / heatOver * h
		}
	}
	if hot+cold < 0.1*hours {
		return 1
	}
	return 1 - 0.75*math.Abs(hot-cold)/(hot+cold)
}

// light compares the hours of light a day with what the stage wants: by a light sensor where there is one, else by the
// lamp's plug. Only whole days count, the newest: of a day and a half, the half may be all light or all dark.
func (w *span) light() *view {
	var lit, hours, wanted, passed, all float64
	for i, b := range w.buckets {
		if w.tellsLight(i) {
			all += b.Span.Hours()
		}
	}
	tooMuch := all - 24*math.Floor((all+24-lightHours)/24)
	for i, b := range w.buckets {
		if !w.tellsLight(i) {
			continue
		}
		row, h := w.rows[i], b.Span.Hours()
		passed += h
		h = math.Max(0, math.Min(h, passed-tooMuch))
		least := math.Max(row.Lux.Low/3, 30) // a third of what handbooks print still shows the way
		switch {
		case !b.Lux.OK:
			lit += b.Lamp.Mean * h
		case b.Lux.Mean >= least:
			lit += h
		}
		hours += h
		wanted += row.LightHours * h
	}
	if hours < lightHours {
		return &view{strength: 0.5, findings: []Finding{{Kind: FoundNone, Quantity: chamber.Illuminance}}}
	}
	want, got := wanted/hours, 24*lit/hours
	missing := math.Max(0, 1-got/want)
	f := Finding{Kind: FoundLight, Quantity: chamber.Illuminance, Wanted: want, Got: got, Of: hours, Against: missing < 0.1}
	return &view{strength: strength(missing / halfLight), seen: true, findings: []Finding{f}}
}

// tellsLight reports whether a bucket's stage wants light and something says how much there was.
func (w *span) tellsLight(i int) bool {
	b, row := w.buckets[i], w.rows[i]
	return row != nil && row.LightHours != 0 && (b.Lux.OK || b.Lamp.OK)
}

// late compares the days that the fruit stood with the longest usual.
func (w *span) late() *view {
	row, ok := w.c.Table.Lookup(w.c.Batch.Species, species.Fruiting)
	if !ok || !row.Days.Given() || w.stage != species.Fruiting || w.days == 0 {
		return &view{strength: 0.5}
	}
	over := w.days/row.Days.High - 1
	f := Finding{Kind: FoundDays, Wanted: row.Days.High, Got: w.days, Against: over <= 0}
	return &view{strength: strength(over / halfLate), seen: true, findings: []Finding{f}}
}

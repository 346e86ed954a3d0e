package yield

import (
	"math"
	"slices"
	"time"

	"gillkeeper/policy/species"
)

// Conditions are what the air was during one stage of one flush, against what the species was to have. A figure is NaN
// where nothing was measured. Every mean is weighted by time; what is in range is judged by the mean of each aggregate.
type Conditions struct {
	Stage    species.Stage `json:"stage"`
	From     time.Time     `json:"from"`
	To       time.Time     `json:"to"`
	Hours    float64       `json:"hours"`    // without what lay between, where the stage was left and entered again
	Observed float64       `json:"observed"` // share of the hours with a reading of humidity or temperature

	RHInRange  Value `json:"relative_humidity_in_range"` // share of the observed time
	TInRange   Value `json:"temperature_in_range"`
	CO2InRange Value `json:"co2_in_range"`
	MeanRH     Value `json:"mean_relative_humidity"`
	MeanC      Value `json:"mean_temperature_c"`
	MeanCO2    Value `json:"mean_co2_ppm"`
	// CO2AboveHours are the hours above the limit; CO2Above is their share of the observed time.
	CO2AboveHours Value `json:"co2_above_limit_hours"`
	CO2Above      Value `json:"co2_above_limit"`
	// DryDipHours is the longest unbroken time below the low end of the humidity's range.
	DryDipHours Value `json:"longest_dry_dip_hours"`
	MeanVPDPa   Value `json:"mean_vapor_pressure_deficit_pa"`
	// DegreeHours is the sum of degrees above 0 °C over the observed hours.
	DegreeHours       Value `json:"degree_hours"`
	AirChanges        Value `json:"air_changes"` // how often the air was replaced
	AirChangesPerHour Value `json:"air_changes_per_hour"`
	LightHours        Value `json:"light_hours"`
	LightHoursPerDay  Value `json:"light_hours_per_day"`
	RespirationG      Value `json:"respiration_g"` // carbon dioxide of the whole chamber, all its batches
}

// tally sums one figure over time.
type tally struct{ sum, seconds float64 }

func (t *tally) add(v, seconds float64) {
	if !math.IsNaN(v) {
		t.sum += v * seconds
		t.seconds += seconds
	}
}

// yes counts time for which something held.
func (t *tally) yes(v, seconds float64, held bool) {
	if !math.IsNaN(v) {
		t.seconds += seconds
		if held {
			t.sum += seconds
		}
	}
}

func (t *tally) mean() Value {
	if t.seconds == 0 {
		return NaN
	}
	return Value(t.sum / t.seconds)
}

// hours is the sum in hours: of a quantity per hour, or of the time for which something held.
func (t *tally) hours() Value {
	if t.seconds == 0 {
		return NaN
	}
	return Value(t.sum / 3600)
}

// window sums everything over one stage of one flush.
type window struct {
	want                             Want
	rh, temp, co2, vpd, air          tally
	resp, light                      tally
	rhIn, tempIn, co2In, co2Over     tally
	observed, seconds                float64
	dry, driest, dryTotal            float64 // seconds of the present and of the longest dry dip, and of all
	driedUntil                       float64 // end of the last dry aggregate, seconds since 1970
	sawRH                            bool
	from, to                         time.Time
	hasWant, hasCO2Want, hasTempWant bool
}

// conditions works out one stage of one flush; false when the batch was never in it.
func (s *Season) conditions(b *Batch, flush int, stage species.Stage) (Conditions, bool) {
	w := window{}
	w.want, w.hasWant = s.want(b.Species, stage)
	w.hasCO2Want, w.hasTempWant = w.hasWant && w.want.CO2MaxPPM > 0, w.hasWant && w.want.HighC > w.want.LowC
	c := s.chamber(b.Chamber)
	for _, p := range s.stretches(b, flush, stage) {
		if w.from.IsZero() {
			w.from = p.From
		}
		w.to = p.To
		w.seconds += p.To.Sub(p.From).Seconds()
		if c != nil {
			w.take(&c.Climate, p.From, p.To)
		}
	}
	if w.seconds <= 0 {
		return Conditions{}, false
	}
	return w.figures(stage), true
}

// stretches gives the times that a batch spent in a stage of a flush. A stage that nobody ended is cut at the flush's
// end: what the air did when the crop was in the basket says nothing of it.
func (s *Season) stretches(b *Batch, flush int, stage species.Stage) (out []Stage) {
	end := s.To
	for i := range b.Flushes {
		f := &b.Flushes[i]
		if f.Number == flush && !f.Closed.IsZero() && stage != species.Rest {
			end = f.Closed
		}
	}
	for _, p := range b.Stages {
		if p.Stage != stage || p.Flush != flush {
			continue
		}
		if p.To.IsZero() || p.To.After(end) {
			p.To = end
		}
		if p.From.Before(p.To) {
			out = append(out, p)
		}
	}
	return out
}

// take adds what lies between two moments.
func (w *window) take(c *Climate, from, to time.Time) {
	base := from.Unix() // seconds since 1970 leave no room for a share of a second
	lo, hi := from.Sub(time.Unix(base, 0)).Seconds(), to.Sub(time.Unix(base, 0)).Seconds()
	i, _ := slices.BinarySearch(c.Start, from.Unix()-86_400) // no aggregate is wider than a day
	for ; i < len(c.Start) && float64(c.Start[i]-base) < hi; i++ {
		start := float64(c.Start[i] - base)
		begin, end := math.Max(lo, start), math.Min(hi, start+c.Seconds[i])
		if end > begin {
			w.add(c, i, end-begin, float64(base)+begin)
		}
	}
}

// add takes s seconds of an aggregate from the moment begin on, in seconds since 1970.
func (w *window) add(c *Climate, i int, s, begin float64) {
	rh, temp, co2 := c.RH[i], c.TemperatureC[i], c.CO2[i]
	if !math.IsNaN(rh) || !math.IsNaN(temp) {
		w.observed += s
	}
	w.rh.add(rh, s)
	w.temp.add(temp, s)
	w.co2.add(co2, s)
	w.vpd.add(c.VPD[i], s)
	w.air.add(c.AirChanges[i], s)
	w.resp.add(c.Respiration[i], s)
	w.light.add(c.Light[i], s)
	if w.hasWant {
		w.rhIn.yes(rh, s, rh >= w.want.RHLow && rh <= w.want.RHHigh)
		w.dip(rh, s, begin)
	}
	if w.hasTempWant {
		w.tempIn.yes(temp, s, temp >= w.want.LowC && temp <= w.want.HighC)
	}
	if w.hasCO2Want {
		w.co2In.yes(co2, s, co2 <= w.want.CO2MaxPPM)
		w.co2Over.yes(co2, s, co2 > w.want.CO2MaxPPM)
	}
}

// dip follows the dry time. A gap in the record ends it, because nobody knows what was in it.
func (w *window) dip(rh, s, begin float64) {
	w.sawRH = w.sawRH || !math.IsNaN(rh)
	if !(rh < w.want.RHLow) { // also for NaN
		w.dry = 0
		return
	}
	if begin > w.driedUntil+1 {
		w.dry = 0
	}
	w.dry += s
	w.dryTotal += s
	w.driedUntil = begin + s
	w.driest = math.Max(w.driest, w.dry)
}

func (w *window) figures(stage species.Stage) Conditions {
	hours := w.seconds / 3600
	c := Conditions{
		Stage: stage, From: w.from, To: w.to, Hours: hours, Observed: min(1, w.observed/w.seconds),
		RHInRange: w.rhIn.mean(), TInRange: w.tempIn.mean(), CO2InRange: w.co2In.mean(),
		MeanRH: w.rh.mean(), MeanC: w.temp.mean(), MeanCO2: w.co2.mean(),
		CO2AboveHours: w.co2Over.hours(), CO2Above: w.co2Over.mean(), DryDipHours: NaN,
		MeanVPDPa: w.vpd.mean(), DegreeHours: w.temp.hours(),
		AirChanges: w.air.hours(), AirChangesPerHour: w.air.mean(),
		LightHours: w.light.hours(), LightHoursPerDay: 24 * w.light.mean(), RespirationG: w.resp.hours(),
	}
	if w.sawRH {
		c.DryDipHours = Value(w.driest / 3600)
	}
	return c
}

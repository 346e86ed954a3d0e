package metrics

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	dto "github.com/prometheus/client_model/go"

	"gillkeeper/policy"
	"gillkeeper/policy/air"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/guard"
	"gillkeeper/policy/learn"
	"gillkeeper/policy/species"
)

// gather gives the families of all chambers, in order of names. The library's registry would look at every series
// again for what cannot be wrong here, and sort them, which doubles the time of a scrape of a thousand chambers; the
// tests let it look.
func gather(snaps []*policy.Snapshot) []*dto.MetricFamily {
	var fams [count]*dto.MetricFamily
	put := func(i id, s *sample) {
		f := fams[i]
		if f == nil {
			d := &families[i]
			kind := dto.MetricType_GAUGE
			if d.Kind == Counter {
				kind = dto.MetricType_COUNTER
			}
			f = &dto.MetricFamily{Name: &d.Name, Help: &d.Help, Type: &kind}
			fams[i] = f
		}
		f.Metric = append(f.Metric, &s.metric)
	}
	collect(snaps, put)
	out := slices.DeleteFunc(fams[:], func(f *dto.MetricFamily) bool { return f == nil })
	slices.SortFunc(out, func(a, b *dto.MetricFamily) int { return cmp.Compare(*a.Name, *b.Name) })
	return out
}

// collect writes every series of every chamber, in the order of the snapshots.
func collect(snaps []*policy.Snapshot, put func(id, *sample)) {
	for _, s := range snaps {
		if s == nil || s.Spec == nil {
			continue
		}
		p := page{sink: put, chamber: pair("chamber", s.Spec.Name)}
		p.air(s, chamber.Inside)
		p.air(s, chamber.Room)
		p.target(&s.State.Target)
		p.sensors(s)
		p.plugs(s)
		p.reservoir(s)
		p.learned(s)
		p.totals(&s.State.Totals)
		p.crop(&s.State.Crop, s.State.Totals.Harvests)
		p.alarms(&s.State.Alarms)
		p.put(stepTimestamp, seconds(s, s.State.Now))
	}
}

// seconds turns a moment of the keeper's clock into seconds since 1970 by the calendar's clock; NaN for never.
func seconds(s *policy.Snapshot, at time.Time) float64 {
	if at.IsZero() {
		return math.NaN()
	}
	return float64(s.Wall.Add(at.Sub(s.State.Now)).UnixMilli()) / 1000
}

// page writes the series of one chamber.
type page struct {
	sink    func(id, *sample)
	chamber *dto.LabelPair
}

// sample is one series at one moment, in one piece of memory but for its labels, which samples share.
type sample struct {
	metric  dto.Metric
	gauge   dto.Gauge
	counter dto.Counter
	value   float64
}

// pair makes a label. Text that is not UTF-8 would spoil the whole page.
func pair(name, value string) *dto.LabelPair {
	value = strings.ToValidUTF8(value, "\uFFFD")
	return &dto.LabelPair{Name: &name, Value: &value}
}

// labels makes the labels of a series beside the chamber's, sorted by name as the library wants them.
func (p *page) labels(more ...*dto.LabelPair) []*dto.LabelPair {
	all := append(make([]*dto.LabelPair, 0, len(more)+1), p.chamber)
	all = append(all, more...)
	slices.SortFunc(all, func(a, b *dto.LabelPair) int { return cmp.Compare(*a.Name, *b.Name) })
	return all
}

// putLabeled writes a series with labels that are already sorted; a value that is no number makes it absent.
func (p *page) putLabeled(i id, value float64, labels []*dto.LabelPair) {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return
	}
	s := &sample{value: value}
	s.metric.Label = labels
	if families[i].Kind == Counter {
		s.counter.Value = &s.value
		s.metric.Counter = &s.counter
	} else {
		s.gauge.Value = &s.value
		s.metric.Gauge = &s.gauge
	}
	p.sink(i, s)
}

func (p *page) put(i id, value float64, more ...*dto.LabelPair) {
	p.putLabeled(i, value, p.labels(more...))
}

func truth(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

// air writes what is measured at a place and what follows from it. An estimate that is not OK is the last known one:
// it is not shown, so that a quiet sensor's series ends instead of drawing a level line.
func (p *page) air(s *policy.Snapshot, place chamber.Place) {
	labels := p.labels(pair("place", place.String()))
	a := &s.State.Air
	for _, m := range [...]struct {
		id id
		q  chamber.Quantity
	}{{airTemperature, chamber.Temperature}, {airHumidity, chamber.RelativeHumidity}, {airCO2, chamber.CO2}, {airIlluminance, chamber.Illuminance}} {
		if e := a.Of(place, m.q); e.OK {
			p.putLabeled(m.id, e.Value, labels)
		}
	}
	t, rh := a.Of(place, chamber.Temperature), a.Of(place, chamber.RelativeHumidity)
	pressure, ok := air.BarometricPressure(air.Meters(s.Spec.AltitudeM))
	if !t.OK || !rh.OK || !ok {
		return
	}
	moist, ok := air.New(air.Celsius(t.Value), air.Ratio(rh.Value), pressure)
	if !ok {
		return
	}
	if dew, ok := moist.DewPoint(); ok {
		p.putLabeled(airDewPoint, float64(dew), labels)
	}
	p.putLabeled(airDeficit, float64(moist.VaporPressureDeficit()), labels)
	p.putLabeled(airHumidityRatio, float64(moist.HumidityRatio()), labels)
}

var (
	boundLow  = pair("bound", "low")
	boundAim  = pair("bound", "aim")
	boundHigh = pair("bound", "high")
)

func (p *page) target(t *crop.Target) {
	if !t.OK {
		return
	}
	band := func(q chamber.Quantity, b chamber.Band) {
		quantity := pair("quantity", q.String())
		p.put(target, b.Low, quantity, boundLow)
		p.put(target, b.Aim, quantity, boundAim)
		p.put(target, b.High, quantity, boundHigh)
	}
	band(chamber.RelativeHumidity, t.RelativeHumidity)
	band(chamber.Temperature, t.TemperatureC)
	co2 := pair("quantity", chamber.CO2.String())
	if t.CO2MinPPM > 0 {
		p.put(target, t.CO2MinPPM, co2, boundLow)
	}
	if t.CO2MaxPPM > 0 {
		p.put(target, t.CO2MaxPPM, co2, boundHigh)
	}
}

func (p *page) sensors(s *policy.Snapshot) {
	for i := range s.State.Sensors {
		x := &s.State.Sensors[i]
		labels := p.labels(pair("sensor", x.Name))
		p.putLabeled(sensorFresh, truth(x.Live && !x.Silent && !x.Dead && x.Suspect == ""), labels)
		p.putLabeled(sensorLast, seconds(s, x.At), labels)
		if c := &x.Calibration; c.Made() {
			p.putLabeled(sensorSlope, c.Slope, labels)
			p.putLabeled(sensorOffset, c.Offset, labels)
			p.putLabeled(sensorCalibrated, float64(c.At.UnixMilli())/1000, labels) // by the calendar already
		}
	}
}

func (p *page) plugs(s *policy.Snapshot) {
	away := !s.State.LinkLost.IsZero()
	for i := range s.State.Plugs {
		x := &s.State.Plugs[i]
		labels := p.labels(pair("plug", x.Name), pair("role", x.Role.String()))
		p.plug(x, away, labels)
		if s.Modulates(i) {
			p.level(x, away, labels)
		}
		if w := s.Wear(i); w != nil {
			p.putLabeled(plugWear, float64(w.Used), labels)
			p.putLabeled(plugWearPrice, w.Factor(), labels)
		}
	}
}

func (p *page) plug(x *guard.Plug, away bool, labels []*dto.LabelPair) {
	if x.HasTold {
		p.putLabeled(plugCommanded, truth(x.Told), labels)
	}
	if x.HasReported && x.Synced && !away {
		p.putLabeled(plugReported, truth(x.Reported), labels)
	}
	if x.HasWatts && x.Metered && !away {
		p.putLabeled(plugWatts, x.Watts, labels)
	}
	p.putLabeled(plugSeconds, x.OnSeconds, labels)
	p.putLabeled(plugSwitches, float64(x.Switches), labels)
	p.putLabeled(plugHand, truth(x.Hand.Active), labels)
}

// level is the output of a plug that modulates.
func (p *page) level(x *guard.Plug, away bool, labels []*dto.LabelPair) {
	if x.HasTold {
		p.putLabeled(plugCommandedLevel, chamber.Order{On: x.Told, Level: x.ToldAs}.Output(), labels)
	}
	if x.HasReported && x.Synced && !away && (x.ReportedAs > 0 || !x.Reported) {
		p.putLabeled(plugReportedLevel, x.ReportedAs, labels)
	}
}

func (p *page) reservoir(s *policy.Snapshot) {
	r := &s.State.Reservoir
	if r.Known {
		p.put(reservoirLiters, r.Liters)
	}
	if r.EmptyOK {
		p.put(reservoirEmptyIn, r.EmptyIn.Seconds())
	}
}

// learned writes what was identified of the chamber, each once it is known. This is the one place for it.
func (p *page) learned(s *policy.Snapshot) {
	p.put(learnedChanges, float64(s.State.Learn.Change.Times))
	k := s.State.Learn.Knowledge(s.Spec.VolumeM3, s.Spec.AltitudeM)
	say := func(value, half id, x learn.Learned, more ...*dto.LabelPair) {
		if x.Known {
			p.put(value, x.Value, more...)
			p.put(half, x.HalfWidth(), more...)
		}
	}
	say(airChanges, airChangesHalf, k.FanOn, pair("state", "fan_on"))
	say(airChanges, airChangesHalf, k.FanOff, pair("state", "fan_off"))
	say(fanFlow, fanFlowHalf, k.FanM3PerH)
	say(co2Generation, co2GenerationHalf, k.CO2GPerH)
	say(mistOutput, mistOutputHalf, s.State.Reservoir.Output())
	say(mistEvaporated, mistEvaporatedHalf, k.VaporGPerH)
}

func (p *page) totals(t *policy.Totals) {
	for _, x := range t.InRange {
		labels := p.labels(pair("quantity", x.Quantity.String()), pair("stage", x.Stage.String()))
		p.putLabeled(inRangeSeconds, x.InRangeSeconds, labels)
		p.putLabeled(observedSeconds, x.ObservedSeconds, labels)
	}
	for _, x := range t.Stages {
		p.put(stageSeconds, x.Seconds, batchLabels(x.Batch, x.Species, x.Flush, pair("stage", x.Stage.String()))...)
	}
}

func batchLabels(batch, kind string, flush int, more ...*dto.LabelPair) []*dto.LabelPair {
	return append(more, pair("batch", batch), pair("species", kind), pair("flush", strconv.Itoa(flush)))
}

// crop writes batches and harvests. A name that was used again after its batch was retired tells both together, for two
// series with the same labels would spoil the page.
func (p *page) crop(c *crop.State, most []policy.HarvestTotal) {
	type key struct {
		batch, species string
		flush          int
	}
	type yield struct{ grams, most, efficiency float64 }
	var order []key
	yields := map[key]*yield{}
	present := map[string]bool{}
	for i := range c.Batches {
		b := &c.Batches[i]
		if b.Retired.IsZero() && !present[b.Name] {
			present[b.Name] = true
			p.put(batchInfo, 1, batchLabels(b.Name, b.Species, b.Flush, stageLabel(b.Stage))...)
		}
		for j := range b.Flushes {
			f := &b.Flushes[j]
			k := key{b.Name, b.Species, f.Number}
			y := yields[k]
			if y == nil {
				y = &yield{}
				yields[k] = y
				order = append(order, k)
			}
			y.grams += f.FreshG()
			y.efficiency = b.FlushEfficiency(f)
			if !(b.DryKg > 0) {
				y.efficiency = math.NaN()
			}
		}
	}
	for _, m := range most {
		k := key{m.Batch, m.Species, m.Flush}
		if b, ok := c.Find(m.Batch); yields[k] == nil && ok && b.Species == m.Species { // all that it gave was undone
			yields[k] = &yield{}
			order = append(order, k)
		}
		if y := yields[k]; y != nil {
			y.most = m.FreshG
		}
	}
	for _, k := range order {
		labels, y := p.labels(batchLabels(k.batch, k.species, k.flush)...), yields[k]
		p.putLabeled(harvestGrams, max(y.grams, y.most), labels)
		p.putLabeled(flushGrams, y.grams, labels)
		p.putLabeled(efficiency, y.efficiency, labels)
	}
}

func stageLabel(s species.Stage) *dto.LabelPair { return pair("stage", s.String()) }

// alarmLabels are those of every alarm, declared and one step graver.
var alarmLabels = func() (l [alarm.N]struct{ name, declared, graver *dto.LabelPair }) {
	for i, d := range alarm.Declared {
		l[i].name = pair("alarm", string(d.Name))
		l[i].declared = pair("priority", d.Priority.String())
		l[i].graver = pair("priority", min(d.Priority+1, alarm.Urgent).String())
	}
	return l
}()

func (p *page) alarms(a *alarm.State) {
	for i, n := range alarm.Names() {
		l := &alarmLabels[i]
		on := a.Active(n)
		graver := on && a.Lives[i].Condition.Worse && alarm.Declared[i].Priority < alarm.Urgent
		p.putAlarm(truth(on && !graver), l.name, l.declared)
		if graver {
			p.putAlarm(1, l.name, l.graver)
		}
	}
}

// putAlarm writes a series whose labels happen to be in order.
func (p *page) putAlarm(value float64, name, priority *dto.LabelPair) {
	p.putLabeled(alarmActive, value, []*dto.LabelPair{name, p.chamber, priority})
}

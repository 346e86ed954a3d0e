package web

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy"
	"gillkeeper/policy/air"
	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/reason"
)

// view turns one snapshot into what the API shows of it. The policies' moments are on the keeper's steady clock; here
// they are moved to the calendar.
type view struct {
	snap  *policy.Snapshot
	words words.Words
	shift time.Duration // from the steady clock to the calendar
}

func newView(snap *policy.Snapshot, w words.Words) *view {
	v := &view{snap: snap, words: w}
	if !snap.State.Now.IsZero() {
		v.shift = snap.Wall.Sub(snap.State.Now)
	}
	return v
}

// at moves a moment of the steady clock to the calendar; nil for none.
func (v *view) at(t time.Time) *time.Time {
	if t.Year() <= 1970 || t.Year() > 9000 { // none, none with a length added, or beyond what JSON can say
		return nil
	}
	return new(v.day(t))
}

// day is at for a moment that is always there. To the millisecond: between two looks the two clocks differ by less, and what
// happened at 08:00 is not to move.
func (v *view) day(t time.Time) time.Time {
	if t.Year() <= 1 || t.Year() > 9000 {
		return time.Time{}
	}
	return t.Add(v.shift).Round(time.Millisecond).UTC()
}

func (v *view) chamber() api.Chamber {
	s := &v.snap.State
	c := api.Chamber{
		Name: v.snap.Spec.Name, At: v.snap.Wall.UTC(), Observe: v.snap.Observe,
		Air:       api.Places{Chamber: v.air(chamber.Inside), Room: v.air(chamber.Room)},
		Target:    v.target(),
		Batches:   v.batches(false),
		Plugs:     v.plugs(),
		Reservoir: v.reservoir(),
		Alarms:    v.alarms(),
		BrokerOut: v.at(s.LinkLost),
		Beside:    v.beside(),
	}
	c.Worst = worst(c.Alarms)
	return c
}

func worst(alarms []api.Alarm) string {
	for i := range alarms { // the worst first
		if alarms[i].Active {
			return alarms[i].Priority
		}
	}
	return "none"
}

func (v *view) air(p chamber.Place) api.Air {
	var a api.Air
	a.RelativeHumidity = v.reading(p, chamber.RelativeHumidity)
	a.TemperatureC = v.reading(p, chamber.Temperature)
	a.CO2PPM = v.reading(p, chamber.CO2)
	a.IlluminanceLux = v.reading(p, chamber.Illuminance)
	if t, rh := a.TemperatureC, a.RelativeHumidity; t != nil && rh != nil && t.Fresh && rh.Fresh {
		if pressure, ok := air.BarometricPressure(air.Meters(v.snap.Spec.AltitudeM)); ok {
			if st, ok := air.New(air.Celsius(t.Value), air.Ratio(rh.Value), pressure); ok {
				a.VaporDeficitPa = new(finite(float64(st.VaporPressureDeficit())))
				if dew, ok := st.DewPoint(); ok {
					a.DewPointC = new(finite(float64(dew)))
				}
			}
		}
	}
	return a
}

// reading gives nil for what is not measured there or was never heard of.
func (v *view) reading(p chamber.Place, q chamber.Quantity) *api.Reading {
	e := v.snap.State.Air.Of(p, q)
	if !v.snap.Spec.Has(q, p) || !e.Heard() || math.IsNaN(e.Value) || math.IsInf(e.Value, 0) {
		return nil
	}
	r := &api.Reading{Value: e.Value, Fresh: e.OK, At: v.at(e.At), Sensors: e.Used}
	if p == chamber.Inside && e.OK {
		r.Range = side(&v.snap.State.Target, q, e.Value)
	}
	return r
}

// side says on which side of the target's range a value lies; "" where there is none.
func side(t *crop.Target, q chamber.Quantity, value float64) string {
	var low float64
	high := math.Inf(1)
	switch {
	case !t.OK:
		return ""
	case q == chamber.RelativeHumidity:
		low, high = t.RelativeHumidity.Low, t.RelativeHumidity.High
	case q == chamber.Temperature:
		low, high = t.TemperatureC.Low, t.TemperatureC.High
	case q == chamber.CO2 && (t.CO2MinPPM > 0 || t.CO2MaxPPM > 0):
		low = t.CO2MinPPM
		if t.CO2MaxPPM > 0 {
			high = t.CO2MaxPPM
		}
	default:
		return ""
	}
	switch {
	case value < low:
		return "below"
	case value > high:
		return "above"
	}
	return "within"
}

func (v *view) target() api.Target {
	t := &v.snap.State.Target
	if !t.OK {
		return api.Target{}
	}
	out := api.Target{
		Given: true, Stage: t.Stage.String(),
		RelativeHumidity: band(t.RelativeHumidity), TemperatureC: band(t.TemperatureC),
		CO2MinPPM: finite(t.CO2MinPPM), CO2MaxPPM: finite(t.CO2MaxPPM), FAEPerHour: finite(t.FAEPerHour),
		LightHours: finite(t.LightHours),
	}
	if t.LightHours > 0 && t.LightHours < 24 {
		out.LightsOn = fmt.Sprintf("%02d:%02d", int(t.LightsOn.Hours())%24, int(t.LightsOn.Minutes())%60)
	}
	for _, c := range t.Conflicts {
		out.Conflicts = append(out.Conflicts, api.Conflict{
			Quantity: c.Quantity.String(), Followed: c.Followed, Slighted: c.Slighted, Low: finite(c.Wanted.Low), High: finite(c.Wanted.High),
			Text: fmt.Sprintf("%s: batch %s is followed; batch %s would want %s.", words.Quantity(c.Quantity), c.Followed, c.Slighted,
				v.words.Span(c.Quantity, c.Wanted.Low, c.Wanted.High)),
		})
	}
	return out
}

func band(b chamber.Band) *api.Band {
	return &api.Band{Low: finite(b.Low), Aim: finite(b.Aim), High: finite(b.High)}
}

func (v *view) plugs() []api.Plug {
	out := make([]api.Plug, 0, len(v.snap.State.Plugs))
	for i := range v.snap.State.Plugs {
		p := &v.snap.State.Plugs[i]
		x := api.Plug{Name: p.Name, Role: p.Role.String(), On: p.On, Known: p.Known, Since: v.at(p.ChangedAt), Reasons: []api.Reason{}}
		if p.HasTold {
			x.Commanded = new(p.Told)
		}
		if v.snap.Modulates(i) {
			x.Level = new(finite(p.Output()))
		}
		if w := v.snap.Wear(i); w != nil {
			x.Wear = &api.Wear{PerDay: v.snap.Spec.Plugs[i].SwitchingsPerDay, Used: w.Used, Since: v.day(w.From), Price: finite(w.Factor()),
				GivesWay: w.GivesWay(v.snap.Spec.Plugs[i].SwitchingsPerDay)}
		}
		if p.HasReported {
			x.Reported = new(p.Reported)
		}
		if p.HasWatts && p.Metered {
			x.Watts = new(finite(p.Watts))
		}
		if p.Hand.Active {
			x.Hand = &api.Hand{On: p.Hand.On, AtPlug: p.Hand.AtPlug, Until: v.day(p.Hand.Until)}
		}
		if i < len(v.snap.Decision.Plugs) {
			d := &v.snap.Decision.Plugs[i]
			x.Reasons = v.reasons(d.Reasons, d.On)
		}
		out = append(out, x)
	}
	return out
}

func (v *view) reasons(rs []reason.Reason, on bool) []api.Reason {
	out := make([]api.Reason, 0, len(rs))
	for _, r := range rs {
		shifted := r
		shifted.Until = time.Time{}
		until := v.at(r.Until)
		if until != nil {
			shifted.Until = *until
		}
		x := api.Reason{
			Code: string(r.Code), Text: v.words.Reason(shifted, on, v.snap.Wall),
			Value: finite(r.Value), Bound: finite(r.Bound), Predicted: finite(r.Predicted),
			For: api.Duration(r.For), Until: until, Other: r.Other, Plan: planOf(r.Plan),
		}
		if r.Quantity != 0 {
			x.Quantity = r.Quantity.String()
		}
		out = append(out, x)
	}
	return out
}

func planOf(p *reason.Plan) *api.Plan {
	if p == nil {
		return nil
	}
	air := func(a reason.Air) api.PlanAir {
		return api.PlanAir{RelativeHumidity: finite(a.RH), CO2PPM: finite(a.CO2), TemperatureC: finite(a.AirC)}
	}
	course := func(c reason.Course) api.Course {
		return api.Course{Low: air(c.Low), High: air(c.High), End: air(c.End)}
	}
	return &api.Plan{Ahead: api.Duration(p.Ahead), Runs: p.Runs, In: api.Duration(p.In), For: api.Duration(p.For), Level: finite(p.Level), Now: air(p.Now),
		With: course(p.With), Without: course(p.Without), Decided: string(p.Decided), Text: words.Deciding(p.Decided)}
}

func (v *view) reservoir() *api.Reservoir {
	i := v.snap.Spec.Plug(chamber.Humidifier)
	if i < 0 {
		return nil
	}
	r := &v.snap.State.Reservoir
	out := &api.Reservoir{
		Known: r.Known, Liters: finite(r.Liters), LowLiters: finite(r.Low), HighLiters: finite(r.High),
		CapacityLiters: finite(v.snap.Spec.Plugs[i].ReservoirLiters), Dry: r.Dry,
	}
	if r.EmptyOK {
		out.EmptyIn = new(api.Duration(r.EmptyIn))
	}
	switch {
	case r.Dry:
		out.Text = "dry"
		if since := v.at(r.DrySince); since != nil {
			out.Text += " since " + v.words.Clock(*since, v.snap.Wall)
		}
	case !r.Known:
		out.Text = "not known; say refill when it is full"
	default:
		out.Text = words.Liters(r.Liters)
		if r.EmptyOK {
			out.Text += ", empty " + words.EmptyIn(r)
		}
	}
	return out
}

func (v *view) batches(retired bool) []api.Batch {
	out := []api.Batch{}
	for i := range v.snap.State.Crop.Batches {
		b := &v.snap.State.Crop.Batches[i]
		if !b.Retired.IsZero() && !retired {
			continue
		}
		x := api.Batch{
			Name: b.Name, Chamber: v.snap.Spec.Name, Species: b.Species, Strain: b.Strain,
			SubstrateKg: finite(b.SubstrateKg), DryKg: finite(b.DryKg), Added: v.day(b.Added),
			Stage: b.Stage.String(), StageSince: v.day(b.Since), StageDay: v.stageDay(b),
			Flush: b.Flush, FreshG: finite(b.FreshG()), BiologicalEfficiency: finite(b.BiologicalEfficiency()),
			Flushes: []api.Flush{}, Retired: v.at(b.Retired), Supplements: b.Supplements, Position: b.Position, Inoculated: v.at(b.Inoculated),
			Proposal: v.proposal(b.Name),
		}
		for j := range b.Flushes {
			f := &b.Flushes[j]
			x.Flushes = append(x.Flushes, api.Flush{Number: f.Number, FreshG: finite(f.FreshG()), Pickings: len(f.Pickings), Closed: v.at(f.Closed)})
		}
		out = append(out, x)
	}
	return out
}

// stageDay counts days of the calendar at the site, from 1: a stage begun yesterday evening is on its second day.
func (v *view) stageDay(b *crop.Batch) int {
	zone := v.words.Zone
	if zone == nil {
		zone = time.UTC
	}
	return max(1, 1+int(midnight(v.snap.Wall.In(zone)).Sub(midnight(v.day(b.Since).In(zone))).Hours()/24))
}

// midnight gives the day of a moment as if it were in UTC, so that days differ by 24 h whatever the clocks do.
func midnight(t time.Time) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// alarms lists every alarm that is not at rest, the worst first.
func (v *view) alarms() []api.Alarm {
	out := []api.Alarm{}
	for _, n := range alarm.Names() {
		l := v.snap.State.Alarms.Of(n)
		if l.Phase == alarm.Normal {
			continue
		}
		d := alarm.Told(n, l.Condition.Code)
		out = append(out, api.Alarm{
			Chamber: v.snap.Spec.Name, Alarm: string(n), Priority: l.Condition.Priority(n).String(), State: l.Phase.String(), Active: l.Phase.Active(),
			Since: v.at(l.Since), Says: d.Says, Detail: v.words.Condition(n, &l.Condition),
			Cause: d.Cause, Consequence: d.Consequence, Do: d.Action, About: l.Condition.About, Also: l.Condition.Also,
			FollowsFrom: string(l.Condition.Cause), ShelvedUntil: v.at(v.snap.State.Alarms.ShelvedUntil(n)),
		})
	}
	slices.SortStableFunc(out, compareAlarms)
	return out
}

// compareAlarms puts the worst first: standing ones, then by priority, those that follow from another after it.
func compareAlarms(a, b api.Alarm) int {
	return cmp.Or(
		-compareBool(a.Active, b.Active),
		-cmp.Compare(priority(a.Priority), priority(b.Priority)),
		compareBool(a.FollowsFrom != "", b.FollowsFrom != ""),
	)
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

// priority ranks a priority's word; none, or a word unknown, is below all.
func priority(word string) int {
	var p alarm.Priority
	if p.UnmarshalText([]byte(word)) != nil {
		return -1
	}
	return int(p)
}

func (v *view) event(e *policy.Event) api.Event {
	x := api.Event{At: e.At.UTC(), Kind: string(e.Kind), Plug: e.Plug, On: e.On, Alarm: string(e.Alarm), State: e.Phase}
	if e.Action != nil {
		x.Action, x.By = string(e.Action.Kind), e.Action.By
	}
	if len(e.Reasons) > 0 {
		x.Reasons = v.reasons(e.Reasons, e.On)
	}
	return x
}

// finite keeps a value that JSON cannot say from breaking an answer.
func finite(f float64) float64 {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return 0
	}
	return f
}

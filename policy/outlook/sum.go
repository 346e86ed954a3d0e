package outlook

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// Sum makes the answer of the courses of at least [LeastRuns] runs. Their order does not matter for it.
func Sum(q *Question, courses []Course) (Outlook, error) {
	if len(courses) < LeastRuns {
		return Outlook{}, fmt.Errorf("outlook: %d runs are too few for an answer; it takes %d", len(courses), LeastRuns)
	}
	k := q.State.Learn.Knowledge(q.Policy.Spec.VolumeM3, q.Policy.Spec.AltitudeM)
	o := Outlook{
		Chamber: q.Policy.Spec.Name, From: q.Wall, For: q.For, Runs: len(courses), Thorough: q.Thorough,
		Learned: k.FanOn.Known && (k.MistGPerH.Known || q.Policy.Spec.Plug(chamber.Humidifier) < 0),
		Deeds:   []Deed{}, Due: q.due(), Gaps: q.gaps(), Stands: q.stands(), SafeFor: q.For,
	}
	o.Water = q.water(courses)
	o.Ranges = q.ranges(courses)
	q.judge(&o)
	return o, nil
}

// water works out when the reservoir runs dry.
func (q *Question) water(courses []Course) *Water {
	i := q.Policy.Spec.Plug(chamber.Humidifier)
	if i < 0 {
		return nil
	}
	spec, r := &q.Policy.Spec.Plugs[i], &q.State.Reservoir
	rate, doubt := r.Balance.Rate, r.Balance.Spread
	if rate <= 0 {
		rate, doubt = cmp.Or(spec.OutputGPerH, unknownRate), mistSpread
	}
	w := &Water{Known: r.Known, Liters: r.Liters, Capacity: spec.ReservoirLiters, DryNow: r.Dry, RateKnown: r.Balance.Cycles > 0}
	if r.EmptyOK && !r.Dry {
		w.AtPresent = r.EmptyIn
		_, w.UsedHours = r.Balance.Use.Daily()
	}
	var now, stated, full, perDay []float64
	duties := q.duties(courses, rate)
	for i := range courses {
		c := &courses[i]
		_, part := math.Modf((float64(i) + 0.5) * 0.6180339887498949)
		duty := duties[i] * math.Exp(q.OwnDoubt*normal(0.02+0.96*part))
		for k := range draws {
			z := normal((float64(k) + 0.5) / draws)
			drawn := rate * math.Exp(doubt*z) * duty // grams in an hour of the usual air
			perDay = append(perDay, c.at(q.For.Hours())*drawn/1000/q.For.Hours()*24)
			now = append(now, c.reach(left(r, z)*1000/drawn))
			stated = append(stated, c.reach(r.Liters*1000/drawn))
			full = append(full, c.reach(spec.ReservoirLiters*1000/drawn))
		}
	}
	w.PerDay = quantile(perDay, 0.5)
	if w.Known || r.Dry {
		w.Now = q.dry(now)
		// Where nobody has said what is in it, it may hold far less than is stated, and not more. That belongs to the early end: the
		// middle is of what is stated, as everywhere else.
		w.Now.Likely = max(w.Now.Earliest, min(inHours(quantile(stated, 0.5)), w.Now.Latest))
	}
	if spec.ReservoirLiters > 0 {
		w.Full = q.dry(full)
	}
	return w
}

// left is the water in the reservoir where the draw is z standard deviations above what is believed: then more of it has
// been drawn already.
func left(r *alarm.Reservoir, z float64) float64 {
	const ninety = 1.645 // standard deviations between the middle and either end of Low..High
	if z > 0 {
		return max(0, r.Liters-z/ninety*(r.Liters-r.Low))
	}
	return r.Liters - z/ninety*(r.High-r.Liters)
}

// duties are for each course how long the humidifier runs in an hour of the room's air as it was of late, in hours of full output.
// What it ran in the real chamber counts by how sure that is beside how far the courses lie apart, and over a day alone: where
// little is known of a chamber, some such chambers need mist all day and some hardly any.
func (q *Question) duties(courses []Course, rate float64) []float64 {
	logs := make([]float64, len(courses))
	for i := range courses {
		logs[i] = math.Log(max(leastDuty, courses[i].Duty))
	}
	real, hours := q.ranOfLate(rate)
	weight := 0.0
	if hours >= leastDutyH {
		own := ownDay * math.Sqrt(fullDutyH/hours)
		weight = max(min(1, hours/fullDutyH), 1/(1+own*own/max(1e-9, variance(logs))))
	}
	for i := range logs {
		logs[i] = math.Exp(weight*math.Log(max(leastDuty, min(real, 1))) + (1-weight)*logs[i])
	}
	return logs
}

// ranOfLate is the same of the real chamber, and the hours that it rests on; 0: nothing is known.
func (q *Question) ranOfLate(rate float64) (duty, hours float64) {
	r, p := &q.State.Reservoir, &q.State.Plugs[q.Policy.Spec.Plug(chamber.Humidifier)]
	switch {
	case !r.EmptyOK:
		return 0, 0
	case r.Dry || r.EmptyIn < time.Hour: // what is left says little of the use, or nothing
		return r.Balance.Use.Daily()
	case r.EmptyIn > Longest: // so far off, that forecast has an end; what it ran of late has none
		return p.Duty, p.DutyHours
	}
	return r.Liters * 1000 / r.EmptyIn.Hours() / rate, p.DutyHours
}

func variance(v []float64) (sum float64) {
	m := mean(v)
	for _, x := range v {
		sum += (x - m) * (x - m) / float64(len(v))
	}
	return sum
}

// at is the load of so many hours.
func (c *Course) at(hours float64) float64 {
	last := len(c.Load) - 1
	i := int(hours)
	switch {
	case last < 0 || hours <= 0:
		return 0
	case i > last:
		return c.Load[last] * hours / float64(last+1)
	case i == 0:
		return c.Load[0] * hours
	}
	return c.Load[i-1] + (hours-float64(i))*(c.Load[i]-c.Load[i-1])
}

// reach is after how many hours the load comes to so much.
func (c *Course) reach(load float64) float64 {
	if load <= 0 {
		return 0
	}
	last := len(c.Load) - 1
	if last < 0 || c.Load[last] <= 0 {
		return farOff
	}
	if load > c.Load[last] { // at the use of all hours before
		return min(farOff, float64(last+1)*load/c.Load[last])
	}
	i, _ := slices.BinarySearch(c.Load, load)
	before := 0.0
	if i > 0 {
		before = c.Load[i-1]
	}
	return float64(i) + (load-before)/(c.Load[i]-before)
}

// farOff stands for never, in hours.
const farOff = 24 * 365

func (q *Question) dry(hours []float64) Dry {
	in := 0
	for _, h := range hours {
		if h < q.For.Hours() {
			in++
		}
	}
	return Dry{OK: true, Earliest: inHours(quantile(hours, earlyShare)), Likely: inHours(quantile(hours, 0.5)),
		Latest: inHours(quantile(hours, lateShare)), Chance: float64(in) / float64(len(hours))}
}

func inHours(h float64) time.Duration {
	return time.Duration(h * float64(time.Hour)).Round(time.Minute)
}

// normal is the value below which a share of the standard normal distribution lies, by its inverse error function.
func normal(share float64) float64 { return math.Sqrt2 * math.Erfinv(2*share-1) }

// alarmsOf are the alarms that say that a quantity left its range.
func alarmsOf(quantity chamber.Quantity) []alarm.Name {
	switch quantity {
	case chamber.RelativeHumidity:
		return []alarm.Name{alarm.HumidityLow, alarm.HumidityHigh}
	case chamber.Temperature:
		return []alarm.Name{alarm.TemperatureLow, alarm.TemperatureHigh}
	case chamber.CO2:
		return []alarm.Name{alarm.CO2High}
	}
	return nil
}

// ownRecord is for how long, in seconds, a chamber must have been seen at its stage for its own record to count.
const ownRecord = 12 * 3600.0

// ranges works out how likely each quantity stays in range. How well this very chamber is kept, its own record knows
// better than any simulated one; the runs say by how much it will differ.
func (q *Question) ranges(courses []Course) []Range {
	out := []Range{}
	for _, quantity := range []chamber.Quantity{chamber.RelativeHumidity, chamber.CO2, chamber.Temperature} {
		var shares []float64
		raised := 0
		for i := range courses {
			for _, k := range courses[i].Ranges {
				if k.Quantity == quantity && k.Observed > 0 {
					shares = append(shares, min(1, max(0, k.In/k.Observed)))
				}
			}
			if slices.ContainsFunc(alarmsOf(quantity), func(n alarm.Name) bool { return slices.Contains(courses[i].Raised, n) }) {
				raised++
			}
		}
		if len(shares) < LeastRuns {
			continue // not measured, or nothing is asked for
		}
		shift := 0.0
		if own, ok := q.record(quantity); ok {
			shift = logit(own) - logit(quantile(shares, 0.5))
		}
		for i := range shares {
			shares[i] = logistic(logit(shares[i]) + shift)
		}
		alarmed := logistic(logit(float64(raised)/float64(len(courses))) - shift)
		periods := 1.0
		if !q.Thorough { // a run's hours stand for a day; days are taken as independent
			periods = max(1, q.For.Hours()/24)
		}
		out = append(out, Range{Quantity: quantity, Share: quantile(shares, 0.5), Low: quantile(shares, earlyShare), Chance: math.Pow(1-alarmed, periods)})
	}
	return out
}

// record is the share of time in range that the chamber had at its present stage while there was water.
func (q *Question) record(quantity chamber.Quantity) (float64, bool) {
	for _, t := range q.State.Totals.InRange {
		observed := t.ObservedSeconds - t.DryObserved
		if t.Quantity == quantity && t.Stage == q.State.Target.Stage && observed >= ownRecord {
			return (t.InRangeSeconds - t.DryInRange) / observed, true
		}
	}
	return 0, false
}

// surest keeps shares off 0 and 1, which nobody can know.
const surest = 0.005

func logit(p float64) float64    { p = max(surest, min(p, 1-surest)); return math.Log(p / (1 - p)) }
func logistic(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

// due lists what comes due until the return, soonest first.
func (q *Question) due() []Due {
	out := []Due{}
	back := q.State.Now.Add(q.For)
	shift := q.Wall.Sub(q.State.Now)
	for _, d := range q.State.Crop.Calendar(q.Policy.Climates) {
		if d.From.After(back) {
			continue
		}
		x := Due{Due: d, Harvest: d.Stage == species.Fruiting, Already: !d.From.After(q.State.Now), Over: d.Until.Before(back)}
		x.From, x.Until = d.From.Add(shift), d.Until.Add(shift)
		if !d.Picked.IsZero() {
			x.Picked = d.Picked.Add(shift)
		}
		out = append(out, x)
	}
	return out
}

// stands lists the alarms that stand and follow from no other, the gravest first.
func (q *Question) stands() []Standing {
	out := []Standing{}
	for _, n := range alarm.Names() {
		if l := q.State.Alarms.Of(n); l.Phase.Active() && l.Condition.Cause == "" {
			out = append(out, Standing{n, l.Condition.Code, l.Condition.Priority(n)})
		}
	}
	slices.SortStableFunc(out, func(a, b Standing) int { return int(b.Priority) - int(a.Priority) })
	return out
}

// gaps lists what could go wrong unseen.
func (q *Question) gaps() []Gap {
	out := []Gap{}
	spec := q.Policy.Spec
	count := func(quantity chamber.Quantity, p chamber.Place) (n int) {
		for i := range spec.Sensors {
			if spec.Sensors[i].Quantity == quantity && spec.Sensors[i].Place == p && !q.State.Sensors[i].Silent && q.State.Sensors[i].Suspect == "" {
				n++
			}
		}
		return n
	}
	for _, quantity := range []chamber.Quantity{chamber.RelativeHumidity, chamber.Temperature, chamber.CO2} {
		switch count(quantity, chamber.Inside) {
		case 0:
			out = append(out, Gap{Kind: NotMeasured, Quantity: quantity})
		case 1:
			if quantity == chamber.RelativeHumidity {
				out = append(out, Gap{Kind: OneSensor, Quantity: quantity})
			}
		}
		if count(quantity, chamber.Room) == 0 {
			out = append(out, Gap{Kind: RoomUnknown, Quantity: quantity})
		}
	}
	heated := false
	for i := range spec.Plugs {
		p := &spec.Plugs[i]
		risky := p.Role == chamber.Humidifier || p.Role == chamber.Heater
		heated = heated || p.Role == chamber.Heater || p.Role == chamber.Cooler
		if !p.Reports {
			out = append(out, Gap{Kind: NoReport, Plug: p.Name})
		}
		if !p.Meters && p.Role == chamber.Humidifier {
			out = append(out, Gap{Kind: NoMeter, Plug: p.Name})
		}
		if !p.Timed && risky {
			out = append(out, Gap{Kind: NoTimer, Plug: p.Name})
		}
	}
	if i := spec.Plug(chamber.Humidifier); i >= 0 && q.State.Reservoir.Balance.Cycles == 0 {
		out = append(out, Gap{Kind: RateByLabel, Plug: spec.Plugs[i].Name})
	}
	if heated {
		out = append(out, Gap{Kind: HeatUnlearned})
	}
	return out
}

package lab

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"gillkeeper/policy/alarm"
)

// outcome is what came of one chamber.
type outcome struct {
	results []Result
	whole   bool // all that was planned for it
}

func (o *outcome) add(r Result) { o.results = append(o.results, r) }

// Report is what a plan showed.
type Report struct {
	Days        float64 `json:"chamber_days"`         // simulated in all
	HealthyDays float64 `json:"healthy_chamber_days"` // without any fault, after settling
	FaultDays   float64 `json:"fault_chamber_days"`   // with one, and the hours after it
	False       int     `json:"false_alarms"`         // in healthy days
	Told        int     `json:"notified"`             // in healthy days, with or without cause
	Kinds       []Line  `json:"kinds"`                // thrown alone
	Pairs       Line    `json:"pairs"`                // the same for all pairs together
	Alarms      []Count `json:"false_by_alarm"`       // in healthy days
	ToldOf      []Count `json:"notified_by_alarm"`    // in healthy days
	Bad         []Bad   `json:"bad,omitempty"`        // what did not hold, or was falsely alarmed, with the way to see it again
	Broken      int     `json:"broken"`               // trials in which something did not hold
	Stopped     bool    `json:"stopped,omitempty"`    // before the plan's end: this is what there was until then
	Chambers    int     `json:"chambers"`             // that are through with everything
	Planned     int     `json:"chambers_planned"`
	Digest      uint64  `json:"digest"`
}

// Line is what is known of one kind of fault. Delays are minutes.
type Line struct {
	Kind    string  `json:"kind"`
	Says    string  `json:"says"`
	Thrown  int     `json:"thrown"`
	Expects int     `json:"expected"` // of these, an alarm was to name them
	Missed  int     `json:"missed"`
	Median  float64 `json:"median_minutes"`
	P95     float64 `json:"p95_minutes"`
	OnTime  float64 `json:"median_on_minutes"` // of commanded humidifier
	OnP95   float64 `json:"p95_on_minutes"`
	Wrong   int     `json:"wrongly_blamed"`    // trials with an alarm that neither names nor follows from it
	Flow    float64 `json:"median_flow_share"` // of the clean filter's, when found
	FlowLow float64 `json:"p5_flow_share"`
	FlowTop float64 `json:"p95_flow_share"`
	InTime  float64 `json:"flow_in_time"` // share of those expected that was found between [flowLate] and [flowEarly]
	flow    []float64
	minutes []float64
	on      []float64
}

// A filter is to be found clogged when the flow is between these shares of the clean filter's: later CO2 cannot be held, earlier nobody
// would clean it.
const flowLate, flowEarly = 0.60, 0.75

// Count is a number of alarms.
type Count struct {
	Alarm alarm.Name `json:"alarm"`
	Code  alarm.Code `json:"code,omitempty"`
	N     int        `json:"n"`
}

func (c Count) String() string {
	if c.Code == "" {
		return fmt.Sprintf("%s %d", c.Alarm, c.N)
	}
	return fmt.Sprintf("%s (%s) %d", c.Alarm, c.Code, c.N)
}

// Bad is one trial that was not as it should be.
type Bad struct {
	Seed  uint64 `json:"seed"`
	Throw string `json:"throw,omitempty"`
	What  string `json:"what"`
}

// Replay is what to give to the command to see it again.
func (b Bad) Replay() string {
	if b.Throw == "" {
		return fmt.Sprint(b.Seed)
	}
	return fmt.Sprintf("%d/%s", b.Seed, b.Throw)
}

func (o *Plan) report(outcomes []outcome) *Report {
	r := &Report{Planned: o.Chambers, Pairs: Line{Kind: "pairs", Says: "two of these at once"}}
	for _, k := range o.Kinds {
		r.Kinds = append(r.Kinds, Line{Kind: k.Name, Says: k.Says})
	}
	for i := range outcomes {
		if outcomes[i].whole {
			r.Chambers++
		}
		for j := range outcomes[i].results {
			r.take(&outcomes[i].results[j])
		}
	}
	for i := range r.Kinds {
		r.Kinds[i].close()
	}
	r.Pairs.close()
	for _, all := range [][]Count{r.Alarms, r.ToldOf} {
		slices.SortStableFunc(all, func(a, b Count) int { return b.N - a.N })
	}
	return r
}

func (r *Report) take(x *Result) {
	r.Days += x.Days
	r.HealthyDays += x.Healthy
	r.Told += len(x.Told)
	for _, f := range x.Told {
		r.ToldOf = count(r.ToldOf, f)
	}
	r.Digest = r.Digest*1099511628211 ^ x.Digest
	for _, what := range x.Broken {
		r.Bad = append(r.Bad, Bad{x.Throw.Seed, x.Throw.Names(), "broken: " + what})
	}
	if len(x.Broken) > 0 {
		r.Broken++
	}
	for _, f := range x.False {
		r.Bad = append(r.Bad, Bad{x.Throw.Seed, x.Throw.Names(), fmt.Sprintf("%v: %s %s %s without cause", f.At, f.Alarm, f.Code, f.About)})
	}
	if len(x.Throw.Kinds) == 0 {
		r.False += len(x.False)
		for _, f := range x.False {
			r.Alarms = count(r.Alarms, f)
		}
		return
	}
	r.FaultDays += x.Days - x.Healthy
	line := &r.Pairs
	if len(x.Throw.Kinds) == 1 {
		line = &r.Kinds[slices.IndexFunc(r.Kinds, func(l Line) bool { return l.Kind == x.Throw.Kinds[0].Name })]
	}
	line.Thrown++
	if len(x.False) > 0 {
		line.Wrong++
	}
	for _, f := range x.Found {
		if !f.Expects {
			continue
		}
		line.Expects++
		if !f.Found {
			line.Missed++
			r.Bad = append(r.Bad, Bad{x.Throw.Seed, x.Throw.Names(), f.Kind + " missed"})
			continue
		}
		line.minutes, line.on = append(line.minutes, f.Minutes), append(line.on, f.OnTime)
		line.flow = append(line.flow, f.Flow)
	}
}

func count(all []Count, f Raise) []Count {
	i := slices.IndexFunc(all, func(c Count) bool { return c.Alarm == f.Alarm && c.Code == f.Code })
	if i < 0 {
		all = append(all, Count{Alarm: f.Alarm, Code: f.Code})
		i = len(all) - 1
	}
	all[i].N++
	return all
}

func (l *Line) close() {
	l.Median, l.P95 = quantile(l.minutes, 0.5), quantile(l.minutes, 0.95)
	l.OnTime, l.OnP95 = quantile(l.on, 0.5), quantile(l.on, 0.95)
	for _, f := range l.flow {
		if f >= flowLate && f <= flowEarly {
			l.InTime += 1 / float64(l.Expects)
		}
	}
	l.FlowLow, l.Flow, l.FlowTop = quantile(l.flow, 0.05), quantile(l.flow, 0.5), quantile(l.flow, 0.95)
}

// quantile is the p-quantile of the values by the nearest rank above; 0 of none.
func quantile(v []float64, p float64) float64 {
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[min(len(v)-1, int(math.Ceil(p*float64(len(v))))-1)]
}

// Print writes the report as a table.
func (r *Report) Print(w io.Writer) {
	if r.Stopped {
		fmt.Fprintf(w, "Stopped before the end: what there was until then, with %d of %d chambers through.\n\n", r.Chambers, r.Planned)
	}
	fmt.Fprintf(w, "%-17s %-46s %6s %7s %7s %14s %6s\n", "FAULT", "WHAT IS DONE", "THROWN", "MEDIAN", "95 %", "MISSED", "WRONG")
	for i := range r.Kinds {
		r.Kinds[i].print(w)
	}
	if r.Pairs.Thrown > 0 {
		r.Pairs.print(w)
	}
	per := 100 / math.Max(r.HealthyDays, 1e-9)
	fmt.Fprintf(w, "\nHealthy: %s chamber-days, %d alarms without cause: %.2f in 100 days; notified in all: %.2f a week.\n",
		days(r.HealthyDays), r.False, float64(r.False)*per, float64(r.Told)*7/math.Max(r.HealthyDays, 1e-9))
	for _, c := range r.Alarms {
		fmt.Fprintf(w, "  without cause: %s\n", c)
	}
	for _, c := range r.ToldOf {
		fmt.Fprintf(w, "  notified: %s\n", c)
	}
	fmt.Fprintf(w, "With faults: %s chamber-days; %d trials in which something did not hold.\n", days(r.FaultDays), r.Broken)
}

// days writes a number of days as finely as it says something: a quarter of one is not none.
func days(d float64) string {
	if d == 0 || d >= 9.95 {
		return fmt.Sprintf("%.0f", d)
	}
	return fmt.Sprintf("%.1f", max(d, 0.1))
}

func (l *Line) print(w io.Writer) {
	if l.Thrown == 0 {
		return
	}
	median, p95, missed := "-", "-", "-"
	if l.Expects > 0 {
		median, p95 = fmt.Sprintf("%.1f", l.Median), fmt.Sprintf("%.1f", l.P95)
		missed = fmt.Sprintf("%d of %d", l.Missed, l.Expects)
	}
	fmt.Fprintf(w, "%-17s %-46s %6d %7s %7s %14s %6d\n", l.Kind, l.Says, l.Thrown, median, p95, missed, l.Wrong)
	if strings.HasPrefix(l.Kind, "filter_clogs") && l.Flow > 0 {
		fmt.Fprintf(w, "%-17s %-46s flow when found: %.2f, 5 to 95 %%: %.2f to %.2f; %.0f %% between %.2f and %.2f\n", "", "  of the clean filter's",
			l.Flow, l.FlowLow, l.FlowTop, 100*l.InTime, flowLate, flowEarly)
	}
	if strings.HasPrefix(l.Kind, "dry") || l.Kind == "mister_dead" {
		fmt.Fprintf(w, "%-17s %-46s %6s %7.1f %7.1f\n", "", "  the same in minutes of commanded on-time", "", l.OnTime, l.OnP95)
	}
}

package main

import (
	"fmt"
	"strings"
	"time"

	"gillkeeper/bridge/words"
	"gillkeeper/policy/chamber"
)

// newView picks the picture for a terminal and lines for everything else.
func (d *demonstration) newView() demoView {
	switch {
	case d.f.asJSON:
		return &quietView{d}
	case d.terminal && d.getenv("TERM") != "dumb":
		return newPicture(d)
	}
	return &lineView{d: d}
}

// quietView leaves standard output to the figures.
type quietView struct{ d *demonstration }

func (v *quietView) begin() { fmt.Fprintf(v.d.stderr, "page http://%s\n", v.d.daemon.Web()) }
func (v *quietView) show()  {}
func (v *quietView) end()   {}
func (v *quietView) say(e said) {
	if e.chamber == "" {
		fmt.Fprintln(v.d.stderr, e.text)
	}
}

// lineView prints a line for each chamber at each simulated hour, and events as they come.
type lineView struct {
	d    *demonstration
	hour int // the last one printed
	last map[string]point
}

func (v *lineView) begin() {
	d := v.d
	fmt.Fprintf(d.stdout, "Three simulated chambers, %g simulated seconds in a real one, seed %d. Page http://%s  metrics http://%s/metrics\n",
		d.f.pace, d.f.seed, d.daemon.Web(), d.daemon.Web())
	v.last = map[string]point{}
}

func (v *lineView) end() {}

func (v *lineView) say(e said) {
	who := e.chamber
	if who == "" {
		who = "demo"
	}
	fmt.Fprintf(v.d.stdout, "%s  %-7s %s\n", clockWords(e.at), who, e.text)
}

func (v *lineView) show() {
	hour := int(v.d.elapsed / time.Hour)
	if hour <= v.hour {
		return
	}
	v.hour = hour
	for _, c := range v.d.chambers {
		fmt.Fprintf(v.d.stdout, "%s  %-7s %s\n", clockWords(time.Duration(hour)*time.Hour), c.name, v.line(c))
	}
}

// line says how a chamber stands and what its plugs did since the last line.
func (v *lineView) line(c *demoChamber) string {
	w := v.d.words()
	air, t := &c.snap.State.Air.Inside, &c.snap.State.Target
	parts := []string{
		fmt.Sprintf("humidity %s (%s)", measured(w, chamber.RelativeHumidity, &air.RelativeHumidity), w.Span(chamber.RelativeHumidity, t.RelativeHumidity.Low, t.RelativeHumidity.High)),
		fmt.Sprintf("CO2 %s (%s)", measured(w, chamber.CO2, &air.CO2), w.Span(chamber.CO2, t.CO2MinPPM, t.CO2MaxPPM)),
		measured(w, chamber.Temperature, &air.Temperature),
	}
	if n := len(c.course); n > 0 {
		now, before := c.course[n-1], v.last[c.name]
		if span := (now.at - before.at).Seconds(); span > 0 {
			parts = append(parts, fmt.Sprintf("mist on %.0f %%, fan %.0f %% of the time", 100*(now.mist-before.mist)/span, 100*(now.fan-before.fan)/span))
		}
		v.last[c.name] = now
	}
	parts = append(parts, "water "+c.water())
	if list, _ := c.standing(w); list != nil {
		parts = append(parts, "alarms: "+strings.Join(list, "; "))
	}
	return strings.Join(parts, ", ")
}

func measured(w words.Words, q chamber.Quantity, e *chamber.Estimate) string {
	if !e.OK {
		return "not known"
	}
	return w.Value(q, e.Value)
}

package web

import (
	"strings"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/chamber"
)

// sensorLine is one sensor as the page shows it: what it says, and what was made of that.
type sensorLine struct {
	Name, Measures string
	Value          string // as it is used
	Raw            string // as it says itself, where that differs from how it is used
	State, Class   string // why it does not count; empty: it does
	Fix            string // the correction
	By             string // when and by what it was found
	Sure           string
	Drift          string
	Before         []string // earlier corrections, the newest first
}

// makeSensors lists the sensors of one chamber.
func makeSensors(c *api.Chamber, w words.Words) []sensorLine {
	var out []sensorLine
	for i := range c.Sensors {
		x := &c.Sensors[i]
		var q chamber.Quantity
		if q.UnmarshalText([]byte(x.Quantity)) != nil {
			continue
		}
		l := sensorLine{Name: x.Name, Measures: words.Quantity(q), Value: "–"}
		if x.Place == chamber.Room.String() {
			l.Measures += " of the room"
		}
		if x.Value != nil {
			l.Value = w.Value(q, *x.Value)
		}
		if x.Raw != nil {
			if raw := w.Value(q, *x.Raw); raw != l.Value {
				l.Raw = raw
			}
		}
		l.State, l.Class = sensorState(x, c.At, w)
		if k := x.Calibration; k != nil {
			l.Fix = words.Correction(q, k.Slope, k.Offset)
			l.By = w.Clock(k.At, c.At) + ", by " + calibratedBy(k)
			l.Sure = "± " + strings.TrimPrefix(words.Difference(q, k.Uncertainty), "+")
			l.Drift = words.Difference(q, k.Drift) + " against the sensor as it is made"
			if k.Before != nil {
				l.Drift = words.Difference(q, k.Drift) + " since " + w.Clock(*k.Before, c.At)
			}
		}
		for j := range x.Earlier {
			k := &x.Earlier[j]
			l.Before = append(l.Before, w.Clock(k.At, c.At)+", by "+calibratedBy(k)+": "+words.Correction(q, k.Slope, k.Offset))
		}
		out = append(out, l)
	}
	return out
}

func calibratedBy(k *api.Calibration) string { return words.CalibratedBy(k.Method, k.SaltNames()) }

// sensorState says why a sensor does not count; nothing where it does.
func sensorState(x *api.Sensor, now time.Time, w words.Words) (says, class string) {
	switch {
	case x.Aside != nil:
		return "set aside until " + w.Clock(*x.Aside, now), "quiet"
	case x.Suspect != "":
		return "not trusted: " + words.Suspicion(x.Suspect), "look"
	case x.Silent && x.At != nil:
		return "silent since " + w.Clock(*x.At, now), "look"
	case x.Silent:
		return "silent", "look"
	case !x.Fresh:
		return "nothing fresh yet", "quiet"
	}
	return "", ""
}

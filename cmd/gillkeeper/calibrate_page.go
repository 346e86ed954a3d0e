package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/calibration"
	"gillkeeper/policy/chamber"
)

// progressLine shows how far a reading has settled: one line written over on a terminal, else a line now and then.
type progressLine struct {
	last    time.Time
	written bool
}

func (l *progressLine) show(c *calibrate, p *calibration.Progress, now time.Time) {
	over := c.terminal && !c.asJSON
	if !over && !l.last.IsZero() && now.Sub(l.last) < lineEvery && !p.Settled {
		return
	}
	l.last = now
	text := c.progressText(p)
	if !over {
		fmt.Fprintln(c.out, text)
		return
	}
	if c.width > 1 && len([]rune(text)) >= c.width {
		text = string([]rune(text)[:c.width-1])
	}
	fmt.Fprintf(c.out, "\r%s\x1b[K", text)
	l.written = true
}

// end leaves the last line standing.
func (l *progressLine) end(c *calibrate) {
	if l.written {
		fmt.Fprintln(c.out)
	}
}

func (c *calibrate) progressText(p *calibration.Progress) string {
	if p.Elapsed == 0 && p.Waits == "for a reading" {
		return "Waiting for a reading."
	}
	q := c.quantity()
	parts := []string{c.words.Value(q, p.Reading), words.Duration(p.Elapsed), "moves " + words.Difference(q, p.SlopePerHour) + " an hour",
		"stable for " + words.Duration(p.Stable)}
	if q == chamber.RelativeHumidity {
		parts[0] += " at " + c.words.Temperature(float64(p.Temperature))
	}
	switch {
	case p.Settled:
		parts = append(parts, "settled")
	case p.Left > 0:
		parts = append(parts, "about "+words.Duration(p.Left)+" left")
	default:
		parts = append(parts, "waits "+p.Waits)
	}
	return strings.Join(parts, ", ")
}

func (c *calibrate) quantity() chamber.Quantity {
	if c.freshAir {
		return chamber.CO2
	}
	return chamber.RelativeHumidity
}

func (c *calibrate) printCautions() {
	if c.freshAir {
		fmt.Fprintf(c.out, "Fresh air is taken to hold %.0f ppm; towns and crowds hold more (--ppm). Keep your breath away from the sensor.\n", c.ppm)
		return
	}
	fmt.Fprintln(c.out, "Caution: no salt here is food; keep jar and spoon apart from kitchen and crop, and wash your hands. Keep the slurry off")
	fmt.Fprintln(c.out, "sensor and contacts: it corrodes them, and a wet sensor shows nonsense for days.")
	if slices.Contains(c.salts, "licl") {
		fmt.Fprintln(c.out, "Caution: lithium chloride is toxic; wear gloves, keep it from children, and do not pour it away.")
	}
	if slices.Contains(c.salts, "kno3") {
		fmt.Fprintln(c.out, "Caution: potassium nitrate feeds fire; keep it from flame, sugar, straw, sawdust and other substrate.")
	}
}

// printResult shows what was found and what follows from it.
func (c *calibrate) printResult(k *calibration.Correction, last *api.Calibration) {
	for _, p := range k.Points {
		truth, _, _ := p.Salt.RelativeHumidity(p.TemperatureC)
		fmt.Fprintf(c.out, "Over %s at %s: shows %s where there is %s.\n", p.Salt, c.words.Temperature(float64(p.TemperatureC)),
			words.Percent(float64(p.Reading), 1), words.Percent(float64(truth), 1))
	}
	if f := k.Fresh; f != nil {
		fmt.Fprintf(c.out, "In fresh air: shows %.0f ppm where %.0f are expected.\n", f.Reading, f.Expected)
	}
	fmt.Fprintf(c.out, "Correction: %s.\n", words.Correction(k.Quantity, k.Slope, k.Offset))
	sure := "± " + strings.TrimPrefix(words.Difference(k.Quantity, k.Standard), "+") + " (one standard uncertainty)"
	if k.Low == k.High {
		fmt.Fprintf(c.out, "Sure to %s near %s; further off the slope is not known.\n", sure, c.words.Value(k.Quantity, k.Low))
	} else {
		fmt.Fprintf(c.out, "Sure to %s between %s and %s; beyond them it is extrapolated.\n", sure,
			c.words.Value(k.Quantity, k.Low), c.words.Value(k.Quantity, k.High))
	}
	if last == nil {
		fmt.Fprintf(c.out, "Against the sensor as it is made: %s.\n", words.Difference(k.Quantity, k.Drift))
		return
	}
	fmt.Fprintf(c.out, "Drift since the calibration of %s: %s.\n", c.words.Clock(last.At, c.began), words.Difference(k.Quantity, k.Drift))
}

// sensorJSON is what --json prints: one sensor and where it is.
type sensorJSON struct {
	Chamber string     `json:"chamber"`
	Sensor  api.Sensor `json:"sensor"`
}

func (c *calibrate) printSensorJSON(all *api.Sensors, x *api.Sensor) error {
	return c.printJSON(sensorJSON{Chamber: all.Chamber, Sensor: *x})
}

func (c *calibrate) printShow(all *api.Sensors, x *api.Sensor) error {
	if c.asJSON {
		return c.printSensorJSON(all, x)
	}
	if x.Calibration == nil {
		fmt.Fprintf(c.out, "Sensor %s of %s has no correction.\n", x.Name, all.Chamber)
	}
	if x.Aside != nil {
		fmt.Fprintf(c.out, "It is set aside for a calibration until %s.\n", c.words.Clock(*x.Aside, all.At))
	}
	var list []api.Calibration
	if x.Calibration != nil {
		list = append(list, *x.Calibration)
	}
	list = append(list, x.Earlier...)
	if len(list) == 0 {
		return nil
	}
	var q chamber.Quantity
	if err := q.UnmarshalText([]byte(x.Quantity)); err != nil {
		return fmt.Errorf("sensor %s: %w", x.Name, err)
	}
	t := newTable("DATE", "IN USE", "BY", "CORRECTION", "SURE TO", "DRIFT")
	for i := range list {
		k := &list[i]
		use := ""
		if i == 0 && x.Calibration != nil {
			use = "yes"
		}
		t.add(c.words.Clock(k.At, all.At), use, methodText(k), words.Correction(q, k.Slope, k.Offset),
			"± "+strings.TrimPrefix(words.Difference(q, k.Uncertainty), "+"), words.Difference(q, k.Drift))
	}
	c.printTable(t)
	return nil
}

// methodText names what a correction was found by.
func methodText(k *api.Calibration) string { return words.CalibratedBy(k.Method, k.SaltNames()) }

// printCorrections adds to the status of one chamber a line for each sensor that is corrected or set aside.
func (a *app) printCorrections(c *api.Chamber, w words.Words) {
	t := newTable("SENSOR", "VALUE", "RAW", "CORRECTION", "CALIBRATED")
	for i := range c.Sensors {
		x := &c.Sensors[i]
		var q chamber.Quantity
		if x.Calibration == nil && x.Aside == nil || q.UnmarshalText([]byte(x.Quantity)) != nil {
			continue
		}
		value, raw, text, date := "–", "–", "none", "–"
		if x.Value != nil {
			value = w.Value(q, *x.Value)
		}
		if x.Raw != nil {
			raw = w.Value(q, *x.Raw)
		}
		if k := x.Calibration; k != nil {
			text, date = words.Correction(q, k.Slope, k.Offset), w.Clock(k.At, c.At)+", "+methodText(k)
		}
		if x.Aside != nil {
			value, date = "("+value+")", date+"\nset aside until "+w.Clock(*x.Aside, c.At)
		}
		t.add(x.Name, value, raw, text, date)
	}
	if len(t.rows) > 0 {
		fmt.Fprintln(a.stdout)
		a.printTable(t)
	}
}

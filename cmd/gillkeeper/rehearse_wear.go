package main

import (
	"bytes"
	"cmp"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/config"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/rehearse"
)

// wearBudgets are the budgets of switchings a day of humidifier and exhaust fan each that the curve of wear is drawn by;
// 0 is none. From one to the next there is a third or so.
var wearBudgets = [...]float64{0, 1600, 1200, 900, 650, 480, 340, 240, 170, 120}

// wearDays is how long each budget is rehearsed where nothing is said: budgets hold over a day, and the first settles.
const wearDays = 2.0

// relayLife is how many switchings a relay is often rated for under full load; common practice.
const relayLife = 100_000

// notch is one budget rehearsed in one chamber.
type notch struct {
	Budget float64 `json:"switchings_per_day"` // for each of the two plugs; 0: none
	PerDay float64 `json:"switched_per_day"`   // both together
	Lasts  float64 `json:"relay_days"`         // until the one that is switched more has made relayLife switchings; 0: neither is switched
	rehearse.Figures
}

// wearCurve is what switching less costs in one chamber.
type wearCurve struct {
	Chamber string  `json:"chamber"`
	Notches []notch `json:"notches"`
}

// rehearseWear rehearses every chamber once with each budget and prints the curve.
func (a *app) rehearseWear(cmd *cobra.Command, f *rehearseFlags, c *config.Config) error {
	if !cmd.Flags().Changed("days") {
		f.days = wearDays
	}
	var pairs []*pair
	for i := range c.Chambers {
		spec := c.Chambers[i].Spec
		if spec.Plug(chamber.Humidifier) < 0 || spec.Plug(chamber.ExhaustFan) < 0 {
			return fmt.Errorf("chamber %s: --wear compares how humidifier and exhaust_fan are switched; it needs both", spec.Name)
		}
		for _, budget := range wearBudgets {
			pol := &policy.Policy{Spec: onBudget(spec, budget), Climates: c.Table}
			k, err := f.crop.simulated(pol, f.seed+uint64(i))
			if err != nil {
				return err
			}
			k.For = time.Duration(f.days * 24 * float64(time.Hour)).Round(time.Second)
			k.Settle = k.For / 2
			run, err := rehearse.New(k, rehearse.NewPolicyController(pol, k.Start))
			if err != nil {
				return err
			}
			pairs = append(pairs, &pair{c: k, main: run})
		}
	}
	if err := a.finish(cmd.Context(), pairs); err != nil {
		return err
	}
	var curves []wearCurve
	for i := range c.Chambers {
		curve := wearCurve{Chamber: c.Chambers[i].Spec.Name}
		for j, budget := range wearBudgets {
			n := notch{Budget: budget, Figures: pairs[i*len(wearBudgets)+j].main.Figures()}
			busiest := 0.0
			for _, role := range []chamber.Role{chamber.Humidifier, chamber.ExhaustFan} {
				perDay := 24 * n.SwitchesPerHour[c.Chambers[i].Spec.Plugs[c.Chambers[i].Spec.Plug(role)].Name]
				n.PerDay, busiest = n.PerDay+perDay, max(busiest, perDay)
			}
			if busiest > 0 {
				n.Lasts = relayLife / busiest
			}
			curve.Notches = append(curve.Notches, n)
		}
		curves = append(curves, curve)
	}
	var err error
	if f.asJSON {
		err = a.printJSON(struct {
			Seed   uint64      `json:"seed"`
			Days   float64     `json:"days"`
			Curves []wearCurve `json:"wear"`
		}{f.seed, f.days, curves})
	} else {
		a.printWearCurves(curves)
	}
	if err == nil && f.plot != "" {
		err = writeWear(f.plot, curves)
	}
	return err
}

// onBudget is the chamber with that budget for humidifier and exhaust fan, whatever the file says.
func onBudget(spec *chamber.Spec, budget float64) *chamber.Spec {
	s := *spec
	s.Plugs = slices.Clone(spec.Plugs)
	for i := range s.Plugs {
		if r := s.Plugs[i].Role; r == chamber.Humidifier || r == chamber.ExhaustFan {
			s.Plugs[i].SwitchingsPerDay = budget
		}
	}
	return &s
}

func (a *app) printWearCurves(curves []wearCurve) {
	t := newTable("CHAMBER", "BUDGET A DAY", "SWITCHED A DAY", "AN HOUR", "RELAY LASTS", "RH ±2.5", "RH ±5", "CO2 BELOW MAX")
	for i := range curves {
		name := curves[i].Chamber
		for _, n := range curves[i].Notches {
			budget := "none"
			if n.Budget > 0 {
				budget = fmt.Sprintf("2 × %.0f", n.Budget)
			}
			t.add(name, budget, fmt.Sprintf("%.0f", n.PerDay), switchesWords(n.SwitchesPerHour), lastsWords(n.Lasts), percentOf(n.RHWithin2_5), percentOf(n.RHWithin5), percentOf(n.CO2BelowMax))
			name = ""
		}
	}
	a.printTable(t)
	a.paragraph("", "A budget is switchings_per_day of humidifier and exhaust_fan; on and off each count. The crop comes first: a budget that "+
		"would take its humidity out of range a tenth of the time, or CO2 above its maximum a fiftieth, is exceeded. A relay lasts until "+
		"the one that is switched more has made 100,000 switchings, for which many are rated under full load (common practice).")
}

// lastsWords is how long a relay lasts.
func lastsWords(days float64) string {
	switch {
	case days <= 0:
		return "–"
	case days < 100:
		return fmt.Sprintf("%.0f days", days)
	}
	return fmt.Sprintf("%.0f months", days/365*12)
}

func percentOf(share float64) string { return fmt.Sprintf("%.1f %%", 100*share) }

// The picture of the curves: for each chamber the shares over the switchings a day, in pixels.
const (
	wearHeight = 340
	wearTop    = 56
	wearPlot   = 220
	wearWidth  = 760
	colorThird = "#3b6fb5"
)

// writeWear draws the curves, fewer switchings to the left.
func writeWear(path string, curves []wearCurve) error {
	var b bytes.Buffer
	height := wearHeight * len(curves)
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%d" viewBox="0 0 %d %d" %s font-size="12" fill="%s">`+"\n",
		wearWidth, height, wearWidth, height, svgFontText, colorInk)
	fmt.Fprintf(&b, `<rect width="%d" height="%d" fill="#ffffff"/>`+"\n", wearWidth, height)
	for i := range curves {
		drawWear(&drawing{b: &b, top: float64(wearHeight * i)}, &curves[i])
	}
	b.WriteString("</svg>\n")
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
		return fmt.Errorf("write the picture: %w", err)
	}
	return nil
}

func drawWear(d *drawing, c *wearCurve) {
	most := 1.0
	low := 1.0
	for _, n := range c.Notches {
		most = math.Max(most, n.PerDay)
		low = math.Min(low, math.Min(n.RHWithin2_5, n.CO2BelowMax))
	}
	step := math.Pow(10, math.Floor(math.Log10(most)))
	for most/step < 4 {
		step /= 2
	}
	most = math.Ceil(most/step) * step
	low = math.Floor(low*10) / 10
	y0 := d.top + wearTop
	x := func(v float64) float64 { return svgLeft + v/most*(wearWidth-svgLeft-svgRight) }
	y := func(share float64) float64 { return y0 + wearPlot*(1-(share-low)/math.Max(0.1, 1-low)) }
	d.text(svgLeft, d.top+22, "start", 15, c.Chamber+" – what switching less costs")
	for v := low; v <= 1.0001; v += 0.1 {
		fmt.Fprintf(d.b, `<path d="M%d %.1fH%d" stroke="%s"/>`+"\n", svgLeft, y(v), wearWidth-svgRight, colorFaint)
		d.text(svgLeft-8, y(v)+4, "end", 11, fmt.Sprintf("%.0f %%", 100*v))
	}
	for v := 0.0; v <= most+1e-9; v += step {
		fmt.Fprintf(d.b, `<path d="M%.1f %.1fv5" stroke="%s"/>`+"\n", x(v), y(low), colorInk)
		d.text(x(v), y(low)+18, "middle", 11, fmt.Sprintf("%.0f", v))
	}
	d.text((svgLeft+wearWidth-svgRight)/2, y(low)+38, "middle", 12, "switchings of humidifier and fan together, a day")
	sorted := slices.Clone(c.Notches)
	slices.SortFunc(sorted, func(a, b notch) int { return cmp.Compare(a.PerDay, b.PerDay) })
	at := float64(svgLeft)
	for _, l := range []struct {
		name, color string
		of          func(*notch) float64
	}{
		{"humidity within ±5", colorMain, func(n *notch) float64 { return n.RHWithin5 }},
		{"within ±2.5", colorOther, func(n *notch) float64 { return n.RHWithin2_5 }},
		{"CO2 below its maximum", colorThird, func(n *notch) float64 { return n.CO2BelowMax }},
	} {
		var path strings.Builder
		for i := range sorted {
			command := 'L'
			if i == 0 {
				command = 'M'
			}
			px, py := x(sorted[i].PerDay), y(l.of(&sorted[i]))
			fmt.Fprintf(&path, "%c%.1f %.1f", command, px, py)
			fmt.Fprintf(d.b, `<circle cx="%.1f" cy="%.1f" r="3" fill="%s"/>`+"\n", px, py, l.color)
		}
		fmt.Fprintf(d.b, `<path d="%s" fill="none" stroke="%s" stroke-width="1.6"/>`+"\n", &path, l.color)
		fmt.Fprintf(d.b, `<rect x="%.0f" y="%.0f" width="18" height="4" fill="%s"/>`+"\n", at, d.top+34, l.color)
		d.text(at+24, d.top+40, "start", 12, l.name)
		at += 50 + 7*float64(len(l.name))
	}
}

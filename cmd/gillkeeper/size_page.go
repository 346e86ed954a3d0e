package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"gillkeeper/policy/sizing"
)

// sizePage prints an answer of size in a person's units.
type sizePage struct {
	*app
	units  *units
	in     *sizing.Input
	answer *sizing.Answer
}

func (p *sizePage) print(brief bool) {
	u, ans := p.units, p.answer
	w := ans.Want
	p.line("Chamber of %s %s at %.0f hPa with %s %s of blocks%s.", figure(ans.VolumeM3/u.volume), u.cubic, ans.PressurePa/100,
		figure(p.in.SubstrateKg/u.kilogram), u.mass, p.fruit())
	what := "Wanted"
	if ans.Row != nil {
		what = fmt.Sprintf("Wanted by %s while %s", ans.Row.Species, ans.Row.Stage)
		what = strings.ReplaceAll(what, "while rest", "at rest")
	}
	co2 := "any CO2"
	if w.CO2MaxPPM > 0 {
		co2 = fmt.Sprintf("CO2 at most %.0f ppm", w.CO2MaxPPM)
	}
	p.line("%s: %.0f–%.0f %s, RH %.0f–%.0f %% (aim %.1f), %s.", what, u.temperature(w.TemperatureC.Low), u.temperature(w.TemperatureC.High),
		u.degree, 100*w.RelativeHumidity.Low, 100*w.RelativeHumidity.High, 100*w.HumidityAim, co2)
	for i := range ans.Seasons {
		p.season(&ans.Seasons[i])
	}
	p.findings()
	if !brief {
		p.list("Advice (common practice)", ans.Advice)
		p.list("Cautions", ans.Cautions)
	}
}

func (p *sizePage) line(format string, args ...any) {
	for _, l := range wrap(fmt.Sprintf(format, args...), p.textWidth()) {
		fmt.Fprintln(p.stdout, l)
	}
}

// textWidth is where prose wraps: the terminal, but no wider than is good to read.
func (p *sizePage) textWidth() int {
	if p.width > 0 {
		return min(p.width, 100)
	}
	return 100
}

func (p *sizePage) fruit() string {
	f := p.answer.FruitKg
	switch k := p.units.kilogram; {
	case f.High == 0:
		return ""
	case f.Low == f.High:
		return fmt.Sprintf(" and %s %s of fruit bodies", figure(f.High/k), p.units.mass)
	default:
		return fmt.Sprintf(" and up to %s %s of fruit bodies", figure(f.High/k), p.units.mass)
	}
}

// season prints one room's table and picture.
func (p *sizePage) season(s *sizing.Season) {
	u := p.units
	fmt.Fprintln(p.stdout)
	p.line("%s: %.0f %s, %.0f %%, %.0f ppm CO2; chamber at %.0f %s.", capital(s.Room.Name), u.temperature(s.Room.TemperatureC), u.degree,
		100*s.Room.RelativeHumidity, s.Room.CO2PPM, u.temperature(s.TemperatureC), u.degree)
	t := newTable("", "LOW", "LIKELY", "HIGH", "RESTS ON")
	row := func(name string, e sizing.Estimate, convert func(float64) string) {
		t.add(name, convert(e.Low), convert(e.Likely), convert(e.High), e.RestsOn)
	}
	over := func(unit float64) func(float64) string {
		return func(v float64) string { return figure(v / unit) }
	}
	percent := func(v float64) string { return figure(100 * v) }
	row("CO2 given off, g/h", s.CO2GPerH, figure)
	if s.FlowKnown {
		row("air flow needed, "+u.air, s.FlowM3PerH, over(u.flow))
		row("air changes per hour", s.AirChanges, figure)
	}
	row("leaks by itself, "+u.air, s.LeakM3PerH, over(u.flow))
	if s.LowestCO2.High > 0 {
		row("CO2 with the fan always on, ppm", s.LowestCO2, figure)
	}
	if s.FanDuty.High > 0 {
		row("fan runs, % of the time", s.FanDuty, percent)
	}
	if s.FanPulseS > 0 {
		t.add("fan's shortest useful pulse, s", "", figure(s.FanPulseS), "", "a tenth of the air changed, and the spin-up")
	}
	p.waterRows(s, t.add)
	temperature := func(c float64) string { return fmt.Sprintf("%.0f", u.temperature(c)) }
	row("settles unheated at, "+u.degree, s.Settles, temperature)
	row("walls above dew point, "+strings.Replace(u.degree, "°C", "K", 1), s.CondensationK, func(k float64) string { return figure(u.difference(k)) })
	if s.FanStep.High > 0 {
		row("RH lost by fan's shortest run, points", s.FanStep, percent)
	}
	if s.MistStep.High > 0 {
		row("RH won by mist's shortest run, points", s.MistStep, percent)
		row("RH band within reach, points", s.ReachableBand, percent)
	}
	p.printTable(t)
	p.picture(s)
}

func (p *sizePage) waterRows(s *sizing.Season, add func(...string)) {
	u := p.units
	mass, name := 1.0, "g/h"
	if u.us {
		mass, name = 28.349523125, "oz/h" // avoirdupois; an ounce of water is a fluid ounce to 4 %
	}
	row := func(name string, e sizing.Estimate, unit float64) {
		add(name, figure(e.Low/unit), figure(e.Likely/unit), figure(e.High/unit), e.RestsOn)
	}
	row("intake air lacks, "+name, s.VaporGPerH, mass)
	row("crop gives, "+name, s.CropGPerH, mass)
	row("mist, "+name, s.MistGPerH, mass)
	row("water a day, "+u.water, s.LitersPerDay, u.liter)
	if s.MisterDuty.High > 0 {
		row("humidifier runs, % of the time", s.MisterDuty, 0.01)
	}
	if s.FillingHours.High > 0 {
		row("hours per filling", s.FillingHours, 1)
	}
	row("mist cools by, W", s.CoolingW, 1)
}

// figure rounds to what is known: two digits, and never finer than a thousandth.
func figure(v float64) string {
	if math.Abs(v) < 0.0005 {
		return "0"
	}
	two, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'e', 1, 64), 64)
	digits := 1 - int(math.Floor(math.Log10(math.Abs(two))))
	return strconv.FormatFloat(two, 'f', max(0, min(digits, 3)), 64)
}

func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func (p *sizePage) list(head string, items []string) {
	fmt.Fprintf(p.stdout, "\n%s\n", p.bold(head))
	for _, item := range items {
		for i, l := range wrap(item, p.textWidth()-2) {
			mark := "- "
			if i > 0 {
				mark = "  "
			}
			fmt.Fprintln(p.stdout, mark+l)
		}
	}
}

func (p *sizePage) findings() {
	var warnings, notes []string
	for _, f := range p.answer.Findings {
		text := p.finding(f)
		if f.Room != "" && len(p.answer.Seasons) > 1 {
			text = capital(f.Room) + ": " + text
		}
		if f.Warning {
			warnings = append(warnings, text)
		} else {
			notes = append(notes, text)
		}
	}
	if len(warnings) > 0 {
		p.list("Warnings", warnings)
	}
	if len(notes) > 0 {
		p.list("Notes", notes)
	}
}

// finding puts a finding into words, in the reader's units.
func (p *sizePage) finding(f sizing.Finding) string {
	u := p.units
	flow := func(v float64) string { return figure(v/u.flow) + " " + u.air }
	heat := func(v float64) string { return fmt.Sprintf("%.1f %s", u.temperature(v), u.degree) }
	points := func(v float64) string { return figure(100*v) + " points" }
	switch f.Kind {
	case sizing.Overfilled:
		return fmt.Sprintf("blocks fill %s %% of the chamber; the handbook says a sixth at most, better an eighth: take fewer or a larger chamber", figure(100*f.Value))
	case sizing.WellFilled:
		return fmt.Sprintf("blocks fill %s %% of the chamber; the handbook allows a sixth but prefers an eighth", figure(100*f.Value))
	case sizing.NoVentilation:
		return "neither CO2 nor air changes limit this stage, so no air flow is named"
	case sizing.CO2Unreachable:
		return fmt.Sprintf("the room's air has %.0f ppm of CO2 and %.0f are wanted at most: no fan can reach that; air the room or take air from outdoors", f.Value, f.Limit)
	case sizing.CO2Tight:
		return fmt.Sprintf("the room's air has %.0f ppm of CO2 of the %.0f wanted at most: little is left, so much air is needed; airing the room helps more than a larger fan", f.Value, f.Limit)
	case sizing.CO2Wanted:
		return fmt.Sprintf("at least %.0f ppm of CO2 are wanted: ventilate no more than needed", f.Value)
	case sizing.CO2ForPeople:
		return fmt.Sprintf("the chamber may hold more CO2 than people should breathe for long (%.0f ppm over 8 hours): air it before leaning in", f.Limit)
	case sizing.FanTooSmall:
		return fmt.Sprintf("the fan moves about %s through duct and filter; up to %s may be needed", flow(f.Limit), flow(f.Value))
	case sizing.FanTooCoarse:
		return fmt.Sprintf("the fan's shortest run takes %s of RH away, and the wanted range is %s wide: throttle it, or shorten --fan-min-on", points(f.Value), points(f.Limit))
	case sizing.FanNotNeeded:
		return "leaks alone carry the CO2 off"
	case sizing.MisterTooSmall:
		return fmt.Sprintf("the humidifier gives %s g/h; up to %s may be needed", figure(f.Limit), figure(f.Value))
	case sizing.MisterTooBig:
		return fmt.Sprintf("the humidifier's shortest run adds %s of RH, and the wanted range is %s wide: turn it down, or shorten --mister-min-on", points(f.Value), points(f.Limit))
	case sizing.HumiditySwings:
		return fmt.Sprintf("in the simulated hour RH stays within 2.5 points of the aim for only %s %% of the time", figure(100*f.Value))
	case sizing.ReservoirSmall:
		return fmt.Sprintf("a filling may last only %s hours", figure(f.Value))
	case sizing.RoomMoist:
		return fmt.Sprintf("the room's air alone makes %s %% RH in the chamber, above the %s %% wanted: ventilation cannot dry it", figure(100*f.Value), figure(100*f.Limit))
	case sizing.SettlesCold:
		return fmt.Sprintf("unheated, the chamber settles at about %s; %s at least are wanted: heat it, or warm the room", heat(f.Value), heat(f.Limit))
	case sizing.SettlesWarm:
		return fmt.Sprintf("uncooled, the chamber settles at about %s; %s at most are wanted: cool the room, or take a species that likes it warm", heat(f.Value), heat(f.Limit))
	case sizing.WallsDrip:
		return "water condenses on the walls: insulate them or warm the room; mist is lost to them, and a tray must catch it"
	case sizing.FruitAssumed:
		return fmt.Sprintf("the weight of fruit bodies was not given: from none to %s %s is assumed", figure(f.Limit/u.kilogram), u.mass)
	}
	return string(f.Kind)
}

const chartRows = 7

// picture draws the simulated hour: one column a minute.
func (p *sizePage) picture(s *sizing.Season) {
	if len(s.Hour) == 0 {
		return
	}
	fmt.Fprintf(p.stdout, "\nOne hour with these plugs (simulated)\n")
	low, high := math.Inf(1), math.Inf(-1)
	for _, m := range s.Hour {
		low, high = min(low, 100*m.HumidityLow), max(high, 100*m.HumidityHigh)
	}
	p.chart("RH %", low, high, len(s.Hour), func(i int) (float64, float64, float64) {
		m := s.Hour[i]
		return 100 * m.HumidityLow, 100 * m.RelativeHumidity, 100 * m.HumidityHigh
	})
	low, high = math.Inf(1), math.Inf(-1)
	for _, m := range s.Hour {
		low, high = min(low, m.CO2PPM), max(high, m.CO2PPM)
	}
	p.chart("CO2 ppm", low, high, len(s.Hour), func(i int) (float64, float64, float64) {
		v := s.Hour[i].CO2PPM
		return v, v, v
	})
	p.strip("mist", len(s.Hour), func(i int) float64 { return s.Hour[i].Mist })
	p.strip("fan", len(s.Hour), func(i int) float64 { return s.Hour[i].Fan })
	fmt.Fprintf(p.stdout, "%12s0%s60 min\n", "", strings.Repeat(" ", len(s.Hour)-2))
}

// chart draws points with the span about them in a few rows.
func (p *sizePage) chart(name string, low, high float64, n int, at func(int) (low, mean, high float64)) {
	step := max((high-low)/(chartRows-1), 0.1)
	digits := 0
	if step < 1 { // or two rows would have one number
		digits = 1
	}
	row := func(v float64) int { return int(math.Round((v - low) / step)) }
	for r := chartRows - 1; r >= 0; r-- {
		label := ""
		if r == chartRows-1 {
			label = name
		}
		var b strings.Builder
		fmt.Fprintf(&b, "%-7s%5s", label, strconv.FormatFloat(low+float64(r)*step, 'f', digits, 64))
		for i := range n {
			bottom, mean, top := at(i)
			switch {
			case row(mean) == r:
				b.WriteRune('•')
			case row(bottom) <= r && r <= row(top):
				b.WriteRune('│')
			default:
				b.WriteRune(' ')
			}
		}
		fmt.Fprintln(p.stdout, strings.TrimRight(b.String(), " "))
	}
}

// strip shows when a plug runs: the taller, the longer within the minute.
func (p *sizePage) strip(name string, n int, share func(int) float64) {
	var b strings.Builder
	fmt.Fprintf(&b, "%-12s", name)
	marks := []rune(" ▂▄▆█")
	for i := range n {
		v := share(i)
		b.WriteRune(marks[min(len(marks)-1, int(math.Ceil(v*float64(len(marks)-1)-1e-9)))])
	}
	fmt.Fprintln(p.stdout, strings.TrimRight(b.String(), " "))
}

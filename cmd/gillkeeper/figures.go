package main

import (
	"fmt"
	"strings"

	"gillkeeper/policy/rehearse"
)

// figuresAnswer is what rehearse, demo and drill say with --json.
type figuresAnswer struct {
	Seed           uint64            `json:"seed"`
	Pace           float64           `json:"pace,omitempty"` // simulated seconds in a real one
	SimulatedHours float64           `json:"simulated_hours"`
	Chambers       []rehearse.Result `json:"chambers"`
}

// narrowFigures is the width in columns below which the table leaves the switches out.
const narrowFigures = 112

// printFigures prints the figures of each chamber, those of common practice below, where there are any.
func (a *app) printFigures(results []rehearse.Result) {
	head := []string{"CHAMBER", "KEPT BY", "RH ±2.5", "RH ±5", "IN RANGE", "CO2 BELOW MAX", "WATER L/DAY", "FAN H/DAY", "SWITCHES/H"}
	if a.width > 0 && a.width < narrowFigures {
		head = []string{"CHAMBER", "KEPT BY", "RH ±2.5", "RH ±5", "IN RANGE", "CO2 OK", "L/DAY", "FAN H/D"}
	}
	t := newTable(head...)
	row := func(chamber, by string, f *rehearse.Figures) { t.add(figuresRow(chamber, by, f)[:len(head)]...) }
	for i := range results {
		r := &results[i]
		row(r.Chamber, r.Controller, &r.Figures)
		if r.CommonPractice != nil {
			row("", practiceWords, r.CommonPractice)
		}
	}
	a.printTable(t)
}

// The controllers as tables name them.
const (
	rulesWords      = "gillkeeper"
	rulesAloneWords = "its rules alone"
	practiceWords   = "common practice"
	oracleWords     = "the same, perfect sensors"
)

func figuresRow(chamber, by string, f *rehearse.Figures) []string {
	if f.Hours == 0 {
		return []string{chamber, by, "–", "–", "–", "–", "–", "–", "nothing observed yet"}
	}
	co2 := percentOf(f.CO2BelowMax)
	if f.CO2Mean == 0 { // of a record without it; air always holds some
		co2 = "–"
	}
	return []string{chamber, by, percentOf(f.RHWithin2_5), percentOf(f.RHWithin5), percentOf(f.RHInRange), co2,
		fmt.Sprintf("%.2f", f.WaterLitersPerDay), fmt.Sprintf("%.1f", f.FanHoursPerDay), switchesWords(f.SwitchesPerHour)}
}

// switchesWords lists plugs by name, those left out that hardly ever switch, as a lamp does.
func switchesWords(perHour map[string]float64) string {
	var list []string
	for _, name := range sortedKeys(perHour) {
		if v := perHour[name]; v >= 0.2 {
			list = append(list, fmt.Sprintf("%s %.1f", name, v))
		}
	}
	if list == nil {
		return "hardly any"
	}
	return strings.Join(list, ", ")
}

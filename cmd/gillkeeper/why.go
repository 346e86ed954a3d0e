package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/reason"
)

func newWhyCommand(a *app) *cobra.Command {
	var at string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "why CHAMBER",
		Short: "Give the reasons behind the state of each plug, now or at a past moment",
		Long: "Gives the reasons behind each plug, with their numbers, as they were recorded at the time. With --at it gives what\n" +
			"grew, what the air was and what was wanted, and for each plug the last switching before that moment: 14:30,\n" +
			"\"2026-03-14 14:30\" in the site's time, RFC 3339, or how long ago, such as -2h.",
		Args:              arguments("CHAMBER"),
		ValidArgsFunction: completion(a.chamberNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.why(cmd.Context(), args[0], at, asJSON)
		},
	}
	cmd.Flags().StringVar(&at, "at", "", "a past moment")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return a.asks(cmd)
}

func (a *app) why(ctx context.Context, name, at string, asJSON bool) error {
	c, err := a.client()
	if err != nil {
		return err
	}
	why, err := c.Why(ctx, name, at)
	if err != nil {
		return err
	}
	if asJSON {
		return a.printJSON(why)
	}
	site, err := c.Site(ctx)
	if err != nil {
		return err
	}
	w := siteWords(site)
	a.printThen(&why, w)
	if why.Past && len(why.Plugs) == 0 {
		fmt.Fprintf(a.stdout, "No plug of %s had been switched by then, as far as is written down.\n", why.Chamber)
		return nil
	}
	t := newTable("PLUG", "DECIDED", "SINCE", "WHY")
	for i := range why.Plugs {
		p := &why.Plugs[i]
		since := "–"
		if p.Since != nil {
			since = w.Clock(*p.Since, why.At)
		}
		var lines []string
		for _, r := range p.Reasons {
			lines = append(lines, r.Text)
		}
		if p.Share != nil && why.Then.Seconds > 0 {
			lines = append(lines, fmt.Sprintf("It was on for %s of the %s around that moment.", words.Percent(*p.Share, 0), words.Duration(time.Duration(why.Then.Seconds)*time.Second)))
		}
		t.add(plugLabel(p.Name, p.Role), onOff(p.On), since, strings.Join(lines, "\n"))
	}
	a.printTable(t)
	a.printExpected(&why, w)
	return nil
}

// printExpected is what the plan expected of the air with and without a run of each plug that it decided.
func (a *app) printExpected(why *api.Why, w words.Words) {
	t := newTable("EXPECTED", "HUMIDITY", "CO2", "TEMPERATURE", "WHAT DECIDED")
	ahead := time.Duration(0)
	for i := range why.Plugs {
		for _, r := range why.Plugs[i].Reasons {
			p := r.Plan
			if p == nil || p.For <= 0 {
				continue
			}
			run := "on"
			if p.Level > 0 {
				run += " at " + words.Percent(p.Level, 0)
			}
			off, length, in := "off", time.Duration(p.For), time.Duration(p.In)
			if why.Plugs[i].On && !p.Runs { // its run ends, or it goes on
				if in > 0 {
					off += " in " + words.Duration(in)
				}
				length, in = length+in, 0
			}
			run += " for " + words.Duration(length)
			if in > 0 {
				run += " in " + words.Duration(in)
			}
			chosen, otherwise := expectedRow(w, why.Plugs[i].Name+" "+run, p.With), expectedRow(w, why.Plugs[i].Name+" "+off, p.Without)
			if !p.Runs {
				chosen, otherwise = otherwise, chosen
			}
			t.add(append(chosen, p.Text)...)
			t.add(append(otherwise, "not chosen")...)
			ahead = time.Duration(p.Ahead)
		}
	}
	if ahead == 0 {
		return
	}
	fmt.Fprintln(a.stdout)
	a.printTable(t)
	a.paragraph("", "Each after "+words.Duration(ahead)+", then the lowest and highest on the way, by the chamber as learned: with this run and no other after it.")
}

func expectedRow(w words.Words, name string, c api.Course) []string {
	air := func(a api.PlanAir) reason.Air {
		return reason.Air{RH: a.RelativeHumidity, CO2: a.CO2PPM, AirC: a.TemperatureC}
	}
	course := reason.Course{Low: air(c.Low), High: air(c.High), End: air(c.End)}
	row := []string{name}
	for _, q := range []chamber.Quantity{chamber.RelativeHumidity, chamber.CO2, chamber.Temperature} {
		row = append(row, w.Expected(q, course))
	}
	return row
}

// printThen says what the record holds of a past moment: what grew, what the air was and what was wanted of it.
func (a *app) printThen(why *api.Why, w words.Words) {
	if why.Then == nil {
		return
	}
	at := day(w)
	for _, b := range why.Then.Batches {
		fmt.Fprintf(a.stdout, "%s, %s, was in %s of flush %d since %s.\n", b.Batch, words.Species(b.Species), b.Stage, b.Flush, at(b.Since))
	}
	if why.Then.Seconds == 0 {
		fmt.Fprintf(a.stdout, "No reading is recorded of %s.\n\n", at(why.At))
		return
	}
	fmt.Fprintf(a.stdout, "From %s on, for %s:\n", at(why.Then.From), words.Duration(time.Duration(why.Then.Seconds)*time.Second))
	for _, x := range why.Then.Values {
		if x.Place == "chamber" || x.Place == "room" {
			fmt.Fprintf(a.stdout, "  %s\n", x.Says)
		}
	}
	var known []string
	for _, x := range why.Then.Values {
		if x.Place == "learned" {
			known = append(known, x.Says)
		}
	}
	if len(known) > 0 {
		a.paragraph("known of the chamber  ", strings.Join(known, ", "))
	}
	fmt.Fprintln(a.stdout)
}

package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
)

func newWhyCommand(a *app) *cobra.Command {
	var at string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "why CHAMBER",
		Short: "Give the reasons behind the state of each plug, now or at a past moment",
		Long: "Gives the reasons that decided, with their numbers, as they were written down then. With --at it gives what grew, what the air\n" +
			"was and what was wanted of it, and for each plug the last switch before the moment: 14:30, \"2026-03-14 14:30\" in the site's\n" +
			"time, RFC 3339, or how long ago, such as -2h.",
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

func (a *app) why(ctx context.Context, chamber, at string, asJSON bool) error {
	c, err := a.client()
	if err != nil {
		return err
	}
	why, err := c.Why(ctx, chamber, at)
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
	return nil
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

package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
)

func newWhyCommand(a *app) *cobra.Command {
	var at string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "why CHAMBER",
		Short: "Give the reasons behind the present state of each plug",
		Long: "Gives the reasons that decided, with their numbers, as they were written down then. With --at it gives for each plug\n" +
			"the last switch before a moment: 14:30, \"2026-03-14 14:30\" in the site's time, RFC 3339, or how long ago, such as -2h.",
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
	if why.Past && len(why.Plugs) == 0 {
		fmt.Fprintf(a.stdout, "No plug of %s had been switched by then, as far as is written down.\n", why.Chamber)
		return nil
	}
	w := siteWords(site)
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
		t.add(plugLabel(p.Name, p.Role), onOff(p.On), since, strings.Join(lines, "\n"))
	}
	a.printTable(t)
	return nil
}

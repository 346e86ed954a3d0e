package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/diagnose"
)

func newDiagnoseCommand(a *app) *cobra.Command {
	var signs []string
	var batch, at string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "diagnose CHAMBER --sign SIGN",
		Short: "Rank the causes of what you see, with evidence from the record and what to change",
		Long: "Ranks what may have caused a sign, by what the chamber's record shows of the time in which that sign develops. It\n" +
			"gives evidence for and against, and the change that would help, in numbers for this chamber. Where no record can tell,\n" +
			"it asks you. The signs:\n\n" + words.SignHelp(),
		Example:           "  gillkeeper diagnose loft --sign long-stems\n  gillkeeper diagnose loft --batch oyster-12 --sign pale-caps,early-caps --at \"2026-03-14 08:00\"",
		Args:              arguments("CHAMBER"),
		ValidArgsFunction: completion(a.chamberNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := needFlags(cmd, "sign"); err != nil {
				return err
			}
			return a.diagnose(cmd.Context(), args[0], batch, at, signs, asJSON)
		},
	}
	cmd.Flags().StringSliceVar(&signs, "sign", nil, "what you see; several with commas")
	cmd.Flags().StringVar(&batch, "batch", "", "on which batch; needed if several are growing")
	cmd.Flags().StringVar(&at, "at", "", "when you saw it (default now)")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	completeFlag(cmd, "sign", fixed(signNames()...))
	completeFlag(cmd, "batch", a.batchNames)
	return a.asks(cmd)
}

func signNames() []string {
	var names []string
	for _, s := range diagnose.Signs() {
		names = append(names, string(s))
	}
	return names
}

func (a *app) diagnose(ctx context.Context, chamber, batch, at string, signs []string, asJSON bool) error {
	c, err := a.client()
	if err != nil {
		return err
	}
	got, err := c.Diagnose(ctx, chamber, batch, at, signs)
	if p, refused := errors.AsType[*api.Problem](err); refused && asJSON { // that nothing grows here is an answer, too
		return cmp.Or(a.printJSON(p), err)
	}
	if err != nil {
		return err
	}
	if asJSON {
		return a.printJSON(got)
	}
	site, err := c.Site(ctx)
	if err != nil {
		return err
	}
	a.printDiagnosis(&got, siteWords(site))
	return nil
}

func (a *app) printDiagnosis(d *api.Diagnosis, w words.Words) {
	var seen []string
	for _, s := range d.Signs {
		seen = append(seen, s.Says)
	}
	at := day(w)
	fmt.Fprintf(a.stdout, "%s of batch %s (%s) in chamber %s.\n", capital(strings.Join(seen, "; ")), d.Batch, words.Species(d.Species), d.Chamber)
	stages := ""
	if len(d.Stages) > 0 {
		stages = " in " + strings.Join(d.Stages, " and ")
	}
	fmt.Fprintf(a.stdout, "Made%s from %s to %s; %s h of it are recorded.\n", stages, at(d.From), at(d.To), words.Number(d.Recorded, 0))
	for i := range d.Causes {
		x := &d.Causes[i]
		fmt.Fprintf(a.stdout, "\n%s\n", a.bold(fmt.Sprintf("%d. %s: %s (%s)", i+1, capital(x.Says), x.Sureness, words.Percent(x.Chance, 0))))
		label := "for      "
		if !x.Seen { // what is said then is that nothing is recorded
			label = "record   "
		}
		for _, e := range x.For {
			a.paragraph(label, e.Says)
		}
		for _, e := range x.Against {
			a.paragraph("against  ", e.Says)
		}
		if x.Change != nil {
			a.paragraph("change   ", strings.Join(x.Change.Says, " "))
		}
		for _, q := range x.Ask {
			a.paragraph("ask      ", q)
		}
	}
}

// paragraph prints text behind a label, wrapped on a terminal.
func (a *app) paragraph(label, text string) {
	width := 0
	if a.width > 0 {
		width = max(narrowest, a.width-len(label)-3)
	}
	for i, line := range wrap(text, width) {
		if i > 0 {
			label = strings.Repeat(" ", len(label))
		}
		fmt.Fprintf(a.stdout, "   %s%s\n", label, line)
	}
}

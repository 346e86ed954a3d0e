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

func newBatchRecordCommand(a *app) *cobra.Command {
	var entries, asJSON bool
	cmd := &cobra.Command{
		Use:   "record BATCH",
		Short: "Show the whole life of a batch",
		Long: "Shows the whole life of a batch: what went in, its stages, pickings, losses and notes. With --entries it lists the\n" +
			"entries that were made, with the number for undoing or correcting each, and what became of it.",
		Args:              arguments("BATCH"),
		ValidArgsFunction: completion(a.batchNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			if entries {
				return a.batchEntries(cmd.Context(), args[0], asJSON)
			}
			return a.batchRecord(cmd.Context(), args[0], asJSON)
		},
	}
	cmd.Flags().BoolVar(&entries, "entries", false, "list the entries, including those undone and corrected")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return a.asks(cmd)
}

func (a *app) batchRecord(ctx context.Context, batch string, asJSON bool) error {
	c, err := a.client()
	if err != nil {
		return err
	}
	r, err := c.Record(ctx, batch)
	if err != nil {
		return err
	}
	if asJSON {
		return a.printJSON(r)
	}
	site, err := c.Site(ctx)
	if err != nil {
		return err
	}
	a.printRecord(&r, day(siteWords(site)))
	return nil
}

// day writes a moment with its date, in the site's time.
func day(w words.Words) func(time.Time) string {
	zone := w.Zone
	if zone == nil {
		zone = time.UTC
	}
	return func(t time.Time) string { return t.In(zone).Format("2006-01-02 15:04") }
}

func (a *app) printRecord(r *api.BatchRecord, at func(time.Time) string) {
	fmt.Fprintf(a.stdout, "%s in chamber %s: %s%s\n", r.Batch, r.Chamber, words.Species(r.Species), list(", strain ", r.Strain))
	fmt.Fprintf(a.stdout, "Substrate: %s, %s dry%s%s\n", words.Kilograms(r.SubstrateKg), words.Kilograms(r.DryKg),
		list(", with ", r.Supplements), list(", on ", r.Position))
	if r.Inoculated != nil {
		fmt.Fprintf(a.stdout, "Inoculated: %s\n", at(*r.Inoculated))
	}
	fmt.Fprintf(a.stdout, "Picked: %s g, biological efficiency %s\n\n", words.Number(r.FreshG, 0), words.Percent(r.BiologicalEfficiency, 0))
	t := newTable("STAGE", "FLUSH", "FROM", "TO", "DAYS")
	for _, p := range r.Stages {
		to, days := "now", "–"
		if p.To != nil {
			to, days = at(*p.To), words.Number(p.To.Sub(p.From).Hours()/24, 1)
		}
		t.add(p.Stage, fmt.Sprint(p.Flush), at(p.From), to, days)
	}
	a.printTable(t)
	a.printPickings(r, at)
	for _, l := range r.Losses {
		grams := "not weighed"
		if l.Grams > 0 {
			grams = words.Number(l.Grams, 0) + " g"
		}
		fmt.Fprintf(a.stdout, "\nLost %s, entry %s: %s, %s%s", at(l.At), l.Entry, l.Cause, grams, list("; ", harmless(l.Note)))
	}
	for _, n := range r.Notes {
		fmt.Fprintf(a.stdout, "\nNote %s, entry %s: %s%s", at(n.At), n.Entry, harmless(n.Text), list(" ", harmless(strings.Join(n.Photos, " "))))
	}
	if len(r.Losses)+len(r.Notes) > 0 {
		fmt.Fprintln(a.stdout)
	}
	if p := r.Proposal; p != nil {
		fmt.Fprintf(a.stdout, "\nIt seems to have reached %s: %s\n", p.Stage, strings.Join(p.Why, " "))
	}
}

func (a *app) printPickings(r *api.BatchRecord, at func(time.Time) string) {
	t := newTable("FLUSH", "PICKED", "ENTRY", "FRESH", "MARKS")
	for _, f := range r.Flushes {
		for _, p := range f.Pickings {
			marks := strings.Join(p.Marks, ", ")
			if more := strings.Join(append([]string{p.Note}, p.Photos...), " "); strings.TrimSpace(more) != "" {
				marks = strings.TrimSpace(marks + "  " + strings.TrimSpace(more))
			}
			t.add(fmt.Sprint(f.Number), at(p.At), p.Entry, words.Number(p.FreshG, 0)+" g", marks)
		}
	}
	if len(t.rows) > 0 {
		fmt.Fprintln(a.stdout)
		a.printTable(t)
	}
}

// list writes something after words that lead to it, or nothing where there is nothing.
func list(before, s string) string {
	if s == "" {
		return ""
	}
	return before + s
}

func (a *app) batchEntries(ctx context.Context, batch string, asJSON bool) error {
	c, err := a.client()
	if err != nil {
		return err
	}
	got, err := c.Entries(ctx, "", batch, false)
	if err != nil {
		return err
	}
	if asJSON {
		return a.printJSON(got)
	}
	if len(got.Entries) == 0 {
		return fmt.Errorf("nothing is written down of a batch %q; see gillkeeper batch list --all", batch)
	}
	site, err := c.Site(ctx)
	if err != nil {
		return err
	}
	at := day(siteWords(site))
	t := newTable("ENTRY", "AT", "KIND", "SAYS")
	for i := range got.Entries {
		e := &got.Entries[i]
		t.add(e.Entry, at(e.At), e.Kind, entryText(e))
	}
	a.printTable(t)
	return nil
}

// entryText says what an entry holds and what became of it.
func entryText(e *api.Entry) string {
	var parts []string
	add := func(format string, args ...any) { parts = append(parts, fmt.Sprintf(format, args...)) }
	if e.Of != "" {
		add("of entry %s", e.Of)
	}
	if e.Species != "" {
		add("%s %s (%s dry)", words.Species(e.Species), words.Kilograms(e.SubstrateKg), words.Kilograms(e.DryKg))
	}
	for _, x := range [][2]string{{"strain ", e.Strain}, {"with ", e.Supplements}, {"on ", e.Position}, {"", e.Stage}} {
		if x[1] != "" {
			add("%s%s", x[0], x[1])
		}
	}
	if e.FreshG > 0 {
		add("%s g", words.Number(e.FreshG, 0))
	}
	if e.Done {
		add("flush closed")
	}
	switch {
	case e.Cause != "" && e.Grams > 0:
		add("%s %s g", e.Cause, words.Number(e.Grams, 0))
	case e.Cause != "":
		add("%s, not weighed", e.Cause)
	}
	parts = append(parts, e.Marks...)
	if e.Note != "" {
		add("%s", e.Note)
	}
	parts = append(parts, e.Photos...)
	switch {
	case e.Undone:
		add("(undone)")
	case e.Corrected:
		add("(corrected since)")
	}
	return strings.Join(parts, ", ")
}

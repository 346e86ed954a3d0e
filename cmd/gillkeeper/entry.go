package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/species"
)

// lossCauses are the words of batch loss.
var lossCauses = []string{"contaminated", "aborted", "spoiled"}

func newBatchLossCommand(a *app) *cobra.Command {
	var in api.LossAdd
	cmd := &cobra.Command{
		Use:               "loss BATCH --cause CAUSE [--grams GRAMS]",
		Short:             "Record what did not become crop: contaminated substrate, aborted pins, spoiled fruit",
		Example:           "  gillkeeper batch loss oyster-12 --cause contaminated --grams 2500",
		Args:              arguments("BATCH"),
		ValidArgsFunction: completion(a.batchNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := needFlags(cmd, "cause"); err != nil {
				return err
			}
			if err := oneOf("cause", in.Cause, lossCauses); err != nil {
				return err
			}
			if cmd.Flags().Changed("grams") {
				if err := weight("--grams", in.Grams); err != nil {
					return err
				}
			}
			c, err := a.client()
			if err != nil {
				return err
			}
			if _, err := c.Loss(cmd.Context(), args[0], in); err != nil {
				return err
			}
			fmt.Fprintf(a.stdout, "The loss of batch %s is written down: %s%s.\n", args[0], in.Cause, grams(in.Grams))
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVar(&in.Cause, "cause", "", "contaminated (grams of substrate), aborted or spoiled (grams of fruit)")
	f.Float64Var(&in.Grams, "grams", 0, "its weight (default: not weighed)")
	f.StringVar(&in.At, "at", "", "a past moment")
	f.StringVar(&in.Note, "note", "", "anything else")
	completeFlag(cmd, "cause", fixed(lossCauses...))
	return a.asks(cmd)
}

func grams(v float64) string {
	if v <= 0 {
		return ""
	}
	return ", " + words.Number(v, 0) + " g"
}

func newBatchNoteCommand(a *app) *cobra.Command {
	var in api.NoteAdd
	cmd := &cobra.Command{
		Use:               "note BATCH TEXT",
		Short:             "Write a note about a batch",
		Args:              arguments("BATCH", "TEXT"),
		ValidArgsFunction: completion(a.batchNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			in.Note = strings.TrimSpace(args[1])
			c, err := a.client()
			if err != nil {
				return err
			}
			if _, err := c.Note(cmd.Context(), args[0], in); err != nil {
				return err
			}
			fmt.Fprintf(a.stdout, "The note is on record for batch %s.\n", args[0])
			return nil
		},
	}
	cmd.Flags().StringArrayVar(&in.Photos, "photo", nil, "path or address of a photo, recorded but never opened; may be repeated")
	cmd.Flags().StringVar(&in.At, "at", "", "a past moment")
	return a.asks(cmd)
}

func newUndoCommand(a *app) *cobra.Command {
	var in api.EntryUndo
	cmd := &cobra.Command{
		Use:   "undo ENTRY",
		Short: "Undo an entry in a batch's record; it stays on record as undone",
		Long: "Undoes an entry in a batch's record: a stage, a harvest, a loss, a note, a batch, a correction, an import or another\n" +
			"undo. The number of the entry is in gillkeeper batch record BATCH --entries. What it said stays on record.",
		Args:              arguments("ENTRY"),
		ValidArgsFunction: cobra.NoFileCompletions,
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			done, err := c.Undo(cmd.Context(), args[0], in)
			if err != nil {
				return err
			}
			fmt.Fprintf(a.stdout, "Entry %s is undone.\n", args[0])
			a.printBatchesNow(&done.Chamber)
			return nil
		},
	}
	cmd.Flags().StringVar(&in.Note, "note", "", "why")
	return a.asks(cmd)
}

func (a *app) printBatchesNow(c *api.Chamber) {
	for i := range c.Batches {
		b := &c.Batches[i]
		fmt.Fprintf(a.stdout, "%s in %s: %s, flush %d, %s g picked.\n", b.Name, c.Name, b.Stage, b.Flush, words.Number(b.FreshG, 0))
	}
}

func newBatchCorrectCommand(a *app) *cobra.Command {
	given := &correction{}
	cmd := &cobra.Command{
		Use:               "correct ENTRY [--FIELD VALUE]...",
		Short:             "Correct an entry; the old value stays on record",
		Example:           "  gillkeeper batch correct 41 --fresh-g 420\n  gillkeeper batch correct 38 --at \"2026-03-14 08:00\" --stage fruiting",
		Args:              arguments("ENTRY"),
		ValidArgsFunction: cobra.NoFileCompletions,
		RunE: func(cmd *cobra.Command, args []string) error {
			in, any := given.request(cmd)
			if !any {
				return usagef("%s needs a field to correct, such as --fresh-g; see %s --help", cmd.CommandPath(), cmd.CommandPath())
			}
			c, err := a.client()
			if err != nil {
				return err
			}
			done, err := c.Correct(cmd.Context(), args[0], in)
			if err != nil {
				return err
			}
			fmt.Fprintf(a.stdout, "Entry %s is corrected.\n", args[0])
			a.printBatchesNow(&done.Chamber)
			return nil
		},
	}
	given.flags(cmd)
	completeFlag(cmd, "mark", fixed(usualMarks()...))
	completeFlag(cmd, "cause", fixed(lossCauses...))
	completeFlag(cmd, "species", fixed(species.Builtin().Species()...))
	completeFlag(cmd, "stage", fixed(stageNames()...))
	return a.asks(cmd)
}

// correction holds the flags of batch correct; only those that were given are sent.
type correction struct {
	text          map[string]*string
	number        map[string]*float64
	done          bool
	marks, photos []string
}

func (g *correction) flags(cmd *cobra.Command) {
	g.text, g.number = map[string]*string{}, map[string]*float64{}
	for _, x := range [][2]string{{"at", "the moment for which it holds"}, {"species", "binomial"}, {"strain", "strain"},
		{"supplements", "to the substrate"}, {"position", "where in the chamber"}, {"inoculated", "when the substrate was inoculated"},
		{"stage", "colonization, pinning, fruiting or rest"}, {"cause", "contaminated, aborted or spoiled"}, {"note", "free text"}} {
		g.text[x[0]] = cmd.Flags().String(x[0], "", x[1])
	}
	for _, x := range [][2]string{{"substrate-kg", "wet weight of the substrate"}, {"dry-kg", "its dry weight"},
		{"fresh-g", "what was picked, in grams"}, {"grams", "of a loss"}} {
		g.number[x[0]] = cmd.Flags().Float64(x[0], 0, x[1])
	}
	cmd.Flags().BoolVar(&g.done, "done", false, "it closed the flush")
	cmd.Flags().StringSliceVar(&g.marks, "mark", nil, "new marks, in place of the old ones")
	cmd.Flags().StringArrayVar(&g.photos, "photo", nil, "new photos, in place of the old ones")
}

func (g *correction) request(cmd *cobra.Command) (in api.EntryCorrect, any bool) {
	text := func(name string) *string {
		if !cmd.Flags().Changed(name) {
			return nil
		}
		any = true
		return g.text[name]
	}
	number := func(name string) *float64 {
		if !cmd.Flags().Changed(name) {
			return nil
		}
		any = true
		return g.number[name]
	}
	in = api.EntryCorrect{At: text("at"), Species: text("species"), Strain: text("strain"), Supplements: text("supplements"),
		Position: text("position"), Inoculated: text("inoculated"), Stage: text("stage"), Cause: text("cause"), Note: text("note"),
		SubstrateKg: number("substrate-kg"), DryKg: number("dry-kg"), FreshG: number("fresh-g"), Grams: number("grams"),
		Marks: g.marks, Photos: g.photos}
	if cmd.Flags().Changed("done") {
		in.Done = &g.done
	}
	return in, any || in.Done != nil || in.Marks != nil || in.Photos != nil
}

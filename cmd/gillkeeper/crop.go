package main

import (
	"fmt"
	"math"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
)

func newStageCommand(a *app) *cobra.Command {
	var in api.StageSet
	cmd := &cobra.Command{
		Use:               "stage BATCH STAGE",
		Short:             "Move a batch to a stage: colonization, pinning, fruiting, rest",
		Args:              arguments("BATCH", "STAGE"),
		ValidArgsFunction: completion(a.batchNames, fixed(stageNames()...)),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := oneOf("stage", args[1], stageNames()); err != nil {
				return err
			}
			c, err := a.client()
			if err != nil {
				return err
			}
			in.Stage = args[1]
			done, err := c.SetStage(cmd.Context(), args[0], in)
			if err != nil {
				return err
			}
			a.printStage(&done.Chamber, args[0], in)
			return nil
		},
	}
	cmd.Flags().StringVar(&in.At, "at", "", "a past moment at which it entered the stage: 14:30, \"2026-03-14 14:30\", -6h")
	cmd.Flags().StringVar(&in.Note, "note", "", "anything else")
	return a.asks(cmd)
}

// printStage says where the batch is; one that was moved for a past moment may have gone on since.
func (a *app) printStage(c *api.Chamber, batch string, in api.StageSet) {
	if b := findBatch(c, batch); b != nil && b.Stage != in.Stage {
		fmt.Fprintf(a.stdout, "It is written down that batch %s in chamber %s was in %s; it is in %s now.\n", batch, c.Name, in.Stage, b.Stage)
		return
	}
	fmt.Fprintf(a.stdout, "Batch %s in chamber %s is in %s.\n", batch, c.Name, in.Stage)
}

func newHarvestCommand(a *app) *cobra.Command {
	var in api.Harvest
	cmd := &cobra.Command{
		Use:               "harvest BATCH --fresh-g GRAMS",
		Short:             "Record a harvest of the current flush",
		Example:           "  gillkeeper harvest oyster-12 --fresh-g 840\n  gillkeeper harvest oyster-12 --fresh-g 120 --done",
		Args:              arguments("BATCH"),
		ValidArgsFunction: completion(a.batchNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !in.Done || cmd.Flags().Changed("fresh-g") {
				if err := needFlags(cmd, "fresh-g"); err != nil {
					return err
				}
				if err := weight("--fresh-g", in.FreshG); err != nil {
					return err
				}
			}
			c, err := a.client()
			if err != nil {
				return err
			}
			done, err := c.Harvest(cmd.Context(), args[0], in)
			if err != nil {
				return err
			}
			a.printHarvest(&done.Chamber, args[0], in)
			return nil
		},
	}
	cmd.Flags().Float64Var(&in.FreshG, "fresh-g", 0, "what was picked, fresh, in grams")
	cmd.Flags().BoolVar(&in.Done, "done", false, "the flush is picked: close it and start rest; may be given alone, without a harvest")
	cmd.Flags().StringSliceVar(&in.Marks, "mark", nil, "marks of quality: first, second, or a sign such as long-stems; several with commas")
	cmd.Flags().StringArrayVar(&in.Photos, "photo", nil, "path or address of a photo, recorded but never opened; may be repeated")
	cmd.Flags().StringVar(&in.At, "at", "", "a past moment at which it was picked: 14:30, \"2026-03-14 14:30\", -6h")
	cmd.Flags().StringVar(&in.Note, "note", "", "anything else")
	completeFlag(cmd, "mark", fixed(usualMarks()...))
	return a.asks(cmd)
}

// usualMarks are the marks that say something to others; any word will do.
func usualMarks() []string { return append([]string{"first", "second"}, signNames()...) }

func (a *app) printHarvest(c *api.Chamber, batch string, in api.Harvest) {
	if in.FreshG > 0 {
		fmt.Fprintf(a.stdout, "%s g of batch %s are written down.", words.Number(in.FreshG, 0), batch)
	} else {
		fmt.Fprintf(a.stdout, "The flush of batch %s is closed.", batch)
	}
	if b := findBatch(c, batch); b != nil {
		fmt.Fprintf(a.stdout, " All flushes: %s g, biological efficiency %s.", words.Number(b.FreshG, 0), words.Percent(b.BiologicalEfficiency, 0))
		if in.Done {
			fmt.Fprintf(a.stdout, " It is in %s now.", b.Stage)
		}
	}
	fmt.Fprintln(a.stdout)
}

// weight checks a weight before it is sent; whether it is plausible for the batch, the daemon says.
func weight(flag string, v float64) error {
	if !(v > 0) || math.IsInf(v, 0) { // NaN is not above 0
		return fmt.Errorf("%s %v is not a weight; give a number above 0", flag, v)
	}
	return nil
}

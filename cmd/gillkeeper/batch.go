package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/species"
)

func newBatchCommand(a *app) *cobra.Command {
	cmd := &cobra.Command{Use: "batch", Short: "Keep the record of batches: add, list, loss, note, correct, import, export, retire"}
	group(cmd)
	cmd.AddCommand(newBatchAddCommand(a), newBatchListCommand(a), newBatchRecordCommand(a), newBatchLossCommand(a), newBatchNoteCommand(a),
		newBatchCorrectCommand(a), newBatchExportCommand(a), newBatchImportCommand(a), newBatchRetireCommand(a))
	return cmd
}

func newBatchAddCommand(a *app) *cobra.Command {
	var chamber string
	var in api.BatchAdd
	cmd := &cobra.Command{
		Use:     "add --chamber CHAMBER --name BATCH --species SPECIES --substrate-kg KG --dry-kg KG",
		Short:   "Put a batch into a chamber",
		Example: "  gillkeeper batch add --chamber loft --name oyster-12 --species pleurotus-ostreatus --substrate-kg 12 --dry-kg 4.2 --stage pinning",
		Args:    arguments(),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := needFlags(cmd, "chamber", "name", "species", "substrate-kg", "dry-kg"); err != nil {
				return err
			}
			if err := weight("--substrate-kg", in.SubstrateKg); err != nil {
				return err
			}
			if err := weight("--dry-kg", in.DryKg); err != nil {
				return err
			}
			return a.batchAdd(cmd.Context(), chamber, in)
		},
	}
	f := cmd.Flags()
	f.StringVar(&chamber, "chamber", "", "the chamber it goes into")
	f.StringVar(&in.Batch, "name", "", "the batch's name, unique at the site: a-z, 0-9, hyphen")
	f.StringVar(&in.Species, "species", "", "binomial, such as pleurotus-ostreatus; see gillkeeper species")
	f.StringVar(&in.Strain, "strain", "", "strain")
	f.Float64Var(&in.SubstrateKg, "substrate-kg", 0, "weight of the substrate as it is, wet")
	f.Float64Var(&in.DryKg, "dry-kg", 0, "dry weight of the substrate")
	f.StringVar(&in.Supplements, "supplements", "", "what was mixed into the substrate")
	f.StringVar(&in.Position, "position", "", "where in the chamber: a shelf, a row")
	f.StringVar(&in.Inoculated, "inoculated", "", "when the substrate was inoculated, such as 2026-01-14")
	f.StringVar(&in.At, "at", "", "a past moment at which it was put in")
	f.StringVar(&in.Note, "note", "", "anything else")
	f.StringVar(&in.Stage, "stage", species.Colonization.String(), "colonization, pinning, fruiting or rest")
	completeFlag(cmd, "chamber", a.chamberNames)
	completeFlag(cmd, "species", fixed(species.Builtin().Species()...))
	completeFlag(cmd, "stage", fixed(stageNames()...))
	return a.asks(cmd)
}

func (a *app) batchAdd(ctx context.Context, chamber string, in api.BatchAdd) error {
	c, err := a.client()
	if err != nil {
		return err
	}
	done, err := c.AddBatch(ctx, chamber, in)
	if err != nil {
		return err
	}
	fmt.Fprintf(a.stdout, "Batch %s is in chamber %s: %s, %s.\n", in.Batch, done.Chamber.Name, words.Species(in.Species), in.Stage)
	for _, x := range done.Chamber.Target.Conflicts {
		fmt.Fprintf(a.stdout, "Note: %s\n", x.Text)
	}
	return nil
}

func newBatchListCommand(a *app) *cobra.Command {
	var all, asJSON bool
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List batches: species, stage, flush, harvest",
		Args:  arguments(),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			got, err := c.Batches(cmd.Context(), all)
			if err != nil {
				return err
			}
			if asJSON {
				return a.printJSON(got)
			}
			a.printBatches(got.Batches)
			return nil
		},
	}
	cmd.Flags().BoolVar(&all, "all", false, "include retired batches")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return a.asks(cmd)
}

func (a *app) printBatches(list []api.Batch) {
	if len(list) == 0 {
		fmt.Fprintln(a.stdout, "No batch grows; see gillkeeper batch add --help.")
		return
	}
	t := newTable("BATCH", "CHAMBER", "SPECIES", "STAGE", "DAY", "FLUSH", "PICKED", "EFFICIENCY")
	for i := range list {
		b := &list[i]
		stage, day := b.Stage, fmt.Sprint(b.StageDay)
		if b.Retired != nil {
			stage, day = "retired", "–"
		}
		t.add(b.Name, b.Chamber, words.Species(b.Species), stage, day, fmt.Sprint(b.Flush),
			words.Number(b.FreshG, 0)+" g", words.Percent(b.BiologicalEfficiency, 0))
	}
	a.printTable(t)
	for i := range list {
		if p := list[i].Proposal; p != nil {
			fmt.Fprintf(a.stdout, "%s seems to have reached %s: %s To say so: gillkeeper stage %s %s\n", list[i].Name, p.Stage, strings.Join(p.Why, " "), list[i].Name, p.Stage)
		}
	}
}

func newBatchRetireCommand(a *app) *cobra.Command {
	var in api.Retire
	cmd := &cobra.Command{
		Use:               "retire BATCH",
		Short:             "Take a batch out of its chamber; its figures stay",
		Args:              arguments("BATCH"),
		ValidArgsFunction: completion(a.batchNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			done, err := c.Retire(cmd.Context(), args[0], in)
			if err != nil {
				return err
			}
			fmt.Fprintf(a.stdout, "Batch %s is out of chamber %s.\n", args[0], done.Chamber.Name)
			return nil
		},
	}
	cmd.Flags().StringVar(&in.At, "at", "", "a past moment at which it was taken out")
	cmd.Flags().StringVar(&in.Note, "note", "", "why")
	return a.asks(cmd)
}

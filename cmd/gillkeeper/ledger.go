package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/ledger"
	"gillkeeper/bridge/web/api"
)

func newBatchExportCommand(a *app) *cobra.Command {
	var out, chamber string
	cmd := &cobra.Command{
		Use:   "export [--out FILE]",
		Short: "Write the record of every batch as CSV",
		Long: "Writes the valid record of every batch as CSV, one line for each entry, oldest first within a chamber: with\n" +
			"corrections applied, and without what was undone. gillkeeper batch import reads it. An older record of the same\n" +
			"name is replaced; any other file is left alone. The columns:\n\n" + columnHelp(),
		Args: arguments(),
		RunE: func(cmd *cobra.Command, args []string) error {
			if out != "" {
				if err := mayReplace(out, "record", ledger.Mark(), "record.csv"); err != nil {
					return err
				}
			}
			c, err := a.client()
			if err != nil {
				return err
			}
			got, err := c.Entries(cmd.Context(), chamber, "", true)
			if err != nil {
				return err
			}
			var b bytes.Buffer
			if err := ledger.Write(&b, got.Entries); err != nil {
				return err
			}
			if out == "" {
				return a.printText(b.Bytes())
			}
			if err := os.WriteFile(out, b.Bytes(), 0o600); err != nil {
				return fmt.Errorf("the record cannot be written: %w; name another file with --out", err)
			}
			fmt.Fprintf(a.stdout, "%s in %s.\n", count(len(got.Entries), "entry"), out)
			return nil
		},
	}
	cmd.Flags().StringVar(&out, "out", "", "the file (default: standard output)")
	cmd.Flags().StringVar(&chamber, "chamber", "", "only this chamber")
	completeFlag(cmd, "chamber", a.chamberNames)
	return a.asks(cmd)
}

func columnHelp() string {
	var b bytes.Buffer
	for _, c := range ledger.Columns() {
		fmt.Fprintf(&b, "  %-13s %s\n", c.Name, c.Meaning)
	}
	return b.String()
}

func newBatchImportCommand(a *app) *cobra.Command {
	var check bool
	cmd := &cobra.Command{
		Use:   "import FILE",
		Short: "Import a record from CSV: all of it, or nothing and every fault by line",
		Long: "Imports the record of batches from CSV, one line for each entry. It imports everything or nothing: every fault is\n" +
			"listed with its line. The chambers must be in the configuration. An import can be undone as a whole. These are the\n" +
			"columns; the first four are required, in any order:\n\n" + columnHelp(),
		Example: "  gillkeeper batch import seasons.csv --check\n  gillkeeper batch import seasons.csv",
		Args:    arguments("FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.batchImport(cmd.Context(), args[0], check)
		},
	}
	cmd.Flags().BoolVar(&check, "check", false, "only list what is wrong; import nothing")
	return a.asks(cmd)
}

func (a *app) batchImport(ctx context.Context, file string, check bool) error {
	text, err := readGiven(file)
	if err != nil {
		return fmt.Errorf("the file cannot be read: %w; name a CSV file", err)
	}
	c, err := a.client()
	if err != nil {
		return err
	}
	site, err := c.Site(ctx)
	if err != nil {
		return err
	}
	zone := siteWords(site).Zone
	if zone == nil {
		zone = time.UTC
	}
	entries, lines, faults, err := ledger.Read(bytes.NewReader(text), zone)
	if err != nil {
		return err
	}
	// What can be read is checked by the daemon although other lines cannot, so that all is said at once.
	var done api.Imported
	if len(entries) > 0 {
		done, err = c.Import(ctx, api.Import{Check: check || len(faults) > 0, Entries: entries})
		if p, ok := errors.AsType[*api.Problem](err); ok && len(p.Faults) > 0 {
			faults = mergeFaults(faults, p.Faults, lines)
		} else if err != nil {
			return err
		}
	} else if len(faults) == 0 {
		faults = []ledger.Fault{{Line: 1, What: "there is no line below the header"}}
	}
	if len(faults) > 0 {
		for _, f := range faults {
			fmt.Fprintf(a.stderr, "%s:%d: %s\n", file, f.Line, oneLine(f.What))
		}
		return fmt.Errorf("%s in %s; nothing was imported", count(len(faults), "fault"), file)
	}
	if done.Checked {
		fmt.Fprintf(a.stdout, "%s of %s are good; nothing was imported, as --check asks.\n", count(done.Entries, "entry"), count(done.Batches, "new batch"))
		return nil
	}
	fmt.Fprintf(a.stdout, "%s of %s are written down.\n", count(done.Entries, "entry"), count(done.Batches, "new batch"))
	return nil
}

// mergeFaults puts what the daemon found beside what could not be read, by line. A line that could not be read says only
// so.
func mergeFaults(unread []ledger.Fault, found []api.Fault, lines []int) []ledger.Fault {
	bad := map[int]bool{}
	for _, f := range unread {
		bad[f.Line] = true
	}
	out := unread
	for _, f := range found {
		line := 1
		if f.Index >= 0 && f.Index < len(lines) {
			line = lines[f.Index]
		}
		if !bad[line] {
			out = append(out, ledger.Fault{Line: line, What: f.Detail})
		}
	}
	slices.SortStableFunc(out, func(a, b ledger.Fault) int { return a.Line - b.Line })
	return out
}

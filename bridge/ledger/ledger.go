// Package ledger writes the crop's record as CSV and reads it back: one line for each entry, for spreadsheets and for
// growers who bring years of weighings along.
//
// It must never decide whether an entry can be; it only says what cannot be read. Start reading at [Columns].
package ledger

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/policy/nearest"
)

// Column is one column of the file.
type Column struct {
	Name    string
	Meaning string
	write   func(*api.Entry) string
	read    func(e *api.Entry, text string, zone *time.Location) error
}

// separator stands between the words of a cell that holds several.
const separator = ";"

// Columns lists the columns in the order in which they are written. A file that is read may have them in any order and
// may leave out all but the first four; further columns are a fault.
func Columns() []Column { return slices.Clone(columns) }

var columns = []Column{
	{"at", "the moment for which the line holds: RFC 3339, or 2026-01-14 03:12 in the site's time",
		func(e *api.Entry) string { return e.At.UTC().Format(time.RFC3339Nano) },
		func(e *api.Entry, s string, z *time.Location) error { return moment(&e.At, s, z) }},
	{"chamber", "where the batch is",
		func(e *api.Entry) string { return e.Chamber }, text(func(e *api.Entry) *string { return &e.Chamber })},
	{"batch", "its name: a-z, 0-9, hyphen",
		func(e *api.Entry) string { return e.Batch }, text(func(e *api.Entry) *string { return &e.Batch })},
	{"kind", "batch_add, stage_set, harvest, loss, note or batch_retire",
		func(e *api.Entry) string { return e.Kind }, word(func(e *api.Entry) *string { return &e.Kind }, kinds)},
	{"species", "batch_add: binomial, such as pleurotus-ostreatus",
		func(e *api.Entry) string { return e.Species }, text(func(e *api.Entry) *string { return &e.Species })},
	{"strain", "batch_add: in the grower's words",
		func(e *api.Entry) string { return e.Strain }, text(func(e *api.Entry) *string { return &e.Strain })},
	{"supplements", "batch_add: to the substrate, in the grower's words",
		func(e *api.Entry) string { return e.Supplements }, text(func(e *api.Entry) *string { return &e.Supplements })},
	{"position", "batch_add: where in the chamber",
		func(e *api.Entry) string { return e.Position }, text(func(e *api.Entry) *string { return &e.Position })},
	{"substrate_kg", "batch_add: weight of the substrate as it is, wet",
		func(e *api.Entry) string { return decimal(e.SubstrateKg) }, number(func(e *api.Entry) *float64 { return &e.SubstrateKg })},
	{"dry_kg", "batch_add: dry weight of the substrate",
		func(e *api.Entry) string { return decimal(e.DryKg) }, number(func(e *api.Entry) *float64 { return &e.DryKg })},
	{"inoculated", "batch_add: when the substrate was inoculated, as in at; a date alone will do",
		func(e *api.Entry) string {
			if e.Inoculated == nil {
				return ""
			}
			return e.Inoculated.UTC().Format(time.RFC3339Nano)
		},
		func(e *api.Entry, s string, z *time.Location) error {
			var t time.Time
			if err := moment(&t, s, z); err != nil || s == "" {
				return err
			}
			e.Inoculated = &t
			return nil
		}},
	{"stage", "batch_add, stage_set: colonization, pinning, fruiting or rest",
		func(e *api.Entry) string { return e.Stage }, word(func(e *api.Entry) *string { return &e.Stage }, stages)},
	{"fresh_g", "harvest: what was picked, fresh, in grams",
		func(e *api.Entry) string { return decimal(e.FreshG) }, number(func(e *api.Entry) *float64 { return &e.FreshG })},
	{"done", "harvest: yes when it closed the flush",
		func(e *api.Entry) string {
			if e.Done {
				return "yes"
			}
			return ""
		}, yes},
	{"marks", "harvest: of quality, with " + separator + " between them: first, second, or a sign such as long-stems",
		func(e *api.Entry) string { return strings.Join(e.Marks, separator) }, words(func(e *api.Entry) *[]string { return &e.Marks })},
	{"cause", "loss: contaminated, aborted or spoiled",
		func(e *api.Entry) string { return e.Cause }, word(func(e *api.Entry) *string { return &e.Cause }, causes)},
	{"grams", "loss: its weight; empty: not weighed",
		func(e *api.Entry) string { return decimal(e.Grams) }, number(func(e *api.Entry) *float64 { return &e.Grams })},
	{"photos", "harvest, note: paths or addresses, with " + separator + " between them",
		func(e *api.Entry) string { return strings.Join(e.Photos, separator) }, words(func(e *api.Entry) *[]string { return &e.Photos })},
	{"note", "free text",
		func(e *api.Entry) string { return e.Note }, text(func(e *api.Entry) *string { return &e.Note })},
}

var (
	kinds  = []string{"batch_add", "stage_set", "harvest", "loss", "note", "batch_retire"}
	stages = []string{"colonization", "pinning", "fruiting", "rest"}
	causes = []string{"contaminated", "aborted", "spoiled"}
)

// needed is how many columns, from the first, a file must have.
const needed = 4

// Write writes entries with the header line, oldest first as they are given.
func Write(w io.Writer, entries []api.Entry) error {
	c := csv.NewWriter(w)
	row := make([]string, len(columns))
	for i := range columns {
		row[i] = columns[i].Name
	}
	if err := c.Write(row); err != nil {
		return err
	}
	for i := range entries {
		for j := range columns {
			row[j] = columns[j].write(&entries[i])
		}
		if err := c.Write(row); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

// Mark is what a file begins with that [Write] has written: the columns that there must be.
func Mark() string {
	var mark string
	for i := range needed {
		mark += columns[i].Name + ","
	}
	return mark
}

// Fault is something that cannot be read.
type Fault struct {
	Line int // of the file, from 1
	What string
}

// Read reads entries, and gives for each the line on which it began. Every fault is listed; with any of them, nobody
// should use the entries. Empty lines and a byte order mark are passed over. The error is of the reader alone.
func Read(r io.Reader, zone *time.Location) (entries []api.Entry, lines []int, faults []Fault, err error) {
	c := csv.NewReader(&unmarked{r: r})
	c.FieldsPerRecord = -1
	c.ReuseRecord = true
	fault := func(line int, format string, args ...any) {
		faults = append(faults, Fault{line, fmt.Sprintf(format, args...)})
	}
	var order []int // index in columns, by place in the file
	for {
		row, err := c.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if p, ok := errors.AsType[*csv.ParseError](err); ok {
			fault(p.Line, "it is no CSV: %v", p.Err)
			break // where the next line begins, nobody knows
		}
		if err != nil {
			return nil, nil, nil, err
		}
		line, _ := c.FieldPos(0)
		if order == nil {
			var bad []string
			if order, bad = header(row); len(bad) > 0 {
				for _, b := range bad {
					fault(line, "%s", b)
				}
				return nil, nil, faults, nil
			}
			continue
		}
		if len(row) != len(order) {
			fault(line, "it has %d cells and the header has %d", len(row), len(order))
			continue
		}
		var e api.Entry
		for i, cell := range row {
			col := &columns[order[i]]
			if err := col.read(&e, strings.TrimSpace(cell), zone); err != nil {
				fault(line, "%s %v", col.Name, err)
			}
		}
		entries, lines = append(entries, e), append(lines, line)
	}
	if order == nil && len(faults) == 0 {
		fault(1, "the file is empty; its first line names the columns: %s", names())
	}
	return entries, lines, faults, nil
}

// header reads the names of the columns.
func header(row []string) (order []int, bad []string) {
	order = []int{}
	for _, other := range []struct{ sign, name string }{{";", "semicolons"}, {"\t", "tabs"}} { // as spreadsheets of some countries save them
		if len(row) == 1 && strings.Contains(row[0], other.sign) {
			return order, []string{"there are " + other.name + " between its cells; save it with commas between them"}
		}
	}
	for _, cell := range row {
		name := strings.ToLower(strings.TrimSpace(cell))
		i := slices.IndexFunc(columns, func(c Column) bool { return c.Name == name })
		switch {
		case i < 0:
			b := fmt.Sprintf("there is no column %s", quoted(name))
			if near := nearest.Word(name, strings.Split(names(), ", ")); near != "" {
				b += "; did you mean " + near + "?"
			} else {
				b += "; columns are " + names()
			}
			bad = append(bad, b)
		case slices.Contains(order, i):
			bad = append(bad, "column "+name+" is there twice")
		}
		order = append(order, i)
	}
	for i := range needed {
		if !slices.Contains(order, i) {
			bad = append(bad, "column "+columns[i].Name+" is missing: "+columns[i].Meaning)
		}
	}
	return order, bad
}

func names() string {
	var all []string
	for i := range columns {
		all = append(all, columns[i].Name)
	}
	return strings.Join(all, ", ")
}

// quoted keeps a cell small and on one line in a message.
func quoted(s string) string {
	const most = 40
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "") + "…"
	}
	return strconv.Quote(s)
}

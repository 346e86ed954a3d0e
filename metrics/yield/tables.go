package yield

import (
	"compress/gzip"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"gillkeeper/policy/species"
)

// A season is kept as a folder of CSV files (RFC 4180, UTF-8, a header in each, an empty cell for what is not known):
// season, chambers, climate, batches, stages, flushes, pickings, losses, wants, crops, alarms. Moments are RFC 3339 in
// UTC. Every figure of a report can be worked out from them.

// climateFile is the one that may be compressed.
const climateFile = "climate.csv"

// row is one row of a file: cells are written into it, or taken out of it in the same order.
type row struct {
	cells []string
	read  bool
	at    int
	err   error
}

func (r *row) next() *string {
	if !r.read {
		r.cells = append(r.cells, "")
		return &r.cells[len(r.cells)-1]
	}
	r.at++
	return &r.cells[r.at-1]
}

func (r *row) text(v *string) {
	c := r.next()
	if r.read {
		*v = *c
		return
	}
	*c = *v
}

func (r *row) whole(v *int) {
	c := r.next()
	if !r.read {
		*c = strconv.Itoa(*v)
		return
	}
	n, err := strconv.Atoi(*c)
	if err != nil {
		r.fail("%q is not a whole number", *c)
	}
	*v = n
}

// number writes 0 as an empty cell where zero means that nothing is known.
func (r *row) number(v *float64, digits int, zero bool) {
	c := r.next()
	if !r.read {
		if !math.IsNaN(*v) && (zero || *v != 0) {
			*c = strconv.FormatFloat(*v, 'f', digits, 64)
		}
		return
	}
	n, err := number(*c)
	if err != nil {
		r.fail("%q is not a number", *c)
	}
	if !zero && math.IsNaN(n) {
		n = 0
	}
	*v = n
}

func (r *row) moment(v *time.Time) {
	c := r.next()
	if !r.read {
		if !v.IsZero() {
			*c = v.UTC().Format(time.RFC3339Nano)
		}
		return
	}
	if *c == "" {
		*v = time.Time{}
		return
	}
	t, err := time.Parse(time.RFC3339Nano, *c)
	if err != nil {
		r.fail("%q is not a moment; write it like 2026-03-14T08:00:00Z", *c)
	}
	*v = t
}

func (r *row) stage(v *species.Stage) {
	c := r.next()
	if !r.read {
		*c = v.String()
		return
	}
	if err := v.UnmarshalText([]byte(*c)); err != nil || *v == 0 {
		r.fail("%q is not a stage; stages are colonization, pinning, fruiting, rest", *c)
	}
}

func (r *row) yes(v *bool) {
	s := strconv.FormatBool(*v)
	r.text(&s)
	*v = s == "true"
}

func (r *row) fail(format string, args ...any) {
	if r.err == nil {
		r.err = fmt.Errorf(format, args...)
	}
}

// table is one file: its header, how many rows there are, and how one is written or read.
type table struct {
	name   string
	header string
	rows   func() int
	row    func(r *row, i int) // i is beyond the rows when a new one is read
}

// grow gives the element at i, and makes it where it is new.
func grow[T any](list *[]T, i int) *T {
	for len(*list) <= i {
		*list = append(*list, *new(T))
	}
	return &(*list)[i]
}

// tables lists the files in the order in which they are read: batches before what belongs to them.
func (s *Season) tables() []table {
	return append([]table{
		{"season.csv", "site,timezone,fahrenheit,from,to", func() int { return 1 }, func(r *row, i int) {
			r.text(&s.Site)
			r.text(&s.Timezone)
			r.yes(&s.Fahrenheit)
			r.moment(&s.From)
			r.moment(&s.To)
		}},
		{"chambers.csv", "chamber,volume_m3", func() int { return len(s.Chambers) }, func(r *row, i int) {
			c := grow(&s.Chambers, i)
			r.text(&c.Name)
			r.number(&c.VolumeM3, -1, false)
		}},
		{"batches.csv", "batch,chamber,species,strain,supplements,position,note,substrate_kg,dry_kg,added,retired", func() int { return len(s.Batches) }, func(r *row, i int) {
			b := grow(&s.Batches, i)
			r.text(&b.Name)
			r.text(&b.Chamber)
			r.text(&b.Species)
			r.text(&b.Strain)
			r.text(&b.Supplements)
			r.text(&b.Position)
			r.text(&b.Note)
			r.number(&b.SubstrateKg, -1, false)
			r.number(&b.DryKg, -1, false)
			r.moment(&b.Added)
			r.moment(&b.Retired)
		}},
		{"wants.csv", "species,stage,relative_humidity_low,relative_humidity_high,temperature_low_c,temperature_high_c,co2_max_ppm", func() int { return len(s.Wants) }, func(r *row, i int) {
			w := grow(&s.Wants, i)
			r.text(&w.Species)
			r.stage(&w.Stage)
			r.number(&w.RHLow, -1, false)
			r.number(&w.RHHigh, -1, false)
			r.number(&w.LowC, -1, true)
			r.number(&w.HighC, -1, true)
			r.number(&w.CO2MaxPPM, -1, false)
		}},
		{"crops.csv", "species,common,biological_efficiency_low,biological_efficiency_high,source,sureness,note", func() int { return len(s.Crops) }, func(r *row, i int) {
			c := grow(&s.Crops, i)
			r.text(&c.Species)
			r.text(&c.Common)
			r.number(&c.BELow, -1, false)
			r.number(&c.BEHigh, -1, false)
			r.text(&c.Source)
			r.text(&c.Sureness)
			r.text(&c.Note)
		}},
		{"alarms.csv", "chamber,alarm,priority,from,to", func() int { return len(s.Alarms) }, func(r *row, i int) {
			a := grow(&s.Alarms, i)
			r.text(&a.Chamber)
			r.text(&a.Alarm)
			r.text(&a.Priority)
			r.moment(&a.From)
			r.moment(&a.To)
		}},
	}, s.batchTables()...)
}

// owned is a table of what belongs to batches: the batch's name is its first column.
func owned[T any](s *Season, name, header string, of func(*Batch) *[]T, row1 func(*row, *T)) table {
	type place struct{ batch, i int }
	var places []place
	for b := range s.Batches {
		for i := range *of(&s.Batches[b]) {
			places = append(places, place{b, i})
		}
	}
	return table{name, "batch," + header, func() int { return len(places) }, func(r *row, i int) {
		if !r.read {
			b := &s.Batches[places[i].batch]
			r.text(&b.Name)
			row1(r, &(*of(b))[places[i].i])
			return
		}
		var batch string
		r.text(&batch)
		for b := range s.Batches {
			if s.Batches[b].Name == batch {
				list := of(&s.Batches[b])
				row1(r, grow(list, len(*list)))
				return
			}
		}
		r.fail("there is no batch %q", batch)
	}}
}

func (s *Season) batchTables() []table {
	stages := owned(s, "stages.csv", "stage,flush,from,to", func(b *Batch) *[]Stage { return &b.Stages }, func(r *row, p *Stage) {
		r.stage(&p.Stage)
		r.whole(&p.Flush)
		r.moment(&p.From)
		r.moment(&p.To)
	})
	flushes := owned(s, "flushes.csv", "flush,closed", func(b *Batch) *[]Flush { return &b.Flushes }, func(r *row, f *Flush) {
		r.whole(&f.Number)
		r.moment(&f.Closed)
	})
	losses := owned(s, "losses.csv", "flush,at,cause,grams,note", func(b *Batch) *[]Loss { return &b.Losses }, func(r *row, l *Loss) {
		r.whole(&l.Flush)
		r.moment(&l.At)
		r.text(&l.Cause)
		r.number(&l.Grams, -1, false)
		r.text(&l.Note)
	})
	return []table{stages, flushes, s.pickings(), losses}
}

// pickings belong to a flush of a batch.
func (s *Season) pickings() table {
	type place struct{ batch, flush, i int }
	var places []place
	for b := range s.Batches {
		for f := range s.Batches[b].Flushes {
			for i := range s.Batches[b].Flushes[f].Pickings {
				places = append(places, place{b, f, i})
			}
		}
	}
	return table{"pickings.csv", "batch,flush,at,fresh_g,quality", func() int { return len(places) }, func(r *row, i int) {
		var batch string
		var flush int
		var p Picking
		if !r.read {
			b := &s.Batches[places[i].batch]
			f := &b.Flushes[places[i].flush]
			batch, flush, p = b.Name, f.Number, f.Pickings[places[i].i]
		}
		r.text(&batch)
		r.whole(&flush)
		r.moment(&p.At)
		r.number(&p.FreshG, -1, false)
		r.text(&p.Quality)
		if !r.read {
			return
		}
		for b := range s.Batches {
			for f := range s.Batches[b].Flushes {
				if x := &s.Batches[b].Flushes[f]; s.Batches[b].Name == batch && x.Number == flush {
					x.Pickings = append(x.Pickings, p)
					return
				}
			}
		}
		r.fail("batch %q has no flush %d", batch, flush)
	}}
}

// climates is the table of all chambers' air.
func (s *Season) climates() table {
	type place struct{ chamber, i int }
	var places []place
	for c := range s.Chambers {
		for i := range s.Chambers[c].Climate.Start {
			places = append(places, place{c, i})
		}
	}
	header := "chamber,start"
	for _, col := range new(Climate).columns() {
		header += "," + col.name
	}
	return table{climateFile, header, func() int { return len(places) }, func(r *row, i int) {
		var c *Chamber
		var name string
		var start time.Time
		n := 0
		if !r.read {
			c, n = &s.Chambers[places[i].chamber], places[i].i
			name, start = c.Name, time.Unix(c.Climate.Start[n], 0)
		}
		r.text(&name)
		r.moment(&start)
		if r.read {
			if c = s.chamber(name); c == nil {
				r.fail("there is no chamber %q", name)
				return
			}
			n = c.Climate.Add(start, 0)
		}
		for _, col := range c.Climate.columns() {
			r.number(&(*col.values)[n], col.digits, true)
		}
	}}
}

// Write writes the season's files. create makes one by its name.
func (s *Season) Write(create func(name string) (io.WriteCloser, error)) error {
	for _, t := range append(s.tables(), s.climates()) {
		f, err := create(t.name)
		if err != nil {
			return err
		}
		if err := errors.Join(t.write(f), f.Close()); err != nil {
			return fmt.Errorf("write %s: %w", t.name, err)
		}
	}
	return nil
}

func (t *table) write(w io.Writer) error {
	out := csv.NewWriter(w)
	if err := out.Write(strings.Split(t.header, ",")); err != nil {
		return err
	}
	for i := range t.rows() {
		r := row{}
		t.row(&r, i)
		if err := out.Write(r.cells); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// Read reads a season's files. open gives one by its name, or [fs.ErrNotExist]; climate.csv may be compressed as
// climate.csv.gz. An error names file and line.
func Read(open func(name string) (io.ReadCloser, error)) (*Season, error) {
	s := &Season{}
	first := s.tables()
	for i := range first {
		// What belongs to batches is looked up anew, because there are batches only now.
		t := s.tables()[i]
		if err := t.readFrom(open); err != nil {
			return nil, err
		}
	}
	c := s.climates()
	if err := c.readFrom(open); err != nil {
		return nil, err
	}
	return s, s.Check()
}

func (t *table) readFrom(open func(name string) (io.ReadCloser, error)) error {
	f, err := open(t.name)
	name := t.name
	if errors.Is(err, fs.ErrNotExist) && t.name == climateFile {
		name += ".gz"
		f, err = open(name)
	}
	if err != nil {
		return fmt.Errorf("%w; a season is a folder of CSV files as `report --raw` writes it", err)
	}
	defer f.Close()
	var in io.Reader = f
	if strings.HasSuffix(name, ".gz") {
		if in, err = gzip.NewReader(f); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	if err := t.read(in); err != nil {
		return fmt.Errorf("%s:%w", name, err)
	}
	return nil
}

func (t *table) read(in io.Reader) error {
	rows := csv.NewReader(in)
	rows.ReuseRecord = true
	for i := -1; ; i++ {
		cells, err := rows.Read()
		if errors.Is(err, io.EOF) {
			if i < 0 {
				return fmt.Errorf("1: the file is empty; its first line is %s", t.header)
			}
			return nil
		}
		if err != nil {
			return fmt.Errorf(" %w", err)
		}
		line, _ := rows.FieldPos(0)
		if i < 0 {
			if got := strings.Join(cells, ","); strings.TrimPrefix(got, "\ufeff") != t.header {
				return fmt.Errorf("%d: the header is %.200q; it must be %s", line, got, t.header)
			}
			continue
		}
		r := row{cells: cells, read: true}
		if t.row(&r, i); r.err != nil {
			return fmt.Errorf("%d: %w", line, r.err)
		}
	}
}

// Folder opens the files of a folder, for [Read].
func Folder(dir string) func(name string) (io.ReadCloser, error) {
	return func(name string) (io.ReadCloser, error) { return os.Open(filepath.Join(dir, name)) }
}

// Files are a season's files in memory, by name.
type Files map[string]string

// Create makes a file, for [Season.Write].
func (f Files) Create(name string) (io.WriteCloser, error) {
	return &memoryFile{into: f, name: name}, nil
}

// Open opens a file, for [Read].
func (f Files) Open(name string) (io.ReadCloser, error) {
	text, ok := f[name]
	if !ok {
		return nil, fmt.Errorf("%s: %w", name, fs.ErrNotExist)
	}
	return io.NopCloser(strings.NewReader(text)), nil
}

type memoryFile struct {
	strings.Builder
	into Files
	name string
}

func (m *memoryFile) Close() error {
	m.into[m.name] = m.String()
	return nil
}

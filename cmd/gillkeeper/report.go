package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/season"
	"gillkeeper/bridge/web/api"
	"gillkeeper/metrics/yield"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/species"
)

// reportFlags says which season, from where, and what to make of it.
type reportFlags struct {
	out, raw        string
	csv, json       bool
	from, to        string
	journal, config string
	season          string
	done            atomic.Uint64 // share in thousandths, for the progress
}

func newReportCommand(a *app) *cobra.Command {
	f := &reportFlags{}
	cmd := &cobra.Command{
		Use:   "report --out FILE.html",
		Short: "Make a report on flushes, yields and conditions, and how they go together",
		Long: "Makes a report of a season as one page that needs nothing else: it opens offline, on a phone, and prints. It shows\n" +
			"what each flush gave compared with what handbooks lead you to expect, the air that it grew in, which conditions go\n" +
			"with larger and smaller flushes (rank correlation, which is not cause and effect), alarms, water and energy. An older\n" +
			"report of the same name is replaced; any other file is left alone.\n\n" +
			"The season comes from the running daemon; from a journal, with the daemon running or not (--journal); or from a folder\n" +
			"of CSV files that an earlier report wrote (--raw, then --season). Every figure can be worked out from these files.",
		Example: "  gillkeeper report --out season.html\n  gillkeeper report --out spring.html --from 2026-03-01 --to 2026-06-01\n" +
			"  gillkeeper report --csv > flushes.csv\n  gillkeeper report --journal gillkeeper.db --config gillkeeper.toml --out season.html",
		Args: arguments(),
		RunE: func(cmd *cobra.Command, args []string) error { return a.report(cmd.Context(), f) },
	}
	cmd.Flags().StringVar(&f.out, "out", "", "write the page to this file")
	cmd.Flags().BoolVar(&f.csv, "csv", false, "print a table of flushes as CSV")
	cmd.Flags().BoolVar(&f.json, "json", false, "print every figure as JSON")
	cmd.Flags().StringVar(&f.raw, "raw", "", "write the data behind the report into this folder, as CSV files")
	cmd.Flags().StringVar(&f.from, "from", "", "start: a date, RFC 3339, or how long ago, such as -2160h (default a year before the end)")
	cmd.Flags().StringVar(&f.to, "to", "", "end (default now)")
	cmd.Flags().StringVar(&f.journal, "journal", "", "read this journal instead of asking the daemon")
	cmd.Flags().StringVar(&f.config, "config", "", "with --journal: the configuration, for names, climates of your own and the timezone")
	cmd.Flags().StringVar(&f.season, "season", "", "read this folder of CSV files instead")
	return a.asks(cmd)
}

func (f *reportFlags) check() error {
	switch {
	case f.out == "" && f.raw == "" && !f.csv && !f.json:
		return usagef("gillkeeper report needs --out FILE.html, --csv, --json or --raw FOLDER; see gillkeeper report --help")
	case f.csv && f.json:
		return usagef("gillkeeper report: --csv and --json both print; give one of them")
	case f.journal != "" && f.season != "":
		return usagef("gillkeeper report: --journal and --season both say where the season is; give one of them")
	case f.config != "" && f.journal == "":
		return usagef("gillkeeper report: --config goes with --journal; the running daemon has its own")
	case f.season != "" && (f.from != "" || f.to != ""):
		return usagef("gillkeeper report: a folder of files has its own beginning and end; leave --from and --to out")
	}
	return nil
}

func (a *app) report(ctx context.Context, f *reportFlags) error {
	if err := f.check(); err != nil {
		return err
	}
	if f.out != "" {
		if err := mayReplace(f.out, "report", yield.Mark, "season.html"); err != nil {
			return err
		}
	}
	stop := a.progress(func() float64 { return float64(f.done.Load()) / 1000 })
	s, r, err := a.makeReport(ctx, f)
	stop()
	if err != nil {
		return err
	}
	if f.raw != "" {
		if err := writeRaw(f.raw, s); err != nil {
			return err
		}
	}
	if f.out != "" {
		if err := writeWhole(f.out, func(w io.Writer) error { return r.WriteHTML(w, s, a.now()) }); err != nil {
			return err
		}
	}
	switch {
	case f.csv:
		var b bytes.Buffer
		if err := r.WriteCSV(&b); err != nil {
			return err
		}
		return a.printText(b.Bytes())
	case f.json:
		return a.printJSON(r)
	}
	a.sayReport(f, r)
	return nil
}

// makeReport reads the season and works the report out. What is read goes through the files' form, so that the report is
// what anybody can work out from them.
func (a *app) makeReport(ctx context.Context, f *reportFlags) (*yield.Season, *yield.Report, error) {
	var s *yield.Season
	var err error
	reading := func(share float64) { f.done.Store(uint64(700 * share)) }
	switch {
	case f.season != "":
		if s, err = yield.Read(yield.Folder(f.season)); err != nil {
			return nil, nil, fmt.Errorf("the season in %s cannot be read: %w", f.season, err)
		}
	case f.journal != "":
		s, err = a.seasonOfJournal(ctx, f, reading)
	default:
		s, err = a.seasonOfDaemon(ctx, f, reading)
	}
	if err != nil {
		return nil, nil, err
	}
	r, err := yield.Make(ctx, s, func(share float64) { f.done.Store(uint64(700 + 300*share)) })
	return s, r, err
}

// seasonOfDaemon asks the daemon, one chamber after the other.
func (a *app) seasonOfDaemon(ctx context.Context, f *reportFlags, share func(float64)) (*yield.Season, error) {
	c, err := a.client()
	if err != nil {
		return nil, err
	}
	all, err := c.Chambers(ctx)
	if err != nil {
		return nil, err
	}
	to := f.to
	if to == "" { // the same end for every chamber
		site, err := c.Site(ctx)
		if err != nil {
			return nil, err
		}
		to = site.Now.Format(time.RFC3339Nano)
	}
	var s *yield.Season
	for i := range all.Chambers {
		got, err := c.Season(ctx, all.Chambers[i].Name, f.from, to)
		if err != nil {
			return nil, err
		}
		one, err := seasonOfFiles(got)
		if err != nil {
			return nil, fmt.Errorf("the season of chamber %s cannot be read: %w", all.Chambers[i].Name, err)
		}
		if s == nil {
			s = one
		} else {
			s.Join(one)
		}
		share(float64(i+1) / float64(len(all.Chambers)))
	}
	if s == nil {
		return nil, errors.New("the daemon has no chamber to report on")
	}
	return s, nil
}

func seasonOfFiles(got api.Season) (*yield.Season, error) {
	files := yield.Files{}
	for i := range got.Files {
		files[got.Files[i].Name] = got.Files[i].Text
	}
	return yield.Read(files.Open)
}

// seasonOfJournal reads a journal beside whatever has it.
func (a *app) seasonOfJournal(ctx context.Context, f *reportFlags, share func(float64)) (*yield.Season, error) {
	v, err := journal.Look(ctx, f.journal)
	if err != nil {
		return nil, err
	}
	defer v.Close()
	q := season.Query{Timezone: "Local", Table: species.Builtin(), Progress: share}
	end, err := chambersOf(ctx, v, &q)
	if err != nil {
		return nil, err
	}
	zone := time.Local
	if f.config != "" {
		if zone, err = configured(f.config, &q); err != nil {
			return nil, err
		}
	}
	if len(q.Chambers) == 0 {
		return nil, fmt.Errorf("the journal %s knows no chamber yet; let the daemon run on it first", f.journal)
	}
	if q.To = end; f.to != "" {
		if q.To, err = reportMoment("--to", f.to, end, zone); err != nil {
			return nil, err
		}
	}
	if q.From = q.To.AddDate(-1, 0, 0); f.from != "" {
		if q.From, err = reportMoment("--from", f.from, end, zone); err != nil {
			return nil, err
		}
	}
	s, err := season.Read(ctx, v, q)
	if err != nil {
		return nil, err
	}
	files := yield.Files{}
	if err := s.Write(files.Create); err != nil {
		return nil, err
	}
	return yield.Read(files.Open)
}

// chambersOf takes the chambers and their plugs from the snapshots, and gives the moment of the newest.
func chambersOf(ctx context.Context, v *journal.View, q *season.Query) (time.Time, error) {
	snaps, err := v.Snapshots(ctx)
	if err != nil {
		return time.Time{}, err
	}
	var end time.Time
	for i := range snaps {
		var state policy.State
		if err := json.Unmarshal(snaps[i].State, &state); err != nil {
			return end, fmt.Errorf("the snapshot of chamber %s cannot be read: %w; was it made by another version?", snaps[i].Chamber, err)
		}
		c := season.Chamber{Name: snaps[i].Chamber}
		for j := range state.Plugs {
			c.Plugs = append(c.Plugs, chamber.Plug{Name: state.Plugs[j].Name, Role: state.Plugs[j].Role})
		}
		q.Chambers = append(q.Chambers, c)
		if snaps[i].At.After(end) {
			end = snaps[i].At
		}
	}
	return end, nil
}

// configured lays the configuration over what the journal says.
func configured(path string, q *season.Query) (*time.Location, error) {
	cfg, _, err := config.Load(path)
	if err != nil {
		return nil, err
	}
	q.Site, q.Timezone, q.Fahrenheit, q.Table = cfg.Site.Name, cfg.Site.Zone.String(), cfg.Site.Fahrenheit, cfg.Table
	for i := range q.Chambers {
		for j := range cfg.Chambers {
			if spec := cfg.Chambers[j].Spec; spec.Name == q.Chambers[i].Name {
				q.Chambers[i] = season.Chamber{Name: spec.Name, VolumeM3: spec.VolumeM3, AltitudeM: spec.AltitudeM, Plugs: spec.Plugs}
			}
		}
	}
	return cfg.Site.Zone, nil
}

// reportMoment reads a moment as the daemon does; now is the end of the record that is looked at.
func reportMoment(flag, text string, now time.Time, zone *time.Location) (time.Time, error) {
	t, err := api.ParseMoment(text, now, zone)
	if err != nil {
		return t, usagef("%s: %s", flag, err)
	}
	return t, nil
}

// sayReport says in a few lines what was made.
func (a *app) sayReport(f *reportFlags, r *yield.Report) {
	found, fresh := 0, 0.0
	for i := range r.Relations {
		if r.Relations[i].Found {
			found++
		}
	}
	for i := range r.Harvests {
		fresh += r.Harvests[i].FreshG
	}
	fmt.Fprintf(a.stdout, "%s, %s, %s, %.1f kg fresh.", count(len(r.Chambers), "chamber"), count(len(r.Batches), "batch"), count(len(r.Harvests), "flush"), fresh/1000)
	switch {
	case len(r.Relations) == 0:
		fmt.Fprintln(a.stdout, " There are too few finished flushes to say what goes with the harvest.")
	case found == 0:
		fmt.Fprintf(a.stdout, " Of %d conditions asked about, none stands out.\n", len(r.Relations))
	default:
		fmt.Fprintf(a.stdout, " Of %d conditions asked about, %d stand out.\n", len(r.Relations), found)
	}
	if f.out != "" {
		fmt.Fprintf(a.stdout, "The report is in %s.\n", f.out)
	}
	if f.raw != "" {
		fmt.Fprintf(a.stdout, "What it rests on is in %s.\n", f.raw)
	}
}

// mayReplace refuses to overwrite a file that is not of a kind, which bears a mark at its beginning.
func mayReplace(path, kind, mark, example string) error {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		if parent, err := os.Stat(filepath.Dir(path)); err != nil || !parent.IsDir() {
			return fmt.Errorf("the folder %s does not exist; make it first", filepath.Dir(path))
		}
		return nil
	}
	if err != nil {
		return fmt.Errorf("%w; name another file with --out", err)
	}
	if info.IsDir() {
		return fmt.Errorf("%s is a folder; name a file with --out, such as %s", path, filepath.Join(path, example))
	}
	if !info.Mode().IsRegular() { // reading from a pipe would wait for ever, and a device must stay one
		return fmt.Errorf("%s is no regular file; name another with --out", path)
	}
	f, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("%w; name another file with --out", err)
	}
	defer f.Close()
	head := make([]byte, 200)
	n, _ := io.ReadFull(f, head)
	if n > 0 && !bytes.Contains(head[:n], []byte(mark)) {
		return fmt.Errorf("%s is there already and is no %s; name another file with --out", path, kind)
	}
	return nil
}

// writeWhole writes a file so that it is there whole or not at all.
func writeWhole(path string, fill func(io.Writer) error) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".report-*")
	if err != nil {
		return fmt.Errorf("the report cannot be written: %w", err)
	}
	err = errors.Join(fill(f), f.Chmod(0o644), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		os.Remove(f.Name())
		return fmt.Errorf("the report cannot be written: %w", err)
	}
	return nil
}

// writeRaw writes the season's files into a folder, which it makes where it is not there.
func writeRaw(dir string, s *yield.Season) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("the files cannot be written: %w", err)
	}
	return s.Write(func(name string) (io.WriteCloser, error) { return os.Create(filepath.Join(dir, name)) })
}

package main

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/config"
	"gillkeeper/policy/species"
)

func newSpeciesCommand(a *app) *cobra.Command {
	var file string
	var fahrenheit, asJSON bool
	cmd := &cobra.Command{
		Use:   "species [NAME]",
		Short: "Show the climate table: what each species wants at each stage, and how sure that is",
		Long: "Without a name it shows the whole table. With a name it shows that species, what other sources say, and the sources.\n" +
			"With --config your own rows override the built-in ones and are marked.",
		Args: arguments("[NAME]"),
		ValidArgsFunction: func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
			return species.Builtin().Species(), cobra.ShellCompDirectiveNoFileComp
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			p := climatePage{app: a, table: species.Builtin(), fahrenheit: fahrenheit}
			if file != "" {
				cfg, _, err := config.Load(file)
				if err != nil {
					return unusable(file, err)
				}
				p.table = cfg.Table
				if !cmd.Flags().Changed("fahrenheit") {
					p.fahrenheit = cfg.Site.Fahrenheit
				}
			}
			return p.show(args, asJSON)
		},
	}
	cmd.Flags().StringVar(&file, "config", "", "let the rows of this configuration override the table")
	cmd.Flags().BoolVar(&fahrenheit, "fahrenheit", false, "show degrees Fahrenheit")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON (always degrees Celsius and ratios)")
	return cmd
}

// unusable says in one line that a configuration is wrong: its first fault, and where to see the others.
func unusable(file string, err error) error {
	faults, ok := errors.AsType[config.Faults](err)
	if !ok {
		return err
	}
	n, _ := faults.Count()
	first := faults[slices.IndexFunc(faults, func(f config.Fault) bool { return !f.Warning })]
	if n == 1 {
		return first
	}
	return fmt.Errorf("%w; %d more, see gillkeeper check %s", first, n-1, file)
}

// climatePage prints a climate table.
type climatePage struct {
	*app
	table      *species.Table
	fahrenheit bool
}

func (p *climatePage) show(args []string, asJSON bool) error {
	if len(args) == 0 {
		if asJSON {
			all := []climateJSON{}
			for _, name := range p.table.Species() {
				all = append(all, p.json(name))
			}
			return p.printJSON(all)
		}
		p.printAll()
		return nil
	}
	if !p.table.Has(args[0]) {
		hint := ""
		if kin := p.genus(args[0]); len(kin) > 1 {
			hint = "; there is " + strings.Join(kin, ", ")
		} else if near := p.table.Nearest(args[0]); near != "" {
			hint = fmt.Sprintf("; did you mean %q", near)
		}
		return fmt.Errorf("%q is not a species of the table%s; see gillkeeper species", args[0], hint)
	}
	if asJSON {
		return p.printJSON(p.json(args[0]))
	}
	p.printOne(args[0])
	return nil
}

// climateJSON is one species with its crops and rows.
type climateJSON struct {
	Species string        `json:"species"`
	Crop    *species.Crop `json:"crop,omitempty"`
	Rows    []rowJSON     `json:"rows"`
}

// rowJSON is a row with a time of day that people can read.
type rowJSON struct {
	species.Row
	LightsOn string `json:"lights_on"` // 15:04
}

// genus lists the species of a genus: who types that much wants to choose.
func (p *climatePage) genus(word string) []string {
	return slices.DeleteFunc(p.table.Species(), func(name string) bool { return !strings.HasPrefix(name, strings.ToLower(word)+"-") })
}

func (p *climatePage) json(name string) climateJSON {
	j := climateJSON{Species: name}
	if c, ok := p.table.Crop(name); ok {
		j.Crop = &c
	}
	for _, r := range p.table.Rows(name) {
		j.Rows = append(j.Rows, rowJSON{r, timeOfDay(r.LightsOn)})
	}
	return j
}

// legend explains the marks beside figures.
const legend = "* your own figure.  ? less sure than its row: common practice, by analogy or from memory."

// printAll prints every species as a block of one line a stage. Columns that do not fit the terminal are left out, the
// least important first; one species alone shows all.
func (p *climatePage) printAll() {
	head := []string{"STAGE", "RH %", p.degrees(), "CO2 ppm", "FAE/h", "LIGHT h", "DAYS", "SOURCE"}
	lines := [][]string{head}
	for _, name := range p.table.Species() {
		for _, r := range p.table.Rows(name) {
			lines = append(lines, []string{r.Stage.String(), p.cell(&r, species.RelativeHumidity), p.cell(&r, species.TemperatureC),
				p.cell(&r, species.CO2MaxPPM), p.cell(&r, species.FAEPerHour), p.cell(&r, species.LightHours),
				p.cell(&r, species.Days), shortSource(&r)})
		}
	}
	for _, drop := range []int{4, 4, 4} { // FAE, then light, then days
		if p.width > 0 && total(widthsOf(lines)) > p.width {
			for i := range lines {
				lines[i] = slices.Delete(lines[i], drop, drop+1)
			}
		}
	}
	widths := widthsOf(lines)
	p.printRow(lines[0], widths, true)
	i := 1
	for _, name := range p.table.Species() {
		fmt.Fprintf(p.stdout, "\n%s\n", p.bold(p.title(name)))
		for range p.table.Rows(name) {
			p.printRow(lines[i], widths, false)
			i++
		}
	}
	fmt.Fprintln(p.stdout)
	p.print("", legend)
	p.print("", "seen: the page was read. copy: a public reproduction of it was read. summary: an abstract or a data sheet was read. The rest between flushes is derived from fruiting.")
	for _, s := range p.sources(p.table.Species()) {
		p.print("", s)
	}
	p.print("", "What other sources say and all notes: gillkeeper species NAME")
}

// printOne prints one species with stages side by side, then notes, other sources and what is cited.
func (p *climatePage) printOne(name string) {
	fmt.Fprintln(p.stdout, p.bold(p.title(name)))
	if c, ok := p.table.Crop(name); ok {
		p.print("", p.cropLine(&c))
	}
	fmt.Fprintln(p.stdout)
	rows := p.table.Rows(name)
	t := newTable("")
	for i := range rows {
		t.head = append(t.head, strings.ToUpper(rows[i].Stage.String()))
	}
	for _, f := range []struct {
		label string
		field species.Field
	}{
		{"humidity %", species.RelativeHumidity}, {"temperature " + p.degrees(), species.TemperatureC},
		{"CO2 ppm", species.CO2MaxPPM}, {"air changes/h", species.FAEPerHour}, {"light h", species.LightHours},
		{"light from", species.LightsOn}, {"lux", species.Lux}, {"days", species.Days},
	} {
		line := []string{f.label}
		for i := range rows {
			line = append(line, p.cell(&rows[i], f.field))
		}
		t.add(line...)
	}
	line := []string{"source"}
	for i := range rows {
		line = append(line, strings.Replace(shortSource(&rows[i]), " (", "\n(", 1))
	}
	t.add(line...)
	p.printTable(t)
	p.printRemarks(rows)
	fmt.Fprintf(p.stdout, "\n%s\n", p.bold("Sources"))
	for _, s := range p.sources([]string{name}) {
		p.print("  ", s)
	}
	fmt.Fprintln(p.stdout)
	p.print("", legend)
}

// printRemarks prints notes, figures less sure than their row, and dissenting sources.
func (p *climatePage) printRemarks(rows []species.Row) {
	var notes, dissents []string
	for i := range rows {
		r := &rows[i]
		for _, text := range []string{r.Apart, r.Note} {
			if text != "" {
				notes = append(notes, fmt.Sprintf("%s: %s", r.Stage, p.celsiusIn(text)))
			}
		}
		for _, d := range r.Dissents {
			text := fmt.Sprintf("%s: %s %s", r.Stage, fieldName(d.Field), p.value(d.Field, d.Value, true))
			if d.Remark != "" {
				text += ", " + p.celsiusIn(d.Remark)
			}
			dissents = append(dissents, fmt.Sprintf("%s (%s, %s)", text, citation(d.Source), d.Sureness))
		}
	}
	for _, part := range []struct {
		title string
		lines []string
	}{{"Notes", notes}, {"Other sources say", dissents}} {
		if len(part.lines) > 0 {
			fmt.Fprintf(p.stdout, "\n%s\n", p.bold(part.title))
		}
		for _, l := range part.lines {
			p.print("  ", l)
		}
	}
}

// title is the name of a species with what growers call it.
func (p *climatePage) title(name string) string {
	if c, ok := p.table.Crop(name); ok {
		return name + " (" + c.Common + ")"
	}
	return name + " (your own)"
}

func (p *climatePage) cropLine(c *species.Crop) string {
	text := plain(c.Flushes) + " flushes"
	if c.Flushes.High == 1 {
		text = "1 flush"
	}
	if c.IntervalDays.Given() {
		text += ", " + plain(c.IntervalDays) + " days apart"
	}
	be := species.Range{Low: 100 * c.BiologicalEfficiency.Low, High: 100 * c.BiologicalEfficiency.High}
	text += fmt.Sprintf("; biological efficiency %s %% (%s)", plain(be), c.SurenessOf(species.BiologicalEfficiency))
	if c.Note != "" {
		text += "; " + c.Note
	}
	return text
}

// cell is one figure of a row, with its mark.
func (p *climatePage) cell(r *species.Row, f species.Field) string {
	text, own := "", r.SurenessOf(f) == species.Grower
	switch f {
	case species.CO2MaxPPM:
		own = own || slices.Contains(r.Own, species.CO2MinPPM)
		text = co2(r, own)
	case species.LightHours:
		text = trim(r.LightHours)
	case species.LightsOn:
		if r.LightHours == 0 || r.LightHours == 24 {
			return ""
		}
		return timeOfDay(r.LightsOn) + map[bool]string{true: "*"}[own]
	case species.RelativeHumidity:
		text = p.value(f, r.RelativeHumidity, false)
	case species.TemperatureC:
		text = p.value(f, r.TemperatureC, false)
	case species.FAEPerHour:
		text = p.value(f, r.FAEPerHour, false)
	case species.Lux:
		text = p.value(f, r.Lux, false)
	case species.Days:
		text = p.value(f, r.Days, false)
	}
	switch {
	case text == "":
	case own:
		text += "*"
	case r.SurenessOf(f) > r.Sureness, r.Sureness == species.Grower: // not a figure that the grower gave
		text += "?"
	}
	return text
}

// co2 is what the source prints, or what holds where the grower changed it.
func co2(r *species.Row, own bool) string {
	v := r.CO2PPM
	if own {
		v = species.Range{Low: r.CO2MinPPM, High: r.CO2MaxPPM}
	}
	return openEnded(v)
}

// value is a range in the unit that is shown; with the unit where unit says so.
func (p *climatePage) value(f species.Field, v species.Range, unit bool) string {
	if !v.Given() {
		return ""
	}
	suffix := ""
	switch f {
	case species.RelativeHumidity:
		v, suffix = species.Range{Low: 100 * v.Low, High: 100 * v.High}, " %"
	case species.TemperatureC:
		suffix = " " + p.degrees()
		v.Low, v.High = p.degree(v.Low), p.degree(v.High)
	case species.CO2MaxPPM:
		suffix = " ppm"
	case species.LightHours:
		suffix = " h"
	}
	if !unit {
		suffix = ""
	}
	if f == species.FAEPerHour { // none at all is a figure here
		return plain(v) + suffix
	}
	return openEnded(v) + suffix
}

func (p *climatePage) degrees() string {
	if p.fahrenheit {
		return "°F"
	}
	return "°C"
}

// degree converts to what is shown; Fahrenheit is rounded, because the table is no finer.
func (p *climatePage) degree(celsius float64) float64 {
	if !p.fahrenheit || celsius == 0 {
		return celsius
	}
	f, _ := strconv.ParseFloat(strconv.FormatFloat(celsius*1.8+32, 'f', 0, 64), 64)
	return f
}

var inCelsius = regexp.MustCompile(`(\d+(?:\.\d+)?)( to )?(\d+(?:\.\d+)?)? C\b`)

// celsiusIn shows the temperatures in a note, which are written as "25 C" or "16 to 18 C", in the unit that is shown.
func (p *climatePage) celsiusIn(note string) string {
	return inCelsius.ReplaceAllStringFunc(note, func(s string) string {
		parts := strings.Fields(strings.TrimSuffix(s, " C"))
		for i, part := range parts {
			if v, err := strconv.ParseFloat(part, 64); err == nil {
				parts[i] = trim(p.degree(v))
			}
		}
		return strings.Join(parts, " ") + " " + p.degrees()
	})
}

// sources lists what the rows of these species cite, in full, by key.
func (p *climatePage) sources(names []string) []string {
	titles := map[string]string{}
	take := func(s species.Source) {
		if s.Title != "" {
			titles[s.Key] = s.Title
		}
	}
	for _, name := range names {
		for _, r := range p.table.Rows(name) {
			take(r.Source)
			for _, d := range r.Dissents {
				if len(names) == 1 { // the whole table does not show them
					take(d.Source)
				}
			}
		}
	}
	var lines []string
	for key, title := range titles {
		lines = append(lines, key+": "+title)
	}
	slices.Sort(lines)
	return lines
}

// print writes text between an indent and the edge of the terminal.
func (p *climatePage) print(indent, text string) {
	for i, line := range wrap(text, max(p.width-len(indent)-2, 0)) {
		if i > 0 {
			line = "  " + line
		}
		fmt.Fprintln(p.stdout, indent+line)
	}
}

// shortSource is a citation and how sure it is, in few letters.
func shortSource(r *species.Row) string {
	how := map[species.Sureness]string{species.PageSeen: " (seen)", species.Reproduction: " (copy)",
		species.Summary: " (summary)", species.Memory: " (memory)"}[r.Sureness]
	if r.Source.Key == "Memory" {
		how = ""
	}
	where := r.Source.Where
	if r.Source.Key == "Analogy" { // the relative is named in the row of the one species
		where = ""
	}
	return strings.TrimSpace(r.Source.Key+" "+where) + how
}

func citation(s species.Source) string { return strings.TrimSpace(s.Key + " " + s.Where) }

func fieldName(f species.Field) string {
	switch f {
	case species.RelativeHumidity:
		return "humidity"
	case species.TemperatureC:
		return "temperature"
	case species.CO2MaxPPM:
		return "CO2"
	case species.FAEPerHour:
		return "air changes/h"
	case species.LightHours:
		return "light"
	}
	return string(f)
}

// openEnded is a range of which an end may not be stated.
func openEnded(v species.Range) string {
	switch {
	case !v.Given():
		return ""
	case v.Low == 0:
		return "≤ " + trim(v.High)
	case v.High == 0:
		return "≥ " + trim(v.Low)
	}
	return plain(v)
}

func plain(v species.Range) string {
	if v.Low == v.High {
		return trim(v.Low)
	}
	return trim(v.Low) + "–" + trim(v.High)
}

// trim is a number with at most one decimal.
func trim(v float64) string {
	return strings.TrimSuffix(strconv.FormatFloat(v, 'f', 1, 64), ".0")
}

func timeOfDay(d time.Duration) string {
	return fmt.Sprintf("%02d:%02d", int(d.Hours()), int(d.Minutes())%60)
}

func widthsOf(lines [][]string) []int {
	widths := make([]int, len(lines[0]))
	for _, l := range lines {
		for i, cell := range l {
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
		}
	}
	return widths
}

func total(widths []int) int {
	sum := gutter * (len(widths) - 1)
	for _, w := range widths {
		sum += w
	}
	return sum
}

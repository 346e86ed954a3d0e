package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"strings"
	"syscall"
	"testing"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"gillkeeper/bridge/web/api"
)

// invoke runs one command line inside the test.
func invoke(t *testing.T, env map[string]string, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	a := newApp(strings.NewReader(""), &out, &errs, func(k string) string { return env[k] })
	code = a.run(t.Context(), args)
	return code, out.String(), errs.String()
}

func TestExitStatus(t *testing.T) {
	for _, c := range []struct {
		args string
		want int
	}{
		{"version", exitDone},
		{"--version", exitDone},
		{"--help", exitDone},
		{"help version", exitDone},
		{"nonsense", exitUsage},
		{"version extra", exitUsage},
		{"version --nonsense", exitUsage},
		{"version -x", exitUsage},
		{"completion bash", exitDone},
	} {
		code, _, stderr := invoke(t, nil, strings.Fields(c.args)...)
		if code != c.want {
			t.Errorf("%s: exit status %d, want %d", c.args, code, c.want)
		}
		if code == exitDone {
			continue
		}
		if strings.Count(stderr, "\n") != 1 || !strings.HasPrefix(stderr, "gillkeeper: ") {
			t.Errorf("%s: not one line that begins with the program's name: %q", c.args, stderr)
		}
	}
}

// TestANumberBelowZero: what begins with a hyphen is read as a flag, and whoever meant a number is told so in words.
func TestANumberBelowZero(t *testing.T) {
	for line, want := range map[string]string{
		"undo -1":                 "gillkeeper undo: -1 begins with a hyphen, as a flag does, and no argument here is below 0; see gillkeeper undo --help",
		"undo -12":                "gillkeeper undo: -12 begins",
		"harvest -5 --fresh-g 80": "gillkeeper harvest: -5 begins",
		"stage oyster-1 -x":       "gillkeeper stage has no flag -x; see gillkeeper stage --help",
	} {
		if code, _, stderr := invoke(t, nil, strings.Fields(line)...); code != exitUsage || !strings.HasPrefix(stderr, "gillkeeper: "+want) {
			t.Errorf("%s: %d %q, want %q", line, code, stderr, want)
		}
	}
}

// TestWhereAWrongAddressStands: nobody typed it into this command line.
func TestWhereAWrongAddressStands(t *testing.T) {
	code, _, stderr := invoke(t, map[string]string{"GILLKEEPER_SERVER": "shed"}, "status")
	if want := "gillkeeper: GILLKEEPER_SERVER: \"shed\" is not an address of a daemon"; code != exitNo || !strings.HasPrefix(stderr, want) {
		t.Errorf("%d %q, want %q", code, stderr, want)
	}
}

// TestAFileInTheCommandLine: what is far too long for anything is named by its beginning, before a daemon hangs up at it.
func TestAFileInTheCommandLine(t *testing.T) {
	long := strings.Repeat("ö", 50_000)
	for _, args := range [][]string{{long}, {"status", long}, {"batch", "note", "oyster-3", long}, {"status", "--server=" + long}, {"diagnose", "loft", "--sign", long}} {
		code, _, stderr := invoke(t, nil, args...)
		if code != exitUsage || len(stderr) > 200 || !strings.Contains(stderr, " bytes long; give one of at most 4096\n") || !strings.Contains(stderr, "ööö") {
			t.Errorf("%.40q: %d, %d bytes: %.200s", args, code, len(stderr), stderr)
		}
	}
	if code, _, stderr := invoke(t, nil, strings.Repeat("a", 4096)); code != exitUsage || !strings.Contains(stderr, "has no command") {
		t.Errorf("what is just short enough: %d %.200s", code, stderr)
	}
}

// What cannot be read as what it should be is a wrong command line; what can, and is unknown or out of range, is wrong input. Nothing here
// gets as far as a daemon, a broker or a file.
func TestExitStatusOfWrongValues(t *testing.T) {
	const (
		size      = "size --sides 1x1x1 --load 5 --species pleurotus-ostreatus "
		rehearse  = "rehearse --config farm.toml "
		drill     = "drill --config farm.toml "
		calibrate = "calibrate loft co2 --fresh-air "
		survey    = "survey --broker mqtt://broker.lan "
	)
	for status, lines := range map[int][]string{
		exitUsage: {
			"why loft --at yesterday", "diagnose loft --sign long-stems --at soon", "stage oyster-1 rest --at soon", "harvest oyster-1 --fresh-g 5 --at 25:00",
			"batch add --chamber loft --name b --species s --substrate-kg 2 --dry-kg 1 --inoculated spring", "batch loss b --cause aborted --at x",
			"batch note b text --at x", "batch correct 4 --at x", "batch correct 4 --inoculated x", "batch retire b --at x",
			"alarm history --from x", "alarm history --to x", "report --csv --from x", "report --csv --to 2h",
			"status --server shed", "demo --listen shed", "survey --broker shed", survey + "--topic a/#/b",
			"harvest b --fresh-g heavy", "hand loft fan on --for long", "alarm shelve loft stage_overdue --for long", "refill loft --liters x",
			size + "--room warm", size + "--room 20,45", size + "--room 20,x,500", size + "--room 20,45,500 --humidity 90",
			rehearse + "--days long", rehearse + "--seed -1", "trial --chambers few", "trial --replay x", "trial --replay 5/", "run --config farm.toml --pace x",
		},
		exitNo: {
			"hand loft fan of", "hand loft fan on --for 0s", "harvest b --fresh-g 0", "refill loft --liters 0", "stage b sleeping", "batch loss b --cause rot",
			calibrate + "--ppm 1", calibrate + "--every 0s", calibrate + "--timeout 1s", "calibrate loft air --salt sugar",
			"outlook loft --days 99", "demo --pace 0", "demo --for 1s", drill + "--pace 0", drill + "--for -1h", drill + "--log loud", drill + "--stage sleeping",
			"run --config farm.toml --pace 0", "run --config farm.toml --log loud", survey + "--for 0s",
			rehearse + "--days 0", rehearse + "--days 1e-9", rehearse + "--controller chance", rehearse + "--stage sleeping", rehearse + "--load -1",
			"trial --chambers 0", "trial --days 0", "trial --pairs -1", "trial --faults rot", "trial --replay 5/rot",
			size + "--room 20,45,500 --covering felt", size + "--room 20,145,500", size + "--room 20,45,500 --units old",
		},
	} {
		for _, line := range lines {
			code, stdout, stderr := invoke(t, nil, strings.Fields(line)...)
			if code != status || stdout != "" || strings.Count(stderr, "\n") != 1 || strings.Contains(stderr, "nothing answers") || strings.Contains(stderr, "no file") {
				t.Errorf("%s: exit status %d, want %d: %q %q", line, code, status, stdout, stderr)
			}
		}
	}
}

func TestVersionFlag(t *testing.T) {
	_, want, _ := invoke(t, nil, "version")
	if code, got, stderr := invoke(t, nil, "--version"); code != exitDone || got != want || stderr != "" {
		t.Errorf("--version: exit status %d, %q and %q, want %q", code, got, stderr, want)
	}
}

// fullDisk takes nothing.
type fullDisk struct{ err error }

func (d fullDisk) Write([]byte) (int, error) { return 0, d.err }

// What could not be printed is no success, unless nobody wanted to read on.
func TestOutputThatIsLost(t *testing.T) {
	for _, c := range []struct {
		err  error
		want int
	}{{syscall.ENOSPC, exitNo}, {syscall.EPIPE, exitDone}} {
		for _, args := range []string{"version", "--version", "species", "species --json", "--help", "completion bash"} {
			var errs bytes.Buffer
			a := newApp(strings.NewReader(""), fullDisk{c.err}, &errs, func(string) string { return "" })
			if code := a.run(t.Context(), strings.Fields(args)); code != c.want {
				t.Errorf("%s: exit status %d, want %d", args, code, c.want)
			}
			if said := strings.Contains(errs.String(), "gillkeeper: what was to be printed is not all there"); said != (c.want != exitDone) || strings.Count(errs.String(), "\n") > 1 {
				t.Errorf("%s, %v: said %q", args, c.err, &errs)
			}
		}
	}
}

// TestTableOnAPhone: what does not fit a narrow terminal is a list, none of whose lines is wider than that.
func TestTableOnAPhone(t *testing.T) {
	var out bytes.Buffer
	a := newApp(nil, &out, nil, func(string) string { return "" })
	tab := newTable("CHAMBER", "HUMIDITY", "STAGE", "RESERVOIR", "ALARMS")
	tab.add("loft", "85.5 % below\n92.5–100 %", "pinning, day 1\n  oyster-3", "5.0 L", "reservoir_low (medium), humidity_low (medium)")
	tab.add("cellar", "91.0 %", "empty", "", "none")
	a.width = 40
	a.printTable(tab)
	const want = "" +
		"CHAMBER    loft\n" +
		"HUMIDITY   85.5 % below\n" +
		"           92.5–100 %\n" +
		"STAGE      pinning, day 1\n" +
		"           oyster-3\n" +
		"RESERVOIR  5.0 L\n" +
		"ALARMS     reservoir_low (medium),\n" +
		"           humidity_low (medium)\n" +
		"\n" +
		"CHAMBER    cellar\n" +
		"HUMIDITY   91.0 %\n" +
		"STAGE      empty\n" +
		"ALARMS     none\n"
	if out.String() != want {
		t.Errorf("got\n%swant\n%s", &out, want)
	}
	for _, width := range []int{0, 60, 80} { // as a table: for a program, and where lines may be long
		out.Reset()
		a.width = width
		a.printTable(tab)
		if !strings.HasPrefix(out.String(), "CHAMBER  HUMIDITY      STAGE") {
			t.Errorf("%d columns:\n%s", width, &out)
		}
	}
}

func TestTableWrapsItsLastColumn(t *testing.T) {
	var out bytes.Buffer
	a := newApp(nil, &out, nil, func(string) string { return "" })
	a.width = 40
	tab := newTable("PLUG", "WHY")
	tab.add("mister", "the humidity is below the switching point of the band")
	a.printTable(tab)
	const want = "" +
		"PLUG    WHY\n" +
		"mister  the humidity is below the\n" +
		"        switching point of the band\n"
	if out.String() != want {
		t.Errorf("got\n%swant\n%s", &out, want)
	}
}

// A note of a stranger steers no terminal, neither in a table nor in an error.
func TestStrangersSteerNoTerminal(t *testing.T) {
	var out bytes.Buffer
	a := newApp(nil, &out, nil, func(string) string { return "" })
	tab := newTable("NOTE", "BY")
	tab.add("red \x1b[31m\u009b2J\r\u202e", "a\nb")
	a.printTable(tab)
	out.WriteString(oneLine("no\x1b[31m\u009b2J"))
	if strings.ContainsAny(out.String(), "\x1b\u009b\r\u202e") || !strings.Contains(out.String(), "\n                b\n") {
		t.Errorf("printed %q", &out)
	}
}

// Nor does the record as CSV; to a file or another program it goes as it is.
func TestTextSteersNoTerminal(t *testing.T) {
	const csv = "note,\"pale\x1b[2J\u202e\"\na,b\n"
	for terminal, want := range map[bool]string{false: csv, true: "note,\"pale [2J \"\na,b\n"} {
		var out bytes.Buffer
		a := newApp(nil, &out, nil, func(string) string { return "" })
		a.terminal = terminal
		if err := a.printText([]byte(csv)); err != nil || out.String() != want {
			t.Errorf("terminal %v: %v, printed %q", terminal, err, &out)
		}
	}
}

// A file without --config before it is the usual slip.
func TestATooManyArgumentIsAnsweredWithTheLine(t *testing.T) {
	for _, name := range []string{"run", "rehearse", "drill", "notify test"} {
		var errs bytes.Buffer
		a := newApp(strings.NewReader(""), io.Discard, &errs, func(string) string { return "" })
		if code := a.run(t.Context(), append(strings.Fields(name), "my.toml")); code != exitUsage || !strings.HasSuffix(errs.String(), "write gillkeeper "+name+" --config FILE\n") {
			t.Errorf("exit status %d, %q", code, &errs)
		}
	}
}

// What turns the direction of writing is escaped in JSON, and means the same.
func TestJSONShowsWhatIsThere(t *testing.T) {
	var out bytes.Buffer
	a := newApp(nil, &out, nil, func(string) string { return "" })
	const topic = "shed/\u202eloft\u200e/<>"
	if err := a.printJSON(topic); err != nil || out.String() != `"shed/\u202eloft\u200e/<>"`+"\n" {
		t.Errorf("%v, printed %q", err, &out)
	}
	var got string
	if err := json.Unmarshal(out.Bytes(), &got); err != nil || got != topic {
		t.Errorf("%v, read back %q", err, got)
	}
}

// What ends by Ctrl-C says that, and not by which signal.
func TestStoppedIsSaid(t *testing.T) {
	var errs bytes.Buffer
	a := newApp(strings.NewReader(""), io.Discard, &errs, func(string) string { return "" })
	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(errors.New("interrupt signal received"))
	if code := a.run(ctx, []string{"status", "--server", "http://127.0.0.1:1"}); code != exitNo || errs.String() != "gillkeeper: stopped before it was done\n" {
		t.Errorf("exit status %d, %q", code, &errs)
	}
}

func TestNoEscapesOffTerminal(t *testing.T) {
	for _, c := range []struct {
		terminal bool
		env      map[string]string
		escapes  bool
	}{
		{false, nil, false},
		{true, nil, true},
		{true, map[string]string{"NO_COLOR": "1"}, false},
		{true, map[string]string{"TERM": "dumb"}, false},
	} {
		var out bytes.Buffer
		a := newApp(nil, &out, nil, func(k string) string { return c.env[k] })
		a.terminal = c.terminal
		a.printTable(&table{head: []string{"A"}, rows: [][]string{{"b"}}})
		if got := strings.Contains(out.String(), "\x1b"); got != c.escapes {
			t.Errorf("terminal %v, environment %v: escapes %v", c.terminal, c.env, got)
		}
	}
}

// What a command says of itself fits a usual window, and no flag's value is named by one of its values.
func TestHelpFits(t *testing.T) {
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		for line := range strings.Lines(c.Long) {
			if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > 130 {
				t.Errorf("%s --help has a line of %d letters: %s", c.CommandPath(), n, line)
			}
		}
		c.Flags().VisitAll(func(f *pflag.Flag) {
			if name, _ := pflag.UnquoteUsage(f); strings.Contains(f.Usage, "`") && strings.HasPrefix(strings.Trim(f.DefValue, "[]"), name) {
				t.Errorf("%s --%s: its value is named %q, which is a value", c.CommandPath(), f.Name, name)
			}
		})
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(newRootCommand(newApp(nil, io.Discard, io.Discard, func(string) string { return "" })))
}

// TestAlarmThatIsOver: nobody is sent to fill a reservoir for an alarm that is over.
func TestAlarmThatIsOver(t *testing.T) {
	var out strings.Builder
	a := &app{stdout: &out}
	a.printAlarms([]api.Alarm{
		{Chamber: "loft", Alarm: "reservoir_dry", Priority: "high", State: "returned_unacknowledged", Says: "No mist.", Detail: "mister: its power fell.", Do: "Refill it."},
		{Chamber: "rack", Alarm: "reservoir_dry", Priority: "high", State: "unacknowledged", Says: "No mist.", Detail: "mister: its power fell.", Do: "Refill it."},
		{Chamber: "rack", Alarm: "humidity_low", Priority: "medium", State: "unacknowledged", Says: "Dry.", Do: "Mist.", FollowsFrom: "reservoir_dry"},
	}, api.Site{})
	over, stands, _ := strings.Cut(out.String(), "rack")
	if strings.Contains(over, "Refill") || !strings.Contains(over, "It is over: acknowledge it") || !strings.Contains(over, "mister: its power fell.") {
		t.Errorf("an alarm that is over is shown as\n%s", over)
	}
	if !strings.Contains(stands, "No mist. mister: its power fell. Refill it.") || !strings.Contains(stands, "Dry. Follows from reservoir_dry. Mist.") {
		t.Errorf("an alarm that stands is shown as\n%s", stands)
	}
}

// TestBudgetThatGivesWay: who set a budget is told why it is exceeded, and is not told so where it is kept.
func TestBudgetThatGivesWay(t *testing.T) {
	var out strings.Builder
	a := &app{stdout: &out}
	a.printWear(&api.Chamber{Plugs: []api.Plug{
		{Name: "fan", Wear: &api.Wear{PerDay: 120, Used: 300, Price: 2, GivesWay: true}},
		{Name: "mister", Wear: &api.Wear{PerDay: 600, Used: 100, Price: 1}},
		{Name: "lamp"},
	}}, siteWords(api.Site{}))
	fan, rest, _ := strings.Cut(out.String(), "mister")
	if !strings.Contains(fan, "300 of 120") || !strings.Contains(strings.Join(strings.Fields(fan), " "), "less would harm the crop") {
		t.Errorf("a budget that gives way is shown as\n%s", fan)
	}
	if strings.Contains(rest, "harm") || strings.Contains(rest, "lamp") {
		t.Errorf("one that holds is shown as\n%s", rest)
	}
}

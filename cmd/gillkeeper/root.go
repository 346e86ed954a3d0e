package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"gillkeeper/bridge/clock"
	"gillkeeper/bridge/web/api"
	"gillkeeper/policy/nearest"
)

// The exit statuses.
const (
	exitDone  = 0 // done
	exitNo    = 1 // the answer is no, or the input is wrong: what can be read, but is unknown, out of range, or not so in the data
	exitUsage = 2 // the command line is wrong: a flag or a command that there is none of, what is missing, what does not go together, what cannot be read as what it should be
)

// app is what every command stands on: everything it reads from and writes to, so that a test can hold it in its hand.
type app struct {
	stdin    io.Reader
	stdout   io.Writer
	stderr   io.Writer
	getenv   func(string) string
	now      func() time.Time
	wait     func(context.Context, time.Duration) error
	terminal bool // stdout is a terminal
	width    int  // of the terminal in columns; 0: not known, do not wrap

	server  serverFlags
	printed *printed
}

// printed is standard output, and remembers that something could not be written: nobody asks each print for that.
type printed struct {
	w   io.Writer
	mu  sync.Mutex
	err error // the first
}

func (p *printed) Write(b []byte) (int, error) {
	n, err := p.w.Write(b)
	if err != nil {
		p.mu.Lock()
		p.err = cmp.Or(p.err, err)
		p.mu.Unlock()
	}
	return n, err
}

// lost is what kept output from being written.
func (p *printed) lost() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.err
}

func newApp(stdin io.Reader, stdout, stderr io.Writer, getenv func(string) string) *app {
	p := &printed{w: stdout}
	return &app{stdin: stdin, stdout: p, printed: p, stderr: stderr, getenv: getenv, now: time.Now, wait: clock.System().Sleep}
}

// newRootCommand lists every command.
func newRootCommand(a *app) *cobra.Command {
	root := &cobra.Command{
		Use:   "gillkeeper",
		Short: "Control the climate of small mushroom fruiting chambers over MQTT",
		Long: "gillkeeper is a bridge: it takes sensor readings from an MQTT broker, switches the humidifier, fan and other plugs so\n" +
			"that the air suits what is growing, and shows what it does and why on a page, on the command line and in Prometheus.\n\n" +
			"The exit status is 0 for done, 1 where the answer is no or a value is wrong, and 2 where the command line cannot be read.",
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	root.PersistentPreRunE = func(cmd *cobra.Command, _ []string) error { return cmp.Or(noEmptyFlags(cmd), noBadMoments(cmd)) }
	group(root)
	root.AddCommand(
		newStatusCommand(a),
		newWhyCommand(a),
		newDiagnoseCommand(a),
		newBatchCommand(a),
		newStageCommand(a),
		newHarvestCommand(a),
		newUndoCommand(a),
		newRefillCommand(a),
		newHandCommand(a),
		newAlarmCommand(a),
		newNotifyCommand(a),
		newOutlookCommand(a),
		newCalibrateCommand(a),
		newSizeCommand(a),
		newSpeciesCommand(a),
		newSurveyCommand(a),
		newCheckCommand(a),
		newDemoCommand(a),
		newDrillCommand(a),
		newReportCommand(a),
		newRehearseCommand(a),
		newTrialCommand(a),
		newRunCommand(a),
		newVersionCommand(a),
	)
	strictHelp(root)
	addVersionFlag(root)
	root.SetFlagErrorFunc(flagError)
	root.SetIn(a.stdin)
	root.SetOut(a.stdout)
	root.SetErr(a.stderr)
	strictCompletion(root) // it keeps the output that it finds
	return root
}

// run executes one command line and gives its exit status. An error is one line on standard error.
func (a *app) run(ctx context.Context, args []string) int {
	root := newRootCommand(a)
	root.SetArgs(args)
	err := shortArguments(args)
	if err == nil {
		err = root.ExecuteContext(ctx)
	}
	if cause := context.Cause(ctx); err != nil && cause != nil && (errors.Is(err, cause) || errors.Is(err, ctx.Err())) {
		err = errors.New("stopped before it was done")
	}
	switch lost := a.printed.lost(); {
	case lost == nil:
	case errors.Is(lost, syscall.EPIPE): // the reader went away; it has seen what it wanted
		if errors.Is(err, syscall.EPIPE) {
			err = nil
		}
	default:
		err = fmt.Errorf("what was to be printed is not all there: %w; look at where standard output leads", lost)
	}
	if err == nil {
		return exitDone
	}
	if _, quiet := errors.AsType[*saidError](err); !quiet {
		fmt.Fprintf(a.stderr, "gillkeeper: %s\n", oneLine(err.Error()))
	}
	if _, usage := errors.AsType[*usageError](err); usage {
		return exitUsage
	}
	return exitNo
}

// longestArgument, in bytes, is more than any path, address or note is. A daemon answers what is far longer by hanging up.
const longestArgument = 4096

// shortArguments refuses what slipped into the command line, such as a file's content, before it is repeated in an answer.
func shortArguments(args []string) error {
	for _, arg := range args {
		if len(arg) > longestArgument {
			return usagef("the argument that begins with %q is %d bytes long; give one of at most %d", strings.ToValidUTF8(arg[:20], ""), len(arg), longestArgument)
		}
	}
	return nil
}

// oneLine keeps an error on one line, whatever a server or a file put into it.
func oneLine(s string) string {
	return harmless(strings.ReplaceAll(strings.TrimSpace(s), "\n", "; "))
}

// usageError is a wrong command line: exit status 2.
type usageError struct{ msg string }

func (e *usageError) Error() string { return e.msg }

func usagef(format string, args ...any) error { return &usageError{fmt.Sprintf(format, args...)} }

// saidError is an answer of no that the command has printed already: exit status 1, nothing more on standard error.
type saidError struct{}

func (*saidError) Error() string { return "the answer is no" }

// flagError names the flag that is wrong, and the nearest right one.
func flagError(cmd *cobra.Command, err error) error {
	if e, ok := errors.AsType[*pflag.NotExistError](err); ok && len(e.GetSpecifiedName()) > 1 {
		var names []string
		cmd.Flags().VisitAll(func(f *pflag.Flag) { names = append(names, f.Name) })
		hint := ""
		if n := nearest.Word(e.GetSpecifiedName(), names); n != "" {
			hint = fmt.Sprintf("; did you mean --%s", n)
		}
		return usagef("%s has no flag --%s%s; see %s --help", cmd.CommandPath(), e.GetSpecifiedName(), hint, cmd.CommandPath())
	}
	if e, ok := errors.AsType[*pflag.NotExistError](err); ok && len(e.GetSpecifiedName()) == 1 {
		if short := e.GetSpecifiedName(); short >= "0" && short <= "9" { // meant as an argument, such as an entry's number
			return usagef("%s: -%s begins with a hyphen, as a flag does, and no argument here is below 0; see %s --help",
				cmd.CommandPath(), e.GetSpecifiedShortnames(), cmd.CommandPath())
		}
		return usagef("%s has no flag -%s; see %s --help", cmd.CommandPath(), e.GetSpecifiedName(), cmd.CommandPath())
	}
	if e, ok := errors.AsType[*pflag.InvalidValueError](err); ok {
		if want := flagWords[e.GetFlag().Value.Type()]; want != "" {
			return usagef("%s: --%s %q is not %s; see %s --help", cmd.CommandPath(), e.GetFlag().Name, e.GetValue(), want, cmd.CommandPath())
		}
	}
	return usagef("%s: %s; see %s --help", cmd.CommandPath(), err, cmd.CommandPath())
}

// flagWords says what each type of flag takes, in place of what a parser says of it.
var flagWords = map[string]string{
	"float64": "a number, such as 840 or 1.5", "int": "a whole number, such as 4", "uint64": "a whole number, such as 4",
	"duration": "a time, such as 90s, 15m or 2h", "bool": "true or false",
}

// group makes cmd a command that only holds others: alone it shows its help, with an unknown word it names the nearest.
func group(cmd *cobra.Command) {
	cmd.Args = cobra.ArbitraryArgs
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if len(args) == 0 {
			return cmd.Help()
		}
		return noCommand(cmd, args[0])
	}
}

// noCommand is the error of a word that names none of cmd's commands.
func noCommand(cmd *cobra.Command, word string) error {
	var names []string
	for _, c := range cmd.Commands() {
		if c.IsAvailableCommand() || c.Name() == "help" {
			names = append(names, c.Name())
		}
	}
	hint := ""
	if n := nearest.Word(word, names); n != "" {
		hint = fmt.Sprintf("; did you mean %q", n)
	}
	return usagef("%s has no command %q%s; see %s --help", cmd.CommandPath(), word, hint, cmd.CommandPath())
}

// strictHelp has help name a command that there is none of: it would print the whole list, as if that had been asked for.
func strictHelp(root *cobra.Command) {
	root.InitDefaultHelpCmd()
	for _, help := range root.Commands() {
		if help.Name() != "help" {
			continue
		}
		show := help.Run
		help.Run, help.RunE = nil, func(cmd *cobra.Command, args []string) error {
			if about, rest, err := root.Find(args); err == nil && len(rest) > 0 {
				return noCommand(about, rest[0])
			}
			show(cmd, args)
			return nil
		}
	}
}

// strictCompletion has completion name a shell that it knows nothing of: it would print its help, which a shell then took for a script.
func strictCompletion(root *cobra.Command) {
	root.CompletionOptions.HiddenDefaultCmd = false
	root.InitDefaultCompletionCmd()
	for _, c := range root.Commands() {
		if c.Name() == "completion" {
			group(c)
		}
	}
}

// arguments checks the number of arguments against their names and says which is missing or too many. A name in
// brackets is optional; one that ends in "..." takes the rest.
func arguments(names ...string) cobra.PositionalArgs {
	least, most := 0, len(names)
	for _, n := range names {
		if !strings.HasPrefix(n, "[") {
			least++
		}
		if strings.HasSuffix(strings.TrimSuffix(n, "]"), "...") {
			most = -1
		}
	}
	return func(cmd *cobra.Command, args []string) error {
		line := cmd.CommandPath()
		// Without arguments the flags that a command needs are what is to be written.
		if _, rest, _ := strings.Cut(cmd.Use, " "); len(names) > 0 {
			line += " " + strings.Join(names, " ")
		} else if strings.HasPrefix(rest, "--") {
			line += " " + rest
		}
		if i := slices.Index(args, ""); i >= 0 && len(names) > 0 {
			return usagef("%s: %s is empty; write %s", cmd.CommandPath(), names[min(i, len(names)-1)], line)
		}
		switch {
		case len(args) < least:
			return usagef("%s: %s is missing; write %s", cmd.CommandPath(), names[len(args)], line)
		case most >= 0 && len(args) > most:
			return usagef("%s: %q is one argument too many; write %s", cmd.CommandPath(), args[most], line)
		}
		return nil
	}
}

// needFlags gives a usage error when one of the named flags was not given.
func needFlags(cmd *cobra.Command, names ...string) error {
	var missing []string
	for _, n := range names {
		if !cmd.Flags().Changed(n) {
			missing = append(missing, "--"+n)
		}
	}
	if len(missing) > 0 {
		return usagef("%s needs %s; see %s --help", cmd.CommandPath(), strings.Join(missing, ", "), cmd.CommandPath())
	}
	return nil
}

// freeWords are the flags that take what a person cares to write, of which nothing is something too.
var freeWords = []string{"note", "strain", "supplements", "position"}

// noEmptyFlags refuses a flag that was given nothing, such as --plot "$FILE" where no FILE is set: it would count as not given, and
// what was asked for would be left undone without a word.
func noEmptyFlags(cmd *cobra.Command) (err error) {
	cmd.Flags().Visit(func(f *pflag.Flag) {
		if err == nil && f.Value.Type() == "string" && f.Value.String() == "" && !slices.Contains(freeWords, f.Name) {
			err = usagef("%s: --%s is empty; give it a value, or leave it out", cmd.CommandPath(), f.Name)
		}
	})
	return err
}

// moments are the flags that take a point in time.
var moments = []string{"at", "from", "to", "inoculated"}

// noBadMoments refuses what nobody can read as a point in time. When it is, the daemon knows: it has the site's timezone.
func noBadMoments(cmd *cobra.Command) (err error) {
	if cmd.Flag("server") == nil {
		return nil // rehearse counts from the end of a record
	}
	cmd.Flags().Visit(func(f *pflag.Flag) {
		if err == nil && slices.Contains(moments, f.Name) {
			if _, bad := api.ParseMoment(f.Value.String(), time.Now(), time.UTC); bad != nil {
				err = usagef("%s", bad)
			}
		}
	})
	return err
}

// oneOf gives an error of input when word is none of the words.
func oneOf(what, word string, words []string) error {
	if slices.Contains(words, word) {
		return nil
	}
	hint := ""
	if n := nearest.Word(word, words); n != "" {
		hint = fmt.Sprintf("; did you mean %q", n)
	}
	return fmt.Errorf("%q is not a %s; it is one of %s%s", word, what, strings.Join(words, ", "), hint)
}

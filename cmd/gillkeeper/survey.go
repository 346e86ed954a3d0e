package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/mqtt/topic"
	"gillkeeper/bridge/survey"
	"gillkeeper/bridge/survey/listen"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/nearest"
)

type surveyFlags struct {
	broker survey.Broker
	topics []string
	length time.Duration
	out    string
	try    bool
	asJSON bool
}

// surveyJSON is what survey --json prints.
type surveyJSON struct {
	Heard         survey.Counts    `json:"heard"`
	Findings      *survey.Findings `json:"findings"`
	Configuration string           `json:"configuration"`
}

func newSurveyCommand(a *app) *cobra.Command {
	var f surveyFlags
	cmd := &cobra.Command{
		Use:   "survey --broker URL",
		Short: "Listen on a broker, find climate sensors and plugs, and write a configuration to start from",
		Long: "Listens to everything that the user may read. It recognizes humidity, temperature, CO2, light and power, as plain\n" +
			"numbers, JSON, SenML or Homie devices, pairs plugs with their state, power and command, and says how sure it is and\n" +
			"why. Ctrl-C stops listening early. Nothing is published, unless --try is given: then each plug is switched over and\n" +
			"back, once you have agreed to it by name.",
		Example: "  gillkeeper survey --broker mqtt://broker.lan --for 5m --out gillkeeper.toml\n" +
			"  gillkeeper survey --broker mqtts://broker.lan --username grower --password-file pw --ca-file ca.pem",
		Args: arguments(),
		RunE: func(cmd *cobra.Command, args []string) error { return a.survey(cmd, &f) },
	}
	s := cmd.Flags()
	s.StringVar(&f.broker.URL, "broker", "", "the broker's address: mqtt://, mqtts://, ws:// or wss:// with host and port, `URL`")
	s.StringVar(&f.broker.Username, "username", "", "the user name to log in with")
	s.StringVar(&f.broker.PasswordFile, "password-file", "", "the `FILE` that holds the password and nothing else")
	s.StringVar(&f.broker.CAFile, "ca-file", "", "PEM certificates of the authorities to trust, `FILE`")
	s.StringVar(&f.broker.CertFile, "cert-file", "", "PEM certificate of the client, `FILE`")
	s.StringVar(&f.broker.KeyFile, "key-file", "", "PEM private key of the client certificate, `FILE`")
	s.StringArrayVar(&f.topics, "topic", nil, "listen only to this topic `FILTER`, such as shed/#; may be given several times")
	s.DurationVar(&f.length, "for", time.Minute, "how long to listen, `TIME`; sensors that report rarely need more")
	s.StringVar(&f.out, "out", "", "write the configuration into this new `FILE` instead of printing it")
	s.BoolVar(&f.try, "try", false, "ask for each plug whether to switch it over and back")
	s.BoolVar(&f.asJSON, "json", false, "print JSON")
	return cmd
}

func (a *app) survey(cmd *cobra.Command, f *surveyFlags) error {
	if err := needFlags(cmd, "broker"); err != nil {
		return err
	}
	if f.length < time.Second || f.length > 7*24*time.Hour {
		return fmt.Errorf("--for %v: give a time from 1s to 168h", f.length)
	}
	broker, err := a.brokerOf(&f.broker)
	if err != nil {
		return err
	}
	for _, t := range f.topics {
		if err := topic.CheckFilter(t); err != nil {
			return usagef("--topic: %v", err)
		}
	}
	if f.out != "" { // an hour of listening is not to be lost for it
		if _, err := os.Lstat(f.out); !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("--out %s is there already; it is not overwritten, choose another name", f.out)
		}
		if info, err := os.Stat(filepath.Dir(f.out)); err != nil || !info.IsDir() {
			return fmt.Errorf("--out %s: the folder %s does not exist; make it first", f.out, filepath.Dir(f.out))
		}
	}
	ctx := cmd.Context()
	s := survey.New()
	ear, err := listen.Open(ctx, broker, s, f.topics...)
	if err != nil {
		return errors.New(asFlags.Replace(err.Error()))
	}
	defer ear.Close()
	a.listen(ctx, f.length, s)
	found := s.Find()
	if f.try {
		if err := a.tryPlugs(context.WithoutCancel(ctx), ear, found); err != nil {
			return err
		}
	}
	return a.printSurvey(f, s.Counts(), found)
}

// brokerOf reads the broker's flags as the configuration reads its [broker], with the same faults.
func (a *app) brokerOf(b *survey.Broker) (*config.Broker, error) {
	c, warnings, err := config.Parse("survey", []byte(survey.New().Find().Config(b)), config.Env{Dir: ".", Place: nowhere})
	faults, wrong := errors.AsType[config.Faults](err)
	if !wrong && err != nil {
		return nil, err
	}
	for _, f := range append(faults, warnings...) {
		line := asFlags.Replace(f.What)
		if f.Value != "" {
			line += " (" + f.Value + ")"
		}
		flag := strings.ReplaceAll(strings.TrimPrefix(strings.TrimPrefix(f.Where, "broker."), "broker"), "_", "-")
		if flag == "url" || flag == "" {
			flag = "broker"
		}
		line = "--" + flag + " " + line + "; " + asFlags.Replace(f.Allowed)
		if f.Nearest != "" {
			line += "; did you mean " + f.Nearest
		}
		switch {
		case !f.Warning && f.Where == "broker.url": // an address that cannot be read as one
			return nil, usagef("%s", line)
		case !f.Warning:
			return nil, errors.New(line)
		}
		fmt.Fprintln(a.stderr, "warning: "+oneLine(line))
	}
	if c.Broker.Embedded {
		return nil, errors.New("--broker embedded runs inside a daemon; give the address where that listens, such as mqtt://127.0.0.1:1883")
	}
	return &c.Broker, nil
}

// nowhere knows of no place: a survey keeps no journal.
func nowhere(string) (fs.FileMode, bool, error) { return 0, false, errors.ErrUnsupported }

// asFlags turns what a message says of the configuration's keys into what it means here.
var asFlags = strings.NewReplacer(`, or "embedded"`, "", "use username", "use --username", "set username", "set --username", "broker.url", "--broker", "broker.username", "--username", "broker.password_file", "--password-file",
	"broker.ca_file", "--ca-file", "broker.cert_file", "--cert-file", "broker.key_file", "--key-file", "password_file", "--password-file",
	"cert_file", "--cert-file", "key_file", "--key-file")

// listen lets the survey hear for a while, or until the user has had enough.
func (a *app) listen(ctx context.Context, length time.Duration, s *survey.Survey) {
	began := a.now()
	fmt.Fprintf(a.stderr, "listening for %v; nothing is published\n", length)
	done := a.progress(func() float64 { return min(1, a.now().Sub(began).Seconds()/length.Seconds()) })
	_ = a.wait(ctx, length) // an early end is as good
	done()
	c := s.Counts()
	fmt.Fprintf(a.stderr, "heard %s on %s\n", count(c.Messages, "message"), count(c.Topics, "topic"))
	if c.Skipped > 0 {
		fmt.Fprintf(a.stderr, "%s too large or too many to be followed; narrow the survey with --topic\n", count(c.Skipped, "message"))
	}
}

// tryPlugs asks for each plug, by name, and tries those to which the answer is yes.
func (a *app) tryPlugs(ctx context.Context, ear *listen.Ear, found *survey.Findings) error {
	in := bufio.NewScanner(a.stdin)
	ask := func(format string, args ...any) string {
		fmt.Fprintf(a.stderr, format, args...)
		if !in.Scan() {
			fmt.Fprintln(a.stderr)
			return ""
		}
		return strings.TrimSpace(in.Text())
	}
	for _, p := range found.Plugs {
		answer := ask("\n%s %s, %.0f %% sure to be a plug. Switch it over and back, with %q and %q on %s?\n"+
			"Look first that nobody and nothing can come to harm. Type yes, or anything else to leave it: ",
			survey.Visible(p.State.Topic), survey.Visible(p.State.Pointer), 100*p.Sure, p.Command.On, p.Command.Off, survey.Visible(p.Command.Topic))
		if answer != "yes" {
			fmt.Fprintln(a.stderr, "left as it is")
			continue
		}
		answered, err := ear.Try(ctx, p)
		if err != nil {
			return err
		}
		if !answered {
			fmt.Fprintln(a.stderr, "it did not say that it obeyed; it was told to go back all the same")
			continue
		}
		fmt.Fprintln(a.stderr, "it obeyed, and was switched back")
		p.Confirm(a.askRole(p, ask))
	}
	return nil
}

// askRole asks what hangs on a plug until the answer is a role, or nothing.
func (a *app) askRole(p *survey.Plug, ask func(string, ...any) string) chamber.Role {
	var words []string
	for _, r := range chamber.Roles() {
		words = append(words, r.String())
	}
	guess := "leave it open"
	if p.Role != 0 {
		guess = "take " + p.Role.String()
	}
	for {
		answer := ask("What is plugged into it? %s, or Enter to %s: ", strings.Join(words, ", "), guess)
		if answer == "" {
			return 0
		}
		for _, r := range chamber.Roles() {
			if r.String() == answer {
				return r
			}
		}
		if n := nearest.Word(answer, words); n != "" {
			fmt.Fprintf(a.stderr, "did you mean %s? ", n)
		}
	}
}

// seenFrom names a broker's files as a configuration in that folder does: flags are read from where the command runs.
func seenFrom(folder string, b survey.Broker) *survey.Broker {
	base, err := filepath.Abs(folder)
	if err != nil {
		return &b
	}
	for _, file := range []*string{&b.PasswordFile, &b.CAFile, &b.CertFile, &b.KeyFile} {
		if *file == "" || filepath.IsAbs(*file) {
			continue
		}
		if here, err := filepath.Abs(*file); err == nil {
			if rel, err := filepath.Rel(base, here); err == nil {
				*file = rel
			}
		}
	}
	return &b
}

func (a *app) printSurvey(f *surveyFlags, heard survey.Counts, found *survey.Findings) error {
	text := found.Config(&f.broker)
	if f.out != "" {
		text = found.Config(seenFrom(filepath.Dir(f.out), f.broker))
		if err := writeNew(f.out, text); err != nil {
			return err
		}
	}
	if f.asJSON {
		if err := a.printJSON(surveyJSON{heard, found, text}); err != nil {
			return err
		}
	} else {
		a.printFound(found)
		if f.out != "" {
			fmt.Fprintf(a.stdout, "\n%s is written; read it, then: gillkeeper check %s\n", f.out, f.out)
		} else {
			fmt.Fprint(a.stdout, "\n"+text)
		}
	}
	if len(found.Sensors)+len(found.Plugs) == 0 {
		fmt.Fprintln(a.stderr, "nothing was recognized: listen longer with --for, and see that the user may read the sensors' topics")
		return &saidError{}
	}
	return nil
}

// printFound lists what was found, the surest first.
func (a *app) printFound(found *survey.Findings) {
	t := newTable("SURE", "WHAT", "WHERE", "LAST", "BECAUSE")
	at := func(p *survey.Place) string {
		return survey.Visible(strings.TrimSpace(p.Topic + " " + p.Pointer + p.SenML))
	}
	sensor := func(x *survey.Sensor) {
		unit := x.UnitWord
		if unit == "" {
			unit = "watts"
		}
		t.add(fmt.Sprintf("%.0f %%", 100*x.Sure), x.Measures, at(&x.Place), fmt.Sprintf("%.5g %s", x.Last, unit), survey.Visible(strings.Join(x.Because, ", ")))
	}
	for _, x := range found.Sensors {
		sensor(x)
	}
	for _, p := range found.Plugs {
		what := "plug"
		if p.Role != 0 {
			what += ", " + p.Role.String()
		}
		told := p.Command.Topic
		if !p.Command.Heard {
			told += " (a guess)"
		}
		t.add(fmt.Sprintf("%.0f %%", 100*p.Sure), what, at(&p.State), "takes commands on "+survey.Visible(told), survey.Visible(strings.Join(p.Because, ", ")))
	}
	for _, x := range found.Powers {
		sensor(x)
	}
	if len(t.rows) > 0 {
		a.printTable(t)
	}
}

// writeNew writes a file that is not there yet.
func writeNew(path, text string) error {
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	_, err = file.WriteString(text)
	return errors.Join(err, file.Close())
}

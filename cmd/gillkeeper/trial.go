package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"runtime/debug"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/sim/lab"
)

type trialFlags struct {
	seed     uint64
	chambers int
	days     float64
	faults   []string
	pairs    int
	rules    bool
	replay   string
	water    bool
	asJSON   bool
}

func newTrialCommand(a *app) *cobra.Command {
	var f trialFlags
	cmd := &cobra.Command{
		Use:   "trial",
		Short: "Throw faults at simulated chambers, and count what is found",
		Long: "Lets simulated chambers run under the policies that keep real ones, as fast as the machine can: healthy first, then\n" +
			"from there once with each fault, and with pairs of them. Prints for each fault after how many minutes its alarm came\n" +
			"and how often it was missed, and the alarms without a cause in healthy days. At every step it checks what must hold\n" +
			"in every run; what did not hold is printed with the words that show it again, at once on standard error and again at\n" +
			"the end, and the exit status is 1. Ctrl-C ends it early, with the report of what there was until then and exit status 1.\n\n" +
			"Faults: " + strings.Join(wrap(strings.Join(trialKinds(), ", "), 100), "\n") + ".",
		Example: "  gillkeeper trial --chambers 20\n" +
			"  gillkeeper trial --chambers 100 --days 4 --faults none\n" +
			"  gillkeeper trial --chambers 50 --faults fan_blocked,rh_stuck --pairs 2\n" +
			"  gillkeeper trial --replay 17/fan_blocked",
		Args: arguments(),
		RunE: func(cmd *cobra.Command, args []string) error { return a.trial(cmd, &f) },
	}
	s := cmd.Flags()
	s.Uint64Var(&f.seed, "seed", 1, "draws the first chamber, its weather and sensors; the next ones count up from this `SEED`")
	s.IntVar(&f.chambers, "chambers", 8, "how many chambers, `N`")
	s.Float64Var(&f.days, "days", 2, "how long each runs without faults first, in `DAYS` of the chamber")
	s.StringSliceVar(&f.faults, "faults", []string{"all"}, "which `FAULTS` to throw: all, slow (those that take days), none, or their names, with commas")
	s.IntVar(&f.pairs, "pairs", 1, "how many pairs of faults to throw at each chamber, `N`")
	s.BoolVar(&f.rules, "rules", false, "let the rules alone decide, not the plan: faster")
	s.StringVar(&f.replay, "replay", "", "show one trial again: `SEED` or SEED/FAULT or SEED/FAULT+FAULT")
	s.BoolVar(&f.water, "water", false, "let reservoirs run dry three times each instead, and compare what was forecast")
	s.BoolVar(&f.asJSON, "json", false, "print the report as JSON")
	return cmd
}

func trialKinds() []string {
	var names []string
	for _, k := range append(lab.Kinds(), lab.SlowKinds()...) {
		names = append(names, k.Name)
	}
	return names
}

func (a *app) trial(cmd *cobra.Command, f *trialFlags) error {
	plan, err := f.plan()
	if err != nil {
		return err
	}
	if _, set := os.LookupEnv("GOGC"); !set {
		debug.SetGCPercent(800) // states are many and short-lived
	}
	if f.water {
		return a.trialWater(cmd, f, &plan)
	}
	var report *lab.Report
	if f.replay != "" {
		report, err = a.trialAgain(f, cmd, &plan)
	} else {
		var how lab.Progress
		plan.Broke = func(b lab.Bad) { a.remark(fmt.Sprintf("%s  # %s", f.again(b.Replay()), b.What)) }
		stop := a.progress(how.Share)
		report, err = plan.Run(cmd.Context(), &how)
		stop()
	}
	if err != nil {
		return err
	}
	if f.asJSON {
		if err := a.printJSON(report); err != nil {
			return err
		}
	} else {
		a.printTrial(f, report)
	}
	switch {
	case report.Stopped:
		return errors.New("the laboratory was stopped before its end; the report is of what there was until then")
	case report.Broken > 0:
		return &saidError{}
	}
	return nil
}

func (a *app) trialWater(cmd *cobra.Command, f *trialFlags, plan *lab.Plan) error {
	var how lab.Progress
	stop := a.progress(how.Share)
	lines, err := plan.Water(cmd.Context(), &how)
	stop()
	switch {
	case err != nil:
		return err
	case f.asJSON:
		err = a.printJSON(lines)
	default:
		lab.PrintWater(a.stdout, lines)
	}
	if err == nil && cmd.Context().Err() != nil {
		return errors.New("the laboratory was stopped before its end; the table is of the fillings until then")
	}
	return err
}

func (f *trialFlags) plan() (lab.Plan, error) {
	p := lab.Plan{Seed: f.seed, Chambers: f.chambers, Pairs: f.pairs, Rules: f.rules}
	if f.chambers < 1 || f.chambers > 100_000 {
		return p, usagef("--chambers %d: give a number from 1 to 100000", f.chambers)
	}
	if !(f.days >= 0.5) || f.days > 100 || math.IsInf(f.days, 0) {
		return p, usagef("--days %v: give a number from 0.5 to 100; a chamber needs half a day to be known", f.days)
	}
	if f.pairs < 0 || f.pairs > 1000 {
		return p, usagef("--pairs %d: give a number from 0 to 1000", f.pairs)
	}
	p.Healthy = time.Duration(f.days * 24 * float64(time.Hour)).Round(time.Minute)
	for _, word := range f.faults {
		switch word {
		case "all":
			p.Kinds = lab.Kinds()
			continue
		case "slow":
			p.Kinds = append(p.Kinds, lab.SlowKinds()...)
			continue
		case "none":
			p.Kinds, p.Pairs = nil, 0
			continue
		}
		k, ok := lab.KindNamed(word)
		if !ok {
			return p, usagef("--faults: %s", oneOf("fault", word, append([]string{"all", "slow", "none"}, trialKinds()...)))
		}
		p.Kinds = append(p.Kinds, k)
	}
	return p, nil
}

// again is the command line that shows a trial again.
func (f *trialFlags) again(which string) string {
	rules := ""
	if f.rules {
		rules = " --rules"
	}
	return fmt.Sprintf("gillkeeper trial --days %g%s --replay %s", f.days, rules, which)
}

// trialAgain runs the one trial that was asked for.
func (a *app) trialAgain(f *trialFlags, cmd *cobra.Command, plan *lab.Plan) (*lab.Report, error) {
	number, names, _ := strings.Cut(f.replay, "/")
	seed, err := strconv.ParseUint(number, 10, 64)
	if err != nil {
		return nil, usagef("--replay %s: write SEED/FAULT, such as 17/fan_blocked", f.replay)
	}
	t := lab.Throw{Seed: seed}
	for _, name := range strings.FieldsFunc(names, func(r rune) bool { return r == '+' }) {
		k, ok := lab.KindNamed(name)
		if !ok {
			return nil, usagef("--replay: %s", oneOf("fault", name, trialKinds()))
		}
		t.Kinds = append(t.Kinds, k)
	}
	tells := func(line string) { fmt.Fprintln(a.stdout, line) }
	if f.asJSON {
		tells = nil
	}
	return plan.Replay(cmd.Context(), t, tells)
}

func (a *app) printTrial(f *trialFlags, r *lab.Report) {
	r.Print(a.stdout)
	if len(r.Bad) == 0 {
		return
	}
	fmt.Fprintf(a.stdout, "\nTo see one again: %s\n\n", f.again("WHICH"))
	const most = 40
	for i, b := range r.Bad {
		if i == most {
			fmt.Fprintf(a.stdout, "… and %d more; --json has them all\n", len(r.Bad)-most)
			break
		}
		fmt.Fprintf(a.stdout, "%-28s %s\n", b.Replay(), b.What)
	}
}

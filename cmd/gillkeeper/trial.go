package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"runtime/debug"
	"slices"
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
		Short: "Throw faults at simulated chambers, and count which are found",
		Long: "Runs simulated chambers under the policies that control real ones, as fast as the machine can: healthy first, then,\n" +
			"from that point, once with each fault, and with pairs of faults. For each fault it prints how many minutes its alarm\n" +
			"took and how often it was missed, and it prints the alarms without a cause on healthy days. At every step it checks\n" +
			"what must hold in every run. What does not hold is printed at once on standard error, and again at the end, with the\n" +
			"words that show it again, and the exit status is 1. Ctrl-C ends it early with the report so far, and exit status 1.\n\n" +
			"Faults: " + strings.Join(wrap(strings.Join(trialKinds(), ", "), 100), "\n") + ".",
		Example: "  gillkeeper trial --chambers 20\n" +
			"  gillkeeper trial --chambers 100 --days 4 --faults none\n" +
			"  gillkeeper trial --chambers 50 --faults fan_blocked,rh_stuck --pairs 2\n" +
			"  gillkeeper trial --replay 17/fan_blocked",
		Args: arguments(),
		RunE: func(cmd *cobra.Command, args []string) error { return a.trial(cmd, &f) },
	}
	s := cmd.Flags()
	s.Uint64Var(&f.seed, "seed", 1, "the `SEED` for the first chamber, its weather and sensors; the next ones count up from it")
	s.IntVar(&f.chambers, "chambers", 8, "how many chambers, `N`")
	s.Float64Var(&f.days, "days", 2, "how long each runs without faults first, in `DAYS` of the chamber")
	s.StringSliceVar(&f.faults, "faults", []string{"all"}, "which `FAULTS` to throw: all, slow (those that take days), none, or their names, with commas")
	s.IntVar(&f.pairs, "pairs", 1, "how many pairs of faults to throw at each chamber, `N`")
	s.BoolVar(&f.rules, "rules", false, "let only the rules decide, not the plan: faster")
	s.StringVar(&f.replay, "replay", "", "show one trial again: `SEED` or SEED/FAULT or SEED/FAULT+FAULT")
	s.BoolVar(&f.water, "water", false, "instead, let each reservoir run dry three times, and compare with the forecasts")
	s.BoolVar(&f.asJSON, "json", false, "print the report as JSON")
	completeFlag(cmd, "faults", fixed(append([]string{"all", "slow", "none"}, trialKinds()...)...))
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
	if err := f.together(cmd); err != nil {
		return err
	}
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

// together refuses flags that would be passed over in silence beside others.
func (f *trialFlags) together(cmd *cobra.Command) error {
	set := cmd.Flags().Changed
	for _, flag := range []string{"seed", "chambers", "faults", "pairs", "water"} {
		if set("replay") && set(flag) {
			return usagef("--%s has no place beside --replay: that shows one chamber and what it names; leave one of them out", flag)
		}
	}
	for _, flag := range []string{"faults", "pairs"} {
		if f.water && set(flag) {
			return usagef("--%s has no place beside --water: reservoirs run dry there, and nothing else goes wrong; leave one of them out", flag)
		}
	}
	return nil
}

func (f *trialFlags) plan() (lab.Plan, error) {
	p := lab.Plan{Seed: f.seed, Chambers: f.chambers, Pairs: f.pairs, Rules: f.rules}
	if f.chambers < 1 || f.chambers > 100_000 {
		return p, fmt.Errorf("--chambers %d: give a number from 1 to 100000", f.chambers)
	}
	if !(f.days >= 0.5) || f.days > 100 || math.IsInf(f.days, 0) {
		return p, fmt.Errorf("--days %v: give a number from 0.5 to 100; a chamber needs half a day to be known", f.days)
	}
	if f.pairs < 0 || f.pairs > 1000 {
		return p, fmt.Errorf("--pairs %d: give a number from 0 to 1000", f.pairs)
	}
	p.Healthy = time.Duration(f.days * 24 * float64(time.Hour)).Round(time.Minute)
	kinds, err := faultsNamed(f.faults)
	if p.Kinds = kinds; len(kinds) == 0 {
		p.Pairs = 0
	}
	return p, err
}

// faultsNamed are the kinds that --faults names, each once, however often and in whatever order it is named.
func faultsNamed(words []string) (kinds []lab.Kind, err error) {
	if len(words) == 0 || slices.Equal(words, []string{""}) {
		return nil, usagef("--faults is empty: give all, slow, none, or names of faults with commas; see gillkeeper trial --help")
	}
	if slices.Contains(words, "none") && len(words) > 1 {
		return nil, usagef("--faults %s: none stands alone; leave it out, or the others", strings.Join(words, ","))
	}
	add := func(more ...lab.Kind) {
		for _, k := range more {
			if !slices.ContainsFunc(kinds, func(x lab.Kind) bool { return x.Name == k.Name }) {
				kinds = append(kinds, k)
			}
		}
	}
	for _, word := range words {
		switch word {
		case "all":
			add(lab.Kinds()...)
		case "slow":
			add(lab.SlowKinds()...)
		case "none":
		default:
			k, ok := lab.KindNamed(word)
			if !ok {
				return nil, fmt.Errorf("--faults: %w", oneOf("fault", word, append([]string{"all", "slow", "none"}, trialKinds()...)))
			}
			add(k)
		}
	}
	return kinds, nil
}

// again is the command line that shows a trial again.
func (f *trialFlags) again(which string) string {
	rules := ""
	if f.rules {
		rules = " --rules"
	}
	return fmt.Sprintf("gillkeeper trial --days %g%s --replay %s", f.days, rules, which)
}

// throwOf reads which trial to show again.
func throwOf(text string) (lab.Throw, error) {
	number, names, faulty := strings.Cut(text, "/")
	seed, err := strconv.ParseUint(number, 10, 64)
	if err != nil {
		return lab.Throw{}, usagef("--replay %s: write SEED/FAULT, such as 17/fan_blocked, or SEED alone for its healthy days", text)
	}
	t := lab.Throw{Seed: seed}
	if !faulty {
		return t, nil
	}
	for name := range strings.SplitSeq(names, "+") {
		if name == "" {
			return t, usagef("--replay %s names a fault too few: write %d/fan_blocked, %d/fan_blocked+rh_stuck, or %d alone for its healthy days", text, seed, seed, seed)
		}
		k, ok := lab.KindNamed(name)
		if !ok {
			return t, fmt.Errorf("--replay: %w", oneOf("fault", name, trialKinds()))
		}
		t.Kinds = append(t.Kinds, k)
	}
	return t, nil
}

// trialAgain runs the one trial that was asked for.
func (a *app) trialAgain(f *trialFlags, cmd *cobra.Command, plan *lab.Plan) (*lab.Report, error) {
	t, err := throwOf(f.replay)
	if err != nil {
		return nil, err
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
	for _, b := range r.Bad { // all of them: to see the rest of a list, hours would have to be run again
		fmt.Fprintf(a.stdout, "%-28s %s\n", b.Replay(), b.What)
	}
}

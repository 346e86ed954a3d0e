package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/config"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// cropFlags say what grows in simulated chambers: the configuration does not, a keeper does.
type cropFlags struct {
	species, stage string
	load           float64
}

func (f *cropFlags) define(cmd *cobra.Command) {
	s := cmd.Flags()
	s.StringVar(&f.species, "species", "pleurotus-ostreatus", "what grows in each chamber, a `BINOMIAL`")
	s.StringVar(&f.stage, "stage", species.Fruiting.String(), "its `STAGE`: colonization, pinning, fruiting or rest")
	s.Float64Var(&f.load, "load", 0, "wet weight of its substrate in `KG` (default: what such a volume usually holds)")
	completeFlag(cmd, "species", fixed(species.Builtin().Species()...))
	completeFlag(cmd, "stage", fixed(stageNames()...))
}

func (f *cropFlags) check(path string) error {
	if !(f.load >= 0) || f.load > 10_000 {
		return fmt.Errorf("%s: --load %v: give kilograms of wet substrate, up to 10000", path, f.load)
	}
	var words []string
	for _, s := range species.Stages() {
		words = append(words, s.String())
	}
	if err := oneOf("stage", f.stage, words); err != nil {
		return fmt.Errorf("%s: --stage: %w", path, err)
	}
	return nil
}

// usualLoad is how many kilograms of wet substrate a cubic meter of a shelf tent usually holds: common practice.
const usualLoad = 25

// batch is the crop as the action that puts it in.
func (f *cropFlags) batch(spec *chamber.Spec, start time.Time) policy.Action {
	kg := f.load
	if kg == 0 {
		kg = usualLoad * spec.VolumeM3
	}
	var stage species.Stage
	_ = stage.UnmarshalText([]byte(f.stage)) // checked
	name := "simulated-" + spec.Name
	name = strings.TrimRight(name[:min(len(name), crop.LongestName)], "-") // a chamber's name alone may be as long
	return policy.Action{ID: name, Kind: policy.BatchAdd, At: start, By: "simulation", Batch: name,
		Species: f.species, SubstrateKg: kg, DryKg: 0.35 * kg, Stage: stage}
}

// simulated makes a case of a chamber with that crop in it.
func (f *cropFlags) simulated(p *policy.Policy, seed uint64) (*rehearse.Case, error) {
	at := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	batch := f.batch(p.Spec, at)
	target, err := targetOf(p, at, batch)
	if err != nil {
		return nil, err
	}
	c := rehearse.ForSpec(p.Spec, rehearse.Load{SubstrateKg: batch.SubstrateKg, Stage: batch.Stage}, target, seed)
	c.Actions = []policy.Action{batch}
	return c, nil
}

// targetOf is what a chamber aims at with these batches in it. It fails when one cannot be put in.
func targetOf(p *policy.Policy, at time.Time, batches ...policy.Action) (t crop.Target, err error) {
	fresh := p.Fresh(at)
	for i := range batches {
		if err := p.Check(&fresh, &batches[i]); err != nil {
			return t, fmt.Errorf("chamber %s: %w", p.Spec.Name, err)
		}
	}
	if t = rehearse.TargetOf(p, at, batches); !t.OK {
		return t, fmt.Errorf("chamber %s: no climate is known for its crop at that stage; see gillkeeper species", p.Spec.Name)
	}
	return t, nil
}

type rehearseFlags struct {
	config, plot string
	journal, was string
	to           string
	controllers  []string
	days         float64
	seed         uint64
	asJSON, wear bool
	crop         cropFlags
}

func newRehearseCommand(a *app) *cobra.Command {
	var f rehearseFlags
	cmd := &cobra.Command{
		Use:   "rehearse --config FILE",
		Short: "Try a configuration against simulated chambers, offline and fast",
		Long: "Runs the policies that control real chambers against a simulated one for each chamber of a configuration, as fast as\n" +
			"the machine can. It prints how well each was kept next to common practice in the same chamber, weather and seed: a\n" +
			"humidistat with a differential of five points, and a fan on a repeat-cycle timer as a careful grower sets it. Shares\n" +
			"are of the time after the first six hours, by the true air. What the file does not say about a chamber is drawn by the\n" +
			"seed from what is common.",
		Example: "  gillkeeper rehearse --config farm.toml --days 7 --seed 1\n" +
			"  gillkeeper rehearse --config farm.toml --days 3 --controller planned --controller rules\n" +
			"  gillkeeper rehearse --config farm.toml --wear --plot wear.svg\n" +
			"  gillkeeper rehearse --config other-fan.toml --was farm.toml --from-journal=gillkeeper.db --days 7\n" +
			"  gillkeeper rehearse --config farm.toml --days 2 --species hericium-erinaceus --stage pinning --plot course.svg",
		Args: arguments(),
		RunE: func(cmd *cobra.Command, args []string) error { return a.rehearse(cmd, &f) },
	}
	s := cmd.Flags()
	s.StringVar(&f.config, "config", "", "the configuration `FILE`")
	s.Float64Var(&f.days, "days", 7, "how long, in `DAYS` of the chamber")
	s.Uint64Var(&f.seed, "seed", 1, "the `SEED` for chamber, weather and sensors; the same seed gives the same ones")
	s.StringSliceVar(&f.controllers, "controller", []string{plannedFlag}, "`WHAT` controls the chambers: planned (learns the chamber and plans), rules (never plans),\n"+
		"common-practice, or oracle (the plan with sensors that are never wrong, to see what those at hand cost);\n"+
		"may be given several times")
	s.StringVar(&f.plot, "plot", "", "write a picture of the last day to this `FILE`, as SVG")
	s.StringVar(&f.journal, "from-journal", "", "replay what a journal recorded under the configuration given: the chamber as learned, the room as it\n"+
		"was, the last --days; without =FILE the journal that the configuration names")
	s.Lookup("from-journal").NoOptDefVal = configuredJournal
	s.StringVar(&f.was, "was", "", "with --from-journal: the configuration `FILE` of that time, if fan or humidifier have changed since")
	s.StringVar(&f.to, "to", "", "with --from-journal: the `MOMENT` at which the replay ends: a date, RFC 3339, or how long before the last entry, such as -48h")
	s.BoolVar(&f.wear, "wear", false, "show what it costs to switch plugs less: the whole curve over budgets of switchings, under the plan (--days 2 if not given);\n"+
		"with --plot drawn too")
	s.BoolVar(&f.asJSON, "json", false, "print the figures as JSON")
	f.crop.define(cmd)
	completeFlag(cmd, "controller", fixed(controllers...))
	return cmd
}

func (a *app) rehearse(cmd *cobra.Command, f *rehearseFlags) error {
	if err := needFlags(cmd, "config"); err != nil {
		return err
	}
	if !(f.days > 0) || f.days > 366 {
		return fmt.Errorf("--days %v: give a number above 0 and up to 366", f.days)
	}
	if f.days*24*60 < 1 {
		return fmt.Errorf("--days %v is less than a minute, in which nothing can be seen; give more, such as 0.25", f.days)
	}
	if err := f.pickControllers(cmd); err != nil {
		return err
	}
	if err := f.crop.check(cmd.CommandPath()); err != nil {
		return err
	}
	if !cmd.Flags().Changed("from-journal") && (f.was != "" || f.to != "") {
		return usagef("--was and --to belong to --from-journal")
	}
	if err := placeFor(f.plot); err != nil {
		return err
	}
	c, err := a.loadConfig(f.config)
	if err != nil {
		return err
	}
	if cmd.Flags().Changed("from-journal") {
		return a.rehearseJournal(cmd, f, c)
	}
	if f.wear {
		return a.rehearseWear(cmd, f, c)
	}
	pairs, err := f.pairs(c)
	if err != nil {
		return err
	}
	if err := a.finish(cmd.Context(), pairs); err != nil {
		return err
	}
	answer := figuresAnswer{Seed: f.seed, SimulatedHours: f.days * 24}
	for _, p := range pairs {
		answer.Chambers = append(answer.Chambers, p.result())
	}
	if f.asJSON {
		err = a.printJSON(answer)
	} else {
		a.printFigures(answer.Chambers)
	}
	if err == nil && f.plot != "" {
		err = writeCourses(f.plot, pairs)
	}
	return err
}

// placeFor says whether a picture has a place, before the work for it is done.
func placeFor(plot string) error {
	if plot == "" {
		return nil
	}
	switch end := strings.ToLower(filepath.Ext(plot)); end {
	case ".png", ".jpg", ".jpeg", ".gif", ".webp", ".pdf", ".eps":
		return fmt.Errorf("--plot %s: the picture is an SVG, which no program opens under that name; write %s.svg", plot, strings.TrimSuffix(plot, filepath.Ext(plot)))
	}
	if info, err := os.Stat(plot); err == nil && info.IsDir() {
		return fmt.Errorf("--plot %s is a folder; give the name of a file", plot)
	}
	if folder := filepath.Dir(plot); !isFolder(folder) {
		return fmt.Errorf("--plot %s: there is no folder %s; make it first", plot, folder)
	}
	return nil
}

func isFolder(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

// controllers are what --controller may name.
var controllers = []string{plannedFlag, rulesFlag, practiceFlag, oracleFlag}

// pickControllers checks what --controller names; each counts once.
func (f *rehearseFlags) pickControllers(cmd *cobra.Command) error {
	all := controllers
	if len(f.controllers) == 0 {
		return usagef("--controller is empty; it is one of %s", strings.Join(all, ", "))
	}
	if f.wear && cmd.Flags().Changed("controller") {
		return usagef("--controller has no place beside --wear: only the plan goes by a budget of switchings")
	}
	var picked []string
	for _, name := range f.controllers {
		if err := oneOf("controller", name, all); err != nil {
			return fmt.Errorf("--controller: %w", err)
		}
		if !slices.Contains(picked, name) {
			picked = append(picked, name)
		}
	}
	f.controllers = picked
	return nil
}

// pair is one chamber rehearsed twice: by the controller asked for, and by common practice where that is another.
type pair struct {
	c          *rehearse.Case
	controller string
	main, by   *rehearse.Run // by is nil when main is common practice
}

func (p *pair) result() rehearse.Result {
	r := rehearse.Result{Chamber: p.c.Spec.Name, Controller: p.controller, Figures: p.main.Figures()}
	if p.by != nil {
		r.CommonPractice = new(p.by.Figures())
	}
	return r
}

// The controllers as --controller names them.
const (
	plannedFlag  = "planned"
	rulesFlag    = "rules"
	practiceFlag = "common-practice"
	oracleFlag   = "oracle"
)

func (f *rehearseFlags) pairs(c *config.Config) ([]*pair, error) {
	var all []*pair
	for i := range c.Chambers {
		pol := &policy.Policy{Spec: c.Chambers[i].Spec, Climates: c.Table}
		k, err := f.crop.simulated(pol, f.seed+uint64(i))
		if err != nil {
			return nil, err
		}
		k.For = time.Duration(f.days * 24 * float64(time.Hour)).Round(time.Second)
		k.Settle = min(k.Settle, k.For/4)
		k.Trace = f.plot != ""
		pairs, err := f.kept(k, pol)
		if err != nil {
			return nil, err
		}
		all = append(all, pairs...)
	}
	return all, nil
}

// kept are the rehearsals of one chamber, one for each controller asked for; the last is set beside common practice.
func (f *rehearseFlags) kept(k *rehearse.Case, pol *policy.Policy) (all []*pair, err error) {
	for _, name := range f.controllers {
		p := &pair{c: k}
		switch name {
		case practiceFlag:
			continue
		case rulesFlag:
			alone := *pol
			alone.Rules, p.controller = true, rulesAloneWords
			p.main, err = rehearse.New(k, rehearse.NewPolicyController(&alone, k.Start))
		case oracleFlag:
			p.controller = oracleWords
			p.main, err = rehearse.NewOracle(k, pol, true)
		default:
			p.controller = rulesWords
			p.main, err = rehearse.New(k, rehearse.NewPolicyController(pol, k.Start))
		}
		if err != nil {
			return nil, err
		}
		all = append(all, p)
	}
	run, err := rehearse.New(k, rehearse.NewCommonPractice(k.Spec, k.Target, rehearse.CarefulTimer(k)))
	if len(all) == 0 {
		return []*pair{{c: k, controller: practiceWords, main: run}}, err
	}
	all[len(all)-1].by = run
	return all, err
}

// finish runs every rehearsal to its end.
func (a *app) finish(ctx context.Context, pairs []*pair) error {
	var total time.Duration
	var runs []*rehearse.Run
	for _, p := range pairs {
		for _, r := range []*rehearse.Run{p.main, p.by} {
			if r != nil {
				runs = append(runs, r)
				total += p.c.For
			}
		}
	}
	return passAll(ctx, a, runs, total)
}

// passing is what time passes in, a rehearsal or a replay.
type passing interface {
	Done() bool
	At() time.Duration
	Advance(d time.Duration)
}

// passAll lets each of a list pass to its end, as many at once as the machine has processors, and shows how much of the
// total time is over.
func passAll[P passing](ctx context.Context, a *app, list []P, total time.Duration) error {
	var done atomic.Int64
	stop := a.progress(func() float64 { return float64(done.Load()) / float64(total) })
	defer stop()
	inTurn(list, func(r P) {
		for !r.Done() && ctx.Err() == nil {
			before := r.At()
			r.Advance(15 * time.Minute)
			done.Add(int64(r.At() - before))
		}
	})
	if ctx.Err() != nil {
		return errors.New("the rehearsal was stopped before its end")
	}
	return nil
}

// inTurn does something for each of a list, as many at once as the machine has processors.
func inTurn[T any](list []T, do func(T)) {
	queue := make(chan T, len(list))
	for _, x := range list {
		queue <- x
	}
	close(queue)
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for x := range queue {
				do(x)
			}
		})
	}
	wg.Wait()
}

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

// goodPace reports whether a clock can run that many times faster.
func goodPace(pace float64) error {
	if !(pace > 0) || math.IsInf(pace, 0) || pace > 10_000 {
		return fmt.Errorf("--pace %v: give a number above 0 and up to 10000", pace)
	}
	return nil
}

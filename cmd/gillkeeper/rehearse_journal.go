package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/replay"
	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/rehearse"
)

// configuredJournal stands for the journal that the configuration names.
const configuredJournal = "the configuration's"

// relived is one chamber's past beside what it would have been.
type relived struct {
	Chamber  string              `json:"chamber"`
	From     time.Time           `json:"from"`
	To       time.Time           `json:"to"`
	Recorded rehearse.Figures    `json:"recorded"`
	Again    []rehearse.Result   `json:"rehearsed"` // one for each controller
	Assumed  []replay.Assumption `json:"assumed"`
}

// rehearseJournal lets the recorded past of every chamber happen again under the configuration given.
func (a *app) rehearseJournal(cmd *cobra.Command, f *rehearseFlags, c *config.Config) error {
	for _, flag := range []string{"species", "stage", "load", "plot", "wear"} {
		if cmd.Flags().Changed(flag) {
			return usagef("--%s does not go with --from-journal: what grew is in the journal, and figures are printed", flag)
		}
	}
	if slices.Contains(f.controllers, practiceFlag) {
		return usagef("--controller %s does not go with --from-journal: the record itself is what to compare with", practiceFlag)
	}
	if slices.Contains(f.controllers, oracleFlag) {
		return usagef("--controller %s does not go with --from-journal: the record is of the sensors there were", oracleFlag)
	}
	was, err := a.configOfThen(f)
	if err != nil {
		return err
	}
	path := f.journal
	if path == configuredJournal {
		path = c.Journal.Path
	}
	v, err := journal.Look(cmd.Context(), path)
	if err != nil {
		return err
	}
	defer v.Close()
	snaps, err := v.Snapshots(cmd.Context())
	if err != nil {
		return err
	}
	answers, runs, left, err := f.pasts(cmd.Context(), c, was, v, snaps)
	if err != nil {
		return err
	}
	for _, why := range left {
		fmt.Fprintf(a.stderr, "gillkeeper: left out: %s\n", why)
	}
	var all time.Duration
	for _, r := range runs {
		all += r.For()
	}
	if err := passAll(cmd.Context(), a, runs, all); err != nil {
		return err
	}
	for i := range answers {
		for j := range answers[i].Again {
			answers[i].Again[j].Figures = runs[i*len(answers[i].Again)+j].Figures()
		}
	}
	if f.asJSON {
		return a.printJSON(struct {
			Seed     uint64    `json:"seed"`
			Chambers []relived `json:"chambers"`
		}{f.seed, answers})
	}
	a.printRelived(answers)
	return nil
}

// configOfThen reads --was; nil where it is not given.
func (a *app) configOfThen(f *rehearseFlags) (*config.Config, error) {
	if f.was == "" {
		return nil, nil
	}
	return a.loadConfig(f.was)
}

// pasts reads the past of every configured chamber that the journal knows, and begins a replay for each controller. Chambers of which it
// holds too little are left out, unless that is all of them.
func (f *rehearseFlags) pasts(ctx context.Context, c, was *config.Config, v *journal.View, snaps []journal.Saved) (answers []relived, runs []*replay.Run, left []error, err error) {
	for i := range c.Chambers {
		spec := c.Chambers[i].Spec
		k := slices.IndexFunc(snaps, func(s journal.Saved) bool { return s.Chamber == spec.Name })
		if k < 0 {
			continue
		}
		var state policy.State
		if err := json.Unmarshal(snaps[k].State, &state); err != nil {
			return nil, nil, nil, fmt.Errorf("the snapshot of chamber %s cannot be read: %w; was it made by another version?", spec.Name, err)
		}
		end := snaps[k].At
		if f.to != "" {
			zone := spec.Zone
			if zone == nil {
				zone = time.UTC
			}
			if end, err = reportMoment("--to", f.to, end, zone); err != nil {
				return nil, nil, nil, err
			}
		}
		q := replay.Query{Spec: spec, Was: specOfThen(was, spec.Name), Climates: c.Table, State: state, Seed: f.seed + uint64(i), To: end,
			From: end.Add(-time.Duration(f.days * 24 * float64(time.Hour)))}
		past, err := replay.Read(ctx, v, q)
		if _, ok := errors.AsType[*replay.Missing](err); ok {
			left = append(left, err)
			continue
		}
		if err != nil {
			return nil, nil, nil, err
		}
		answer := relived{Chamber: spec.Name, From: past.Case.Start, To: past.Case.Start.Add(past.Case.For), Recorded: past.Recorded, Assumed: past.Assumed}
		for _, name := range f.controllers {
			run, err := past.Begin(name == rulesFlag)
			if err != nil {
				return nil, nil, nil, err
			}
			runs = append(runs, run)
			answer.Again = append(answer.Again, rehearse.Result{Chamber: spec.Name, Controller: name})
		}
		answers = append(answers, answer)
	}
	if len(answers) == 0 && len(left) > 0 {
		return nil, nil, nil, left[0]
	}
	if len(answers) == 0 {
		return nil, nil, nil, errors.New("the journal knows none of the configuration's chambers; chambers are found by name")
	}
	return answers, runs, left, nil
}

func specOfThen(was *config.Config, name string) *chamber.Spec {
	if was == nil {
		return nil
	}
	for i := range was.Chambers {
		if was.Chambers[i].Spec.Name == name {
			return was.Chambers[i].Spec
		}
	}
	return nil
}

// assumedWords says what was assumed for want of a record.
var assumedWords = map[replay.Assumption]string{
	replay.RoomTemperature: "the room's temperature is not recorded: taken for the chamber's",
	replay.RoomHumidity:    "the room's humidity is not recorded: taken for 45 % at 20 °C",
	replay.RoomCO2:         "the room's CO2 is not recorded: taken as learned, or for 480 ppm",
	replay.FanAsDrawn:      "how much air the fan moves had not been learned: taken from its label",
	replay.MistAsDrawn:     "how much the humidifier gives had not been learned: taken from its label",
	replay.CropAsDrawn:     "how much CO2 the crop gives off had not been learned: taken for usual",
}

func (a *app) printRelived(answers []relived) {
	var rows []rehearse.Result
	for i := range answers {
		x := &answers[i]
		rows = append(rows, rehearse.Result{Chamber: x.Chamber, Controller: "as recorded", Figures: x.Recorded})
		for j := range x.Again {
			r := x.Again[j]
			r.Chamber, r.Controller = "", "rehearsed"
			if x.Again[j].Controller == rulesFlag {
				r.Controller = "by rules alone"
			}
			rows = append(rows, r)
		}
	}
	a.printFigures(rows)
	for i := range answers {
		x := &answers[i]
		notes := []string{fmt.Sprintf("%s: %s to %s, by minutes; recorded by its sensors against what was wanted then, rehearsed in the chamber as learned with the room as recorded.",
			x.Chamber, x.From.Format(time.RFC3339), x.To.Format(time.RFC3339))}
		for _, k := range x.Assumed {
			notes = append(notes, strings.ToUpper(assumedWords[k][:1])+assumedWords[k][1:]+".")
		}
		a.paragraph("", strings.Join(notes, " "))
	}
}

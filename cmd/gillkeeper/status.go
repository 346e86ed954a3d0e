package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/chamber"
)

func newStatusCommand(a *app) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "status [CHAMBER]",
		Short: "Show chambers: air, targets, stage, plugs, reservoir, alarms",
		Long: "Shows every chamber, or one. Each value of the air has its target below it. A value in parentheses is the last known\n" +
			"one, not a fresh one.",
		Args:              arguments("[CHAMBER]"),
		ValidArgsFunction: completion(a.chamberNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.status(cmd.Context(), args, asJSON)
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return a.asks(cmd)
}

func (a *app) status(ctx context.Context, args []string, asJSON bool) error {
	c, err := a.client()
	if err != nil {
		return err
	}
	var list []api.Chamber
	if len(args) == 1 {
		one, err := c.Chamber(ctx, args[0])
		if err != nil {
			return err
		}
		if asJSON {
			return a.printJSON(one)
		}
		list = []api.Chamber{one}
	} else {
		all, err := c.Chambers(ctx)
		if err != nil {
			return err
		}
		if asJSON {
			return a.printJSON(all)
		}
		list = all.Chambers
	}
	site, err := c.Site(ctx)
	if err != nil {
		return err
	}
	if !site.Ready {
		fmt.Fprintf(a.stderr, "gillkeeper: the daemon is not ready: %s\n", oneLine(site.NotReady))
	}
	a.printStatus(list, siteWords(site))
	a.printBeside(list)
	a.printNotifications(site)
	if len(args) == 1 {
		a.printCorrections(&list[0], siteWords(site))
		a.printLearned(&list[0], siteWords(site))
		a.printWear(&list[0], siteWords(site))
	}
	return nil
}

func (a *app) printStatus(list []api.Chamber, w words.Words) {
	t := newTable("CHAMBER", "HUMIDITY", "TEMPERATURE", "CO2", "STAGE", "PLUGS", "RESERVOIR", "ALARMS")
	for i := range list {
		c := &list[i]
		name := c.Name
		if c.Observe {
			name += "\n(observing)"
		}
		water := "–"
		if c.Reservoir != nil {
			water = strings.NewReplacer(", ", "\n", " (", "\n(").Replace(c.Reservoir.Text)
		}
		air := &c.Air.Chamber
		t.add(name,
			reading(w, chamber.RelativeHumidity, air.RelativeHumidity)+wanted(w, chamber.RelativeHumidity, c.Target.RelativeHumidity),
			reading(w, chamber.Temperature, air.TemperatureC)+wanted(w, chamber.Temperature, c.Target.TemperatureC),
			reading(w, chamber.CO2, air.CO2PPM)+wanted(w, chamber.CO2, &api.Band{Low: c.Target.CO2MinPPM, High: c.Target.CO2MaxPPM}),
			stages(c), plugs(c), water, alarms(c, w))
	}
	a.printTable(t)
}

// printWear says what budgets of switchings have come to.
func (a *app) printWear(c *api.Chamber, w words.Words) {
	for i := range c.Plugs {
		p := &c.Plugs[i]
		if p.Wear == nil {
			continue
		}
		line := fmt.Sprintf("%s: %d of %s switchings a day used since %s; the plan takes one for %s times its wear.", p.Name, p.Wear.Used,
			words.Number(p.Wear.PerDay, 0), w.Clock(p.Wear.Since, c.At), words.Number(p.Wear.Price, 1))
		if p.Wear.GivesWay {
			line += " Just now it is switched more often than that budget allows: less would harm the crop."
		}
		a.paragraph("", line)
	}
}

// wanted is the second line of a value.
func wanted(w words.Words, q chamber.Quantity, b *api.Band) string {
	if b == nil || b.Low == 0 && b.High == 0 {
		return ""
	}
	return "\n" + w.Span(q, b.Low, b.High)
}

func stages(c *api.Chamber) string {
	var lines []string
	for i := range c.Batches {
		b := &c.Batches[i]
		lines = append(lines, fmt.Sprintf("%s, day %d", b.Stage, b.StageDay), "  "+b.Name)
	}
	if lines == nil {
		return "empty"
	}
	return strings.Join(lines, "\n")
}

func plugs(c *api.Chamber) string {
	var lines []string
	for i := range c.Plugs {
		p := &c.Plugs[i]
		state := onOff(p.On)
		if p.On && p.Level != nil {
			state += " at " + words.Percent(*p.Level, 0)
		}
		if !p.Known {
			state = "not known"
		}
		if p.Hand != nil {
			state += ", by hand"
		}
		lines = append(lines, p.Name+" "+state)
	}
	if lines == nil {
		return "–"
	}
	return strings.Join(lines, "\n")
}

// alarms lists those that stand, and those that a person hid or has not yet acknowledged with a word about it.
func alarms(c *api.Chamber, w words.Words) string {
	var lines []string
	for i := range c.Alarms {
		x := &c.Alarms[i]
		line := x.Alarm + " (" + x.Priority + ")"
		switch x.State {
		case "suppressed_by_design", "out_of_service":
			continue
		case "shelved":
			line = x.Alarm + " shelved"
			if x.ShelvedUntil != nil {
				line += " until " + w.Clock(*x.ShelvedUntil, c.At)
			}
		case "returned_unacknowledged":
			line = x.Alarm + " is over"
		}
		lines = append(lines, line)
	}
	if lines == nil {
		return "none"
	}
	return strings.Join(lines, "\n")
}

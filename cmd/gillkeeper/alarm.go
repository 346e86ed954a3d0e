package main

import (
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/web/api"
)

func newAlarmCommand(a *app) *cobra.Command {
	cmd := &cobra.Command{Use: "alarm", Short: "List, acknowledge and shelve alarms"}
	group(cmd)
	cmd.AddCommand(newAlarmListCommand(a), newAlarmAckCommand(a), newAlarmShelveCommand(a))
	return cmd
}

func newAlarmListCommand(a *app) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List every alarm that is not at rest, the worst first, with what to do",
		Args:  arguments(),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			got, err := c.Alarms(cmd.Context())
			if err != nil {
				return err
			}
			if asJSON {
				return a.printJSON(got)
			}
			site, err := c.Site(cmd.Context())
			if err != nil {
				return err
			}
			a.printAlarms(got.Alarms, site)
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return a.asks(cmd)
}

func (a *app) printAlarms(list []api.Alarm, site api.Site) {
	if len(list) == 0 {
		fmt.Fprintln(a.stdout, "No alarm.")
		return
	}
	w := siteWords(site)
	t := newTable("CHAMBER", "ALARM", "PRIORITY", "STATE", "SINCE", "WHAT TO DO")
	for i := range list {
		x := &list[i]
		since, do := "–", strings.TrimSpace(x.Says+" "+x.Detail+" "+x.Do)
		if x.Since != nil {
			since = w.Clock(*x.Since, site.Now)
		}
		state := strings.ReplaceAll(x.State, "_", " ")
		if x.ShelvedUntil != nil {
			state += " until " + w.Clock(*x.ShelvedUntil, site.Now)
		}
		t.add(x.Chamber, x.Alarm, x.Priority, state, since, do)
	}
	a.printTable(t)
}

func newAlarmAckCommand(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use:               "ack CHAMBER ALARM",
		Short:             "Acknowledge an alarm: you know of it",
		Args:              arguments("CHAMBER", "ALARM"),
		ValidArgsFunction: completion(a.chamberNames, a.alarmNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			if _, err := c.Ack(cmd.Context(), args[0], args[1], api.Ack{}); err != nil {
				return err
			}
			fmt.Fprintf(a.stdout, "Alarm %s of %s is acknowledged.\n", args[1], args[0])
			return nil
		},
	}
	return a.asks(cmd)
}

func newAlarmShelveCommand(a *app) *cobra.Command {
	var length time.Duration
	cmd := &cobra.Command{
		Use:               "shelve CHAMBER ALARM --for TIME",
		Short:             "Hide an alarm for a while",
		Args:              arguments("CHAMBER", "ALARM"),
		ValidArgsFunction: completion(a.chamberNames, a.alarmNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := needFlags(cmd, "for"); err != nil {
				return err
			}
			c, err := a.client()
			if err != nil {
				return err
			}
			site, err := c.Site(cmd.Context()) // before the action: what is done must not end in an error
			if err != nil {
				return err
			}
			done, err := c.Shelve(cmd.Context(), args[0], args[1], api.Shelve{For: api.Duration(length)})
			if err != nil {
				return err
			}
			for _, x := range done.Chamber.Alarms {
				if x.Alarm == args[1] && x.ShelvedUntil != nil {
					fmt.Fprintf(a.stdout, "Alarm %s of %s is shelved until %s.\n", args[1], args[0],
						siteWords(site).Clock(*x.ShelvedUntil, done.Chamber.At))
				}
			}
			return nil
		},
	}
	cmd.Flags().DurationVar(&length, "for", 0, "for how long, such as 2h; at most a week")
	return a.asks(cmd)
}

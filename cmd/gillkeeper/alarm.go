package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/web/client"
)

func newAlarmCommand(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "alarm",
		Short: "List, acknowledge and shelve alarms, take them out of service, and see their history",
		Long: "An alarm is unacknowledged until somebody says that they know about it (ack), and it returns to normal by itself when\n" +
			"its condition clears. Shelving hides an alarm for a while, always with an end. Out of service is for an alarm that\n" +
			"makes no sense here, such as one for a sensor under repair; it lasts until somebody returns the alarm to service. The\n" +
			"terms are those of ISA-18.2.",
	}
	group(cmd)
	cmd.AddCommand(newAlarmListCommand(a), newAlarmAckCommand(a), newAlarmUnackCommand(a), newAlarmShelveCommand(a), newAlarmUnshelveCommand(a),
		newAlarmServiceCommand(a, true), newAlarmServiceCommand(a, false), newAlarmHistoryCommand(a))
	return cmd
}

func newAlarmListCommand(a *app) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List every alarm that is not normal, the worst first, with what to do",
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
		do := x.Says + " " + x.Detail + " " + x.Do
		if x.FollowsFrom != "" {
			do = x.Says + " " + x.Detail + " Follows from " + x.FollowsFrom + ". " + x.Do
		}
		if x.State == "returned_unacknowledged" { // what to do about it is past as well
			do = "It is over: acknowledge it once you know about it. It said: " + x.Says + " " + x.Detail
		}
		since, do := "–", strings.Join(strings.Fields(do), " ")
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
	return a.alarmAction("ack", "Acknowledge an alarm: you know about it", "is acknowledged",
		func(ctx context.Context, c *client.Client, chamber, alarm, note string) error {
			_, err := c.Ack(ctx, chamber, alarm, api.Ack{Note: note})
			return err
		})
}

func newAlarmUnackCommand(a *app) *cobra.Command {
	return a.alarmAction("unack", "Take the last acknowledgment of an alarm back", "is unacknowledged again",
		func(ctx context.Context, c *client.Client, chamber, alarm, note string) error {
			_, err := c.Unack(ctx, chamber, alarm, api.Ack{Note: note})
			return err
		})
}

func newAlarmUnshelveCommand(a *app) *cobra.Command {
	return a.alarmAction("unshelve", "End the shelving of an alarm early", "is no longer shelved",
		func(ctx context.Context, c *client.Client, chamber, alarm, note string) error {
			_, err := c.Unshelve(ctx, chamber, alarm, api.Unshelve{Note: note})
			return err
		})
}

func newAlarmServiceCommand(a *app, out bool) *cobra.Command {
	if out {
		cmd := a.alarmAction("out-of-service", "Take an alarm out of service until it is returned", "is out of service until it is returned (alarm in-service)",
			func(ctx context.Context, c *client.Client, chamber, alarm, note string) error {
				_, err := c.OutOfService(ctx, chamber, alarm, api.Service{Note: note})
				return err
			})
		cmd.ValidArgsFunction = completion(a.chamberNames, everyAlarm)
		return cmd
	}
	return a.alarmAction("in-service", "Return an alarm to service", "is in service",
		func(ctx context.Context, c *client.Client, chamber, alarm, note string) error {
			_, err := c.InService(ctx, chamber, alarm, api.Service{Note: note})
			return err
		})
}

// alarmAction makes the command of something that is done to one alarm.
func (a *app) alarmAction(word, short, done string, do func(ctx context.Context, c *client.Client, chamber, alarm, note string) error) *cobra.Command {
	var note string
	cmd := &cobra.Command{
		Use:               word + " CHAMBER ALARM",
		Short:             short,
		Args:              arguments("CHAMBER", "ALARM"),
		ValidArgsFunction: completion(a.chamberNames, a.alarmNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			if err := do(cmd.Context(), c, args[0], args[1], note); err != nil {
				return err
			}
			fmt.Fprintf(a.stdout, "Alarm %s of %s %s.\n", args[1], args[0], done)
			return nil
		},
	}
	cmd.Flags().StringVar(&note, "note", "", "why, for the history")
	return a.asks(cmd)
}

func newAlarmShelveCommand(a *app) *cobra.Command {
	var length time.Duration
	var note string
	cmd := &cobra.Command{
		Use:               "shelve CHAMBER ALARM --for TIME",
		Short:             "Hide an alarm for a while",
		Args:              arguments("CHAMBER", "ALARM"),
		ValidArgsFunction: completion(a.chamberNames, everyAlarm),
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
			done, err := c.Shelve(cmd.Context(), args[0], args[1], api.Shelve{For: api.Duration(length), Note: note})
			if err != nil {
				return err
			}
			for _, x := range done.Chamber.Alarms {
				if x.Alarm == args[1] && x.ShelvedUntil != nil {
					fmt.Fprintf(a.stdout, "Alarm %s of %s is shelved until %s.\n", args[1], args[0],
						siteWords(site).Clock(*x.ShelvedUntil, done.Chamber.At))
					return nil
				}
			}
			fmt.Fprintf(a.stdout, "Alarm %s of %s was shelved for %s, which is over.\n", args[1], args[0], length)
			return nil
		},
	}
	cmd.Flags().DurationVar(&length, "for", 0, "for how long, such as 2h; at most a week")
	cmd.Flags().StringVar(&note, "note", "", "why, for the history")
	return a.asks(cmd)
}

func newAlarmHistoryCommand(a *app) *cobra.Command {
	var from, to string
	var asJSON bool
	cmd := &cobra.Command{
		Use:               "history [CHAMBER]",
		Short:             "Show what became of alarms, the newest last",
		Args:              arguments("[CHAMBER]"),
		ValidArgsFunction: completion(a.chamberNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			chamber := ""
			if len(args) == 1 {
				chamber = args[0]
			}
			got, err := c.AlarmHistory(cmd.Context(), chamber, from, to)
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
			a.printAlarmHistory(&got, site)
			return nil
		},
	}
	cmd.Flags().StringVar(&from, "from", "", "start of the period: 14:30, \"2006-01-02 14:30\", or how long ago, such as -48h (default a week ago)")
	cmd.Flags().StringVar(&to, "to", "", "end of the period (default now)")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return a.asks(cmd)
}

func (a *app) printAlarmHistory(h *api.AlarmHistory, site api.Site) {
	w := siteWords(site)
	if len(h.Changes) == 0 {
		fmt.Fprintf(a.stdout, "No alarm came or went since %s.\n", w.Clock(h.From, site.Now))
		return
	}
	t := newTable("WHEN", "CHAMBER", "ALARM", "PRIORITY", "BECAME", "DETAIL")
	for i := range h.Changes {
		x := &h.Changes[i]
		detail := x.Detail
		if x.FollowsFrom != "" {
			detail = strings.TrimSpace(detail + " Follows from " + x.FollowsFrom + ".")
		}
		if x.Action != "" {
			detail = strings.TrimSpace(detail + " By " + x.By + ".")
		}
		if x.Note != "" {
			detail = strings.TrimSpace(detail + " “" + x.Note + "”")
		}
		t.add(w.Clock(x.At, site.Now), x.Chamber, x.Alarm, x.Priority, strings.ReplaceAll(x.State, "_", " "), detail)
	}
	a.printTable(t)
}

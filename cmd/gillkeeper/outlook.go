package main

import (
	"fmt"
	"math"
	"strings"
	"sync/atomic"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/chamber"
)

func newOutlookCommand(a *app) *cobra.Command {
	var days float64
	var thorough, asJSON bool
	cmd := &cobra.Command{
		Use:   "outlook CHAMBER",
		Short: "Can I leave? When the water runs out, what comes due, what nobody would see",
		Long: "Runs the real policy over the coming days on simulated chambers that match what has been learned of yours, each a\n" +
			"little different, in rooms whose weather goes on as before. It says when the reservoir runs dry, what comes due, how\n" +
			"likely the air is to stay in range, what no sensor would show, and what to do before you leave.\n\n" +
			"The exit status is 0 for leave, or leave after doing what it says, and 1 for do not leave.",
		Args:              arguments("CHAMBER"),
		ValidArgsFunction: completion(a.chamberNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !(days >= 0.25 && days <= 14) {
				return fmt.Errorf("--days %v: give 0.25 to 14", days)
			}
			c, err := a.client()
			if err != nil {
				return err
			}
			var share atomic.Uint64
			stop := a.progress(func() float64 { return math.Float64frombits(share.Load()) })
			o, err := c.Outlook(cmd.Context(), args[0], days, thorough, func(done, of int) {
				share.Store(math.Float64bits(float64(done) / float64(max(1, of))))
			})
			stop()
			if err != nil {
				return err
			}
			if asJSON {
				err = a.printJSON(o)
			} else {
				var site api.Site
				if site, err = c.Site(cmd.Context()); err == nil {
					a.printOutlook(&o, siteWords(site))
				}
			}
			if err == nil && o.Verdict == "do_not_leave" {
				return &saidError{}
			}
			return err
		},
	}
	cmd.Flags().Float64Var(&days, "days", 4, "for how many days you are away")
	cmd.Flags().BoolVar(&thorough, "thorough", false, "simulate every hour, which takes minutes")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return a.asks(cmd)
}

func (a *app) printOutlook(o *api.Outlook, w words.Words) {
	p := func(format string, args ...any) { fmt.Fprintf(a.stdout, format+"\n", args...) }
	p("%s until %s", o.Chamber, w.Clock(o.Until, o.From))
	if o.Water != nil {
		p("\nWater")
		for line := range strings.SplitSeq(o.Water.Text, "\n") {
			p("  %s", line)
		}
	}
	if len(o.Ranges) > 0 {
		p("\nAir, while there is water")
		for _, r := range o.Ranges {
			var quantity chamber.Quantity
			_ = quantity.UnmarshalText([]byte(r.Quantity)) // a word from a newer daemon shows as none
			share, low := words.Percent(r.Share, 0), ""
			if at := words.Percent(r.Low, 0); at != share {
				low = " (one time in ten less than " + at + ")"
			}
			p("  %-12s in range %s of the time%s; chance of no alarm: %s", words.Quantity(quantity), share, low, words.Percent(r.Chance, 0))
		}
	}
	if len(o.Due) > 0 {
		p("\nComes due")
		for i := range o.Due {
			p("  %s", o.Due[i].Text)
		}
	}
	if len(o.Alarms) > 0 {
		p("\nStands now")
		for _, x := range o.Alarms {
			p("  %s (%s): %s", x.Alarm, x.Priority, x.Says)
		}
	}
	list := func(title string, lines []api.OutlookLine) {
		if len(lines) == 0 {
			return
		}
		p("\n%s", title)
		for i := range lines {
			mark := "-"
			if lines[i].Must {
				mark = "!"
			}
			p("  %s %s", mark, lines[i].Text)
		}
	}
	list("What nobody would see", o.Gaps)
	list("Before leaving (! is a must)", o.Deeds)
	list("Against leaving", o.Because)
	p("\n%s", o.Answer)
	if !o.Learned {
		p("(The chamber is not well known yet: this rests on %d simulated chambers of its kind.)", o.Runs)
	}
}

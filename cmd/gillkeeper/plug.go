package main

import (
	"fmt"
	"math"
	"time"

	"github.com/spf13/cobra"

	"gillkeeper/bridge/web/api"
	"gillkeeper/policy/guard"
)

func newRefillCommand(a *app) *cobra.Command {
	var in api.Refill
	cmd := &cobra.Command{
		Use:               "refill CHAMBER",
		Short:             "Record that the reservoir is full again, or how much it holds",
		Args:              arguments("CHAMBER"),
		ValidArgsFunction: completion(a.chamberNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			if cmd.Flags().Changed("liters") && (!(in.Liters > 0) || math.IsInf(in.Liters, 0)) {
				return fmt.Errorf("--liters %v is not a filling; give the liters that it holds now, or leave it out when it is full", in.Liters)
			}
			c, err := a.client()
			if err != nil {
				return err
			}
			done, err := c.Refill(cmd.Context(), args[0], in)
			if err != nil {
				return err
			}
			if r := done.Chamber.Reservoir; r != nil {
				fmt.Fprintf(a.stdout, "The reservoir of %s: %s.\n", args[0], r.Text)
			}
			return nil
		},
	}
	cmd.Flags().Float64Var(&in.Liters, "liters", 0, "what it holds now (default: full)")
	cmd.Flags().BoolVar(&in.Cleaned, "cleaned", false, "it was emptied, scrubbed and dried first")
	return a.asks(cmd)
}

func newHandCommand(a *app) *cobra.Command {
	var length time.Duration
	cmd := &cobra.Command{
		Use:     "hand CHAMBER ROLE on|off|auto",
		Short:   "Control one plug by hand for a while, or give it back",
		Example: "  gillkeeper hand loft humidifier off --for 15m\n  gillkeeper hand loft humidifier auto",
		Args:    arguments("CHAMBER", "ROLE", "on|off|auto"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := oneOf("state", args[2], []string{"on", "off", "auto"}); err != nil {
				return err
			}
			if length <= 0 {
				return fmt.Errorf("--for %s is not a length of time; give one above 0, such as 15m", length)
			}
			in := api.HandSet{Plug: args[1], Hand: args[2], For: api.Duration(length)}
			if args[2] == "auto" {
				in.For = 0
			}
			c, err := a.client()
			if err != nil {
				return err
			}
			site, err := c.Site(cmd.Context()) // before the action: what is done must not end in an error
			if err != nil {
				return err
			}
			done, err := c.Hand(cmd.Context(), args[0], in)
			if err != nil {
				return err
			}
			a.printHand(&done.Chamber, args[1], site)
			return nil
		},
	}
	cmd.ValidArgsFunction = completion(a.chamberNames, a.plugNames, fixed("on", "off", "auto"))
	cmd.Flags().DurationVar(&length, "for", guard.HandAtPlug, "for how long; then control resumes")
	return a.asks(cmd)
}

func (a *app) printHand(c *api.Chamber, word string, site api.Site) {
	p := findPlug(c, word)
	switch {
	case p == nil:
	case p.Hand == nil:
		fmt.Fprintf(a.stdout, "Plug %s of %s is under control again.\n", p.Name, c.Name)
	default:
		fmt.Fprintf(a.stdout, "Plug %s of %s is under your hand, %s, until %s.\n", p.Name, c.Name, onOff(p.Hand.On),
			siteWords(site).Clock(p.Hand.Until, c.At))
	}
}

package main

import (
	"fmt"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
)

// printLearned shows what was learned of one chamber, and what cannot be.
func (a *app) printLearned(c *api.Chamber, w words.Words) {
	if c.Learned == nil {
		return
	}
	t := newTable("LEARNED", "VALUE", "9 IN 10 CASES", "")
	for _, x := range c.Learned.Values {
		note := ""
		if !x.Known {
			note = "not yet sure"
		}
		n := digits(x.High)
		t.add(x.Label, words.Number(x.Value, n)+" "+x.Unit, words.Number(x.Low, n)+" to "+words.Number(x.High, n), note)
	}
	if len(t.rows) > 0 {
		fmt.Fprintln(a.stdout)
		a.printTable(t)
	}
	if x := c.Learned.Changed; x != nil {
		a.paragraph("", "Since "+w.Clock(x.At, c.At)+" "+x.Text+"; that is being learned again.")
	}
	for _, g := range c.Learned.Gaps {
		fmt.Fprintln(a.stdout, g.Text)
	}
}

// digits gives how many digits after the point a value of that size is worth.
func digits(v float64) int {
	switch {
	case v < 1:
		return 2
	case v < 20:
		return 1
	}
	return 0
}

package main

import (
	"fmt"
	"strings"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/chamber"
)

// printBeside shows, of chambers that are only observed, what the present controls did beside what gillkeeper would have
// done.
func (a *app) printBeside(list []api.Chamber) {
	t := newTable("OBSERVED", "PLUG", "RAN", "SWITCHED", "GILLKEEPER WOULD HAVE RUN IT", "SWITCHED IT")
	var kept []string
	for i := range list {
		b := list[i].Beside
		if b == nil {
			continue
		}
		for _, p := range b.Plugs {
			t.add(list[i].Name+", "+words.Duration(time.Duration(p.Observed)), p.Name, ran(p.On, p.Observed), times(p.Switches), ran(p.Wanted, p.Observed), times(p.WantedSwitches))
		}
		var shares []string
		for _, r := range b.InRange {
			var q chamber.Quantity
			if q.UnmarshalText([]byte(r.Quantity)) == nil {
				shares = append(shares, words.QuantityAmid(q)+" "+words.Percent(r.Share, 0))
			}
		}
		if len(shares) > 0 {
			kept = append(kept, fmt.Sprintf("In %s the present controls kept in range: %s of the time.", list[i].Name, strings.Join(shares, ", ")))
		}
	}
	if len(t.rows) == 0 {
		return
	}
	fmt.Fprintln(a.stdout)
	a.printTable(t)
	for _, line := range kept {
		fmt.Fprintln(a.stdout, line)
	}
}

// ran writes a time with its share of another.
func ran(d, of api.Duration) string {
	s := words.Duration(time.Duration(d))
	if of > 0 {
		s += fmt.Sprintf(" (%s)", words.Percent(float64(d)/float64(of), 0))
	}
	return s
}

func times(n int) string { return fmt.Sprintf("%d×", n) }

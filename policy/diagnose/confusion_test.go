package diagnose_test

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"

	"gillkeeper/policy/diagnose"
)

// TestConfusion makes 500 cases with one planted cause each, and counts where the true one is ranked. The seed that is
// used here was not among those that the weights were chosen by; another is taken with GILLKEEPER_SEED.
func TestConfusion(t *testing.T) {
	cases := 500
	if testing.Short() || raced {
		cases = 50
	}
	seed := uint64(20260114)
	if n, err := strconv.ParseUint(os.Getenv("GILLKEEPER_SEED"), 10, 64); err == nil {
		seed = n
	}
	g := newGrower(seed)
	causes := diagnose.Causes()
	table := map[diagnose.Cause]map[diagnose.Cause]int{}
	first, second := 0, 0
	for i := range cases {
		c := g.grow(causes[i%len(causes)])
		a := diagnose.Diagnose(&c.Case)
		if table[c.cause] == nil {
			table[c.cause] = map[diagnose.Cause]int{}
		}
		table[c.cause][a.Causes[0].Cause]++
		switch {
		case a.Causes[0].Cause == c.cause:
			first++
			second++
		case len(a.Causes) > 1 && a.Causes[1].Cause == c.cause:
			second++
		default:
			t.Logf("%s of %s by %s ranked %s", c.sign, c.Batch.Species, c.cause, ranks(&a))
		}
	}
	t.Log("\n" + confusion(table))
	t.Logf("of %d cases the true cause is first in %.1f %%, within the first two in %.1f %%", cases, 100*float64(first)/float64(cases), 100*float64(second)/float64(cases))
	if first < cases*90/100 || second < cases*98/100 {
		t.Errorf("the true cause is first in %d and within two in %d of %d; wanted are 90 and 98 %%", first, second, cases)
	}
}

func ranks(a *diagnose.Answer) string {
	var out []string
	for _, v := range a.Causes {
		out = append(out, fmt.Sprintf("%s %.2f", v.Cause, v.Chance))
	}
	return strings.Join(out, ", ")
}

// confusion prints planted causes down and first ranks across.
func confusion(table map[diagnose.Cause]map[diagnose.Cause]int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%-13s", "planted")
	for _, c := range diagnose.Causes() {
		fmt.Fprintf(&b, " %12s", c)
	}
	for _, p := range diagnose.Causes() {
		fmt.Fprintf(&b, "\n%-13s", p)
		for _, c := range diagnose.Causes() {
			fmt.Fprintf(&b, " %12d", table[p][c])
		}
	}
	return b.String()
}

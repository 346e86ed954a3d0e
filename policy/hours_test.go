package policy_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"gillkeeper/policy/rehearse"
	"gillkeeper/policy/species"
)

// TestFirstHours looks at the hours that other figures leave out: a chamber that nobody knows yet, with the room's air in it, must be
// kept better than by common practice from the start, and better still as it is learned. GILLKEEPER_SEEDS makes it more than a
// few chambers, to half a day.
func TestFirstHours(t *testing.T) {
	t.Parallel()
	hours := []float64{0, 0.5, 1, 2, 4}
	seeds := number("GILLKEEPER_SEEDS", 0)
	switch {
	case seeds > 0:
		hours = append(hours, 6, 12)
	case raceDetector:
		seeds = 1
	default:
		seeds = 4
	}
	from := number("GILLKEEPER_FROM", 1)
	for _, stage := range []species.Stage{species.Pinning, species.Fruiting} {
		runs := make([][2][]rehearse.Figures, len(hours)) // figures from each of the hours to the next
		for i := range runs {
			runs[i] = [2][]rehearse.Figures{make([]rehearse.Figures, seeds), make([]rehearse.Figures, seeds)}
		}
		sideBySide(2*seeds, func(n int) {
			by := n % 2
			x := course{by: []keeper{planned, byPractice}[by], seed: uint64(from + n/2), stage: stage, length: during(hours[len(hours)-1])}
			run, err := x.start(t, rehearse.FamilyCase(x.seed, stage), 0)
			if err != nil {
				t.Error(err)
				return
			}
			var before rehearse.Figures
			for i := range hours[1:] {
				run.Advance(during(hours[i+1] - hours[i]))
				now := run.Figures()
				runs[i][by][n/2] = between(before, now, hours[i], hours[i+1])
				before = now
			}
		})
		var table strings.Builder
		for i := range hours[1:] {
			ours, theirs := runs[i][0], runs[i][1]
			fmt.Fprintf(&table, "\n%4.1f to %4.1f h", hours[i], hours[i+1])
			for _, s := range shares {
				fmt.Fprintf(&table, "  %s %.1f [%.1f] / %.1f [%.1f]", s.name, mean(ours, s.of), p10(ours, s.of), mean(theirs, s.of), p10(theirs, s.of))
			}
			within5 := shares[1].of
			if mean(ours, within5) <= mean(theirs, within5) {
				t.Errorf("%s, %g to %g h: within 5 points %.1f %% of the time, common practice %.1f %%", stage, hours[i], hours[i+1],
					mean(ours, within5), mean(theirs, within5))
			}
		}
		t.Logf("%s, %d chambers (ours / common practice)%s", stage, seeds, table.String())
		narrow := shares[0].of
		if first, later := mean(runs[0][0], narrow), mean(runs[3][0], narrow); later <= first {
			t.Errorf("%s: within 2.5 points %.1f %% of the third and fourth hour, %.1f %% of the first half hour: nothing was gained", stage, later, first)
		}
	}
}

func during(hours float64) time.Duration { return time.Duration(hours * float64(time.Hour)) }

// between gives the shares of the time from one hour to another, from those of all time up to each.
func between(before, now rehearse.Figures, from, to float64) rehearse.Figures {
	share := func(a, b float64) float64 { return (b*to - a*from) / (to - from) }
	return rehearse.Figures{
		RHWithin2_5: share(before.RHWithin2_5, now.RHWithin2_5),
		RHWithin5:   share(before.RHWithin5, now.RHWithin5),
		CO2BelowMax: share(before.CO2BelowMax, now.CO2BelowMax),
	}
}

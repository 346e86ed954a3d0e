package yield_test

import (
	"math"
	"os"
	"strconv"
	"sync"
	"testing"

	"gillkeeper/metrics/yield"
	"gillkeeper/metrics/yield/yieldtest"
	"gillkeeper/policy/species"
)

// few is how many seasons the suite makes.
const few = 20

// TestFalseDiscoveries makes up seasons in which two conditions moved the harvest and all others did not, and counts
// what the report calls found. GILLKEEPER_SEASONS says how many; twenty show little of the share, so there the bound has
// three standard errors on top.
func TestFalseDiscoveries(t *testing.T) {
	n := few
	if text := os.Getenv("GILLKEEPER_SEASONS"); text != "" {
		var err error
		if n, err = strconv.Atoi(text); err != nil || n < 1 {
			t.Fatalf("GILLKEEPER_SEASONS=%q is not a number of seasons", text)
		}
	}
	for _, c := range []struct {
		name string
		e    yieldtest.Effects
	}{{"two planted effects", yieldtest.Planted}, {"nothing planted", yieldtest.Effects{}}} {
		n := n
		if c.e == (yieldtest.Effects{}) && n == few {
			n = few / 4
		}
		s := score(t, n, c.e)
		t.Logf("%s, %d seasons: false share of findings %.3f (level %.2f); findings %d, of them false %d; CO2 while pinning found in %.2f, dry spells while fruiting in %.2f",
			c.name, n, s.share/float64(n), yield.Level, s.found, s.wrong, float64(s.co2)/float64(n), float64(s.dry)/float64(n))
		bound := yield.Level
		if n < 200 || c.e == (yieldtest.Effects{}) {
			// Where nothing is planted, the level is what the procedure keeps in the mean: the standard error of a share.
			bound += 3 * 0.3 / math.Sqrt(float64(n))
		}
		if got := s.share / float64(n); got > bound {
			t.Errorf("%s: the false share is %.3f, above %.3f", c.name, got, bound)
		}
		if c.e == yieldtest.Planted && (float64(s.co2) < 0.5*float64(n) || float64(s.dry) < 0.5*float64(n)) {
			t.Errorf("the planted effects were found in %d and %d of %d seasons only", s.co2, s.dry, n)
		}
	}
}

type scored struct {
	share             float64 // sum over seasons of false findings by findings
	found, wrong      int
	co2, dry, seasons int
}

func score(t *testing.T, n int, e yieldtest.Effects) (s scored) {
	var mu sync.Mutex
	var wg sync.WaitGroup
	seeds := make(chan uint64)
	for range 2 {
		wg.Go(func() {
			for seed := range seeds {
				r, err := yield.Found(t.Context(), yieldtest.Make(seed, e))
				if err != nil {
					t.Error(err)
					continue
				}
				mu.Lock()
				s.add(r, e)
				mu.Unlock()
			}
		})
	}
	for i := range n {
		seeds <- uint64(1000 + i)
	}
	close(seeds)
	wg.Wait()
	return s
}

func (s *scored) add(r []yield.Relation, e yieldtest.Effects) {
	found, wrong, co2, dry := 0, 0, 0, 0
	for i := range r {
		x := &r[i]
		if !x.Found {
			continue
		}
		found++
		switch {
		case !yieldtest.True(e, x.Species, x.Stage, x.Measure):
			wrong++
		case x.Stage == species.Pinning:
			co2 = 1
		default:
			dry = 1
		}
	}
	if found > 0 {
		s.share += float64(wrong) / float64(found)
	}
	s.found, s.wrong, s.co2, s.dry, s.seasons = s.found+found, s.wrong+wrong, s.co2+co2, s.dry+dry, s.seasons+1
}

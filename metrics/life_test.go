package metrics

import (
	"fmt"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
	"pgregory.net/rapid"

	"gillkeeper/policy"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
)

// TestQuietSensor: a series ends with its last fresh reading instead of going on with it.
func TestQuietSensor(t *testing.T) {
	s := loft()
	set := newSet(s)
	before := values(t, set)
	s.State.Air.Inside.RelativeHumidity.OK = false
	after := values(t, set)
	for _, name := range []string{"gillkeeper_air_relative_humidity_ratio", "gillkeeper_air_dew_point_celsius",
		"gillkeeper_air_vapor_pressure_deficit_pascals", "gillkeeper_air_humidity_ratio"} {
		series := name + `{chamber="loft",place="chamber"}`
		if _, ok := before[series]; !ok {
			t.Errorf("%s was not there", series)
		}
		if v, ok := after[series]; ok {
			t.Errorf("%s goes on: %v", series, v)
		}
	}
	if _, ok := after[`gillkeeper_air_temperature_celsius{chamber="loft",place="chamber"}`]; !ok {
		t.Error("the temperature went with the humidity")
	}
}

// TestLibraryAgrees: the library's own checks, which serving leaves out, find nothing: no series twice, labels sorted,
// names and text valid.
func TestLibraryAgrees(t *testing.T) { strict(t, newSet(loft(), bare())) }

func strict(t rapid.TB, set *Set) {
	t.Helper()
	if _, err := (prometheus.Gatherers{set}).Gather(); err != nil {
		t.Fatalf("%v", err)
	}
}

// TestWeirdNames: whatever names hold, the page is whole and readable.
func TestWeirdNames(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		text := rapid.OneOf(rapid.String(), rapid.Map(rapid.SliceOf(rapid.Byte()), func(b []byte) string { return string(b) }),
			rapid.SampledFrom([]string{"", "a\"b", "a\\", "a\nb", "}", "é", "\xff"}))
		s, other := loft(), bare()
		s.Spec = &chamber.Spec{Name: "x" + text.Draw(rt, "chamber")}
		other.Spec = &chamber.Spec{Name: "y" + text.Draw(rt, "other")}
		s.State.Crop.Batches[0].Name = text.Draw(rt, "batch")
		s.State.Crop.Batches[1].Name = s.State.Crop.Batches[0].Name // two of the same name
		s.State.Crop.Batches[1].Species = s.State.Crop.Batches[0].Species
		s.State.Sensors[0].Name = "s" + text.Draw(rt, "sensor")
		s.State.Plugs[0].Name = text.Draw(rt, "plug")
		set := newSet(s, other, nil, &policy.Snapshot{})
		strict(rt, set)
		set.Count(text.Draw(rt, "counted"), text.Draw(rt, "result"))
		page := scrape(t, set, "text/plain")
		if _, err := set.Gather(); err != nil {
			rt.Fatalf("%v", err)
		}
		if !strings.Contains(page, "gillkeeper_batch_info") {
			rt.Fatal("no page")
		}
	})
}

// TestCountersNeverDecrease drives snapshots as a life would, with a restart from what was saved last.
func TestCountersNeverDecrease(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s := loft()
		set := newSet(s)
		last := counters(t, set)
		for range rapid.IntRange(1, 5).Draw(rt, "steps") {
			grow := rapid.Float64Range(0, 100)
			s.State.Plugs[0].OnSeconds += grow.Draw(rt, "on")
			s.State.Plugs[0].Switches += rapid.Int64Range(0, 3).Draw(rt, "switches")
			s.State.Totals.Stages[0].Seconds += grow.Draw(rt, "stage")
			s.State.Totals.InRange[0].ObservedSeconds += grow.Draw(rt, "observed")
			s.State.Air.Inside.CO2.OK = rapid.Bool().Draw(rt, "fresh")
			f := &s.State.Crop.Batches[0].Flushes[1]
			f.Pickings = append(f.Pickings, crop.Picking{FreshG: grow.Draw(rt, "picked")})
			if rapid.Bool().Draw(rt, "retire") {
				s.State.Crop.Batches[0].Retired = wall
			}
			if rapid.Bool().Draw(rt, "restart") {
				set = newSet(s)
			}
			now := counters(t, set)
			for series, v := range last {
				if w, ok := now[series]; !ok || w < v {
					rt.Fatalf("%s went from %v to %v (there: %v)", series, v, w, ok)
				}
			}
			last = now
		}
	})
}

func counters(t testing.TB, s *Set) map[string]float64 {
	fams, err := s.Gather()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]float64{}
	for _, f := range fams {
		if f.GetType() != dto.MetricType_COUNTER || !strings.HasPrefix(f.GetName(), "gillkeeper_") || f.GetName() == "gillkeeper_messages_total" {
			continue
		}
		for _, m := range f.Metric {
			out[f.GetName()+fmt.Sprint(m.Label)] = m.Counter.GetValue()
		}
	}
	return out
}

// TestTwoSetsSideBySide: nothing is kept in the library's global registry.
func TestTwoSetsSideBySide(t *testing.T) {
	a, b := newSet(loft()), newSet(bare())
	a.Handler()
	a.Handler()
	if strings.Contains(scrape(t, b, "text/plain"), `chamber="loft",place`) || !strings.Contains(scrape(t, a, "text/plain"), `chamber="loft",place`) {
		t.Error("sets share series")
	}
	fams, err := prometheus.DefaultGatherer.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range fams {
		if strings.HasPrefix(f.GetName(), "gillkeeper_") {
			t.Errorf("%s is in the global registry", f.GetName())
		}
	}
}

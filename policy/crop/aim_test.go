package crop_test

import (
	"math"
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/species"
)

func near(a, b float64) bool { return math.Abs(a-b) < 1e-9 }

func nearBand(a chamber.Band, low, aim, high float64) bool {
	return near(a.Low, low) && near(a.Aim, aim) && near(a.High, high)
}

// batchOf is a batch of any species.
func batchOf(name, of string, stage species.Stage) crop.Batch {
	return crop.Batch{Name: name, Species: of, SubstrateKg: 10, DryKg: 4, Stage: stage}
}

// aim is the target of a chamber into which all batches come at once.
func aim(t testing.TB, batches ...crop.Batch) crop.Target {
	t.Helper()
	s := crop.State{}
	for _, b := range batches {
		s = add(t, s, b, start)
	}
	x, _ := s.Aim(table, start)
	return x
}

// TestTargetOfOneBatch works the bands out by hand from handbook rows (see the table's sources): the middle of the
// range, at most 0.95, with at least 0.025 and 1 K to either side.
func TestTargetOfOneBatch(t *testing.T) {
	x := aim(t, batchOf("a", "pleurotus-ostreatus", species.Fruiting)) // 85-90 %, 10-21 °C, < 1000 ppm, 4-8 /h, 12 h
	if !nearBand(x.RelativeHumidity, 0.85, 0.875, 0.90) || !nearBand(x.TemperatureC, 10, 15.5, 21) ||
		x.CO2MinPPM != 0 || x.CO2MaxPPM != 1000 || x.FAEPerHour != 6 || x.LightHours != 12 || x.LightsOn != 8*time.Hour ||
		x.Stage != species.Fruiting || x.Conflicts != nil {
		t.Errorf("oyster fruiting: %+v", x)
	}
	x = aim(t, batchOf("a", "pleurotus-ostreatus", species.Pinning)) // 95-100 %
	if !nearBand(x.RelativeHumidity, 0.925, 0.95, 1) {
		t.Errorf("oyster pinning: %+v", x.RelativeHumidity)
	}
	x = aim(t, batchOf("a", "pleurotus-citrinopileatus", species.Pinning)) // 98-100 %
	if !nearBand(x.RelativeHumidity, 0.925, 0.95, 1) {
		t.Errorf("golden oyster pinning: %+v", x.RelativeHumidity)
	}
	x = aim(t, batchOf("a", "pleurotus-ostreatus", species.Colonization)) // 24 °C, 5000-20000 ppm
	if !nearBand(x.TemperatureC, 23, 24, 25) || x.CO2MaxPPM != 20000 || x.CO2MinPPM != 0 || x.LightHours != 0 {
		t.Errorf("oyster colonization: %+v", x)
	}
	x = aim(t, batchOf("a", "flammulina-velutipes", species.Fruiting)) // 2000-4000 ppm
	if x.CO2MinPPM != 2000 || x.CO2MaxPPM != 4000 {
		t.Errorf("flammulina fruiting: %+v", x)
	}
}

// TestSharedChamber: two species whose ranges meet.
func TestSharedChamber(t *testing.T) {
	x := aim(t,
		batchOf("oyster", "pleurotus-ostreatus", species.Fruiting), // 85-90 %, 10-21 °C, < 1000, 4-8 /h, 12 h
		batchOf("king", "pleurotus-eryngii", species.Fruiting),     // 85-90 %, 15-21 °C, < 2000, 4-5 /h, 12 h
	)
	if !nearBand(x.RelativeHumidity, 0.85, 0.875, 0.90) || !nearBand(x.TemperatureC, 15, 18, 21) || x.CO2MaxPPM != 1000 || x.FAEPerHour != 6 || x.Conflicts != nil {
		t.Errorf("got %+v", x)
	}
}

// TestTheMostDelicateWins: pins want 95-100 % and fruit of the same species 85-90 %; the pins came later and win.
func TestTheMostDelicateWins(t *testing.T) {
	x := aim(t,
		batchOf("spawn", "pleurotus-ostreatus", species.Colonization), // 85-95 %, 24 °C
		batchOf("fruit", "pleurotus-ostreatus", species.Fruiting),     // 85-90 %, 10-21 °C
		batchOf("pins", "pleurotus-ostreatus", species.Pinning),       // 95-100 %, 10-15.6 °C
	)
	if x.Stage != species.Pinning || !nearBand(x.RelativeHumidity, 0.925, 0.95, 0.975) || !nearBand(x.TemperatureC, 10, 12.8, 15.6) {
		t.Errorf("got %+v", x)
	}
	want := []crop.Conflict{
		{Quantity: chamber.RelativeHumidity, Followed: "pins", Slighted: "fruit", Wanted: species.Range{Low: 0.85, High: 0.90}},
		{Quantity: chamber.Temperature, Followed: "pins", Slighted: "spawn", Wanted: species.Range{Low: 24, High: 24}},
	}
	if !reflect.DeepEqual(x.Conflicts, want) {
		t.Errorf("conflicts %+v, want %+v", x.Conflicts, want)
	}
	if x.LightHours != 12 {
		t.Errorf("%v h of light: the longest wanted counts", x.LightHours)
	}
}

// TestStaleAirAgainstFresh: Flammulina wants 2000-4000 ppm, oysters at most 1000. Among equals the first is followed,
// and its air changes with it (Flammulina 2-4 /h, oysters 4-8 /h).
func TestStaleAirAgainstFresh(t *testing.T) {
	enoki := batchOf("enoki", "flammulina-velutipes", species.Fruiting)
	oysters := batchOf("oysters", "pleurotus-ostreatus", species.Fruiting)
	x := aim(t, enoki, oysters)
	if x.CO2MinPPM != 2000 || x.CO2MaxPPM != 4000 || x.FAEPerHour != 3 {
		t.Errorf("enoki first: CO2 %v to %v, %v air changes", x.CO2MinPPM, x.CO2MaxPPM, x.FAEPerHour)
	}
	x = aim(t, oysters, enoki)
	want := crop.Conflict{Quantity: chamber.CO2, Followed: "oysters", Slighted: "enoki", Wanted: species.Range{Low: 2000, High: 4000}}
	if x.CO2MinPPM != 0 || x.CO2MaxPPM != 1000 || x.FAEPerHour != 6 || !reflect.DeepEqual(x.Conflicts[len(x.Conflicts)-1], want) {
		t.Errorf("oysters first: %+v", x)
	}
	// Rest bears up to 2000 ppm, which is where Flammulina begins: no band is left between them.
	resting := batchOf("resting", "pleurotus-ostreatus", species.Rest)
	if x = aim(t, enoki, resting); x.CO2MinPPM != 2000 || x.CO2MaxPPM != 4000 || len(x.Conflicts) == 0 {
		t.Errorf("resting oysters beside enoki: %+v", x)
	}
	// A batch never stands in its own kind's way.
	if x = aim(t, enoki, batchOf("enoki-2", "flammulina-velutipes", species.Fruiting)); x.Conflicts != nil {
		t.Errorf("two of a kind: %+v", x.Conflicts)
	}
}

func TestNoTarget(t *testing.T) {
	if x := aim(t); x.OK {
		t.Errorf("an empty chamber aims at %+v", x)
	}
	s := add(t, crop.State{}, oyster("a", species.Fruiting), start)
	if x, _ := s.Aim(&species.Table{}, start); x.OK {
		t.Errorf("without a row the aim is %+v", x)
	}
	_, s = s.Aim(table, start)
	s = must(t)(s.Retire("a", start.Add(time.Hour)))
	x, s := s.Aim(table, start.Add(time.Hour))
	if x.OK || !reflect.DeepEqual(s.Ramp, crop.Ramp{}) {
		t.Errorf("a chamber with nothing but retired batches aims at %+v, %+v", x, s.Ramp)
	}
	// What comes next moves from nothing: it holds at once.
	s = add(t, s, oyster("b", species.Pinning), start.Add(2*time.Hour))
	if x, _ = s.Aim(table, start.Add(2*time.Hour)); !near(x.RelativeHumidity.Aim, 0.95) {
		t.Errorf("first target after an empty chamber: %+v", x.RelativeHumidity)
	}
}

// TestTheWayFromPinsToFruit: humidity from 0.95 to 0.875 over six hours, by hand 0.0125 an hour; temperature from 12.8
// to 15.5 °C.
func TestTheWayFromPinsToFruit(t *testing.T) {
	s := add(t, crop.State{}, oyster("a", species.Pinning), start)
	_, s = s.Aim(table, start)
	at := start.Add(100 * time.Hour)
	s = must(t)(s.SetStage("a", species.Fruiting, at))
	for _, c := range []struct{ hours, rh, celsius float64 }{
		{0, 0.95, 12.8}, {1, 0.9375, 13.25}, {3, 0.9125, 14.15}, {6, 0.875, 15.5}, {600, 0.875, 15.5},
	} {
		var x crop.Target
		x, s = s.Aim(table, at.Add(time.Duration(c.hours*float64(time.Hour))))
		if !near(x.RelativeHumidity.Aim, c.rh) || !near(x.TemperatureC.Aim, c.celsius) || x.Stage != species.Fruiting {
			t.Errorf("after %v h: %+v", c.hours, x)
		}
	}
}

// TestFreshAirDoesNotWait: from colonization (20000 ppm) to pinning (1000 ppm) the maximum falls at once; from fruiting
// (1000) to rest (2000) it rises over six hours. A wanted minimum rises slowly and falls at once.
func TestFreshAirDoesNotWait(t *testing.T) {
	move := func(of string, from, to species.Stage, after time.Duration) crop.Target {
		s := add(t, crop.State{}, batchOf("a", of, from), start)
		_, s = s.Aim(table, start)
		s = must(t)(s.SetStage("a", to, start.Add(time.Hour)))
		_, s = s.Aim(table, start.Add(time.Hour))
		x, _ := s.Aim(table, start.Add(time.Hour+after))
		return x
	}
	if x := move("pleurotus-ostreatus", species.Colonization, species.Pinning, 0); x.CO2MaxPPM != 1000 || x.LightHours != 12 {
		t.Errorf("into pinning: %+v", x)
	}
	if x := move("pleurotus-ostreatus", species.Fruiting, species.Rest, 3*time.Hour); !near(x.CO2MaxPPM, 1500) {
		t.Errorf("into rest: %+v", x)
	}
	if x := move("flammulina-velutipes", species.Fruiting, species.Rest, 0); x.CO2MinPPM != 0 {
		t.Errorf("out of stale air: %+v", x)
	}
	if x := move("flammulina-velutipes", species.Colonization, species.Pinning, 3*time.Hour); !near(x.CO2MinPPM, 1000) || x.CO2MaxPPM != 4000 {
		t.Errorf("into stale air: %+v", x)
	}
}

// TestTheWayIsSmooth: however often it is asked, the way is the same, and it never jumps, also when the stage changes
// on the way.
func TestTheWayIsSmooth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		of := rapid.SampledFrom(table.Species()).Draw(t, "species")
		stages := rapid.SliceOfN(rapid.SampledFrom(species.Stages()), 2, 5).Draw(t, "stages")
		s, err := crop.State{}.AddBatch(table, batchOf("a", of, stages[0]), start)
		if err != nil {
			t.Fatal(err)
		}
		last, s := s.Aim(table, start)
		now := start
		for _, stage := range stages[1:] {
			if s, err = s.SetStage("a", stage, now); err != nil {
				t.Fatal(err)
			}
			_, s = s.Aim(table, now) // the policy steps when somebody acts
			lazy := s
			for range rapid.IntRange(1, 30).Draw(t, "steps") {
				dt := time.Duration(rapid.Int64Range(0, int64(time.Hour)).Draw(t, "dt"))
				now = now.Add(dt)
				var x crop.Target
				x, s = s.Aim(table, now)
				most := float64(dt)/float64(crop.RampTime) + 1e-9
				if math.Abs(x.RelativeHumidity.Aim-last.RelativeHumidity.Aim) > 0.5*most ||
					math.Abs(x.TemperatureC.Aim-last.TemperatureC.Aim) > 25*most {
					t.Fatalf("a jump within %v: from %+v to %+v", dt, last, x)
				}
				if once, _ := lazy.Aim(table, now); !reflect.DeepEqual(once, x) {
					t.Fatalf("asked once %+v, asked often %+v", once, x)
				}
				last = x
			}
		}
	})
}

// TestDays works dates out by hand: oyster fruit takes 4 to 7 days (see the table's source); overdue is a quarter
// later, at least a day: 7 + 1.75 days.
func TestDays(t *testing.T) {
	ok := must(t)
	day := func(n float64) time.Time { return start.Add(time.Duration(n * 24 * float64(time.Hour))) }
	s := add(t, crop.State{}, oyster("a", species.Fruiting), start)
	s = add(t, s, batchOf("slow", "ganoderma-lucidum", species.Fruiting), start) // 60 days
	if due := s.HarvestDue(table, day(3.99)); due != nil {
		t.Error("harvest is due before its time")
	}
	due := s.HarvestDue(table, day(4))
	if len(due) != 1 || due[0].Batch != "a" || !due[0].From.Equal(day(4)) || !due[0].Until.Equal(day(7)) || due[0].Flush != 1 {
		t.Errorf("harvest due: %+v", due)
	}
	picked := ok(s.Harvest("a", 500, false, day(5)))
	if picked.HarvestDue(table, day(6)) != nil {
		t.Error("harvest is due although picking has begun")
	}
	if s.Overdue(table, day(8.7)) != nil {
		t.Error("overdue before its time")
	}
	late := picked.Overdue(table, day(8.75))
	if len(late) != 1 || late[0].Batch != "a" || !late[0].From.Equal(day(8.75)) {
		t.Errorf("overdue: %+v", late)
	}
	second := add(t, s, oyster("b", species.Fruiting), day(1))
	if due := second.HarvestDue(table, day(5)); len(due) != 2 || due[0].Batch != "a" || due[1].Batch != "b" {
		t.Errorf("two harvests due: %+v", due)
	}
	if late := second.Overdue(table, day(9.75)); len(late) != 2 || late[0].Batch != "a" || late[1].Batch != "b" {
		t.Errorf("two overdue: %+v", late)
	}
	if c := s.Calendar(table); len(c) != 2 || c[0].Batch != "a" || c[1].Batch != "slow" || !c[1].From.Equal(day(60)) {
		t.Errorf("calendar %+v", c)
	}
	var names []string
	for _, d := range add(t, add(t, s, oyster("a-10", species.Fruiting), day(0)), oyster("a-2", species.Fruiting), day(0)).Calendar(table) {
		names = append(names, d.Batch)
	}
	if want := []string{"a", "a-2", "a-10", "slow"}; !slices.Equal(names, want) {
		t.Errorf("put in at the same moment: %v, want %v", names, want)
	}
	gone := ok(s.Retire("a", day(5)))
	if gone.HarvestDue(table, day(9)) != nil {
		t.Error("a retired batch is due")
	}
}

func BenchmarkAim(b *testing.B) {
	s := add(b, crop.State{}, oyster("a", species.Fruiting), start)
	s = add(b, s, batchOf("b", "lentinula-edodes", species.Pinning), start)
	b.ReportAllocs()
	for b.Loop() {
		_, s = s.Aim(table, start)
	}
}

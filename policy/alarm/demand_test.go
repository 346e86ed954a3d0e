package alarm

import (
	"math"
	"testing"
)

// TestDemand goes from pinning to fruiting and back, worked by hand: a crop that makes 2,000 ppm an hour beside a room of 500 ppm asks
// for 6.67 changes an hour below 800 ppm and for 4 below 1,000, 0.6 times as many, of which the fan follows 0.6^0.7 = 0.699. Each lacks
// 0.90 x 15.37 - 8 = 5.83 g/m³ instead of 0.95 x 15.37 - 8 = 6.60, 0.884 times as much. Saturated air of 18 °C holds 15.37 g/m³
// (saturation at 2,064.7 Pa, WMO-No. 8, by the gas law).
func TestDemand(t *testing.T) {
	pinning, fruiting := Asked{Humidity: 0.95, CO2Max: 800, Changes: 8}, Asked{Humidity: 0.90, CO2Max: 1000, Changes: 4}
	known := Demand{Made: 2000.0 / 3600, RoomCO2: 500, RoomVapor: 8, Full: 15.37, Leak: 0.5 / 3600}
	blind := known
	blind.Made = 0 // the table's air changes count, half as many: 0.5^0.7 = 0.616
	wet := known
	wet.RoomVapor = 14.5 // a room that is damper than the chamber should be: next to nothing is needed for either
	for _, c := range []struct {
		name        string
		d           Demand
		now, before Asked
		want        float64
	}{
		{"to fruiting", known, fruiting, pinning, 0.699 * 0.884},
		{"to pinning", known, pinning, fruiting, 1 / (0.699 * 0.884)},
		{"without CO2", blind, fruiting, pinning, 0.616 * 0.884},
		{"in a damp room", wet, fruiting, pinning, 1},
		{"the same", known, fruiting, fruiting, 1},
		{"first of all", known, fruiting, Asked{}, 1},
		{"nothing known", Demand{}, fruiting, pinning, 1},
	} {
		if got := c.d.times(&c.now, &c.before); math.Abs(got/c.want-1) > 0.01 {
			t.Errorf("%s: %.3f times as much, want %.3f", c.name, got, c.want)
		}
	}
}

// TestUseOfAnotherStage has a day's use of a quarter of each hour for what needs twice as much from now on: three hours of output
// last six hours instead of twelve, and less is known of that than was.
func TestUseOfAnotherStage(t *testing.T) {
	var u Use
	for range 48 {
		u.advance(0.25, 1)
	}
	was, doubt := u.last(3), u.doubt(12)
	u.scale(2)
	if is := u.last(3); math.Abs(was-12) > 0.01 || math.Abs(is-6) > 0.01 {
		t.Errorf("lasts %.1f h, and then %.1f; want 12 and 6", was, is)
	}
	if is := u.doubt(12); is < 2*doubt {
		t.Errorf("doubts %.2f instead of %.2f", is, doubt)
	}
	for range 24 {
		u.advance(0.5, 1)
	}
	if is := u.doubt(12); is != doubt {
		t.Errorf("a day later doubts %.2f, want %.2f", is, doubt)
	}
}

// TestReckoningIsMended: what physics says of the use at another stage may be wrong by a factor of two, and the first hours there show
// it. Water for 20 hours of what is truly used must not look as if it lasted for twice as long until a day has passed.
func TestReckoningIsMended(t *testing.T) {
	const truth = 0.6 // hours of full output an hour, where 0.3 is reckoned
	u := Use{}
	u.advance(48*0.2, 48)
	u.scale(1.5)
	for _, c := range []struct {
		hours  int
		within float64 // of the truth
	}{{1, 20}, {6, 5}, {12, 2}} {
		for u.Since < c.hours {
			u.advance(truth/4, 0.25)
		}
		if last := u.last(20 * truth); math.Abs(last-20) > c.within {
			t.Errorf("after %d hours what lasts for 20 hours is said to last for %.1f, want within %.0f", c.hours, last, c.within)
		}
	}
	if u.doubt(20) > 0.25 || u.doubt(20) < useDoubt*0.9 {
		t.Errorf("after 12 hours the forecast is doubted by %.2f", u.doubt(20))
	}
}

package alarm

import (
	"math"
	"testing"
)

// TestAccount has CO2 follow its balance, dC/dt = made - (leak + fan) (C - room), with a fan that runs a third of the time and
// moves a share of what was learned of it, seen through a sensor of three minutes' lag.
func TestAccount(t *testing.T) {
	moves := Exchange{Made: 0.6, Fan: 60.0 / 3600, Leak: 0.5 / 3600, Room: 450}
	for _, c := range []struct {
		moved float64
		still bool
	}{{1, false}, {0.5, false}, {0, true}} {
		var a Account
		co2, seen := 750.0, 7.5
		const dt = 2.0
		stillAt := 0.0
		for s := 0.0; s < 6*3600; s += dt {
			output, share := 0.0, 1.0
			if math.Mod(s, 300) < 100 {
				output = 1
			}
			if s >= 3*3600 {
				share = c.moved
			}
			co2 += dt * (moves.Made - (moves.Leak+moves.Fan*output*share)*(co2-moves.Room))
			seen += dt / 180 * (co2/fanUnit - seen)
			a.advance(seen, output, dt, co2 > 800, false, &moves)
			if a.Still && stillAt == 0 {
				stillAt = s
			}
		}
		if a.Still != c.still {
			t.Errorf("a fan that moves %.0f %% of what it did: still %v after three hours", 100*c.moved, a.Still)
		}
		if c.still && (stillAt < 3*3600 || stillAt > 3.75*3600) {
			t.Errorf("found %.0f min after it moved nothing; want within 45", (stillAt-3*3600)/60)
		}
	}
}

// TestAccountBesideTheRoom has a fan that keeps a chamber within 50 ppm of its room: there is hardly anything to carry off at a time,
// but 2,200 ppm an hour that the crop makes are gone, as long as it moves air. One that moves none, with leaks that do it instead,
// shows nothing.
func TestAccountBesideTheRoom(t *testing.T) {
	for _, c := range []struct {
		fan, leak float64 // air changes a second, in truth
		want      bool
	}{{60.0 / 3600, 0.5 / 3600, true}, {0, 0.5 / 3600, false}, {0, 20.0 / 3600, false}} {
		moves := Exchange{Made: 0.6, Fan: 60.0 / 3600, Leak: c.leak, Room: 450}
		var a Account
		co2, moved := 490.0, false
		const dt = 2.0
		for s := 0.0; s < 3*3600; s += dt {
			co2 += dt * (moves.Made - (c.leak+c.fan)*(co2-moves.Room))
			moved = a.advance(co2/fanUnit, 1, dt, false, false, &moves) || moved
		}
		if moved != c.want {
			t.Errorf("%+v: moves air %v", c, moved)
		}
	}
}

// TestAccountOfAnInventedCrop has a fan that moves nothing beside a learner that explains it by a crop that makes as much as the
// fan should carry off. Where the air stays wet, such a crop is not believed in; where it does not, fresh blocks may be that crop.
func TestAccountOfAnInventedCrop(t *testing.T) {
	for _, wet := range []bool{true, false} {
		moves := Exchange{Made: 0.2, Fan: 60.0 / 3600, Leak: 0.5 / 3600, Room: 450}
		var a Account
		co2, stillAt := 500.0, 0.0
		const dt = 2.0
		for s := 0.0; s < 14*3600; s += dt {
			output := 0.0
			if math.Mod(s, 300) < 100 {
				output = 1
			}
			moved := moves.Fan * output
			if s >= 12*3600 {
				moved = 0
				moves.Made += dt / 3600 * (moves.Fan/3*(co2-moves.Room) - moves.Made)
			}
			co2 += dt * (0.2 - (moves.Leak+moved)*(co2-moves.Room))
			a.advance(co2/fanUnit, output, dt, co2 > 800, wet, &moves)
			if a.Still && stillAt == 0 {
				stillAt = s
			}
		}
		if found := stillAt > 12*3600 && stillAt < 13.5*3600; found != wet {
			t.Errorf("wet %v: found %v, %.0f min after it moved nothing", wet, found, (stillAt-12*3600)/60)
		}
	}
}

// TestBrief: where saturated air holds twice the room's vapor, half of the air must be changed for a dip of 25 points, for which
// a fan of 60 changes an hour takes ln 2 min = 41.6 s; in a room that is as damp, no run is long enough but one that dries anyway.
func TestBrief(t *testing.T) {
	for _, c := range []struct{ changes, times, want float64 }{
		{60.0 / 3600, 2, 60 * math.Ln2}, {600.0 / 3600, 2, dryingBrief}, {60.0 / 3600, 1, dryingRun}, {60.0 / 3600, 1.2, dryingRun},
		{0, 2, dryingRun}, {60.0 / 3600, 0, dryingRun}, {1.0 / 3600, 2, dryingRun},
	} {
		if got := brief(c.changes, c.times); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%g changes a second, %g times the room's vapor: %g s, want %g", c.changes, c.times, got, c.want)
		}
	}
}

// TestAccountOfADoorThatWasOpen has a sound fan beside a learner that took a door, open for two hours, for a leak of 18 changes an
// hour: by it hardly anything would be left of what the crop makes for the fan to carry off.
func TestAccountOfADoorThatWasOpen(t *testing.T) {
	moves := Exchange{Made: 0.5, Fan: 60.0 / 3600, Leak: 0.5 / 3600, Room: 500}
	var a Account
	co2 := 600.0
	const dt = 2.0
	for s := 0.0; s < 16*3600; s += dt {
		output := 0.0
		if math.Mod(s, 300) < 100 {
			output = 1
		}
		if s == 12*3600 {
			moves.Leak = 18.0 / 3600
		}
		co2 += dt * (0.5 - (0.5/3600+60.0/3600*output)*(co2-500))
		a.advance(co2/fanUnit, output, dt, true, false, &moves)
		if a.Still {
			t.Fatalf("a sound fan moves nothing after %.1f h", s/3600)
		}
	}
}

// TestAccountFollowsTheRoom has a room whose CO2 is measured at more than was learned of it, and at less: two sensors may be apart.
func TestAccountFollowsTheRoom(t *testing.T) {
	for _, c := range []struct {
		measured float64
		ok       bool
		want     float64
	}{{830, true, 830}, {600, true, 750}, {830, false, 750}} {
		s := detection{Detectors: &Detectors{}}
		var e Evidence
		s.e = &e
		e.Air.Room.CO2.Value, e.Air.Room.CO2.OK = c.measured, c.ok
		s.Door.Airing.Moves = Exchange{Made: 0.3, Fan: 0.03, Room: 750}
		if got := s.moves().Room; got != c.want {
			t.Errorf("measured %v (%v): reckons with %v, want %v", c.measured, c.ok, got, c.want)
		}
	}
}

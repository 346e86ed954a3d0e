package crop_test

import (
	"testing"
	"time"

	"gillkeeper/policy/crop"
	"gillkeeper/policy/species"
)

// breathe lets a batch breathe at a rate for some hours, a step a quarter of an hour.
func breathe(s crop.State, from time.Time, hours int, gPerH float64) (crop.State, time.Time) {
	for range 4 * hours {
		from = from.Add(15 * time.Minute)
		s = s.Breathe(from, gPerH)
	}
	return s, from
}

// TestPinsAreProposedAsFruit: a batch that pins breathes a third more after a day and a half: fruit is growing. Its days
// (3 to 5 are usual) make that sure.
func TestPinsAreProposedAsFruit(t *testing.T) {
	s := add(t, crop.State{}, oyster("a", species.Pinning), start)
	s, now := breathe(s, start, 24, 1.0)
	if p := s.Proposals(table, now); len(p) != 0 {
		t.Fatalf("after a quiet day %+v", p)
	}
	s, now = breathe(s, now, 14, 1.4)
	p := s.Proposals(table, now)
	if len(p) != 1 || p[0].To != species.Fruiting || !p[0].ByBreath || p[0].ByTime || p[0].Sure || p[0].Was != 1.0 || p[0].Is < 1.25 {
		t.Fatalf("with fruit growing %+v", p)
	}
	s, now = breathe(s, now, 40, 1.4)
	if p := s.Proposals(table, now); len(p) != 1 || !p[0].ByTime || !p[0].Sure || p[0].Low != 3 || p[0].High != 5 {
		t.Fatalf("on the fourth day %+v", p)
	}
	s = must(t)(s.SetStage("a", species.Fruiting, now))
	s = s.Breathe(now.Add(time.Minute), 1.4)
	if p := s.Proposals(table, now.Add(time.Minute)); len(p) != 0 {
		t.Errorf("just moved, and %+v", p)
	}
}

// TestAPickedFlushIsProposedToRest: only who picks knows that a flush is over; then the fall of its breath says so too.
func TestAPickedFlushIsProposedToRest(t *testing.T) {
	s := add(t, crop.State{}, oyster("a", species.Fruiting), start)
	s, now := breathe(s, start, 10*24, 2.0)
	if p := s.Proposals(table, now); len(p) != 0 {
		t.Fatalf("unpicked after ten days: %+v", p)
	}
	s = must(t)(s.Harvest("a", 900, false, now))
	s, now = breathe(s, now, 24, 0.8)
	p := s.Proposals(table, now)
	if len(p) != 1 || p[0].To != species.Rest || !p[0].ByBreath || p[0].ByTime || p[0].Was != 2.0 || p[0].Is > 1.4 {
		t.Fatalf("a day after the picking %+v", p)
	}
	s, now = breathe(s, now, 30, 0.8)
	if p := s.Proposals(table, now); len(p) != 1 || !p[0].Sure {
		t.Errorf("two days after the picking %+v", p)
	}
}

// TestWhoseBreath: of two batches nobody can tell, so only time speaks; a colonization is never moved before its days.
func TestWhoseBreath(t *testing.T) {
	s := add(t, crop.State{}, oyster("a", species.Pinning), start)
	s = add(t, s, oyster("b", species.Colonization), start)
	s, now := breathe(s, start, 60, 1.0)
	s, now = breathe(s, now, 40, 2.0)
	p := s.Proposals(table, now)
	if len(p) != 1 || p[0].Batch != "a" || p[0].ByBreath || !p[0].ByTime || s.Breath != (crop.Breath{}) {
		t.Errorf("two batches: %+v, %+v", p, s.Breath)
	}
	one := add(t, crop.State{}, oyster("b", species.Colonization), start)
	one, now = breathe(one, start, 48, 2.0)
	one, now = breathe(one, now, 48, 1.0)
	if p := one.Proposals(table, now); len(p) != 0 {
		t.Errorf("colonized after four days: %+v", p)
	}
}

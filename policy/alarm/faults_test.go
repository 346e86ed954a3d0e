package alarm_test

import (
	"testing"
	"time"

	"gillkeeper/policy/alarm"
	"gillkeeper/policy/plant"
	"gillkeeper/policy/species"
)

// TestFaultsInSimulatedChambers throws one fault at a time at a chamber that has run for a while, and waits for the
// alarm that names it. The short version throws but one; with -chambers 8 it throws all, at four chambers each.
func TestFaultsInSimulatedChambers(t *testing.T) {
	if testing.Short() {
		t.Skip("simulates days")
	}
	long := *chambers > 1
	for _, c := range []struct {
		kind   plant.FaultKind
		index  int // of the sensor or plug, as plant.Equip orders them
		amount float64
		alarm  alarm.Name
		within time.Duration
		misses int // that are borne, per ten
	}{
		{plant.SensorSilent, 0, 0, alarm.SensorSilent, 10 * time.Minute, 0},
		{plant.SensorStuck, 0, 0, alarm.SensorStuck, 4 * time.Hour, 0},
		{plant.SensorSaturated, 2, 0, alarm.SensorStuck, 4 * time.Hour, 1},
		{plant.SensorDrift, 0, -0.05, alarm.SensorDisagrees, 6 * time.Hour, 0}, // 5 points an hour; upward it would end as saturated
		{plant.PlugWelded, 0, 0, alarm.PlugDisobeys, 30 * time.Minute, 0},
		{plant.PlugDisobeys, 1, 0, alarm.PlugDisobeys, 3 * time.Hour, 0},
		{plant.LoadDead, 1, 0, alarm.FanFailed, 6 * time.Hour, 1},
	} {
		if !long && c.kind != plant.SensorStuck {
			continue
		}
		var delays []float64
		missed, n := 0, max(1, *chambers/2)
		for seed := range n {
			b := newBench(*firstSeed+uint64(seed), species.Fruiting, c.kind != plant.LoadDead)
			b.run(14*time.Hour, nil)
			if b.alarms.Active(c.alarm) {
				t.Errorf("%s: %s stood already with seed %d", c.kind, c.alarm, seed)
			}
			b.rig.Faults = append(b.rig.Faults, plant.Fault{Kind: c.kind, Index: c.index, Amount: c.amount, From: b.rig.Seconds()})
			from := b.now
			b.run(c.within, func() bool { return !b.alarms.Active(c.alarm) })
			if !b.alarms.Active(c.alarm) {
				missed++
				t.Logf("%s missed with seed %d: %+v", c.kind, seed, *b.conds.Of(c.alarm))
				continue
			}
			delays = append(delays, b.now.Sub(from).Minutes())
		}
		t.Logf("%-18s %-17s minutes: %s; %d of %d missed", c.kind, c.alarm, spread(delays), missed, n)
		if missed > (n*c.misses+9)/10 {
			t.Errorf("%s: %d of %d missed", c.kind, missed, n)
		}
	}
}

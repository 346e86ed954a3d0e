package policy

import (
	"errors"
	"math"
	"testing"
	"time"

	"gillkeeper/policy/air"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/learn"
	"gillkeeper/policy/species"
)

// TestFanShare: 0.5 m³ with 12 g/h at 20 °C at sea level, where 1 ppm is 1.829 mg/m³ (44.0095 g/mol · 101325 Pa /
// (8.314 J/(mol K) · 293.15 K) = 1829.6 g/m³ of pure gas). Held at 0.9 · 1000 ppm in a room of 400 ppm, each air
// change carries off 0.5 · 500 · 1.8296 mg = 0.4574 g, so that 26.24 changes an hour are needed. A fan that makes 60
// beside a leak of 1 runs (26.24 − 1) / (60 − 1) = 42.8 % of the time.
func TestFanShare(t *testing.T) {
	k := learn.Knowledge{FanOn: learn.Learned{Value: 60}, FanOff: learn.Learned{Value: 1}, CO2GPerH: learn.Learned{Value: 12}}
	room := chamber.Estimate{Value: 400, At: time.Unix(1, 0)}
	for _, c := range []struct{ max, want float64 }{{1000, 0.4278}, {600, 1}, {100_000, 0}} {
		got, ok := fanShare(&k, &crop.Target{OK: true, CO2MaxPPM: c.max}, 0.5, room, 20, 101_325)
		if !ok || math.Abs(got-c.want) > 5e-4 {
			t.Errorf("limit %g ppm: %g, want %g", c.max, got, c.want)
		}
	}
	// Without a limit the table's air changes count: (30 − 1) / 59.
	if got, _ := fanShare(&k, &crop.Target{OK: true, FAEPerHour: 30}, 0.5, room, 20, 101_325); math.Abs(got-29.0/59) > 1e-9 {
		t.Errorf("by air changes: %g", got)
	}
}

// TestMistLiters: saturated air at 20 °C holds 17.3 g of vapor in a cubic meter (steam tables: 1 / 57.8 m³/kg). From 45 % to
// 90 % that is 7.785 g; for the 26.24 changes of 0.5 m³ above, 102.1 g an hour. Where six tenths of the mist become vapor,
// 170.2 g an hour are drawn, 4.085 L a day.
func TestMistLiters(t *testing.T) {
	in, ok1 := air.New(20, 0.90, 101_325)
	room, ok2 := air.New(20, 0.45, 101_325)
	if got := mistLiters(26.24*0.5, &in, &room, 0.6); !ok1 || !ok2 || math.Abs(got-4.085) > 0.03 {
		t.Errorf("%g L a day, want 4.085", got)
	}
	if got := mistLiters(26.24*0.5, &room, &in, 0.6); got != 0 {
		t.Errorf("a room more humid than is wanted takes %g L", got)
	}
}

func TestPreview(t *testing.T) {
	now := time.Date(2026, 4, 21, 8, 0, 0, 0, time.UTC)
	p := &Policy{Climates: species.Builtin(), Spec: &chamber.Spec{Name: "loft", VolumeM3: 0.5,
		Plugs: []chamber.Plug{{Name: "fan", Role: chamber.ExhaustFan}}}}
	s := p.Fresh(now)
	add := Action{ID: "1", Kind: BatchAdd, Batch: "b", Species: "pleurotus-ostreatus", SubstrateKg: 10, DryKg: 4, Stage: species.Pinning}
	v, err := p.Preview(&s, add, now)
	if err != nil || v.Before.OK || !v.After.OK || len(v.State.Crop.Batches) != 1 {
		t.Fatalf("a first batch: %v %+v", err, v.After)
	}
	if len(s.Crop.Batches) != 0 || len(s.Done) != 0 {
		t.Error("the state was written to")
	}
	if v.UpkeepAfter.OK {
		t.Error("a chamber of which nothing is known has an upkeep")
	}
	s = v.State
	row, _ := p.Climates.Lookup("pleurotus-ostreatus", species.Fruiting)
	v, err = p.Preview(&s, Action{ID: "2", Kind: StageSet, Batch: "b", Stage: species.Fruiting}, now)
	if err != nil || v.After.CO2MaxPPM != row.CO2MaxPPM || v.After.Stage != species.Fruiting || v.Before.Stage != species.Pinning {
		t.Errorf("a stage: %v, CO2 limit %g, want the table's %g", err, v.After.CO2MaxPPM, row.CO2MaxPPM)
	}
	_, err = p.Preview(&s, Action{ID: "3", Kind: StageSet, Batch: "other", Stage: species.Fruiting}, now)
	if _, refused := errors.AsType[*Refusal](err); !refused {
		t.Errorf("a batch that is not there: %v", err)
	}
}

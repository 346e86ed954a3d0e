package control

import (
	"math"
	"time"
)

// Trim takes off the aim of a plan most of what humidity has stood beside it for long.
//
// A plan goes wrong where the chamber does what the model cannot: where little of the walls is wet and dries for hours, air was
// foreseen to dry by itself that never did, and stood two points above its aim for a day, each plan waiting for what the
// last had waited for. Of what lies to one side for an hour it does not matter why.
type Trim struct {
	At     time.Time `json:"at,omitzero"` // of the last look; zero: none yet
	Beside float64   `json:"beside"`      // by how much relative humidity would stand above the aim on average if nothing were taken off
}

const (
	trimMemory = time.Hour
	trimMost   = 0.025
	// trimFree is left alone: what runs of the plugs cost has a good plan stand there, and were the mean brought to the aim itself, air
	// that dips with every run of the fan would dip deeper.
	trimFree = 0.006
	// trimHeeds is the most of it that counts: farther off is what plugs cannot help, or a disturbance.
	trimHeeds = 0.03
)

// value is the relative humidity that is taken off the aim.
func (t Trim) value() float64 {
	return clamp(t.Beside-clamp(t.Beside, -trimFree, trimFree), -trimMost, trimMost)
}

// take takes in the time since the last look, with the air so far off its aim now.
func (t Trim) take(now time.Time, off float64) Trim {
	dt := now.Sub(t.At)
	if t.At.IsZero() || dt < 0 || !(math.Abs(t.Beside) <= trimHeeds+trimMost) {
		return Trim{At: now}
	}
	beside := clamp(off, -trimHeeds, trimHeeds) + t.value()
	t.At = now
	t.Beside += (beside - t.Beside) * min(dt, time.Minute).Seconds() / trimMemory.Seconds()
	return t
}

package control

import (
	"math"
	"testing"
	"time"
)

// TestTrim: of what humidity stands beside its aim all is taken off but six parts in a thousand, as a mean over an hour tells it: after
// an hour at two points beside it, (1-1/e) of them. What is far off counts as three points, time that nobody watched as a minute.
func TestTrim(t *testing.T) {
	const hour = 1 - 1/math.E
	for _, c := range []struct {
		name      string
		off       func(trim float64) float64 // from the aim, with that taken off
		every, in time.Duration
		want      float64
	}{
		{"an hour at a humidity that no aim moves", func(float64) float64 { return 0.005 }, 10 * time.Second, time.Hour, 0},
		{"a day two points above, which the aim moves", func(trim float64) float64 { return 0.02 - trim }, 10 * time.Second, 24 * time.Hour, 0.014},
		{"an hour of it", func(trim float64) float64 { return 0.02 - trim }, 10 * time.Second, time.Hour, 0.02*hour - 0.006},
		{"a day two points below", func(trim float64) float64 { return -0.02 - trim }, 10 * time.Second, 24 * time.Hour, -0.014},
		{"a day far below, whatever the aim", func(float64) float64 { return -0.2 }, 10 * time.Second, 24 * time.Hour, -0.025},
		{"a door for 20 minutes", func(float64) float64 { return -0.2 }, 10 * time.Second, 20 * time.Minute, -(0.03*(1-math.Exp(-1.0/3)) - 0.006)},
		{"six looks in a day", func(trim float64) float64 { return 0.02 - trim }, 4 * time.Hour, 24 * time.Hour, 0},
	} {
		now := time.Unix(1e9, 0)
		trim := Trim{}.take(now, 0)
		for end := now.Add(c.in); now.Before(end); {
			now = now.Add(c.every)
			trim = trim.take(now, c.off(trim.value()))
		}
		if math.Abs(trim.value()-c.want) > 2e-4 {
			t.Errorf("%s: %.4f, want %.4f", c.name, trim.value(), c.want)
		}
	}
	for _, odd := range []Trim{{At: time.Unix(1e9+60, 0), Beside: 0.01}, {At: time.Unix(1e9-60, 0), Beside: 1}, {At: time.Unix(1e9-60, 0), Beside: math.NaN()}} {
		now := time.Unix(1e9, 0)
		if got := odd.take(now, 0.02); got != (Trim{At: now}) {
			t.Errorf("%+v: goes on with %+v", odd, got)
		}
	}
}

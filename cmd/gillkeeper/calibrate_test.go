package main

import (
	"context"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"gillkeeper/bridge/web/webtest"
)

// jar is what the sensors of chamber loft are put into, one thing after the other. A waiting command makes the twin's time
// pass.
type jar struct {
	twin   *webtest.Twin
	passed time.Duration
	next   []jarAir
}

type jarAir struct {
	from time.Duration
	air  webtest.Air
	heat float64 // K per hour
}

type jarKey struct{}

// fillJar takes what the sensors are in, and from when on: "jar 0s rh=0.78 t=20" adds to "jar 0s …" before it.
func fillJar(ts *testscript.TestScript, neg bool, args []string) {
	j := ts.Value(jarKey{}).(*jar)
	from, err := time.ParseDuration(args[0])
	ts.Check(err)
	if from == 0 {
		j.passed, j.next = 0, nil
	}
	x := jarAir{from: from, air: webtest.Air{RH: 0.885, TemperatureC: 20, CO2: 640, RoomRH: 0.45, RoomC: 18}}
	for _, arg := range args[1:] {
		name, value, _ := strings.Cut(arg, "=")
		v, err := strconv.ParseFloat(value, 64)
		ts.Check(err)
		*map[string]*float64{"rh": &x.air.RH, "t": &x.air.TemperatureC, "co2": &x.air.CO2, "heat": &x.heat}[name] = v
	}
	j.next = append(j.next, x)
}

// wait lets the twin's time pass instead.
func (j *jar) wait(ctx context.Context, d time.Duration) error {
	for _, x := range slices.Backward(j.next) {
		if j.passed >= x.from {
			x.air.TemperatureC += x.heat * j.passed.Hours()
			j.twin.SetAir("loft", x.air)
			break
		}
	}
	j.passed += d
	j.twin.Pass(d)
	return ctx.Err()
}

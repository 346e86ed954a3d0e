package main

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"gillkeeper/bridge/web"
	"gillkeeper/bridge/web/webtest"
	"gillkeeper/policy"
)

// A calibration whose terminal is closed, or whose output nobody reads any more, does not leave the sensor aside.
func TestCalibrationLeavesNothingAside(t *testing.T) {
	for _, sent := range []syscall.Signal{syscall.SIGHUP, syscall.SIGPIPE} {
		t.Run(sent.String(), func(t *testing.T) {
			t.Parallel()
			twin := webtest.New()
			s, err := web.New(web.Options{Listen: "127.0.0.1:0", Backend: twin, Now: twin.Now})
			if err != nil {
				t.Fatal(err)
			}
			serve, stop := context.WithCancel(t.Context())
			served := make(chan error, 1)
			go func() { served <- s.Run(serve) }()
			defer func() {
				stop()
				<-served
			}()
			aside := func() bool {
				snap, _ := twin.Snapshot("loft")
				return slices.ContainsFunc(snap.State.Sensors, func(x policy.SensorState) bool { return snap.Wall.Before(x.Aside) })
			}
			ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
			defer cancel()
			cmd := exec.CommandContext(ctx, "gillkeeper", "calibrate", "loft", "chamber-co2", "--fresh-air", "--yes", "--server", "http://"+s.Addr().String())
			var errs bytes.Buffer
			cmd.Stderr = &errs
			out, err := cmd.StdoutPipe()
			if err != nil {
				t.Fatal(err)
			}
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			lines := bufio.NewScanner(out)
			for lines.Scan() && !strings.Contains(lines.Text(), "ppm, 0 s") {
			}
			if !aside() {
				t.Fatalf("the sensor was never set aside: %s", &errs)
			}
			if err := cmd.Process.Signal(sent); err != nil {
				t.Fatal(err)
			}
			if _, err := io.Copy(io.Discard, out); err != nil {
				t.Fatal(err)
			}
			if err := cmd.Wait(); cmd.ProcessState.ExitCode() != exitNo || !strings.Contains(errs.String(), "stopped; nothing was changed") {
				t.Errorf("ended with %v: %s", err, &errs)
			}
			if aside() {
				t.Error("the sensor is still set aside")
			}
		})
	}
}

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

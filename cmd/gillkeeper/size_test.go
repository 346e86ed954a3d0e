package main

import (
	"strings"
	"testing"
)

func TestSizeExitStatus(t *testing.T) {
	const good = "size --volume 1 --load 5 --species pleurotus-ostreatus --room 20,45,500"
	for _, c := range []struct {
		args string
		want int
	}{
		{good, exitDone},
		{good + " --json", exitDone},
		{"size", exitUsage},
		{good + " --nonsense", exitUsage},
		{good + " --summer 20,45,500", exitUsage},
		{good + " --load heavy", exitUsage},
		{good + " --stage sleeping", exitNo},
		{good + " --species unknown", exitNo},
		{good + " --covering felt", exitNo},
		{good + " --sides 1x1x1", exitNo},
		{good + " --altitude 9000", exitNo},
		{good + " --room NaN,45,500", exitNo},
		{good + " --humidity 90,85", exitNo},
	} {
		code, stdout, stderr := invoke(t, nil, strings.Fields(c.args)...)
		if code != c.want {
			t.Errorf("%s: exit status %d, want %d: %s", c.args, code, c.want, stderr)
		}
		if (code == exitDone) == (stdout == "") || code != exitDone && strings.Count(stderr, "\n") != 1 {
			t.Errorf("%s: %d bytes, and %q", c.args, len(stdout), stderr)
		}
	}
}

func TestFigureRoundsToWhatIsKnown(t *testing.T) {
	for v, want := range map[float64]string{0: "0", 1.847: "1.8", 0.0346: "0.035", 12.66: "13", 455: "460", 995: "1000", -0.58: "-0.58", 2.0: "2.0", 9.99: "10", 0.0001: "0", 0.00123: "0.001"} {
		if got := figure(v); got != want {
			t.Errorf("%g: %q, want %q", v, got, want)
		}
	}
}

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

// TestWrongWordsAreAnsweredWithRightOnes: who mistypes a stage or knows a genus only need not look it up.
func TestWrongWordsAreAnsweredWithRightOnes(t *testing.T) {
	const size = "size --volume 0.5 --load 5 --room 20,45,500 --species "
	for args, says := range map[string]string{
		size + "pleurotus-ostreatus --stage pining": `did you mean "pinning"`,
		size + "nope": "gillkeeper species lists what is",
		size + "pleurotus-ostreatus --load 5000000":                 "load is 5000000 kg of blocks and 0 kg of fruit: give at most 100000 kg of each",
		size + "pleurotus-ostreatus --humidity 95,90":               "--humidity: 95 comes before 90; give the lower number first",
		size + "pleurotus-ostreatus --units us --temperature 70,60": "--temperature: 70 comes before 60; give the lower number first",
		"species Pleurotus":           "pleurotus-eryngii, pleurotus-ostreatus",
		"species pleurotus-ostreatis": `did you mean "pleurotus-ostreatus"`,
	} {
		if code, _, stderr := invoke(t, nil, strings.Fields(args)...); code != exitNo || !strings.Contains(stderr, says) {
			t.Errorf("%s: %d, %q does not say %q", args, code, stderr, says)
		}
	}
}

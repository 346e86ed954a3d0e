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
	const sized = "size --load 20 --room 21,50,600 --species pleurotus-ostreatus "
	for args, says := range map[string]string{
		size + "pleurotus-ostreatus --stage pining": `did you mean "pinning"`,
		size + "nope": "gillkeeper species lists what is",
		size + "pleurotus-ostreatus --load 5000000":                 "load is 5000000 kg of blocks and 0 kg of fruit: give at most 100000 kg of each",
		size + "pleurotus-ostreatus --humidity 95,90":               "--humidity: 95 comes before 90; give the lower number first",
		size + "pleurotus-ostreatus --units us --temperature 70,60": "--temperature: 70 comes before 60; give the lower number first",
		// In the units typed: 500 m³ are 17657 ft³ and 0.02 m³ 0.70629, 0.1 m 0.32808 ft, 5000 m 16404 ft, 100000 kg 220462 lb, 0.1 m³/h
		// 0.058858 cfm, 0.05 L 0.052834 qt (NIST SP 811). What is asked for is rounded into what is allowed.
		sized + "--units us --volume 0.5":                     "volume is 0.5 ft³: it must be 0.707 to 17600 ft³",
		sized + "--units us --sides 0.3x2x2":                  "sides are 0.3, 2 and 2 ft: each must be at least 0.329 ft",
		sized + "--units us --volume 20 --altitude 20000":     "altitude is 20000 ft: it must be -1640 to 16400 ft",
		sized + "--units us --volume 20 --temperature 20,120": "wanted temperature is 20 to 120 °F: it must rise and lie in 33.8 to 104 °F",
		sized + "--units us --volume 20 --load 300000":        "load is 300000 lb of blocks and 0 lb of fruit: give at most 220000 lb of each",
		sized + "--units us --volume 20 --fan 0.01":           "fan flow is 0.01 cfm: it must be 0 (no fan) or 0.0589 to 58800 cfm",
		sized + "--units us --volume 20 --reservoir 0.01":     "reservoir is 0.01 qt: it must be 0 (unknown) or 0.0529 to 105000 qt",
		sized + "--units us --volume 20 --room 150,50,500":    "room temperature is 150 °F: it must be -4 to 122 °F",
		sized + "--volume 0.01":                               "volume is 0.01 m³: it must be 0.02 to 500 m³",
		sized + "--volume 20 --humidity 0,50":                 "wanted humidity is 0 to 50 %: it must rise and lie above 0, up to 100 %",
		"species Pleurotus":                                   "pleurotus-eryngii, pleurotus-ostreatus",
		"species pleurotus-ostreatis":                         `did you mean "pleurotus-ostreatus"`,
	} {
		if code, _, stderr := invoke(t, nil, strings.Fields(args)...); code != exitNo || !strings.Contains(stderr, says) {
			t.Errorf("%s: %d, %q does not say %q", args, code, stderr, says)
		}
	}
}

// TestBoundsCanBeTyped: what an error says may be given is taken.
func TestBoundsCanBeTyped(t *testing.T) {
	const size = "size --brief --units us --species pleurotus-ostreatus --room 70,50,600 --load 20 "
	for _, args := range []string{"--volume 0.707", "--volume 17600", "--sides 0.329x20x2", "--volume 20 --altitude -1640", "--volume 20 --altitude 16400",
		"--volume 20 --temperature 33.8,104", "--volume 20 --fan 0.0589", "--volume 20 --reservoir 0.0529", "--volume 20 --fruit 220000"} {
		if code, _, stderr := invoke(t, nil, strings.Fields(size+args)...); code != 0 {
			t.Errorf("%s: %s", args, stderr)
		}
	}
}

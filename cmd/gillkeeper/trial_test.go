package main

import (
	"bytes"
	"context"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"gillkeeper/bridge/sim/lab"
)

// Ctrl-C ends the laboratory with a report of what there was until then, and says on standard error that it is no more.
func TestTrialIsStopped(t *testing.T) {
	t.Parallel()
	for _, args := range [][]string{{}, {"--json"}} {
		var out, errs bytes.Buffer
		a := newApp(strings.NewReader(""), &out, &errs, func(string) string { return "" })
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		code := a.run(ctx, append([]string{"trial", "--rules", "--chambers", "1000"}, args...))
		if code != exitNo || !strings.Contains(errs.String(), "gillkeeper: the laboratory was stopped before its end") {
			t.Errorf("%v: exit status %d, %q", args, code, &errs)
		}
		if len(args) == 0 {
			if s := out.String(); !strings.HasPrefix(s, "Stopped before the end") || !strings.Contains(s, "of 1000 chambers through") || !strings.Contains(s, "\nHealthy: ") {
				t.Errorf("printed:\n%s", s)
			}
			continue
		}
		var report struct {
			Stopped bool `json:"stopped"`
			Planned int  `json:"chambers_planned"`
		}
		if err := json.Unmarshal(out.Bytes(), &report); err != nil || !report.Stopped || report.Planned != 1000 {
			t.Errorf("%+v, %v of:\n%s", report, err, &out)
		}
	}
}

// What is named stands in the plan once, whatever else is named before or after it.
func TestFaultsNamed(t *testing.T) {
	count := func(words ...string) int {
		kinds, err := faultsNamed(words)
		if err != nil {
			t.Errorf("%v: %v", words, err)
		}
		return len(kinds)
	}
	usual, slow := len(lab.Kinds()), len(lab.SlowKinds())
	for _, c := range []struct {
		words []string
		want  int
	}{
		{[]string{"slow", "all"}, usual + slow}, {[]string{"all", "slow"}, usual + slow}, {[]string{"all", "rh_silent"}, usual},
		{[]string{"rh_silent", "rh_silent"}, 1}, {[]string{"none"}, 0},
	} {
		if got := count(c.words...); got != c.want {
			t.Errorf("%v: %d faults, want %d", c.words, got, c.want)
		}
	}
}

// A trial that did not hold takes hours to find: the report leaves none out.
func TestTrialPrintsAllThatDidNotHold(t *testing.T) {
	var out bytes.Buffer
	a := newApp(nil, &out, nil, func(string) string { return "" })
	r := lab.Report{Broken: 100}
	for i := range 100 {
		r.Bad = append(r.Bad, lab.Bad{Seed: uint64(1000 + i), What: "broken: something"})
	}
	a.printTrial(&trialFlags{days: 2}, &r)
	if n := strings.Count(out.String(), "broken: something"); n != 100 {
		t.Errorf("%d of 100 printed:\n%s", n, &out)
	}
}

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"strings"
	"testing"
	"time"
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

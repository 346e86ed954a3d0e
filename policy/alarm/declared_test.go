package alarm

import (
	"slices"
	"strings"
	"testing"
	"time"
)

// The matrix as it is meant, written out once more by hand.
func TestPriorityFollowsFromSeverityAndTime(t *testing.T) {
	for _, c := range []struct {
		s       Severity
		respond time.Duration
		want    Priority
	}{
		{Minor, 5 * time.Minute, Medium}, {Minor, 4 * time.Hour, Low}, {Minor, 48 * time.Hour, Low},
		{Partly, 30 * time.Minute, High}, {Partly, 12 * time.Hour, Medium}, {Partly, 13 * time.Hour, Low},
		{Flush, 10 * time.Minute, Urgent}, {Flush, 4 * time.Hour, High}, {Flush, 24 * time.Hour, Medium},
		{Person, 15 * time.Minute, Urgent}, {Person, 4 * time.Hour, High}, {Person, 24 * time.Hour, High},
	} {
		if got := priorityOf(c.s, c.respond); got != c.want {
			t.Errorf("severity %d within %s is %s, want %s", c.s, c.respond, got, c.want)
		}
	}
}

func TestDeclared(t *testing.T) {
	for i := range Declared {
		d := &Declared[i]
		if d.Name != names[i] {
			t.Fatalf("alarm %d is %s, want %s", i, d.Name, names[i])
		}
		for what, text := range map[string]string{"says": d.Says, "cause": d.Cause, "consequence": d.Consequence, "action": d.Action} {
			if len(text) < 6 || !strings.HasSuffix(text, ".") || strings.ContainsAny(text, "!—") {
				t.Errorf("%s %s: %q", d.Name, what, text)
			}
		}
		if d.Respond <= 0 || d.OnDelay >= d.Respond {
			t.Errorf("%s: on-delay %s must be shorter than the time to respond %s (ISA-18.2)", d.Name, d.OnDelay, d.Respond)
		}
		for _, other := range append(slices.Clone(d.SuppressedBy), d.FollowsFrom...) {
			if other.Index() < 0 || other == d.Name {
				t.Errorf("%s names %q", d.Name, other)
			}
			// One root cause: nothing that explains may itself be explained by what it explains.
			if o := Of(other); slices.Contains(o.SuppressedBy, d.Name) || slices.Contains(o.FollowsFrom, d.Name) {
				t.Errorf("%s and %s explain each other", d.Name, other)
			}
		}
	}
	for _, v := range Variants {
		for what, text := range map[string]string{"says": v.Says, "cause": v.Cause, "consequence": v.Consequence, "action": v.Action} {
			if len(text) < 6 || !strings.HasSuffix(text, ".") || strings.ContainsAny(text, "!—") || v.Alarm.Index() < 0 || v.Code == "" {
				t.Errorf("%s %s %s: %q", v.Alarm, v.Code, what, text)
			}
		}
	}
	if Name("humidity_odd").Index() != -1 {
		t.Error("found an alarm that is none")
	}
}

// The limits for people: OSHA 29 CFR 1910.1000 Table Z-1 (5000 ppm, eight hours), NIOSH Pocket Guide to Chemical
// Hazards (short term 30 000 ppm, IDLH 40 000 ppm).
func TestUnsafeLimits(t *testing.T) {
	if unsafeEightHours != 5000 || unsafeQuarterHour != 30000 || unsafeAtOnce != 40000 {
		t.Error("limits for people were changed")
	}
}

// The worked example of 29 CFR 1910.1000(d)(1)(i): two hours at 150 ppm, two at 75 and four at 50 give (2·150 + 2·75 +
// 4·50)/8 = 81.25 ppm.
func TestEightHourMean(t *testing.T) {
	var w window
	pass := func(v float64, hours float64) {
		for range int(hours * 3600 / 20) {
			w.add(v, true, 20, quarterSeconds, quarterSlots)
		}
	}
	pass(150, 2)
	if got := w.mean(quarterSeconds, quarterSlots); got < 37.4 || got > 37.6 {
		t.Errorf("after two hours %v, want 150·2/8 = 37.5", got)
	}
	pass(75, 2)
	pass(50, 4)
	if got := w.mean(quarterSeconds, quarterSlots); got < 81.2 || got > 81.3 {
		t.Errorf("mean is %v, want 81.25", got)
	}
	pass(0, 8)
	if got := w.mean(quarterSeconds, quarterSlots); got > 0.01 {
		t.Errorf("eight hours later %v is left", got)
	}
	pass(100, 8)
	for range 180 { // an hour without readings counts as the mean of the rest
		w.add(0, false, 20, quarterSeconds, quarterSlots)
	}
	if got := w.mean(quarterSeconds, quarterSlots); got < 99.9 || got > 100.1 {
		t.Errorf("with a gap %v, want 100", got)
	}
}

package words

import (
	"strings"
	"testing"
	"time"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/crop"
	"gillkeeper/policy/diagnose"
	"gillkeeper/policy/species"
)

// TestEverySignCauseAndQuestionHasWords reads them out of the package's source, so that a new one can't be forgotten.
func TestEverySignCauseAndQuestionHasWords(t *testing.T) {
	for _, s := range diagnose.Signs() {
		if Sign(s) == string(s) {
			t.Errorf("sign %s has no words", s)
		}
	}
	causes, asks := declared(t, "../../policy/diagnose/sign.go", "Cause"), declared(t, "../../policy/diagnose/sign.go", "Ask")
	if len(causes) != len(diagnose.Causes()) || len(asks) < 5 {
		t.Fatalf("causes %v, asks %v", causes, asks)
	}
	for _, c := range causes {
		if Cause(diagnose.Cause(c)) == c {
			t.Errorf("cause %s has no words", c)
		}
	}
	for _, a := range asks {
		if !strings.HasSuffix(Ask(diagnose.Ask(a)), "?") && !strings.Contains(Ask(diagnose.Ask(a)), "? ") {
			t.Errorf("%s is no question: %s", a, Ask(diagnose.Ask(a)))
		}
	}
	for _, k := range declared(t, "../../policy/diagnose/evidence.go", "FindingKind") {
		if s := (Words{}).Finding(&diagnose.Finding{Kind: diagnose.FindingKind(k), Quantity: chamber.CO2}, time.Time{}); s == k+"." || s == "" {
			t.Errorf("finding %s has no words", k)
		}
	}
}

func TestDiagnosisInWords(t *testing.T) {
	w := Words{Zone: time.FixedZone("", 3600)}
	now := time.Date(2026, 1, 13, 12, 0, 0, 0, time.UTC)
	f := diagnose.Finding{Kind: diagnose.FoundAbove, Quantity: chamber.CO2, Bound: 1000, Hours: 41.2, Of: 72, Extreme: 1812, Mean: 1104,
		At: time.Date(2026, 1, 12, 3, 20, 0, 0, time.UTC), Long: 8*time.Hour + 20*time.Minute, From: 3, Fan: 0.04, Mist: -1}
	want := "CO2 was above 1000 ppm for 41 of 72 h, 8 h 20 min at a stretch; its mean was 1104 ppm, highest 1812 ppm at 12 Jan 04:20. " +
		"It was highest from 03:00 to 06:00, while the fan ran 4 % of the time."
	if got := w.Finding(&f, now); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	f.From = 22
	if got := (Words{TwelveHour: true}).Finding(&f, now); !strings.Contains(got, " It was highest from 10:00 pm to 1:00 am, ") {
		t.Errorf("by a clock of twelve hours: %s", got)
	}
	busy := diagnose.Change{FanShort: true, FanWas: 0.89}
	if got, want := strings.Join(w.Change(&busy), " "), "The fan ran 89 % of the time and did not hold it: see that it moves air. Clean its filter, and look at its duct; only then take a larger one."; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	none := diagnose.Finding{Kind: diagnose.FoundNone, Quantity: chamber.Illuminance}
	if got := w.Finding(&none, now); got != "Too little is on record about light to go by." {
		t.Errorf("got %s", got)
	}
	c := diagnose.Change{CO2MaxPPM: 900, AirChanges: 3.83, AirChanged: 1.6, FanShare: 0.16, FanWas: 0.05, MistGPerH: 13.1, MistShare: 0.062, MistWas: 0.02, LitersADay: 0.42, LitersWas: 0.13}
	wantChange := "Set the CO2 limit to 900 ppm. That takes 3.8 air changes an hour; there were 1.6. The fan runs 16 % of the time instead of 5 %. " +
		"The fan then carries off 13 g/h of vapor. The humidifier runs 6.2 % of the time instead of 2.0 %: 0.4 L of water a day instead of 0.1 L."
	if got := strings.Join(w.Change(&c), " "); got != wantChange {
		t.Errorf("got  %s\nwant %s", got, wantChange)
	}
	p := crop.Proposal{From: species.Pinning, To: species.Fruiting, ByTime: true, Days: 4.2, Low: 3, High: 5, ByBreath: true, Was: 1, Is: 1.4}
	if got := strings.Join(w.Proposal(&p), " "); got != "It has been in pinning for 4.2 days; 3 to 5 are usual. The crop's respiration rose from 1.00 to 1.40 g/h of CO2 (both as at 20 °C)." {
		t.Errorf("got %s", got)
	}
}

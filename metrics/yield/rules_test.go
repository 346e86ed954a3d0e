package yield_test

import (
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"

	"gillkeeper/bridge/broker/realpart"
	"gillkeeper/metrics"
)

const rulesDir = "../../deploy/prometheus/"

// TestRecordingRules lets Prometheus' own tool check the rules and run their cases.
func TestRecordingRules(t *testing.T) {
	tool := realpart.Promtool(t)
	for _, args := range [][]string{{"check", "rules", rulesDir + "yield.rules.yml"}, {"test", "rules", rulesDir + "testdata/yield.test.yml"}} {
		if out, err := exec.CommandContext(t.Context(), tool, args...).CombinedOutput(); err != nil {
			t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
		}
	}
}

// TestRulesUseRealSeries: every series that the rules read is one that the daemon exposes or that a rule records.
func TestRulesUseRealSeries(t *testing.T) {
	text, err := os.ReadFile(rulesDir + "yield.rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	var known []string
	for _, f := range metrics.Families() {
		known = append(known, f.Name)
	}
	recorded := regexp.MustCompile(`record: (\S+)`).FindAllStringSubmatch(string(text), -1)
	for _, m := range recorded {
		known = append(known, m[1])
	}
	if len(recorded) < 10 {
		t.Fatalf("only %d rules found", len(recorded))
	}
	code := regexp.MustCompile(`(?m)^\s*#.*$`).ReplaceAllString(string(text), "")
	for _, name := range regexp.MustCompile(`\b(batch_stage:)?gillkeeper_[a-z0-9_:]+`).FindAllString(code, -1) {
		if !slices.Contains(known, name) {
			t.Errorf("the rules read %s, which nothing gives", name)
		}
	}
}

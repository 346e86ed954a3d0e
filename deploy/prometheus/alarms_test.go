package prometheus

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"gillkeeper/bridge/broker/realpart"
	"gillkeeper/policy/alarm"
)

var update = flag.Bool("update", false, "write alarms.rules.yml anew")

func TestFileIsWhatTheTableGives(t *testing.T) {
	if *update {
		if err := os.WriteFile("alarms.rules.yml", File(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile("alarms.rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, File()) {
		t.Error("alarms.rules.yml is not what the program's table gives; run go test ./deploy/prometheus -update")
	}
}

// alerts are the alarms of the program and what their alerts are called, written down by hand.
var alerts = map[alarm.Name]string{
	"humidity_low": "GillkeeperHumidityLow", "humidity_high": "GillkeeperHumidityHigh", "co2_high": "GillkeeperCO2High",
	"temperature_low": "GillkeeperTemperatureLow", "temperature_high": "GillkeeperTemperatureHigh",
	"reservoir_low": "GillkeeperReservoirLow", "reservoir_dry": "GillkeeperReservoirDry", "humidifier_weak": "GillkeeperHumidifierWeak",
	"fan_failed": "GillkeeperFanFailed", "filter_clogged": "GillkeeperFilterClogged", "plug_disobeys": "GillkeeperPlugDisobeys",
	"sensor_silent": "GillkeeperSensorSilent", "sensor_stuck": "GillkeeperSensorStuck", "sensor_disagrees": "GillkeeperSensorDisagrees",
	"chamber_open": "GillkeeperChamberOpen", "room_co2_unsafe": "GillkeeperRoomCO2Unsafe", "harvest_due": "GillkeeperHarvestDue",
	"stage_overdue": "GillkeeperStageOverdue", "broker_lost": "GillkeeperBrokerLost", "fallback_active": "GillkeeperFallbackActive",
	"journal_failing": "GillkeeperJournalFailing", "cleaning_due": "GillkeeperCleaningDue",
}

// TestEveryAlarmAlerts has promtool raise each alarm in one chamber of two and look for its alert, and for no other.
func TestEveryAlarmAlerts(t *testing.T) {
	tool := realpart.Promtool(t)
	dir := t.TempDir()
	rules := filepath.Join(dir, "alarms.rules.yml")
	if err := os.WriteFile(rules, File(), 0o600); err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	b.WriteString("rule_files: [alarms.rules.yml]\nevaluation_interval: 1m\ntests:\n")
	for _, name := range alarm.Names() {
		want, ok := alerts[name]
		if !ok {
			t.Fatalf("the program has an alarm %s that this test does not know; add it", name)
		}
		fmt.Fprintf(&b, `
  - interval: 1m
    input_series:
      - {series: 'up{job="gillkeeper"}', values: '1x30'}
      - {series: 'gillkeeper_alarm_active{chamber="loft",alarm="%[1]s",priority="high"}', values: '0x9 1x10 0x10'}
      - {series: 'gillkeeper_alarm_active{chamber="cellar",alarm="%[1]s",priority="high"}', values: '0x30'}
    promql_expr_test:
      - {expr: 'count(ALERTS{alertname="%[2]s",chamber="loft",priority="high",alertstate="firing"})', eval_time: 15m, exp_samples: [{labels: '{}', value: 1}]}
      - {expr: 'count(ALERTS)', eval_time: 15m, exp_samples: [{labels: '{}', value: 1}]}
      - {expr: 'count(ALERTS)', eval_time: 5m, exp_samples: []}
      - {expr: 'count(ALERTS)', eval_time: 25m, exp_samples: []}
`, name, want)
	}
	b.WriteString(`
  - interval: 1m
    input_series:
      - {series: 'up{job="gillkeeper"}', values: '1x9 0x20'}
    promql_expr_test:
      - {expr: 'count(ALERTS{alertname="GillkeeperGone",alertstate="firing"})', eval_time: 20m, exp_samples: [{labels: '{}', value: 1}]}
      - {expr: 'count(ALERTS{alertstate="firing"})', eval_time: 12m, exp_samples: []}
  - interval: 1m
    input_series:
      - {series: 'up{job="gillkeeper"}', values: '1x30'}
      - {series: 'gillkeeper_last_decision_timestamp_seconds{chamber="loft"}', values: '0+60x10 600x20'}
      - {series: 'gillkeeper_last_decision_timestamp_seconds{chamber="cellar"}', values: '0+60x30'}
    promql_expr_test:
      - {expr: 'count(ALERTS{alertname="GillkeeperNotDeciding",chamber="loft",alertstate="firing"})', eval_time: 20m, exp_samples: [{labels: '{}', value: 1}]}
      - {expr: 'count(ALERTS)', eval_time: 20m, exp_samples: [{labels: '{}', value: 1}]}
  - interval: 1m
    input_series:
      - {series: 'up{job="gillkeeper"}', values: '1x30'}
      - {series: 'gillkeeper_config_last_reload_successful', values: '1x9 0x20'}
      - {series: 'gillkeeper_notifications_total{result="dropped"}', values: '0x9 1x20'}
    promql_expr_test:
      - {expr: 'count(ALERTS{alertstate="firing"}) by (alertname)', eval_time: 20m, exp_samples: [{labels: '{alertname="GillkeeperConfigurationRefused"}', value: 1}, {labels: '{alertname="GillkeeperTellsNobody"}', value: 1}]}
`)
	tests := filepath.Join(dir, "alarms.test.yml")
	if err := os.WriteFile(tests, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.CommandContext(t.Context(), tool, "test", "rules", tests).CombinedOutput(); err != nil {
		t.Errorf("%v:\n%s", err, out)
	}
}

// TestRulesLoad has promtool read every rule file that ships, and the example of a configuration that names them.
func TestRulesLoad(t *testing.T) {
	tool := realpart.Promtool(t)
	files, err := filepath.Glob("*.rules.yml")
	if err != nil || len(files) < 2 {
		t.Fatalf("found rules %v, %v", files, err)
	}
	if out, err := exec.CommandContext(t.Context(), tool, append([]string{"check", "rules", "--lint-fatal"}, files...)...).CombinedOutput(); err != nil {
		t.Errorf("%v:\n%s", err, out)
	}
	if out, err := exec.CommandContext(t.Context(), tool, "check", "config", "--syntax-only", "prometheus.yml").CombinedOutput(); err != nil {
		t.Errorf("%v:\n%s", err, out)
	}
}

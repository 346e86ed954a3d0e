// Package prometheus makes the alert rules that ship as alarms.rules.yml: one for every alarm that the program declares,
// and a few for what it cannot say of itself, such as that it is gone.
//
// It must never be part of the program. Start reading at [Rules].
package prometheus

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"gillkeeper/policy/alarm"
)

// Rule is one alert.
type Rule struct {
	Alert, Expr string
	For         time.Duration
	Priority    string // empty: that of the series
	// Summary, Description and Action are for a person.
	Summary, Description, Action string
}

// Rules are all alerts. The program's alarms have their delays behind them when they show, so they need none here.
func Rules() []Rule {
	var all []Rule
	for i := range alarm.Declared {
		d := alarm.Declared[i]
		for _, v := range alarm.Variants { // the series does not say which it is
			if v.Alarm == d.Name {
				d.Says, d.Cause, d.Consequence, d.Action = d.Says+" Or: "+v.Says, d.Cause+" Or: "+v.Cause, d.Consequence+" Or: "+v.Consequence, d.Action+" Or: "+v.Action
			}
		}
		all = append(all, Rule{
			Alert: "Gillkeeper" + camel(string(d.Name)), Expr: fmt.Sprintf("max by (chamber, priority) (gillkeeper_alarm_active{alarm=%q}) == 1", d.Name),
			Summary: "{{ $labels.chamber }}: " + d.Says, Description: "Cause: " + d.Cause + " If nobody acts: " + d.Consequence, Action: d.Action,
		})
	}
	return append(all,
		Rule{Alert: "GillkeeperGone", Expr: `up{job="gillkeeper"} == 0 or absent(up{job="gillkeeper"}) == 1`, For: 5 * time.Minute, Priority: "urgent",
			Summary:     "gillkeeper does not answer.",
			Description: "Cause: the daemon or its machine is down, or cannot be reached. If nobody acts: plugs stay as they are, those with a time of their own turn off, and nobody watches the crop.",
			Action:      "Look at the machine. On Debian: systemctl status gillkeeper."},
		Rule{Alert: "GillkeeperNotDeciding", Expr: "time() - gillkeeper_last_decision_timestamp_seconds > 300", For: 2 * time.Minute, Priority: "urgent",
			Summary:     "{{ $labels.chamber }}: nothing was decided for five minutes.",
			Description: "Cause: the daemon hangs, on its disk for instance. If nobody acts: plugs stay as they are.",
			Action:      "Start it anew: systemctl restart gillkeeper. Then look at its log and at the disk."},
		Rule{Alert: "GillkeeperConfigurationRefused", Expr: "gillkeeper_config_last_reload_successful == 0", Priority: "low",
			Summary:     "A new configuration was not taken.",
			Description: "Cause: it has faults. The one before is still in use. If nobody acts: after a restart nothing starts.",
			Action:      "Run gillkeeper check on the file and mend what it says."},
		Rule{Alert: "GillkeeperTellsNobody", Expr: `increase(gillkeeper_notifications_total{result="dropped"}[1h]) > 0`, Priority: "medium",
			Summary:     "A message to people was given up.",
			Description: "Cause: the service that carries them does not answer, or its address is wrong. If nobody acts: alarms are seen only by who looks.",
			Action:      "Run gillkeeper notify test with the configuration, and mend the address."},
	)
}

func camel(words string) string {
	var b strings.Builder
	for w := range strings.SplitSeq(words, "_") {
		if w == "co2" {
			w = "CO2"
		}
		b.WriteString(strings.ToUpper(w[:1]) + w[1:])
	}
	return b.String()
}

// File writes the rules as Prometheus reads them.
func File() []byte {
	var b strings.Builder
	b.WriteString(`# One alert for every alarm of gillkeeper, and a few for what it cannot say of itself. Made from the program's own table by
# "go test ./deploy/prometheus -update"; do not edit. Put it into /etc/prometheus/gillkeeper/.
groups:
  - name: gillkeeper-alarms
    rules:
`)
	for _, r := range Rules() {
		fmt.Fprintf(&b, "      - alert: %s\n        expr: %s\n", r.Alert, strconv.Quote(r.Expr))
		if r.For > 0 {
			fmt.Fprintf(&b, "        for: %s\n", span(r.For))
		}
		if r.Priority != "" {
			fmt.Fprintf(&b, "        labels:\n          priority: %s\n", r.Priority)
		}
		fmt.Fprintf(&b, "        annotations:\n          summary: %s\n          description: %s\n          action: %s\n",
			strconv.Quote(r.Summary), strconv.Quote(r.Description), strconv.Quote(r.Action))
	}
	return []byte(b.String())
}

func span(d time.Duration) string { return fmt.Sprintf("%dm", int(d.Minutes())) }

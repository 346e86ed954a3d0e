package docs

import (
	"fmt"
	"strings"
	"time"

	"gillkeeper/bridge/config"
	"gillkeeper/metrics"
	"gillkeeper/policy/alarm"
)

// manuals are the manual pages that this package makes.
var manuals = []string{"gillkeeper.toml(5)", "gillkeeper-payloads(5)", "gillkeeper-metrics(7)", "gillkeeper-alarms(7)"}

// Pages are those that need nothing but the program's tables.
func Pages() []Page { return []Page{Configuration(), Payloads(), Metrics(), Alarms()} }

// tables says what each table of the configuration is for.
var tables = map[string]string{
	"[site]":             "Where the chambers are, and how pages and tables write.",
	"[broker]":           "The MQTT broker that sensors and plugs use. Secrets are never in this file: it names the files that hold them.",
	"[broker.embedded]":  "The broker inside the daemon, when `url` is `embedded`: for a trial, or for a household that has no broker.",
	"[broker.homie]":     "How the chambers appear on the broker, by the Homie convention.",
	"[http]":             "Page, API, metrics and health checks.",
	"[journal]":          "The file that keeps what must not be lost.",
	"[[notify]]":         "Where messages to people are sent; there may be several.",
	"[[chamber]]":        "A fruiting chamber; there may be a thousand. Its sensors and plugs come after it.",
	"[[chamber.sensor]]": "A sensor of the chamber above it, or of the room whose air that chamber draws in. A device that measures several things is several sensors.",
	"[[chamber.plug]]":   "A smart plug of the chamber above it, by what is plugged into it.",
	"[[climate]]":        "Your own numbers in place of a row of the built-in climate table, which `gillkeeper species` shows. What you leave out stays as it is there.",
}

// Configuration is every key of the file.
func Configuration() Page {
	p := Page{File: "configuration", Man: "gillkeeper.toml", Section: 5, Title: "Configuration", Brief: "what gillkeeper keeps, and how it reaches it",
		Body: []Block{
			Text("The configuration is one TOML file, named with `gillkeeper run --config FILE`; the Debian package has it at " +
				"`/etc/gillkeeper/gillkeeper.toml`. `gillkeeper check FILE` lists every fault with its line, `gillkeeper survey` and " +
				"`gillkeeper run --first-start` write a first one. A relative path in it is relative to its own folder. When the daemon is told to read it " +
				"again (SIGHUP), it uses the new one whole, or keeps the old one."),
		}}
	var terms Terms
	var table string
	flush := func() {
		if len(terms) > 0 {
			p.Body = append(p.Body, terms)
			terms = nil
		}
	}
	for _, k := range config.Keys() {
		if k.Table != table {
			flush()
			table = k.Table
			p.Body = append(p.Body, Heading(table), Text(tables[table]))
		}
		name := k.Name[strings.LastIndexByte(k.Name, '.')+1:]
		short := k.Type
		switch {
		case k.Required:
			short += "; required"
		case k.Default != "":
			short += "; default " + k.Default
		}
		terms = append(terms, Term{Code: name, Short: short,
			Lines: []string{sentence(k.Meaning), "Allowed: " + k.Allowed + ".", "Example: `" + name + " = " + k.Example + "`"}})
	}
	flush()
	return p
}

// Metrics is every family of series.
func Metrics() Page {
	var terms Terms
	for _, f := range metrics.Families() {
		code := f.Name
		if len(f.Labels) > 0 {
			code += "{" + strings.Join(f.Labels, ",") + "}"
		}
		short := string(f.Kind)
		if f.Unit != "" {
			short += ", " + f.Unit
		}
		terms = append(terms, Term{Code: code, Short: short, Lines: []string{f.Help}})
	}
	return Page{File: "metrics", Man: "gillkeeper-metrics", Section: 7, Title: "Metrics", Brief: "what gillkeeper shows to Prometheus",
		Body: []Block{
			Text("They are served at `/metrics`, without a token, in the text format and in OpenMetrics, together with the usual ones of the Go " +
				"runtime and of the process."),
			Text("Labels: `chamber` and `batch` are names; `place` is `chamber` or `room`; `plug` and `sensor` are names in the chamber; `role` is what " +
				"is plugged into the plug; `quantity` is `relative_humidity`, `temperature`, `co2` or `illuminance`; `flush` is the crop number of a batch, from 1. " +
				"A series is absent rather than guessed: what is not known now has no value."),
			terms,
		}}
}

// Alarms is what was thought out about each alarm.
func Alarms() Page {
	p := Page{File: "alarms", Man: "gillkeeper-alarms", Section: 7, Title: "Alarms", Brief: "what gillkeeper warns of, and what to do",
		Body: []Block{
			Text("An alarm is raised when its condition has lasted for its on-delay, and returns to normal by itself when the condition has been gone for " +
				"its off-delay. States and terms are those of ISA-18.2 and IEC 62682. Priority follows from how bad it gets and how much time is left to " +
				"respond. What follows from another alarm is attached to that one, raises it with itself, and is not announced on its own; what another alarm explains is suppressed by " +
				"design. Delays and deadbands are starting values after common practice: no standard gives any for a fruiting chamber."),
			Text("gillkeeper is not a safety device. Where people work beside chambers that give off CO2, use a certified alarm."),
		}}
	for i := range alarm.Declared {
		d := &alarm.Declared[i]
		terms := Term{Code: string(d.Name), Short: fmt.Sprintf("%s; act within %s", d.Priority, span(d.Respond)), Lines: []string{
			d.Says, "Likely cause: " + d.Cause, "If nobody acts: " + d.Consequence, "Do: " + d.Action}}
		for _, v := range alarm.Variants {
			if v.Alarm == d.Name {
				terms.Lines = append(terms.Lines, "Or: "+v.Says, "Likely cause: "+v.Cause, "If nobody acts: "+v.Consequence, "Do: "+v.Action)
			}
		}
		terms.Lines = append(terms.Lines, delays(d))
		if len(d.SuppressedBy) > 0 {
			terms.Lines = append(terms.Lines, "Suppressed by "+names(d.SuppressedBy)+".")
		}
		if len(d.FollowsFrom) > 0 {
			terms.Lines = append(terms.Lines, "Attached to "+names(d.FollowsFrom)+" where it follows from it.")
		}
		p.Body = append(p.Body, Terms{terms})
	}
	return p
}

func delays(d *alarm.Declaration) string {
	s := "Raised at once"
	if d.OnDelay > 0 {
		s = "Raised after " + span(d.OnDelay)
	}
	switch {
	case d.Latched:
		s += "; stays until a person resets it"
	case d.OffDelay > 0:
		s += ", returns after " + span(d.OffDelay)
	default:
		s += ", returns at once"
	}
	if d.Deadband > 0 {
		s += fmt.Sprintf("; deadband %s", deadband(d))
	}
	return s + "."
}

// deadband gives it with its unit, which is that of what the alarm compares.
func deadband(d *alarm.Declaration) string {
	switch d.Name {
	case alarm.HumidityLow, alarm.HumidityHigh:
		return fmt.Sprintf("%.3g points of humidity", d.Deadband*100)
	case alarm.TemperatureLow, alarm.TemperatureHigh:
		return fmt.Sprintf("%.3g °C", d.Deadband)
	case alarm.CO2High:
		return fmt.Sprintf("%.3g ppm and %.3g %% of the limit", d.Deadband, alarm.CO2DeadbandShare*100)
	case alarm.RoomCO2Unsafe:
		return fmt.Sprintf("%.3g ppm", d.Deadband)
	}
	return fmt.Sprintf("%.3g %% of what was measured when clean", d.Deadband*100)
}

func names(list []alarm.Name) string {
	s := make([]string, len(list))
	for i, n := range list {
		s[i] = "`" + string(n) + "`"
	}
	return strings.Join(s, ", ")
}

func span(d time.Duration) string {
	const day = 24 * time.Hour
	switch {
	case d >= 2*day && d%day == 0:
		return fmt.Sprintf("%d days", d/day)
	case d >= time.Hour && d%time.Hour == 0:
		return fmt.Sprintf("%d h", d/time.Hour)
	case d >= time.Minute && d%time.Minute == 0:
		return fmt.Sprintf("%d min", d/time.Minute)
	}
	return fmt.Sprintf("%d s", d/time.Second)
}

// sentence makes one of the words that the table has.
func sentence(s string) string {
	if first, _, _ := strings.Cut(s, " "); strings.ToLower(first) == first && !strings.ContainsAny(first, "_/.0123456789") {
		s = strings.ToUpper(s[:1]) + s[1:]
	}
	return s + "."
}

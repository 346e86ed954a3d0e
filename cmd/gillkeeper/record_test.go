package main

import (
	"bytes"
	"context"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/web/api"
)

// Notes of strangers steer no terminal in the life of a batch.
func TestNotesOfARecordSteerNoTerminal(t *testing.T) {
	var out bytes.Buffer
	a := newApp(nil, &out, nil, func(string) string { return "" })
	const evil = "pale\x1b[2J\u202e"
	a.printRecord(&api.BatchRecord{
		Losses: []api.LossDetail{{Cause: "aborted", Note: evil}}, Notes: []api.NoteDetail{{Text: evil, Photos: []string{evil}}},
	}, func(time.Time) string { return "today" })
	if strings.ContainsAny(out.String(), "\x1b\u202e") || strings.Count(out.String(), "pale") != 3 {
		t.Errorf("printed %q", &out)
	}
}

// fillRecord writes history into the twin: recorded CHAMBER START SPAN PLACE QUANTITY=MEAN[,MIN,MAX] ...
func fillRecord(ts *testscript.TestScript, neg bool, args []string) {
	twin := ts.Value(jarKey{}).(*jar).twin
	start, err := time.Parse(time.RFC3339, args[1])
	ts.Check(err)
	span, err := time.ParseDuration(args[2])
	ts.Check(err)
	var ms []journal.Minute
	for _, arg := range args[4:] {
		name, values, _ := strings.Cut(arg, "=")
		m := journal.Minute{Chamber: args[0], Place: args[3], Quantity: name, Start: start, Span: span, N: 6, Seconds: 20}
		for i, text := range strings.Split(values, ",") {
			v, err := strconv.ParseFloat(text, 64)
			ts.Check(err)
			switch i {
			case 0:
				m.Mean, m.Min, m.Max = v, v, v
			case 1:
				m.Min = v
			case 2:
				m.Max = v
			}
		}
		ms = append(ms, m)
	}
	ts.Check(twin.Record.Minutes(context.Background(), ms))
}

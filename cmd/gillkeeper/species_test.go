package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"unicode/utf8"
)

// TestSpeciesFitsTheTerminal: on a narrow terminal the page leaves columns out rather than break lines, and never the
// source.
func TestSpeciesFitsTheTerminal(t *testing.T) {
	for _, c := range []struct {
		width  int
		has    string
		hasNot string
	}{
		{0, "FAE/h", ""}, {120, "FAE/h", ""}, {80, "DAYS", "FAE/h"}, {66, "SOURCE", "DAYS"},
	} {
		var out bytes.Buffer
		a := newApp(nil, &out, nil, func(string) string { return "" })
		a.width = c.width
		if code := a.run(t.Context(), []string{"species"}); code != exitDone {
			t.Fatalf("exit status %d", code)
		}
		head, _, _ := strings.Cut(out.String(), "\n")
		if !strings.Contains(head, c.has) || c.hasNot != "" && strings.Contains(head, c.hasNot) || !strings.Contains(head, "SOURCE") {
			t.Errorf("%d columns: head %q", c.width, head)
		}
		for line := range strings.SplitSeq(out.String(), "\n") {
			if n := utf8.RuneCountInString(line); c.width > 0 && n > c.width {
				t.Errorf("%d columns: a line of %d: %q", c.width, n, line)
			}
		}
	}
}

// TestEverySpeciesFits80Columns also shows that each can be printed.
func TestEverySpeciesFits80Columns(t *testing.T) {
	_, text, _ := invoke(t, nil, "species", "--json")
	var all []struct {
		Species string `json:"species"`
		Rows    []struct {
			Stage    string `json:"stage"`
			LightsOn string `json:"lights_on"`
		} `json:"rows"`
	}
	if err := json.Unmarshal([]byte(text), &all); err != nil {
		t.Fatal(err)
	}
	if len(all) < 15 {
		t.Fatalf("%d species", len(all))
	}
	for _, s := range all {
		if len(s.Rows) != 4 || s.Rows[3].Stage != "rest" || s.Rows[0].LightsOn != "08:00" {
			t.Errorf("%s: rows %+v", s.Species, s.Rows)
		}
		var out bytes.Buffer
		a := newApp(nil, &out, nil, func(string) string { return "" })
		a.width = 80
		if code := a.run(t.Context(), []string{"species", s.Species}); code != exitDone {
			t.Errorf("%s: exit status %d", s.Species, code)
		}
		for line := range strings.SplitSeq(out.String(), "\n") {
			if utf8.RuneCountInString(line) > 80 {
				t.Errorf("%s: too wide: %q", s.Species, line)
			}
		}
	}
}

package alarm

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

var update = flag.Bool("update", false, "write the table of alarms into README.md; read the difference before you keep it")

const (
	tableBegin = "<!-- alarms: written by `go test ./policy/alarm -run TestReadme -update` -->\n"
	tableEnd   = "<!-- end of alarms -->\n"
)

// TestReadmeListsEveryAlarm holds that README says of each alarm what was thought out beforehand.
func TestReadmeListsEveryAlarm(t *testing.T) {
	path := filepath.Join("..", "..", "README.md")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(b), tableBegin)
	old, after, closed := strings.Cut(rest, tableEnd)
	if !ok || !closed {
		t.Fatalf("README.md has no place for the table: it lies between %q and %q", tableBegin, tableEnd)
	}
	want := readmeTable()
	if *update {
		if err := os.WriteFile(path, []byte(before+tableBegin+want+tableEnd+after), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if old != want {
		t.Error("the table of alarms in README.md is not that of Declared; run go test ./policy/alarm -run TestReadme -update and read the difference")
	}
}

func readmeTable() string {
	var b strings.Builder
	b.WriteString("| alarm | priority | act within | says |\n|---|---|---|---|\n")
	for i := range Declared {
		d := &Declared[i]
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", d.Name, d.Priority, respondWords(d.Respond), d.Says)
	}
	return b.String()
}

func respondWords(d time.Duration) string {
	switch {
	case d >= 48*time.Hour && d%(24*time.Hour) == 0:
		return fmt.Sprintf("%d days", d/(24*time.Hour))
	case d >= time.Hour && d%time.Hour == 0:
		return fmt.Sprintf("%d h", d/time.Hour)
	}
	return fmt.Sprintf("%d min", d/time.Minute)
}

package config

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the messages of the moment into testdata/faults; read every one of them before you keep it")

// verdict gives every line that a file's check prints.
func verdict(name string, text []byte) string {
	_, warnings, err := Parse(name, text, ordinary.env())
	if faults, ok := errors.AsType[Faults](err); ok {
		warnings = faults
	} else if err != nil {
		return err.Error() + "\n"
	}
	if len(warnings) == 0 {
		return "sound\n"
	}
	return warnings.Error() + "\n"
}

// Each file of testdata/faults holds what its name says; beside it stand the messages that it must give, all of them.
func TestFaults(t *testing.T) {
	files, err := filepath.Glob(filepath.Join("testdata", "faults", "*.toml"))
	if err != nil || len(files) < 50 {
		t.Fatal(len(files), err)
	}
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".toml")
		t.Run(name, func(t *testing.T) {
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			got := verdict(filepath.Base(file), text)
			wantFile := strings.TrimSuffix(file, ".toml") + ".want"
			if *update {
				if err := os.WriteFile(wantFile, []byte(got), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(wantFile)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("got\n%swant\n%s", got, want)
			}
			if got == "sound\n" {
				t.Error("no fault found")
			}
			if strings.Contains(got, "hunter2") || strings.Contains(got, "correct horse") {
				t.Error("a secret is printed")
			}
		})
	}
}

// All faults of a file come at once, each with its line: here the lines are counted by hand.
func TestTwelveAtOnce(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("testdata", "faults", "twelve-at-once.toml"))
	if err != nil {
		t.Fatal(err)
	}
	got := verdict("f", text)
	for _, want := range []string{
		`^f:2: site.timezone: `, `^f:3: site.altitude_m: .*6200`, `^f:6: broker.url: .*did you mean "mqtts://broker.lan"`,
		`^f:7: broker.password: .*password_file`, `^f:10: http.listen: .*token_file`, `^f:13: chamber "Loft", name: .*did you mean "loft"`,
		`^f:17: .*quantity: .*did you mean "relative_humidity"`, `^f:18: .*topic: .*wildcard`, `^f:19: .*max_age: .*did you mean "5m"`,
		`^f:24: .*state_topic: .*command topic of .* on line 23`, `^f:25: .*flow_m3_per_hour: unknown key; did you mean "flow_m3_per_h"`,
		`^f:30: .*relative_humidity: .*did you mean "\[0.86, 0.92\]"`,
	} {
		if !regexp.MustCompile("(?m)" + want).MatchString(got) {
			t.Errorf("no fault like %s", want)
		}
	}
	if n := strings.Count(got, "\n"); n != 12 {
		t.Errorf("%d faults, want 12:\n%s", n, got)
	}
}

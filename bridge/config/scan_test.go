package config

import (
	"fmt"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"
	"pgregory.net/rapid"
)

// lineOf gives the line of a path such as chamber.0.sensor.1.topic.
func lineOf(x *index, path string) int {
	at := &x.root
	for part := range strings.SplitSeq(path, ".") {
		var n int
		if _, err := fmt.Sscan(part, &n); err == nil && n < len(at.items) {
			at = at.items[n]
			continue
		}
		next := at.kids[part]
		if next == nil {
			return 0
		}
		at = next
	}
	return at.line
}

func TestScanLines(t *testing.T) {
	text := `# 1
top = """
a = "not a key"
"""
dotted . "quoted key".'literal' = 1
[ site ] # comment [x]
name = 'it''s = ['
list = [
  1, # comment ]
  [2, "]"],
]
[[chamber]]
a = 1
  [[chamber.sensor]]
  topic = "a\"b"
  [[chamber.sensor]]
  topic = "c"
[[chamber]]
sensor = [ { topic = "x" },
  { topic = "y", deep.er = 2 } ]
[chamber.table]
k = 2024-01-01 10:00:00
`
	text = strings.Replace(text, "'it''s = ['", "\"it's = [\"", 1)
	if _, err := toml.Decode(text, new(map[string]any)); err != nil {
		t.Fatal(err)
	}
	x := scan(text)
	for path, want := range map[string]int{
		"top": 2, "dotted.quoted key.literal": 5, "site": 6, "site.name": 7, "site.list": 8, "site.list.0": 9, "site.list.1": 10,
		"site.list.1.1": 10, "chamber": 12, "chamber.0": 12, "chamber.0.a": 13, "chamber.0.sensor.0": 14, "chamber.0.sensor.0.topic": 15,
		"chamber.0.sensor.1.topic": 17, "chamber.1": 18, "chamber.1.sensor.0.topic": 19, "chamber.1.sensor.1.topic": 20,
		"chamber.1.sensor.1.deep.er": 20, "chamber.1.table": 21, "chamber.1.table.k": 22, "a": 0,
	} {
		if got := lineOf(x, path); got != want {
			t.Errorf("%s is on line %d, want %d", path, got, want)
		}
	}
}

// agree checks that every value that the decoder found has a place in the scan.
func agree(raw any, at *spot, path string) string {
	if at == nil {
		return path
	}
	switch v := raw.(type) {
	case map[string]any:
		for k, inner := range v {
			if at.kids[k] == nil || at.kids[k].line == 0 {
				return path + "." + k
			}
			if bad := agree(inner, at.kids[k], path+"."+k); bad != "" {
				return bad
			}
		}
	case []map[string]any:
		if len(at.items) != len(v) {
			return fmt.Sprintf("%s has %d tables, the scan %d", path, len(v), len(at.items))
		}
		for i := range v {
			if bad := agree(v[i], at.items[i], fmt.Sprint(path, ".", i)); bad != "" {
				return bad
			}
		}
	case []any:
		if len(at.items) != len(v) {
			return fmt.Sprintf("%s has %d elements, the scan %d", path, len(v), len(at.items))
		}
		for i := range v {
			if bad := agree(v[i], at.items[i], fmt.Sprint(path, ".", i)); bad != "" {
				return bad
			}
		}
	}
	return ""
}

// Whatever is put between the keys of a sound file, their lines are found: each key's value is its own line number.
func TestLinesAreRight(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var b strings.Builder
		line := 1
		write := func(s string) { b.WriteString(s); line += strings.Count(s, "\n") }
		clutter := rapid.SampledFrom([]string{"\n", "# [x] = \"\n", "  \t\n", "", "\r\n"})
		value := rapid.SampledFrom([]string{`"a # b"`, `'c ]'`, `[1, 2]`, "[\n 1,\n # ]\n [2, '}'],\n]", "\"\"\"\n[x]\ny = 1\n\"\"\"", `{ a = 1, b = "}" }`, "'''\n\"'''", "true", "1.5"})
		type mark struct {
			path string
			line int
		}
		var marks []mark
		chambers := -1
		prefix := ""
		for i := range rapid.IntRange(1, 12).Draw(t, "statements") {
			write(clutter.Draw(t, "clutter"))
			switch rapid.IntRange(0, 3).Draw(t, "what") {
			case 0:
				chambers++
				prefix = fmt.Sprintf("chamber.%d.", chambers)
				marks = append(marks, mark{fmt.Sprintf("chamber.%d", chambers), line})
				write("[[ chamber ]] # x\n")
			case 1:
				prefix = fmt.Sprintf("table%d.", i)
				marks = append(marks, mark{fmt.Sprintf("table%d", i), line})
				write(fmt.Sprintf("[table%d]\n", i))
			default:
				marks = append(marks, mark{fmt.Sprintf("%skey%d", prefix, i), line})
				write(fmt.Sprintf("key%d = %s\n", i, value.Draw(t, "value")))
			}
		}
		raw := map[string]any{}
		if _, err := toml.Decode(b.String(), &raw); err != nil {
			t.Fatalf("the test's own text is wrong: %v\n%s", err, b.String())
		}
		x := scan(b.String())
		for _, m := range marks {
			if got := lineOf(x, m.path); got != m.line {
				t.Fatalf("%s is on line %d, found on %d in\n%s", m.path, m.line, got, b.String())
			}
		}
		if bad := agree(raw, &x.root, ""); bad != "" {
			t.Fatalf("no place for %s in\n%s", bad, b.String())
		}
	})
}

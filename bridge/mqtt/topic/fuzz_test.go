package topic

import (
	"regexp"
	"strings"
	"testing"
)

// FuzzMatch compares with a filter written as a regular expression, from the text of MQTT 3.1.1 §4.7.
func FuzzMatch(f *testing.F) {
	for _, s := range [][2]string{{"a/+/c", "a/b/c"}, {"a/#", "a"}, {"#", "$SYS/x"}, {"+", "/"}, {"+/+", "/finance"}, {"$SYS/#", "$SYS"}, {"a//b", "a//b"}, {"/+", "/"}, {"é/+", "é/\u00e9"}} {
		f.Add(s[0], s[1])
	}
	f.Fuzz(func(t *testing.T, filter, name string) {
		if CheckFilter(filter) != nil || CheckName(name) != nil {
			return
		}
		var levels []string
		for level := range strings.SplitSeq(filter, "/") {
			switch level {
			case "+":
				level = "[^/]*"
			case "#":
				level = "#"
			default:
				level = regexp.QuoteMeta(level)
			}
			levels = append(levels, level)
		}
		expr := strings.Join(levels, "/")
		if all, ok := strings.CutSuffix(expr, "/#"); ok {
			expr = all + "(/.*)?" // the parent level too
		} else if expr == "#" {
			expr = ".*"
		}
		want := regexp.MustCompile(`(?s)^` + expr + `$`).MatchString(name)
		if strings.HasPrefix(name, "$") && strings.IndexAny(filter, "+#") == 0 { // §4.7.2
			want = false
		}
		if got := Match(filter, name); got != want {
			t.Errorf("filter %q, name %q: %v, want %v", filter, name, got, want)
		}
	})
}

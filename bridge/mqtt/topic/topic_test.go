package topic

import (
	"strings"
	"testing"
)

// Names and filters marked § are examples of MQTT 3.1.1 (OASIS Standard, 29 October 2014), section 4.7.
func TestChecks(t *testing.T) {
	for _, tc := range []struct {
		s                     string
		name, publish, filter bool // legal as that
	}{
		{"sport/tennis/player1", true, true, true}, // §4.7.1.2
		{"sport/tennis/player1/#", false, false, true},
		{"#", false, false, true},
		{"sport/tennis#", false, false, false},
		{"sport/tennis/#/ranking", false, false, false},
		{"+", false, false, true}, // §4.7.1.3
		{"+/tennis/#", false, false, true},
		{"sport+", false, false, false},
		{"sport/+/player1", false, false, true},
		{"/finance", true, true, true},
		{"/", true, true, true}, // §4.7.3
		{"Accounts payable", true, true, true},
		{"$SYS/monitor/Clients", true, false, true}, // §4.7.2
		{"homie/5/gillkeeper/$state", true, true, true},
		{"", false, false, false},
		{"a\x00b", false, false, false},
		{"a\nb", false, false, false},
		{"a\u0085b", false, false, false},
		{"a\ufffeb", false, false, false},
		{"a\ufdd0b", false, false, false},
		{"a\xffb", false, false, false},
		{"café/température", true, true, true},
		{"a\ufeffb", true, true, true}, // §1.5.3: U+FEFF stays what it is
		{strings.Repeat("x", MaxLength), true, true, true},
		{strings.Repeat("x", MaxLength+1), false, false, false},
		{"a/+/b#", false, false, false},
		{"a+/b", false, false, false},
	} {
		for _, check := range []struct {
			kind string
			err  error
			want bool
		}{{"name", CheckName(tc.s), tc.name}, {"publish", CheckPublish(tc.s), tc.publish}, {"filter", CheckFilter(tc.s), tc.filter}} {
			if (check.err == nil) != check.want {
				t.Errorf("%s %.40q: error %v, want legal %v", check.kind, tc.s, check.err, check.want)
			}
			if check.err != nil && (strings.ContainsAny(check.err.Error(), "\n\x00") || len(check.err.Error()) > 300) {
				t.Errorf("%s %.40q: the error is not one short line: %q", check.kind, tc.s, check.err)
			}
		}
	}
}

// TestMatch: the examples of MQTT 3.1.1 §4.7.1 and §4.7.2.
func TestMatch(t *testing.T) {
	for _, tc := range []struct {
		filter, name string
		want         bool
	}{
		{"sport/tennis/player1/#", "sport/tennis/player1", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/ranking", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true},
		{"sport/#", "sport", true},
		{"#", "a/b", true},
		{"sport/tennis/+", "sport/tennis/player1", true},
		{"sport/tennis/+", "sport/tennis/player1/ranking", false},
		{"sport/+", "sport", false},
		{"sport/+", "sport/", true},
		{"+/+", "/finance", true},
		{"/+", "/finance", true},
		{"+", "/finance", false},
		{"#", "$SYS/uptime", false},
		{"+/monitor/Clients", "$SYS/monitor/Clients", false},
		{"$SYS/#", "$SYS/uptime", true},
		{"$SYS/monitor/+", "$SYS/monitor/Clients", true},
		{"a/b", "a/b", true},
		{"a/b", "a/B", false},
		{"a/b", "a/b/c", false},
		{"a/b/c", "a/b", false},
		{"homie/5/+/+/+/set", "homie/5/loft/stage/name/set", true},
	} {
		if got := Match(tc.filter, tc.name); got != tc.want {
			t.Errorf("Match(%q, %q) = %v", tc.filter, tc.name, got)
		}
	}
}

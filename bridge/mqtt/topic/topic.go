// Package topic checks MQTT topic names and filters before they reach a broker. Some brokers answer an illegal one by
// closing the connection; a client that then reconnects and sends it again is cut off for ever, so every name of the
// configuration and every name published passes through here.
//
// It must never touch the network. Start reading at [CheckName].
package topic

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// MaxLength is the longest topic name or filter in bytes of UTF-8 (MQTT 3.1.1 §1.5.3).
const MaxLength = 65535

// CheckName says what makes s no legal topic name, the kind that messages are published to and that names exactly one
// topic in a subscription. Rules: MQTT 3.1.1 §4.7 (at least one character, no wildcards) and §1.5.3 (UTF-8 without
// U+0000; control characters and non-characters may make the receiver close the connection, so they are refused too).
func CheckName(s string) error { return fault("topic", s, false) }

// Defect says the same as [CheckName] as a clause, for whoever names the topic's place himself: "" where s is legal.
func Defect(s string) string {
	what, _ := defect(s, false)
	return what
}

// CheckPublish is [CheckName] for a topic that is published to: names that start with $ belong to the broker
// (MQTT 3.1.1 §4.7.2).
func CheckPublish(s string) error {
	if err := CheckName(s); err != nil {
		return err
	}
	if s[0] == '$' {
		return fmt.Errorf("topic %q starts with $, which belongs to the broker; use another name", short(s))
	}
	return nil
}

// CheckFilter says what makes s no legal topic filter: # only as the last level and alone in it, + alone in its level
// (MQTT 3.1.1 §4.7.1).
func CheckFilter(s string) error {
	if err := fault("filter", s, true); err != nil {
		return err
	}
	levels := strings.Split(s, "/")
	for i, level := range levels {
		if !strings.ContainsAny(level, "+#") {
			continue
		}
		if level != "+" && level != "#" {
			return fmt.Errorf("filter %q has a wildcard beside other characters in level %q; a wildcard stands alone", short(s), short(level))
		}
		if level == "#" && i != len(levels)-1 {
			return fmt.Errorf("filter %q has # before its last level; # comes last", short(s))
		}
	}
	return nil
}

// fault makes a defect an error that says what to do.
func fault(kind, s string, wildcards bool) error {
	what, remedy := defect(s, wildcards)
	if what == "" {
		return nil
	}
	return fmt.Errorf("%s %q %s; %s", kind, short(s), what, remedy)
}

// defect finds what makes s no legal name, or with wildcards no legal text of a filter, and what to do about it.
func defect(s string, wildcards bool) (what, remedy string) {
	switch {
	case s == "":
		return "is empty", "name one" // [MQTT-4.7.3-1]
	case len(s) > MaxLength:
		return fmt.Sprintf("is longer than %d bytes", MaxLength), "shorten it" // [MQTT-4.7.3-3]
	case !utf8.ValidString(s):
		return "is not UTF-8", "write it as UTF-8" // [MQTT-1.5.3-1]
	case !wildcards && strings.ContainsAny(s, "+#"):
		return "has a wildcard", "name one topic" // [MQTT-3.3.2-2]
	}
	for _, r := range s {
		// U+0000 is forbidden [MQTT-1.5.3-2, MQTT-4.7.3-2]; other control and non-characters may make the receiver close
		// the connection (section 1.5.3).
		if unicode.IsControl(r) || r&0xfffe == 0xfffe || r >= 0xfdd0 && r <= 0xfdef {
			return fmt.Sprintf("has the control character %U", r), "remove it"
		}
	}
	return "", ""
}

// short keeps an error on one line whatever somebody publishes.
func short(s string) string {
	const most = 80
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "")
}

// Match reports whether a legal filter takes a legal name in (MQTT 3.1.1 §4.7): + one level, # the rest and its
// parent; a wildcard in the first level does not take in names that start with $.
func Match(filter, name string) bool {
	if name != "" && name[0] == '$' && filter != "" && filter[0] != '$' {
		return false
	}
	for {
		level, restFilter, moreFilter := strings.Cut(filter, "/")
		if level == "#" {
			return true
		}
		part, restName, moreName := strings.Cut(name, "/")
		if level != "+" && level != part {
			return false
		}
		if !moreName {
			return !moreFilter || restFilter == "#"
		}
		if !moreFilter {
			return false
		}
		filter, name = restFilter, restName
	}
}

package config

import (
	"fmt"
	"math"
	"net"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"gillkeeper/bridge/pointer"
	"gillkeeper/policy/chamber"
	"gillkeeper/policy/nearest"
)

// complaint is what is wrong with a value.
type complaint struct{ what, allowed, nearest string }

// kind is what a key's value may be: how it is called, what is allowed in words, and how to read it.
type kind struct {
	name    string
	allowed string
	read    func(raw any) (any, *complaint)
}

// wrongType complains of a value of another type.
func wrongType(raw any, wanted string) *complaint {
	return &complaint{what: "is " + typeName(raw) + ", not " + wanted}
}

func typeName(raw any) string {
	switch raw.(type) {
	case string:
		return "text"
	case int64:
		return "a whole number"
	case float64:
		return "a number"
	case bool:
		return "true or false"
	case time.Time:
		return "a date or time"
	case []any:
		return "a list"
	case map[string]any, []map[string]any:
		return "a table"
	}
	return "something else"
}

// textKind reads text with a check of its own.
func textKind(name, allowed string, check func(s string) (any, *complaint)) kind {
	return kind{name: name, allowed: allowed, read: func(raw any) (any, *complaint) {
		s, ok := raw.(string)
		if !ok {
			c := wrongType(raw, "text")
			c.allowed = name + " in double quotes: " + allowed
			return nil, c
		}
		return check(s)
	}}
}

func plainText(most int) kind {
	return textKind("text", fmt.Sprintf("up to %d bytes without control characters", most), func(s string) (any, *complaint) {
		switch {
		case len(s) > most:
			return nil, &complaint{what: fmt.Sprintf("is %d bytes long", len(s))}
		case !utf8.ValidString(s) || strings.ContainsFunc(s, unicode.IsControl):
			return nil, &complaint{what: "has a control character"}
		}
		return s, nil
	})
}

func pathKind() kind {
	k := plainText(4096)
	k.name, k.allowed = "file", "a path; a relative one is relative to this file's folder"
	return k
}

var payloadKind = textKind("text", fmt.Sprintf("a payload of up to %d bytes", maxPayload), func(s string) (any, *complaint) {
	if len(s) > maxPayload {
		return nil, &complaint{what: fmt.Sprintf("is %d bytes long", len(s))}
	}
	return s, nil
})

var timedPayloadKind = textKind("text", `a payload with {seconds} where the whole seconds go, such as "ON {seconds}"`,
	func(s string) (any, *complaint) {
		switch {
		case len(s) > maxPayload:
			return nil, &complaint{what: fmt.Sprintf("is %d bytes long", len(s))}
		case !strings.Contains(s, secondsMark):
			return nil, &complaint{what: "has no " + secondsMark}
		}
		return s, nil
	})

var levelPayloadKind = textKind("text", `a payload with {level} where the number goes, such as "{level}", and perhaps {seconds}`,
	func(s string) (any, *complaint) {
		switch {
		case len(s) > maxPayload:
			return nil, &complaint{what: fmt.Sprintf("is %d bytes long", len(s))}
		case !strings.Contains(s, levelMark):
			c := &complaint{what: "has no " + levelMark}
			if i, j := strings.IndexByte(s, '{'), strings.IndexByte(s, '}'); i >= 0 && j > i && s[i:j+1] != secondsMark {
				c.nearest = s[:i] + levelMark + s[j+1:]
			}
			return nil, c
		}
		return s, nil
	})

// mostLevels is how many levels a list may have: control tries a few of them, and none is worth more.
const mostLevels = 32

// levelsKind reads a list of ascending numbers. A 0 at its beginning, which is off, may be left out.
var levelsKind = kind{name: "list of numbers", allowed: fmt.Sprintf("1 to %d ascending numbers above 0, such as [33, 66, 100]", mostLevels), read: func(raw any) (any, *complaint) {
	list, ok := raw.([]any)
	if !ok {
		return nil, wrongType(raw, "a list of numbers")
	}
	var levels []float64
	for i, x := range list {
		v, ok := asNumber(x)
		switch {
		case !ok:
			return nil, &complaint{what: "has an element that is not a number"}
		case i == 0 && v == 0:
			continue
		case !(v > 0) || math.IsInf(v, 0):
			return nil, &complaint{what: "has " + number(v) + " in it, which is not a level"}
		case len(levels) > 0 && v <= levels[len(levels)-1]:
			return nil, &complaint{what: "does not ascend: " + number(v) + " stands after " + number(levels[len(levels)-1])}
		}
		levels = append(levels, v)
	}
	if len(levels) == 0 || len(levels) > mostLevels {
		return nil, &complaint{what: fmt.Sprintf("has %d levels above 0 in it", len(levels))}
	}
	return levels, nil
}}

var (
	chamberName = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]*[a-z0-9])?$`)
	partName    = regexp.MustCompile(`^[a-z0-9]([a-z0-9_-]*[a-z0-9])?$`)
)

func nameKind(allowed string, pattern *regexp.Regexp) kind {
	allowed += fmt.Sprintf(", not at its ends, at most %d", maxName)
	return textKind("name", allowed, func(s string) (any, *complaint) {
		if len(s) > maxName || !pattern.MatchString(s) {
			better := strings.Trim(strings.Map(func(r rune) rune {
				switch {
				case r >= 'a' && r <= 'z', r >= '0' && r <= '9', r == '-':
					return r
				case r == ' ' || r == '.' || r == '/' || r == '_':
					return '-'
				}
				return -1
			}, strings.ToLower(s)), "-")
			if len(better) > maxName {
				better = ""
			}
			return nil, &complaint{what: "is not a name for a part of a topic or a label", nearest: better}
		}
		return s, nil
	})
}

// wordKind reads one of several words.
func wordKind[T any](words []string, value func(i int) T) kind { return wordKindOr(words, nil, value) }

// wordKindOr is wordKind with what people write instead of a word, in lower case.
func wordKindOr[T any](words []string, instead map[string]string, value func(i int) T) kind {
	return textKind("word", quotedList(words), func(s string) (any, *complaint) {
		for i, w := range words {
			if w == s {
				return value(i), nil
			}
		}
		near := instead[strings.ToLower(strings.TrimSpace(s))]
		if near == "" {
			near = nearest.Word(s, words)
		}
		return nil, &complaint{what: "is not one of the words", nearest: near}
	})
}

func quotedList(words []string) string {
	q := make([]string, len(words))
	for i, w := range words {
		q[i] = strconv.Quote(w)
	}
	return strings.Join(q, ", ")
}

var boolKind = kind{name: "true or false", allowed: "true, false", read: func(raw any) (any, *complaint) {
	if b, ok := raw.(bool); ok {
		return b, nil
	}
	c := wrongType(raw, "true or false")
	if s, ok := raw.(string); ok && (s == "true" || s == "false") {
		c.allowed = "true or false without quotes"
	}
	return nil, c
}}

func asNumber(raw any) (float64, bool) {
	switch v := raw.(type) {
	case int64:
		return float64(v), true
	case float64:
		return v, true
	}
	return 0, false
}

func numberKind(l Limit) kind {
	return kind{name: "number", allowed: l.String(), read: func(raw any) (any, *complaint) {
		v, ok := asNumber(raw)
		switch {
		case !ok:
			c := wrongType(raw, "a number")
			if s, isText := raw.(string); isText {
				if _, err := strconv.ParseFloat(s, 64); err == nil {
					c.allowed = "write the number without quotes: " + l.String()
				}
			}
			return nil, c
		case !l.holds(v):
			return nil, &complaint{what: sideOf(v, l.Low, l.High)}
		}
		return v, nil
	}}
}

// zeroOr accepts 0 besides what a number's limit does.
func zeroOr(k kind) kind {
	inner := k.read
	k.allowed = "0 for none, or " + k.allowed
	k.read = func(raw any) (any, *complaint) {
		if v, ok := asNumber(raw); ok && v == 0 {
			return 0.0, nil
		}
		return inner(raw)
	}
	return k
}

func sideOf(v, low, high float64) string {
	switch {
	case v < low:
		return "is below " + number(low)
	case v > high:
		return "is above " + number(high)
	}
	return "is not a usable number"
}

func durationKind(s Span) kind {
	k := textKind("duration", s.String(), func(text string) (any, *complaint) {
		d, err := time.ParseDuration(text)
		switch {
		case err != nil:
			return nil, &complaint{what: "is not a duration", allowed: `write a number and its unit, such as "20s", "5m" or "1h30m": ` + s.String(),
				nearest: guessDuration(text)}
		case d < s.Low && !s.holds(d):
			return nil, &complaint{what: "is shorter than " + shortDuration(s.Low)}
		case !s.holds(d):
			return nil, &complaint{what: "is longer than " + shortDuration(s.High)}
		}
		return d, nil
	})
	ofText := k.read
	k.read = func(raw any) (any, *complaint) {
		v, c := ofText(raw)
		if n, isNumber := raw.(int64); isNumber {
			c.allowed = `write the number with its unit in double quotes, such as "20s", "5m" or "1h30m": ` + s.String()
			if d := time.Duration(n) * time.Second; n > 0 && n <= int64(s.High/time.Second) && s.holds(d) {
				c.nearest = shortDuration(d)
			}
		}
		return v, c
	}
	return k
}

var durationWords = regexp.MustCompile(`(?i)^\s*([0-9.]+)\s*(s|sec|m|min|h|hour|hr)[a-z]*\.?\s*$`)

// guessDuration reads what people write besides: "5 min", "20 seconds".
func guessDuration(text string) string {
	m := durationWords.FindStringSubmatch(text)
	if m == nil {
		return ""
	}
	guess := m[1] + strings.ToLower(m[2][:1])
	if _, err := time.ParseDuration(guess); err != nil { // 9999999999h is longer than a duration can be
		return ""
	}
	return guess
}

// pairKind reads a list of two numbers, the lower first.
func pairKind(l Limit) kind {
	k := kind{name: "two numbers", allowed: "two numbers, the lower first, " + l.String()}
	k.read = func(raw any) (any, *complaint) {
		list, ok := raw.([]any)
		if !ok {
			c := wrongType(raw, "a list of two numbers")
			c.allowed = "write [low, high]: " + l.String()
			return nil, c
		}
		if len(list) != 2 {
			return nil, &complaint{what: fmt.Sprintf("has %d elements, not two", len(list))}
		}
		low, ok1 := asNumber(list[0])
		high, ok2 := asNumber(list[1])
		switch {
		case !ok1 || !ok2:
			return nil, &complaint{what: "has an element that is not a number"}
		case !l.holds(low) || !l.holds(high):
			c := &complaint{what: sideOf(low, l.Low, l.High)}
			if l.holds(low) {
				c.what = sideOf(high, l.Low, l.High)
			}
			if l.High == 1 && low > 1 && l.holds(low/100) && l.holds(high/100) {
				c.nearest = "[" + number(low/100) + ", " + number(high/100) + "]"
			}
			return nil, c
		case low > high:
			return nil, &complaint{what: "has the higher number first"}
		}
		return [2]float64{low, high}, nil
	}
	return k
}

var clockKind = textKind("time of day", `"00:00" to "23:59"`, func(s string) (any, *complaint) {
	t, err := time.Parse("15:04", s)
	if err != nil {
		return nil, &complaint{what: "is not a time of day"}
	}
	return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute, nil
})

// clockPairKind reads a list of two times of day; the second may lie on the next day.
var clockPairKind = kind{name: "two times of day", allowed: `two times of day, such as ["22:00", "07:00"]`, read: func(raw any) (any, *complaint) {
	list, ok := raw.([]any)
	if !ok {
		return nil, wrongType(raw, "a list of two times of day")
	}
	if len(list) != 2 {
		return nil, &complaint{what: fmt.Sprintf("has %d elements, not two", len(list))}
	}
	var pair [2]time.Duration
	for i, x := range list {
		at, c := clockKind.read(x)
		if c != nil {
			return nil, &complaint{what: "has an element that is not a time of day"}
		}
		pair[i] = at.(time.Duration)
	}
	if pair[0] == pair[1] {
		return nil, &complaint{what: "begins and ends at the same time"}
	}
	return pair, nil
}}

func topicKind(check func(string) error) kind {
	return textKind("topic", "an MQTT topic name: at least one character, no +, no #, no control character", func(s string) (any, *complaint) {
		if err := check(s); err != nil {
			return nil, &complaint{what: "is not a usable topic: it " + err.Error()}
		}
		return s, nil
	})
}

var pointerKind = textKind("JSON pointer", `such as "/humidity" or "/sensors/0/value"`, func(s string) (any, *complaint) {
	p, err := pointer.Compile(s)
	if err != nil {
		c := &complaint{what: "is not a JSON pointer: " + err.Error()}
		if !strings.HasPrefix(s, "/") {
			if _, err := pointer.Compile("/" + s); err == nil {
				c.nearest = "/" + s
			}
		}
		return nil, c
	}
	return p, nil
})

var senMLName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9:./_-]*$`)

var senMLKind = textKind("text", "the full name of a record: letters, digits and - : . / _, a letter or digit first", func(s string) (any, *complaint) {
	if len(s) > maxText || !senMLName.MatchString(s) { // RFC 8428 section 4.5.1
		return nil, &complaint{what: "is not a SenML name"}
	}
	return s, nil
})

var listenKind = textKind("address", `host and port, such as "127.0.0.1:9420"`, func(s string) (any, *complaint) {
	host, port, err := net.SplitHostPort(s)
	if err != nil {
		c := &complaint{what: "is not a host and port"}
		if net.ParseIP(s) != nil {
			c.what = "has no port"
		}
		return nil, c
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || n > math.MaxUint16 {
		return nil, &complaint{what: fmt.Sprintf("has port %q, not 0 to 65535", port)}
	}
	if strings.ContainsAny(host, " /@?#") || strings.ContainsFunc(host, unicode.IsControl) {
		return nil, &complaint{what: "has no such host"}
	}
	return s, nil
})

// brokerPorts are the schemes of a broker's address, with the port each has by default.
var brokerPorts = map[string]string{"mqtt": "1883", "mqtts": "8883", "ws": "80", "wss": "443"}

// embeddedWord stands in place of an address for the broker inside the daemon.
const embeddedWord = "embedded"

var brokerKind = textKind("address", `mqtt://, mqtts://, ws:// or wss:// with host and port, or "embedded"`, func(s string) (any, *complaint) {
	if s == embeddedWord {
		return (*url.URL)(nil), nil
	}
	u, err := url.Parse(s)
	if whole, err2 := url.Parse("mqtt://" + s); err2 == nil && whole.Port() != "" && !strings.Contains(s, "://") {
		return nil, &complaint{what: "has no scheme that a broker speaks", nearest: "mqtt://" + s}
	}
	if err != nil {
		return nil, &complaint{what: "is not an address"}
	}
	port, known := brokerPorts[u.Scheme]
	switch {
	case u.User != nil:
		return nil, &complaint{what: "has a user or password in it", allowed: "use username and password_file"}
	case !known:
		c := &complaint{what: "has no scheme that a broker speaks"}
		if near := nearest.Word(strings.SplitN(s, ":", 2)[0], []string{"mqtt", "mqtts", "ws", "wss", embeddedWord}); near != "" {
			c.nearest = near
			if rest, ok := strings.CutPrefix(s, u.Scheme+"://"); ok && u.Scheme != "" && near != embeddedWord {
				c.nearest = near + "://" + rest
			}
		}
		return nil, c
	case u.Hostname() == "":
		return nil, &complaint{what: "has no host"}
	case u.RawQuery != "" || u.Fragment != "" || (u.Scheme == "mqtt" || u.Scheme == "mqtts") && u.Path != "" && u.Path != "/":
		return nil, &complaint{what: "has more than host and port"}
	}
	if p := u.Port(); p != "" {
		port = p
		if n, err := strconv.ParseUint(p, 10, 16); err != nil || n == 0 {
			return nil, &complaint{what: fmt.Sprintf("has port %s, not 1 to 65535", p)}
		}
	}
	clean := &url.URL{Scheme: u.Scheme, Host: net.JoinHostPort(u.Hostname(), port)}
	if u.Scheme == "ws" || u.Scheme == "wss" {
		clean.Path = u.Path
	}
	return clean, nil
})

// words gives the words of an enumeration.
func words[T fmt.Stringer](list []T) []string {
	w := make([]string, len(list))
	for i, v := range list {
		w[i] = v.String()
	}
	return w
}

var (
	quantityKind = wordKind(words(chamber.Quantities()), func(i int) chamber.Quantity { return chamber.Quantities()[i] })
	roleKind     = wordKind(words(chamber.Roles()), func(i int) chamber.Role { return chamber.Roles()[i] })
	places       = []chamber.Place{chamber.Inside, chamber.Room}
	placeKind    = wordKind(words(places), func(i int) chamber.Place { return places[i] })
)

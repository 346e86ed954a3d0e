// Package survey recognizes climate sensors and switched plugs in what is said on a broker: by units and words, by the
// range of the values, and by how they behave over time. What it finds it gives with how sure it is and why, and as a
// configuration to start from.
//
// It must never open a connection, publish anything, or take a name for a proof: what it is not sure of stays a comment
// in the configuration. Start reading at [Survey.Hear] and [Survey.Find].
package survey

import (
	"encoding/json"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"gillkeeper/bridge/homie"
	"gillkeeper/bridge/mqtt/topic"
	"gillkeeper/bridge/pointer"
	"gillkeeper/bridge/senml"
)

// The bounds of what is remembered, however much is said: about 50 MB at most.
const (
	MaxPayload = 64 << 10 // bytes of a payload that is looked at
	maxTopics  = 20_000
	maxSeries  = 40_000
	maxFields  = 64  // numbers and words of one JSON document that are followed
	maxTopic   = 512 // bytes of a topic; a longer one is no sensor's
)

// Message is one message that was heard.
type Message struct {
	Topic    string
	Payload  []byte // not kept
	Retained bool   // as delivered: said before anybody listened
	At       time.Time
}

// Survey remembers what was said. Its methods may be called from several goroutines.
type Survey struct {
	mu        sync.Mutex
	counts    Counts
	seen      map[string]bool
	series    map[key]*series
	raw       map[string]*payloads // by topic: words and documents as they were, to be said again
	homie5    map[string]*homie.Description
	homie4    map[string]map[string]string // by property's topic: attributes
	ours      map[string]bool              // gillkeeper's own devices, by topic
	sizes     map[string]int               // of descriptions, by device's topic
	described int                          // their sum
	details   int                          // Homie attributes that are kept
}

// Counts tells how a survey comes along.
type Counts struct {
	Messages int `json:"messages"`
	Topics   int `json:"topics"`
	Series   int `json:"series"`  // numbers and words that are followed
	Skipped  int `json:"skipped"` // messages beyond what is remembered, or too large
}

// key names one value in what is said: the payload itself, one place in a JSON document, or one record of a SenML pack.
type key struct {
	topic   string
	form    form
	pointer string
	name    string
}

type form byte

const (
	plain form = iota
	inJSON
	inSenML
)

// New begins a survey.
func New() *Survey {
	return &Survey{seen: map[string]bool{}, series: map[key]*series{}, raw: map[string]*payloads{}, homie5: map[string]*homie.Description{},
		homie4: map[string]map[string]string{}, ours: map[string]bool{}, sizes: map[string]int{}}
}

// Counts tells what was heard so far.
func (s *Survey) Counts() Counts {
	s.mu.Lock()
	defer s.mu.Unlock()
	c := s.counts
	c.Topics, c.Series = len(s.seen), len(s.series)
	return c
}

// Hear takes one message in.
func (s *Survey) Hear(m Message) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.counts.Messages++
	known := s.seen[m.Topic]
	if len(m.Payload) > MaxPayload || len(m.Topic) > maxTopic || topic.CheckName(m.Topic) != nil || !known && len(s.seen) >= maxTopics {
		s.counts.Skipped++
		return
	}
	s.seen[m.Topic] = true
	if len(m.Payload) == 0 || !utf8.Valid(m.Payload) {
		return
	}
	if strings.Contains(m.Topic, "/$") {
		s.attribute(&m)
		return
	}
	s.keepRaw(&m)
	switch strings.TrimSpace(string(m.Payload[:1])) {
	case "{", "[":
		s.document(&m)
	default:
		s.note(key{topic: m.Topic}, &m, strings.TrimSpace(string(m.Payload)), 0, "")
	}
}

// document follows every number and word of a SenML pack or another JSON document.
func (s *Survey) document(m *Message) {
	if m.Payload[0] == '[' {
		if records, err := senml.Resolve(m.Payload, m.At); err == nil {
			for i := range min(len(records), maxFields) {
				r := &records[i]
				k := key{topic: m.Topic, form: inSenML, name: r.Name}
				switch {
				case r.Value != nil:
					s.noteNumber(k, m, *r.Value, r.Unit)
				case r.Bool != nil:
					s.note(k, m, homie.Bool(*r.Bool), 'b', r.Unit)
				}
			}
			return
		}
	}
	doc, err := pointer.Parse(m.Payload)
	if err != nil {
		return
	}
	left := maxFields
	s.walk(m, doc, "", "", &left)
}

// walk goes through a JSON document in the order of its members' names. A member "unit" says the unit of its siblings.
func (s *Survey) walk(m *Message, v any, at, unit string, left *int) {
	if *left <= 0 {
		return
	}
	k := key{topic: m.Topic, form: inJSON, pointer: at}
	switch v := v.(type) {
	case map[string]any:
		unit = unitBeside(v)
		for _, name := range sortedNames(v) {
			s.walk(m, v[name], at+"/"+escape(name), unit, left)
		}
	case []any:
		for i := range min(len(v), 8) {
			s.walk(m, v[i], at+"/"+string(rune('0'+i)), unit, left)
		}
	case json.Number:
		*left--
		s.note(k, m, v.String(), 'n', unit)
	case string:
		*left--
		s.note(k, m, v, 's', unit)
	case bool:
		*left--
		s.note(k, m, homie.Bool(v), 'b', unit)
	}
}

func unitBeside(o map[string]any) string {
	for _, name := range []string{"unit", "units"} {
		if u, ok := o[name].(string); ok && len(u) < 32 {
			return u
		}
	}
	return ""
}

func sortedNames(o map[string]any) []string {
	names := make([]string, 0, len(o))
	for n := range o {
		names = append(names, n)
	}
	slices.Sort(names)
	return names
}

// escape writes a name as a reference token (RFC 6901 §3).
func escape(s string) string { return strings.NewReplacer("~", "~0", "/", "~1").Replace(s) }

// note follows a value that is a number or a word. Kind is that of the JSON value, 0 outside JSON.
func (s *Survey) note(k key, m *Message, text string, kind byte, unit string) {
	if v, ok := number(text); ok {
		s.noteNumber(k, m, v, unit)
		if v != 0 && v != 1 {
			return // 0 and 1 may be a switch's words
		}
	}
	if len(text) > maxWord {
		return
	}
	if x := s.follow(k, m, unit); x != nil {
		x.word(m, text, kind)
	}
}

func (s *Survey) noteNumber(k key, m *Message, v float64, unit string) {
	if x := s.follow(k, m, unit); x != nil {
		x.number(m, v)
	}
}

// follow finds or begins a series; nil when there is no room for another.
func (s *Survey) follow(k key, m *Message, unit string) *series {
	x := s.series[k]
	if x == nil {
		if len(s.series) >= maxSeries {
			s.counts.Skipped++
			return nil
		}
		if _, err := pointer.Compile(k.pointer); err != nil {
			return nil // no configuration could name it
		}
		x = &series{key: k, whole: true}
		s.series[k] = x
	}
	if unit != "" {
		x.unit = unit
	}
	return x
}

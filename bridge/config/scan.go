package config

import (
	"strconv"
	"strings"
)

// spot is where something stands in the text. Spots form a tree alongside the decoded values, because the decoder
// keeps no lines.
type spot struct {
	line  int
	kids  map[string]*spot // of a table
	items []*spot          // of a list, one for each element
}

func (s *spot) kid(name string) *spot {
	if s.kids == nil {
		s.kids = map[string]*spot{}
	}
	k := s.kids[name]
	if k == nil {
		k = &spot{}
		s.kids[name] = k
	}
	return k
}

// newest is the table that a header's next part refers to: of a list of tables the last one.
func (s *spot) newest() *spot {
	if n := len(s.items); n > 0 {
		return s.items[n-1]
	}
	return s
}

// statement is one key with its value, or one header.
type statement struct {
	line   int
	header bool
	key    []string
}

// index is what a scan of the text finds.
type index struct {
	root       spot
	statements []statement
	tooDeep    int   // line of a value that nests too deep; 0: none
	holes      []int // sections of statements that couldn't be read, see [index.section]
}

// scan finds the line of every key and element of a TOML text. It accepts whatever it can't make sense of and goes
// on with the next line; finding faults of syntax is the decoder's work.
func scan(text string) *index {
	x := &index{}
	x.root.line = 1
	s := scanner{text: text, line: 1, index: x}
	s.run()
	return x
}

type scanner struct {
	text  string
	pos   int
	line  int
	depth int
	index *index
}

func (s *scanner) run() {
	table := &s.index.root
	for {
		s.skipBlank()
		if s.pos >= len(s.text) {
			return
		}
		line := s.line
		if s.peek() == '[' {
			table = s.header(line)
		} else {
			key := s.key()
			s.index.statements = append(s.index.statements, statement{line: line, key: key})
			s.skipSpace()
			if s.peek() == '=' && len(key) > 0 {
				s.pos++
				s.skipSpace()
				s.value(descend(table, key, line))
			}
		}
		s.skipLine()
	}
}

// header reads [a.b] or [[a.b]] and gives the table that the next keys belong to.
func (s *scanner) header(line int) *spot {
	s.pos++
	list := s.peek() == '['
	if list {
		s.pos++
	}
	s.skipSpace()
	key := s.key()
	s.index.statements = append(s.index.statements, statement{line: line, header: true, key: key})
	if len(key) == 0 {
		return &spot{line: line}
	}
	at := descend(&s.index.root, key, line)
	if !list {
		return at.newest()
	}
	item := &spot{line: line}
	at.items = append(at.items, item)
	return item
}

// descend gives the spot of a dotted key below a table, and marks its line.
func descend(table *spot, key []string, line int) *spot {
	at := table
	for i, part := range key {
		at = at.kid(part)
		if at.line == 0 {
			at.line = line
		}
		if i < len(key)-1 {
			at = at.newest()
		}
	}
	return at
}

// key reads a dotted key; nil when there is none.
func (s *scanner) key() []string {
	var parts []string
	for {
		s.skipSpace()
		part, ok := s.keyPart()
		if !ok {
			return parts
		}
		parts = append(parts, part)
		s.skipSpace()
		if s.peek() != '.' {
			return parts
		}
		s.pos++
	}
}

func (s *scanner) keyPart() (string, bool) {
	switch s.peek() {
	case '"', '\'':
		return s.quoted(), true
	}
	start := s.pos
	for s.pos < len(s.text) && isBare(s.text[s.pos]) {
		s.pos++
	}
	return s.text[start:s.pos], s.pos > start
}

// isBare tells bytes of an unquoted key. Letters beyond ASCII are taken too: the decoder decides.
func isBare(c byte) bool {
	return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '_' || c == '-' || c >= 0x80
}

// value reads a value and hangs the lines of its parts below at.
func (s *scanner) value(at *spot) {
	switch s.peek() {
	case '"', '\'':
		s.quoted()
	case '[':
		s.nested(func() { s.list(at) })
	case '{':
		s.nested(func() { s.inline(at) })
	default:
		for s.pos < len(s.text) && !strings.ContainsRune(",]}#\n", rune(s.text[s.pos])) {
			s.pos++
		}
	}
}

// nested reads a list or inline table within the allowed depth.
func (s *scanner) nested(read func()) {
	if s.depth == maxNesting {
		if s.index.tooDeep == 0 {
			s.index.tooDeep = s.line
		}
		s.pos = len(s.text)
		return
	}
	s.depth++
	s.pos++
	read()
	s.depth--
}

func (s *scanner) list(at *spot) {
	for {
		s.skipBlank()
		switch s.peek() {
		case 0:
			return
		case ']':
			s.pos++
			return
		case ',':
			s.pos++
			continue
		}
		item := &spot{line: s.line}
		at.items = append(at.items, item)
		before := s.pos
		s.value(item)
		if s.pos == before {
			s.pos++ // a stray brace
		}
	}
}

func (s *scanner) inline(at *spot) {
	for {
		s.skipBlank()
		switch s.peek() {
		case 0:
			return
		case '}':
			s.pos++
			return
		case ',':
			s.pos++
			continue
		}
		line, before := s.line, s.pos
		key := s.key()
		s.skipSpace()
		if s.peek() == '=' && len(key) > 0 {
			s.pos++
			s.skipBlank()
			s.value(descend(at, key, line))
		}
		if s.pos == before {
			s.pos++
		}
	}
}

// quoted reads a text in quotes of either kind, on one line or many, and gives it as a key would be.
func (s *scanner) quoted() string {
	q := s.text[s.pos : s.pos+1]
	if triple := q + q + q; strings.HasPrefix(s.text[s.pos:], triple) {
		s.multiline(triple)
		return ""
	}
	start := s.pos + 1
	for s.pos++; s.pos < len(s.text) && s.text[s.pos] != '\n'; s.pos++ {
		switch {
		case s.text[s.pos] == q[0]:
			s.pos++
			inner := s.text[start : s.pos-1]
			if q == "'" {
				return inner
			}
			return unescape(inner)
		case s.text[s.pos] == '\\' && q == `"` && s.pos+1 < len(s.text) && s.text[s.pos+1] != '\n':
			s.pos++
		}
	}
	return s.text[start:s.pos]
}

func (s *scanner) multiline(triple string) {
	for s.pos += 3; s.pos < len(s.text); s.pos++ {
		switch {
		case strings.HasPrefix(s.text[s.pos:], triple):
			s.pos += 3
			for n := 0; n < 2 && s.peek() == triple[0]; n++ { // up to two quotes may belong to the text
				s.pos++
			}
			return
		case s.text[s.pos] == '\n':
			s.line++
		case s.text[s.pos] == '\\' && triple[0] == '"' && s.pos+1 < len(s.text) && s.text[s.pos+1] != '\n':
			s.pos++
		}
	}
}

// unescape decodes the escapes of a quoted key.
func unescape(s string) string {
	if !strings.Contains(s, `\`) {
		return s
	}
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] != '\\' || i+1 == len(s) {
			b.WriteByte(s[i])
			continue
		}
		i++
		digits := map[byte]int{'x': 2, 'u': 4, 'U': 8}[s[i]]
		if digits > 0 && i+digits < len(s) {
			if r, err := strconv.ParseUint(s[i+1:i+1+digits], 16, 32); err == nil {
				b.WriteRune(rune(r))
				i += digits
				continue
			}
		}
		if plain, ok := map[byte]byte{'b': '\b', 't': '\t', 'n': '\n', 'f': '\f', 'r': '\r', 'e': 0x1b}[s[i]]; ok {
			b.WriteByte(plain)
			continue
		}
		b.WriteByte(s[i])
	}
	return b.String()
}

func (s *scanner) peek() byte {
	if s.pos < len(s.text) {
		return s.text[s.pos]
	}
	return 0
}

func (s *scanner) skipSpace() {
	for s.peek() == ' ' || s.peek() == '\t' {
		s.pos++
	}
}

// skipBlank skips space, newlines and comments.
func (s *scanner) skipBlank() {
	for s.pos < len(s.text) {
		switch s.text[s.pos] {
		case '\n':
			s.line++
			s.pos++
		case ' ', '\t', '\r':
			s.pos++
		case '#':
			for s.pos < len(s.text) && s.text[s.pos] != '\n' {
				s.pos++
			}
		default:
			return
		}
	}
}

// skipLine skips what is left of the line.
func (s *scanner) skipLine() {
	for s.pos < len(s.text) {
		s.pos++
		if s.text[s.pos-1] == '\n' {
			s.line++
			return
		}
	}
}

package config

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode"

	"github.com/BurntSushi/toml"
)

// read decodes a text into loose values and finds their lines. The decoder stops at its first fault of syntax; so that
// the rest can be judged too, the statement it stumbled over is blanked and the text is decoded again.
func read(file, text string) (map[string]any, *index, Faults) {
	x := scan(text)
	if x.tooDeep > 0 {
		return nil, x, Faults{{File: file, Line: x.tooDeep, What: fmt.Sprintf("nests deeper than %d", maxNesting),
			Allowed: "a configuration needs no more than two levels of lists"}}
	}
	var faults Faults
	for {
		raw := map[string]any{}
		_, err := toml.Decode(text, &raw)
		if err == nil {
			return raw, x, faults
		}
		line, f := syntaxFault(file, text, x, err)
		if n := len(faults); n > 0 && faults[n-1].Line == f.Line {
			return nil, x, faults // no way forward
		}
		faults = append(faults, f)
		if len(faults) == maxSyntax {
			faults[maxSyntax-1].Allowed = "the reader gives up here; repair these first"
			return nil, x, faults
		}
		x.holes = append(x.holes, x.section(line))
		next := blank(text, x, line)
		if next == text {
			return nil, x, faults
		}
		text = next
		holes := x.holes
		x = scan(text)
		x.holes = holes
	}
}

// secretive finds lines that may hold a secret, of which a message must not quote a piece.
var secretive = regexp.MustCompile(`(?i)password|token|secret|url`)

// decimalComma finds a number as much of the world writes it.
var decimalComma = regexp.MustCompile(`=\s*[-+]?[0-9]+,[0-9]+\s*(#.*)?$`)

func syntaxFault(file, text string, x *index, err error) (int, Fault) {
	p, ok := errors.AsType[toml.ParseError](err)
	if !ok {
		return 1, Fault{File: file, Line: 1, What: "no TOML: " + oneLine(err.Error())}
	}
	lines := strings.Split(text, "\n")
	line := min(max(p.Position.Line, 1), len(lines))
	f := Fault{File: file, Line: line, What: "no TOML: " + strings.TrimSuffix(oneLine(p.Message), ".")}
	switch {
	case secretive.MatchString(lines[line-1]):
		f.What = "no TOML, and not shown because it may hold a secret"
		f.Allowed = "text goes between double quotes"
	case decimalComma.MatchString(lines[line-1]):
		f.Allowed = "a decimal fraction has a point, as in 0.56"
	case strings.HasPrefix(p.Message, "expected value"):
		f.Allowed = "text goes between double quotes, numbers and true or false stand bare"
	case strings.Contains(p.Message, "already been defined"):
		f.Allowed = "each key once; several chambers, sensors or plugs need double brackets, as in [[chamber]]"
	}
	if s := x.at(line); s != nil && s.line < line && f.Allowed == "" {
		f.Allowed = fmt.Sprintf("what began on line %d is not finished", s.line)
	}
	return line, f
}

// section gives the line of the header that a line stands below, 1 when there is none, or 0 when the line is itself of
// a header.
func (x *index) section(line int) int {
	s := x.at(line)
	if s != nil && s.header {
		return 0
	}
	section := 1
	for i := range x.statements {
		if x.statements[i].line > line {
			break
		}
		if x.statements[i].header {
			section = x.statements[i].line
		}
	}
	return section
}

// mayHold reports whether what a table at that line lacks may have stood in a statement that couldn't be read.
func (x *index) mayHold(line int) bool {
	return slices.Contains(x.holes, 0) || slices.Contains(x.holes, line)
}

// at gives the statement that a line belongs to, or nil.
func (x *index) at(line int) *statement {
	i, found := slices.BinarySearchFunc(x.statements, line, func(s statement, l int) int { return s.line - l })
	if !found {
		i--
	}
	if i < 0 {
		return nil
	}
	return &x.statements[i]
}

// oneLine keeps a message that quotes the text on one line of modest length.
func oneLine(s string) string {
	const most = 200 // bytes
	s = strings.Join(strings.Fields(s), " ")
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "") + "…"
	}
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return '?'
		}
		return r
	}, s)
}

// blank empties the statement at a line; of a header also everything that belongs below it, which would else fall to
// the table before. Lines keep their numbers.
func blank(text string, x *index, line int) string {
	i, found := slices.BinarySearchFunc(x.statements, line, func(s statement, l int) int { return s.line - l })
	if !found {
		i--
	}
	lines := strings.SplitAfter(text, "\n")
	first, last := line, line
	if i >= 0 {
		first = x.statements[i].line
		if x.statements[i].header {
			last = endOfSection(x, i, len(lines))
		}
	}
	for n := first; n <= last && n <= len(lines); n++ {
		lines[n-1] = strings.Repeat("\n", strings.Count(lines[n-1], "\n"))
	}
	return strings.Join(lines, "")
}

// endOfSection gives the last line before the next header that isn't below the i-th statement's.
func endOfSection(x *index, i, lines int) int {
	own := x.statements[i].key
	for _, s := range x.statements[i+1:] {
		below := len(own) > 0 && len(s.key) > len(own) && slices.Equal(s.key[:len(own)], own)
		if s.header && !below {
			return s.line - 1
		}
	}
	return lines
}

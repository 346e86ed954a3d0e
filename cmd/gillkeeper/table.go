package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"unicode"
	"unicode/utf8"
)

// table prints rows in columns. On a terminal the last column wraps at its edge.
type table struct {
	head []string
	rows [][]string
}

func newTable(head ...string) *table { return &table{head: head} }

// add appends a row; a cell with line breaks takes several lines. What steers a terminal is left out: notes and topics are
// other people's words.
func (t *table) add(cells ...string) {
	for i := range cells {
		cells[i] = harmless(cells[i])
	}
	t.rows = append(t.rows, cells)
}

// harmless takes control characters out of a text but for its line breaks, and what turns the direction of writing.
func harmless(s string) string {
	return strings.Map(func(r rune) rune {
		if r != '\n' && (unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r)) {
			return ' '
		}
		return r
	}, s)
}

// printText writes a text that another program may read to standard output: as it is, or harmless where that is a terminal.
func (a *app) printText(b []byte) error {
	if a.terminal {
		b = []byte(harmless(string(b)))
	}
	_, err := a.stdout.Write(b)
	return err
}

// gutter is the space between two columns; narrowest is the width below which the last column is not wrapped; handheld is that of a
// terminal below which a table that does not fit is printed as a list: on a phone, broken lines of eight columns tell nothing.
const (
	gutter    = 2
	narrowest = 20
	handheld  = 60
)

// printTable writes the table to standard output.
func (a *app) printTable(t *table) {
	widths := make([]int, len(t.head))
	all := append([][]string{t.head}, t.rows...)
	for _, row := range all {
		for i, cell := range row {
			for line := range strings.SplitSeq(cell, "\n") {
				widths[i] = max(widths[i], utf8.RuneCountInString(line))
			}
		}
	}
	if a.width > 0 {
		before := 0
		for _, w := range widths[:len(widths)-1] {
			before += w + gutter
		}
		last := &widths[len(widths)-1]
		if a.width < handheld && before+min(*last, narrowest) > a.width {
			a.printList(t)
			return
		}
		*last = min(*last, max(narrowest, a.width-before))
	}
	for i, row := range all {
		a.printRow(row, widths, i == 0)
	}
}

// printList writes each row of a table as lines of what the head says and the cell.
func (a *app) printList(t *table) {
	label := 0
	for _, h := range t.head {
		label = max(label, utf8.RuneCountInString(h))
	}
	for i, row := range t.rows {
		if i > 0 {
			io.WriteString(a.stdout, "\n")
		}
		for j, cell := range row {
			if strings.TrimSpace(cell) == "" {
				continue
			}
			head := t.head[j]
			for part := range strings.SplitSeq(cell, "\n") {
				for _, line := range wrap(strings.TrimSpace(part), max(narrowest, a.width-label-gutter)) {
					space := strings.Repeat(" ", label+gutter-utf8.RuneCountInString(head))
					io.WriteString(a.stdout, a.bold(head)+space+line+"\n")
					head = ""
				}
			}
		}
	}
}

func (a *app) printRow(row []string, widths []int, head bool) {
	cells := make([][]string, len(row))
	height := 1
	for i, cell := range row {
		for line := range strings.SplitSeq(cell, "\n") {
			if i == len(row)-1 {
				cells[i] = append(cells[i], wrap(line, widths[i])...)
			} else {
				cells[i] = append(cells[i], line)
			}
		}
		height = max(height, len(cells[i]))
	}
	for l := range height {
		var b strings.Builder
		for i := range cells {
			text := ""
			if l < len(cells[i]) {
				text = cells[i][l]
			}
			b.WriteString(text)
			if i < len(cells)-1 {
				b.WriteString(strings.Repeat(" ", max(0, widths[i]+gutter-utf8.RuneCountInString(text))))
			}
		}
		line := strings.TrimRight(b.String(), " ")
		if head {
			line = a.bold(line)
		}
		io.WriteString(a.stdout, line+"\n")
	}
}

// wrap breaks a line between words so that it fits; a word that is longer stays whole.
func wrap(line string, width int) []string {
	if width <= 0 || utf8.RuneCountInString(line) <= width {
		return []string{line}
	}
	var lines []string
	cur := ""
	for word := range strings.FieldsSeq(line) {
		switch {
		case cur == "":
			cur = word
		case utf8.RuneCountInString(cur)+1+utf8.RuneCountInString(word) <= width:
			cur += " " + word
		default:
			lines = append(lines, cur)
			cur = word
		}
	}
	return append(lines, cur)
}

// bold emphasizes on a terminal, unless NO_COLOR asks for plain text or the terminal can't.
func (a *app) bold(s string) string {
	if s == "" || !a.terminal || a.getenv("NO_COLOR") != "" || a.getenv("TERM") == "dumb" {
		return s
	}
	return "\x1b[1m" + s + "\x1b[0m"
}

// printJSON writes v to standard output, indented, as every command does with --json. What turns the direction of writing is escaped: it
// means the same, and a terminal shows what is there.
func (a *app) printJSON(v any) error {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(v); err != nil {
		return err
	}
	var plain strings.Builder
	for _, r := range b.String() {
		if unicode.Is(unicode.Bidi_Control, r) {
			fmt.Fprintf(&plain, `\u%04x`, r)
		} else {
			plain.WriteRune(r)
		}
	}
	_, err := io.WriteString(a.stdout, plain.String())
	return err
}

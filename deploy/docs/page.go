// Package docs makes the reference pages that ship with the program, as Markdown and as manual pages, from the tables
// that the program itself works by: keys of the configuration, metrics, alarms, forms of payload, the HTTP API.
//
// It must never be part of the program, or say what no table says: a test makes every page anew and compares. Start
// reading at [Pages].
package docs

import (
	"fmt"
	"strings"
)

// Page is one page of the reference.
type Page struct {
	File    string // of the Markdown, without its ending
	Man     string // name of the manual page, such as gillkeeper.toml
	Section int    // of the manual; 0: none is made
	Title   string // the heading
	Brief   string // what it is about, for the manual's NAME
	Body    []Block
}

// Block is a part of a page. Text may hold `code` in backquotes and no other markup.
type Block interface {
	markdown(b *strings.Builder)
	man(b *strings.Builder)
}

// Heading begins a part.
type Heading string

// Text is a paragraph.
type Text string

// Code is shown as it stands, in a language that a reader's program may color.
type Code struct{ Language, Text string }

// Terms explains one thing after the other.
type Terms []Term

// Term is a thing, what it is in short, and what is to be said of it, a line each.
type Term struct {
	Code  string
	Short string
	Lines []string
}

func (h Heading) markdown(b *strings.Builder) { fmt.Fprintf(b, "\n## %s\n", plainOrCode(string(h))) }
func (t Text) markdown(b *strings.Builder)    { fmt.Fprintf(b, "\n%s\n", t) }

func (c Code) markdown(b *strings.Builder) {
	fmt.Fprintf(b, "\n```%s\n%s\n```\n", c.Language, strings.TrimRight(c.Text, "\n"))
}

func (ts Terms) markdown(b *strings.Builder) {
	b.WriteString("\n")
	for _, t := range ts {
		fmt.Fprintf(b, "- `%s`", t.Code)
		if t.Short != "" {
			fmt.Fprintf(b, " *(%s)*", strings.ReplaceAll(t.Short, "*", `\*`))
		}
		for i, l := range t.Lines {
			switch {
			case i > 0:
				b.WriteString("  \n  " + l)
			case l != "":
				b.WriteString(": " + l)
			}
		}
		b.WriteString("\n")
	}
}

// plainOrCode sets a heading that is a table of the file in code.
func plainOrCode(s string) string {
	if strings.HasPrefix(s, "[") {
		return "`" + s + "`"
	}
	return s
}

// Markdown writes the page.
func (p *Page) Markdown() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "<!-- Made from the program by `go test ./deploy/docs -update`; do not edit. -->\n# %s\n", p.Title)
	for _, x := range p.Body {
		x.markdown(&b)
	}
	return []byte(b.String())
}

func (h Heading) man(b *strings.Builder) { fmt.Fprintf(b, ".SH \"%s\"\n", roff(string(h))) }
func (t Text) man(b *strings.Builder)    { fmt.Fprintf(b, ".PP\n%s\n", inline(string(t))) }

func (c Code) man(b *strings.Builder) {
	b.WriteString(".PP\n.RS 4\n.nf\n")
	for l := range strings.SplitSeq(strings.TrimRight(c.Text, "\n"), "\n") {
		b.WriteString(line(roff(l)) + "\n")
	}
	b.WriteString(".fi\n.RE\n")
}

func (ts Terms) man(b *strings.Builder) {
	for _, t := range ts {
		fmt.Fprintf(b, ".TP\n\\fB%s\\fR", roff(t.Code))
		if t.Short != "" {
			fmt.Fprintf(b, " (%s)", roff(t.Short))
		}
		b.WriteString("\n")
		for i, l := range t.Lines {
			if i > 0 {
				b.WriteString(".br\n")
			}
			b.WriteString(inline(l) + "\n")
		}
	}
}

// Manual writes the page as troff with the man macros, without a date, so that it is the same whenever it is made.
func (p *Page) Manual() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, ".TH \"%s\" \"%d\" \"\" \"gillkeeper\" \"%s\"\n", strings.ToUpper(roff(p.Man)), p.Section, roff(p.Title))
	fmt.Fprintf(&b, ".nh\n.ad l\n.SH NAME\n%s \\- %s\n.SH DESCRIPTION\n", roff(p.Man), roff(p.Brief))
	for _, x := range p.Body {
		x.man(&b)
	}
	b.WriteString(".SH \"SEE ALSO\"\n\\fBgillkeeper\\fR(1)")
	for _, other := range manuals {
		if other != p.Man+"("+fmt.Sprint(p.Section)+")" {
			name, section, _ := strings.Cut(other, "(")
			fmt.Fprintf(&b, ", \\fB%s\\fR(%s", roff(name), section)
		}
	}
	b.WriteString("\n")
	return []byte(b.String())
}

// roff escapes what troff would take for its own.
func roff(s string) string {
	return strings.NewReplacer(`\`, `\e`, `-`, `\-`, `"`, `\(dq`, `'`, `\(aq`, "`", `\(ga`, `^`, `\(ha`, `~`, `\(ti`).Replace(s)
}

// line keeps a line from being taken for a request.
func line(s string) string {
	if strings.HasPrefix(s, ".") {
		return `\&` + s
	}
	return s
}

// inline sets what stands in backquotes bold.
func inline(s string) string {
	var b strings.Builder
	for i, part := range strings.Split(s, "`") {
		if i%2 == 1 {
			part = `\fB` + roff(part) + `\fR`
		} else {
			part = strings.NewReplacer(`\`, `\e`, `'`, `\(aq`, `^`, `\(ha`, `~`, `\(ti`).Replace(part)
		}
		b.WriteString(part)
	}
	return line(b.String())
}

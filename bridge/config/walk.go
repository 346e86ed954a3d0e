package config

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"gillkeeper/policy/chamber"
	"gillkeeper/policy/nearest"
)

// table is one table of the file with its values read and each checked by itself. What a key's value is together with
// others is judged later.
type table struct {
	schema string // "chamber.sensor"
	where  string // `chamber "loft", sensor "air-upper"`
	line   int
	leaves map[string]leaf
	tables map[string][]*table
	faulty map[string]bool // keys that have a fault already
}

// leaf is a value that was read.
type leaf struct {
	value any
	line  int
	shown string // as it stands in the file
}

// reader walks the loose values and collects what is wrong.
type reader struct {
	file   string
	env    Env
	faults Faults
	asked  map[string]bool // keys that were used
	sides  []string        // paths of the files that it names and that were read
}

// table reads a table and those below it.
func (r *reader) table(schema, where string, raw map[string]any, at *spot, line int) *table {
	t := &table{schema: schema, where: where, line: line, leaves: map[string]leaf{}, tables: map[string][]*table{}, faulty: map[string]bool{}}
	for _, key := range slices.Sorted(maps.Keys(raw)) {
		full, keyLine, spot := join(schema, key), line, &spot{}
		if at != nil && at.kids[key] != nil {
			spot = at.kids[key]
			keyLine = max(spot.line, 1)
		}
		switch {
		case sectionOf[full] != nil:
			r.section(t, sectionOf[full], raw[key], spot, keyLine)
		case entryOf[full] != nil:
			r.leaf(t, entryOf[full], key, raw[key], keyLine)
		default:
			r.unknown(t, key, raw[key], keyLine)
		}
	}
	r.missing(t)
	return t
}

// section reads the tables of one heading.
func (r *reader) section(t *table, s *section, raw any, at *spot, line int) {
	_, key := split(s.name)
	list, isList := asTables(raw)
	single, isTable := raw.(map[string]any)
	switch {
	case isList && s.list:
	case isTable && !s.list:
		list, at = []map[string]any{single}, &spot{line: line, items: []*spot{at}}
	case isTable:
		r.faultAt(line, r.within(t, key), Fault{What: "is in single brackets", Allowed: "there may be several, so write " + s.heading()})
		list, at = []map[string]any{single}, &spot{line: line, items: []*spot{at}}
	case isList:
		r.faultAt(line, r.within(t, key), Fault{What: "is in double brackets", Allowed: "there is only one, so write " + s.heading()})
		return
	default:
		r.faultAt(line, r.within(t, key), Fault{What: "is " + typeName(raw) + ", not a table", Allowed: "write " + s.heading() + " on a line of its own and its keys below"})
		t.faulty[key] = true
		return
	}
	for i, m := range list {
		itemLine, itemSpot := line, &spot{}
		if i < len(at.items) {
			itemSpot = at.items[i]
			itemLine = max(itemSpot.line, 1)
		}
		t.tables[key] = append(t.tables[key], r.table(s.name, r.within(t, tableTitle(s, key, m, i)), m, itemSpot, itemLine))
	}
}

// asTables takes a list of tables in either form that the decoder gives. An empty list is one of no tables.
func asTables(raw any) ([]map[string]any, bool) {
	switch v := raw.(type) {
	case []map[string]any:
		return v, true
	case []any:
		list := make([]map[string]any, len(v))
		for i := range v {
			m, ok := v[i].(map[string]any)
			if !ok {
				return nil, false
			}
			list[i] = m
		}
		return list, true
	}
	return nil, false
}

// tableTitle is what faults call a table.
func tableTitle(s *section, key string, raw map[string]any, i int) string {
	if !s.list {
		return key
	}
	for _, by := range []string{"name", "role", "species", "quantity"} {
		if name, ok := raw[by].(string); ok && name != "" {
			if stage, ok := raw["stage"].(string); ok && by == "species" {
				name += " " + stage
			}
			return key + " " + quote(name)
		}
	}
	return key + " " + strconv.Itoa(i+1)
}

// within names something in a table for a fault. Tables that stand once are named as in the file, with a dot.
func (r *reader) within(t *table, what string) string {
	switch {
	case t.where == "":
		return what
	case sectionOf[t.schema] != nil && !sectionOf[t.schema].list:
		return t.where + "." + what
	}
	return t.where + ", " + what
}

// leaf reads one value.
func (r *reader) leaf(t *table, e *entry, key string, raw any, line int) {
	if e.instead != "" {
		t.faulty[e.instead] = true // so that it isn't called missing too
		r.faultAt(line, r.within(t, key), Fault{What: "is not read from here",
			Allowed: "a secret does not belong in this file: put it in a file of its own and name that with " + e.instead})
		return
	}
	shown := show(raw)
	if raw == "" { // as good as absent
		if e.required {
			t.faulty[key] = true
			r.faultAt(line, r.within(t, key), Fault{What: "is empty", Allowed: e.kind.allowed})
		}
		return
	}
	v, c := e.kind.read(raw)
	if c == nil {
		t.leaves[key] = leaf{value: v, line: line, shown: shown}
		return
	}
	t.faulty[key] = true
	if strings.Contains(shown, "@") && key == "url" {
		shown, c.nearest = "", "" // it may hold a password
	}
	if c.allowed == "" {
		c.allowed = e.kind.allowed
	}
	r.faultAt(line, r.within(t, key), Fault{What: c.what, Value: shown, Allowed: c.allowed, Nearest: c.nearest})
}

// unknown says that a key is none, and which is meant.
func (r *reader) unknown(t *table, key string, raw any, line int) {
	f := Fault{What: "unknown key"}
	if _, isTable := raw.(map[string]any); isTable {
		f.What = "unknown table"
	} else if _, isTables := raw.([]map[string]any); isTables {
		f.What = "unknown table"
	}
	if f.Nearest = nearest.Word(key, keysOf[t.schema]); f.Nearest == "" {
		if others := homes(key); len(others) > 0 {
			f.Allowed = "it belongs in " + strings.Join(others, " or ")
		} else if len(keysOf[t.schema]) > 0 {
			f.Allowed = "known here: " + strings.Join(keysOf[t.schema], ", ")
		}
	}
	t.faulty[f.Nearest] = true // what it is taken for isn't missing
	name := clip(key)
	if strings.ContainsFunc(name, func(c rune) bool { return c > 0x7f || !isBare(byte(c)) }) {
		name = strconv.Quote(name)
	}
	r.faultAt(line, r.within(t, name), f)
}

// homes gives the tables that know a key.
func homes(key string) []string {
	var list []string
	for i := range sections {
		if slices.Contains(keysOf[sections[i].name], key) {
			list = append(list, sections[i].heading())
		}
	}
	return list
}

// missing says which required keys and tables a table lacks.
func (r *reader) missing(t *table) {
	for _, key := range keysOf[t.schema] {
		full := join(t.schema, key)
		if e := entryOf[full]; e != nil && e.required && !t.has(key) && (e.or == "" || !t.has(e.or)) {
			r.faultAt(t.line, t.where, Fault{What: key + " is missing", Allowed: entryOf[full].kind.allowed, absence: true})
		}
		if s := sectionOf[full]; s != nil && s.required && len(t.tables[key]) == 0 && !t.faulty[key] {
			r.faultAt(t.line, t.where, Fault{What: s.heading() + " is missing", Allowed: "the file needs one", absence: true})
		}
	}
}

// has reports whether a key stands in the table, right or wrong.
func (t *table) has(key string) bool {
	_, there := t.leaves[key]
	return there || t.faulty[key]
}

// faultAt records a fault.
func (r *reader) faultAt(line int, where string, f Fault) {
	f.File, f.Line, f.Where = r.file, max(line, 1), where
	r.faults = append(r.faults, f)
}

// fault records a fault of a key, at its line when it stands in the file.
func (r *reader) fault(t *table, key string, f Fault) {
	line := t.line
	if l, ok := t.leaves[key]; ok {
		line = l.line
		if f.Value == "" {
			f.Value = l.shown
		}
	}
	t.faulty[key] = t.faulty[key] || !f.Warning
	r.faultAt(line, r.within(t, key), f)
}

// given reports whether a key stands in the file with a value that was accepted.
func (r *reader) given(t *table, key string) bool {
	r.asked[join(t.schema, key)] = true
	_, ok := t.leaves[key]
	return ok
}

// get gives a key's value, or its default where it doesn't stand in the file or was refused.
func get[T any](r *reader, t *table, key string) T {
	full := join(t.schema, key)
	e := entryOf[full]
	if e == nil {
		panic("config: no key " + full) // the schema and its reader have drifted; every key is read in tests
	}
	r.asked[full] = true
	if l, ok := t.leaves[key]; ok {
		return l.value.(T)
	}
	if e.def != nil {
		return e.def.(T)
	}
	var zero T
	return zero
}

// first gives the only table of a heading, or an empty one.
func (t *table) first(key string) *table {
	if list := t.tables[key]; len(list) > 0 {
		return list[0]
	}
	return &table{schema: join(t.schema, key), where: key, line: t.line, faulty: map[string]bool{}}
}

// show writes a value as in the file, shortened.
func show(raw any) string {
	switch v := raw.(type) {
	case string:
		return quote(v)
	case float64:
		return number(v)
	case int64, bool:
		return fmt.Sprint(v)
	case time.Time:
		return v.Format(time.RFC3339)
	case []any:
		parts := make([]string, 0, 4)
		for i, p := range v {
			if i == 4 {
				parts = append(parts, "…")
				break
			}
			parts = append(parts, show(p))
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case fmt.Stringer:
		return v.String()
	}
	return ""
}

func quote(s string) string { return strconv.Quote(clip(s)) }

// clip shortens a text for a message.
func clip(s string) string {
	const most = 60
	if len(s) <= most {
		return s
	}
	s = s[:most]
	for len(s) > 0 && !utf8.ValidString(s) && len(s) > most-4 {
		s = s[:len(s)-1]
	}
	return s + "…"
}

// roleOf and quantityOf give what a table says, or zero when it doesn't.
func roleOf(r *reader, t *table) chamber.Role         { return get[chamber.Role](r, t, "role") }
func quantityOf(r *reader, t *table) chamber.Quantity { return get[chamber.Quantity](r, t, "quantity") }

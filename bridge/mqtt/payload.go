package mqtt

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"strconv"
	"strings"
	"time"

	"gillkeeper/bridge/pointer"
	"gillkeeper/bridge/senml"
)

// message is one arrival. What several bindings read of it is parsed once.
type message struct {
	topic    string
	payload  []byte
	retained bool
	wall     time.Time
	unit     string // what a Homie device says of a value's unit; "": nothing

	doc     any
	docErr  error
	docRead bool

	pack     []senml.Record
	packErr  error
	packRead bool
}

// at gives the value that a pointer names in the payload.
func (m *message) at(p pointer.Pointer) (any, *fault) {
	if !m.docRead {
		m.doc, m.docErr = pointer.Parse(m.payload)
		m.docRead = true
	}
	if m.docErr != nil {
		return nil, bad("no JSON document", "%v", m.docErr)
	}
	v, err := p.Find(m.doc)
	if err != nil {
		f := bad("nothing where the pointer points", "%v", err)
		f.absent = errors.Is(err, pointer.ErrAbsent)
		return nil, f
	}
	return v, nil
}

func (m *message) records() ([]senml.Record, *fault) {
	if !m.packRead {
		m.pack, m.packErr = senml.Resolve(m.payload, m.wall)
		m.packRead = true
	}
	if m.packErr != nil {
		return nil, bad("no SenML pack", "%v", m.packErr)
	}
	return m.pack, nil
}

// newest gives the last record of a name that holds a number.
func (m *message) newest(name string) (*senml.Record, *fault) {
	records, f := m.records()
	if f != nil {
		return nil, f
	}
	for i := len(records) - 1; i >= 0; i-- {
		if records[i].Name == name && records[i].Value != nil {
			return &records[i], nil
		}
	}
	f = bad("no number of that name in the SenML pack", "%q", name)
	f.absent = true
	return nil, f
}

// number reads the payload itself as a number, or the one that the pointer names.
func (m *message) number(hasPointer bool, p pointer.Pointer) (float64, *fault) {
	if !hasPointer {
		return parseNumber(string(bytes.TrimSpace(m.payload)))
	}
	v, f := m.at(p)
	if f != nil {
		return 0, f
	}
	switch v := v.(type) {
	case json.Number:
		return parseNumber(string(v))
	case string: // numbers in quotes are common practice among devices
		return parseNumber(strings.TrimSpace(v))
	}
	return 0, bad("no number where the pointer points", "%s", jsonWords(v))
}

// parseNumber reads a decimal number. Hexadecimal, underscores, decimal commas, units behind it, NaN and infinities
// are refused.
func parseNumber(s string) (float64, *fault) {
	for i := range len(s) {
		if c := s[i]; (c < '0' || c > '9') && c != '.' && c != '-' && c != '+' && c != 'e' && c != 'E' {
			return 0, bad("no number", "%s", excerpt(s))
		}
	}
	v, err := strconv.ParseFloat(s, 64)
	switch {
	case errors.Is(err, strconv.ErrRange) && math.IsInf(v, 0):
		return 0, &fault{result: Implausible, cause: "out of range", detail: excerpt(s)}
	case err != nil && !errors.Is(err, strconv.ErrRange):
		return 0, bad("no number", "%s", excerpt(s))
	}
	return v, nil
}

// text gives what a plug's state says: the payload itself, or the value that the pointer names, by its JSON text. kind
// tells a JSON boolean ('b') and number ('n') from words ('w').
func (m *message) text(hasPointer bool, p pointer.Pointer) (s string, kind byte, f *fault) {
	if !hasPointer {
		return string(m.payload), 'w', nil
	}
	v, f := m.at(p)
	if f != nil {
		return "", 0, f
	}
	switch v := v.(type) {
	case string:
		return v, 'w', nil
	case bool:
		return strconv.FormatBool(v), 'b', nil
	case json.Number:
		return v.String(), 'n', nil
	}
	return "", 0, bad("neither word, true, false nor number where the pointer points", "%s", jsonWords(v))
}

// jsonWords says what a JSON value is.
func jsonWords(v any) string {
	switch v.(type) {
	case nil:
		return "it is null"
	case bool:
		return "it is true or false"
	case []any:
		return "it is an array"
	case map[string]any:
		return "it is an object"
	}
	return "it is no value of JSON"
}

// excerpt quotes the beginning of what a stranger sent, on one line.
func excerpt[T string | []byte](s T) string {
	const most = 60
	if len(s) <= most {
		return strconv.QuoteToGraphic(string(s))
	}
	return strconv.QuoteToGraphic(string(s[:most])) + "…"
}

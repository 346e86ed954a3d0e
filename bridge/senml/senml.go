// Package senml resolves packs of sensor measurements in JSON (RFC 8428): base values are applied, times made
// absolute, records sorted by time.
//
// It must never guess: a pack that breaks a rule of the RFC is refused whole, with the record and the rule. Start
// reading at [Resolve].
package senml

import (
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gillkeeper/bridge/pointer"
)

const (
	// maxRecords bounds the work that one message can cause; a sensor's pack has a handful.
	maxRecords = 1024
	// relativeBelow: a time below 2^28 seconds is relative to now, others are seconds of the Unix epoch
	// (RFC 8428 §4.5.3).
	relativeBelow = 1 << 28
	// latest is the end of the year 9999.
	latest = 253402300799
	// version is the one of RFC 8428; a pack without bver has it.
	version = 10
	// secondaryUnits is version 10 with the one registered feature, units of RFC 8798 (RFC 9100 §4: 10 + 2^4).
	secondaryUnits = 26
)

// Record is one resolved record (RFC 8428 §4.6): the base values are in it, its time is absolute. At most one of
// Value, String, Bool and Data is set; none only where Sum is.
type Record struct {
	Name   string
	Unit   string  // "" where the pack names none
	Time   float64 // seconds since 1 January 1970 UTC
	Value  *float64
	String *string
	Bool   *bool
	Data   []byte
	Sum    *float64
	Update float64 // the longest time in seconds until the next record of this name; 0: not said
}

// base holds the base fields in force. A base field stays in force until one of the same label replaces it, with
// whatever value: zero and empty count.
type base struct {
	name, unit string
	time       float64
	value, sum *float64
}

// Resolve reads a pack and gives its records in the order of their times; records of one time keep their order. Times
// that the pack gives relative to now are counted from now. A record that only sets base fields gives none.
func Resolve(pack []byte, now time.Time) ([]Record, error) {
	doc, err := pointer.Parse(pack)
	if err != nil {
		return nil, err
	}
	list, ok := doc.([]any)
	if !ok || len(list) == 0 {
		return nil, errors.New("a SenML pack is an array of one or more records")
	}
	if len(list) > maxRecords {
		return nil, fmt.Errorf("a SenML pack of %d records is longer than %d", len(list), maxRecords)
	}
	records := make([]Record, 0, len(list))
	var b base
	packVersion := 0.0
	for i, v := range list {
		f, ok := v.(map[string]any)
		if !ok {
			return nil, fmt.Errorf("record %d is no object", i)
		}
		r := reader{fields: f}
		packVersion = r.version(packVersion, i == 0)
		rec, has := r.record(&b, float64(now.UnixNano())/1e9)
		if r.err != nil {
			return nil, fmt.Errorf("record %d: %w", i, r.err)
		}
		if has {
			records = append(records, rec)
		}
	}
	slices.SortStableFunc(records, func(a, b Record) int {
		switch {
		case a.Time < b.Time:
			return -1
		case a.Time > b.Time:
			return 1
		}
		return 0
	})
	return records, nil
}

// reader takes the fields of one record and keeps the first error.
type reader struct {
	fields map[string]any
	err    error
}

func (r *reader) fail(format string, args ...any) {
	if r.err == nil {
		r.err = fmt.Errorf(format, args...)
	}
}

// version checks the pack's version, which is the same in all records (RFC 8428 §4.4), and gives it.
func (r *reader) version(before float64, first bool) float64 {
	v := r.number("bver")
	switch {
	case v == nil && first:
		return version
	case v == nil:
		return before
	case !first && *v != before:
		r.fail("version %v in a pack of version %v", *v, before)
	case *v < 1 || *v != math.Trunc(*v):
		r.fail("version %v is no positive integer", *v)
	case *v > version && *v != secondaryUnits:
		r.fail("version %v is unknown; up to %d and %d are known", *v, version, secondaryUnits)
	}
	return *v
}

func (r *reader) record(b *base, now float64) (Record, bool) {
	r.mandatory()
	if s := r.text("bn"); s != nil {
		b.name = *s
	}
	if s := r.text("bu"); s != nil {
		b.unit = *s
	}
	if t := r.number("bt"); t != nil {
		b.time = *t
	}
	if v := r.number("bv"); v != nil {
		b.value = v
	}
	if s := r.number("bs"); s != nil {
		b.sum = s
	}
	rec := Record{Name: b.name + deref(r.text("n")), Unit: b.unit, Sum: add(b.sum, r.number("s"))}
	if u := r.text("u"); u != nil {
		rec.Unit = *u
	}
	rec.Time = r.time(b.time+deref(r.number("t")), now)
	if ut := r.number("ut"); ut != nil {
		rec.Update = *ut
	}
	r.value(&rec, b.value)
	if rec.Value == nil && rec.String == nil && rec.Bool == nil && rec.Data == nil && rec.Sum == nil {
		return rec, false // it sets base fields
	}
	r.name(rec.Name)
	r.finite(rec.Value, "value")
	r.finite(rec.Sum, "sum")
	return rec, true
}

// value takes the one value field that a record may have. The base value counts where it is a number or missing
// (§4.5.4 of RFC 8428: what is missing of the two is zero).
func (r *reader) value(rec *Record, baseValue *float64) {
	v := r.number("v")
	rec.String, rec.Bool, rec.Data = r.text("vs"), r.boolean("vb"), r.data("vd")
	others := 0
	for _, set := range []bool{rec.String != nil, rec.Bool != nil, rec.Data != nil} {
		if set {
			others++
		}
	}
	if others > 1 || others == 1 && v != nil {
		r.fail("more than one of v, vs, vb, vd")
	}
	if others == 0 {
		rec.Value = add(baseValue, v)
	}
}

// time makes t absolute.
func (r *reader) time(t, now float64) float64 {
	if t < relativeBelow {
		t += now
	}
	if !(t >= relativeBelow && t <= latest) {
		r.fail("time %v lies outside 1978 to 9999", t)
	}
	return t
}

// name: RFC 8428 §4.5.1.
func (r *reader) name(s string) {
	if s == "" {
		r.fail("no name")
		return
	}
	for i, c := range s {
		if c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || i > 0 && strings.ContainsRune("-:./_", c) {
			continue
		}
		r.fail("name %q has %q at byte %d", s, c, i)
		return
	}
}

// mandatory refuses fields that must be understood and are not (RFC 8428 §4.4); others may be passed over.
func (r *reader) mandatory() {
	unknown := ""
	for label := range r.fields {
		if strings.HasSuffix(label, "_") && (unknown == "" || label < unknown) {
			unknown = label
		}
	}
	if unknown != "" {
		r.fail("field %q must be understood and is not", unknown)
	}
}

func (r *reader) number(label string) *float64 {
	v, ok := r.fields[label]
	if !ok {
		return nil
	}
	n, ok := v.(json.Number)
	if !ok {
		r.fail("%s is not a number", label)
		return nil
	}
	f, err := n.Float64()
	if err != nil {
		r.fail("%s %s is out of range", label, n)
		return nil
	}
	return &f
}

func (r *reader) text(label string) *string {
	v, ok := r.fields[label]
	if !ok {
		return nil
	}
	s, ok := v.(string)
	if !ok {
		r.fail("%s is no string", label)
		return nil
	}
	return &s
}

func (r *reader) boolean(label string) *bool {
	v, ok := r.fields[label]
	if !ok {
		return nil
	}
	b, ok := v.(bool)
	if !ok {
		r.fail("%s is neither true nor false", label)
		return nil
	}
	return &b
}

func (r *reader) data(label string) []byte {
	s := r.text(label)
	if s == nil {
		return nil
	}
	b, err := base64.RawURLEncoding.DecodeString(*s)
	if err != nil {
		r.fail("%s is not in base64url without padding", label)
		return nil
	}
	return b // not nil: DecodeString makes it
}

func (r *reader) finite(v *float64, what string) {
	if v != nil && (math.IsInf(*v, 0) || math.IsNaN(*v)) {
		r.fail("%s is out of range", what)
	}
}

// add gives the sum of what is there, nil where nothing is.
func add(a, b *float64) *float64 {
	if a == nil && b == nil {
		return nil
	}
	return new(deref(a) + deref(b))
}

func deref[T any](p *T) (zero T) {
	if p == nil {
		return zero
	}
	return *p
}

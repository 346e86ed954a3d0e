// Package pointer finds one value in a JSON document by an RFC 6901 pointer.
//
// A pointer is compiled once, when the configuration is read, and used on every payload a stranger sends; so documents
// are read strictly: size and depth are bounded, a repeated member name, trailing data and text that is not UTF-8 are
// refused, and numbers keep their digits. It must never guess: what the pointer does not name exactly is an error.
// Start reading at [Compile].
package pointer

import (
	"errors"
	"fmt"
	"strings"
)

// Limits on what is read.
const (
	// MaxDocument is the largest document read, in bytes. A climate reading takes tens of bytes, a pack of a whole
	// site a few thousand; more is a mistake or an attack.
	MaxDocument = 64 << 10
	// MaxDepth is how deep arrays and objects may nest, so that a short hostile document can't exhaust the stack.
	MaxDepth = 32
	// MaxTokens is how many reference tokens a pointer may have: no document is deeper.
	MaxTokens = MaxDepth
)

// ErrAbsent is in the chain of an error that says that the document is well formed, but the pointer leads to nothing
// in it.
var ErrAbsent = errors.New("no such value")

// Pointer is a compiled JSON pointer. The zero value is the empty pointer, which names the whole document.
type Pointer struct {
	text   string
	tokens []string
}

// Compile reads a pointer in its JSON string representation (RFC 6901 section 5): empty, or reference tokens that each
// begin with "/", where ~0 stands for "~" and ~1 for "/". Its error says what is wrong and how to repair it.
func Compile(s string) (Pointer, error) {
	if s == "" {
		return Pointer{}, nil
	}
	if s[0] != '/' {
		return Pointer{}, fmt.Errorf("a JSON pointer begins with %q", "/")
	}
	parts := strings.Split(s[1:], "/")
	if len(parts) > MaxTokens {
		return Pointer{}, fmt.Errorf("a JSON pointer has at most %d parts here, this has %d", MaxTokens, len(parts))
	}
	tokens := make([]string, len(parts))
	for i, part := range parts {
		t, err := unescape(part)
		if err != nil {
			return Pointer{}, err
		}
		if looksLikeIndex(t) && !isIndex(t) {
			// Could only ever name an object's member called "01", which no device sends; what is meant is an
			// array's element, and there RFC 6901 section 4 forbids leading zeros.
			return Pointer{}, fmt.Errorf("array index %q has a leading zero", t)
		}
		tokens[i] = t
	}
	return Pointer{text: s, tokens: tokens}, nil
}

// String gives the pointer as it was written.
func (p Pointer) String() string { return p.text }

// IsZero reports whether the pointer is empty: it names the whole document.
func (p Pointer) IsZero() bool { return len(p.tokens) == 0 }

// MarshalText gives the pointer as it was written.
func (p Pointer) MarshalText() ([]byte, error) { return []byte(p.text), nil }

// Lookup reads a document and gives the value that the pointer names in it: nil, bool, string, [encoding/json.Number],
// []any or map[string]any. Where the document is sound but has no such value, the error wraps [ErrAbsent].
func (p Pointer) Lookup(doc []byte) (any, error) {
	v, err := Parse(doc)
	if err != nil {
		return nil, err
	}
	return p.Find(v)
}

// Find gives the value that the pointer names in a parsed document, see [Parse]. Several pointers into one payload
// parse it once.
func (p Pointer) Find(doc any) (any, error) {
	v := doc
	for i, t := range p.tokens {
		switch c := v.(type) {
		case map[string]any:
			m, ok := c[t]
			if !ok {
				return nil, p.absent(i, "no such member")
			}
			v = m
		case []any:
			n, err := index(t, len(c))
			if err != nil {
				return nil, p.absent(i, err.Error())
			}
			v = c[n]
		default:
			return nil, p.absent(i, "neither object nor array above it")
		}
	}
	return v, nil
}

func (p Pointer) absent(i int, why string) error {
	return fmt.Errorf("%w at %q: %s", ErrAbsent, p.text, fmt.Sprintf("part %d (%q): %s", i+1, p.tokens[i], why))
}

// unescape decodes ~1 and ~0 in one pass, so that "~01" becomes "~1" and not "/" (RFC 6901 section 4).
func unescape(s string) (string, error) {
	if !strings.Contains(s, "~") {
		return s, nil
	}
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] != '~' {
			b.WriteByte(s[i])
			continue
		}
		i++
		switch {
		case i < len(s) && s[i] == '0':
			b.WriteByte('~')
		case i < len(s) && s[i] == '1':
			b.WriteByte('/')
		default:
			return "", errors.New(`in a JSON pointer "~" is written ~0 and "/" inside a name ~1`)
		}
	}
	return b.String(), nil
}

func looksLikeIndex(t string) bool {
	for i := range len(t) {
		if t[i] < '0' || t[i] > '9' {
			return false
		}
	}
	return t != ""
}

// isIndex tells an array index: "0", or digits without a leading zero (RFC 6901 section 4, array-index).
func isIndex(t string) bool { return looksLikeIndex(t) && (t[0] != '0' || len(t) == 1) }

// index gives the array element that a token names. "-", the element after the last, never exists.
func index(t string, n int) (int, error) {
	if !isIndex(t) {
		return 0, errors.New("an array is above it, and this is no array index")
	}
	v := 0
	for i := range len(t) {
		v = v*10 + int(t[i]-'0')
		if v >= n {
			return 0, fmt.Errorf("the array has %d elements", n)
		}
	}
	return v, nil
}

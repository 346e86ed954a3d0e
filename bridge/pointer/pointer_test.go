package pointer

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// rfcDocument is the example document of RFC 6901 section 5.
const rfcDocument = `{
   "foo": ["bar", "baz"],
   "": 0,
   "a/b": 1,
   "c%d": 2,
   "e^f": 3,
   "g|h": 4,
   "i\\j": 5,
   "k\"l": 6,
   " ": 7,
   "m~n": 8
}`

func num(s string) json.Number { return json.Number(s) }

// The vectors of RFC 6901 section 5 (JSON string representation).
func TestRFC6901Section5(t *testing.T) {
	for _, c := range []struct {
		pointer string // as a JSON string, the way the RFC prints it
		want    any
	}{
		{`"/foo"`, []any{"bar", "baz"}},
		{`"/foo/0"`, "bar"},
		{`"/"`, num("0")},
		{`"/a~1b"`, num("1")},
		{`"/c%d"`, num("2")},
		{`"/e^f"`, num("3")},
		{`"/g|h"`, num("4")},
		{`"/i\\j"`, num("5")},
		{`"/k\"l"`, num("6")},
		{`"/ "`, num("7")},
		{`"/m~0n"`, num("8")},
	} {
		var s string
		if err := json.Unmarshal([]byte(c.pointer), &s); err != nil {
			t.Fatal(err)
		}
		checkLookup(t, s, c.want)
	}
	whole, err := Pointer{}.Lookup([]byte(rfcDocument))
	if m, ok := whole.(map[string]any); err != nil || !ok || len(m) != 10 {
		t.Errorf(`"" gave %v, %v; want the whole document with its 10 members`, whole, err)
	}
}

// The vectors of RFC 6901 section 6 (URI fragment identifier representation).
func TestRFC6901Section6(t *testing.T) {
	for _, c := range []struct {
		fragment string
		want     any
	}{
		{"#/foo", []any{"bar", "baz"}},
		{"#/foo/0", "bar"},
		{"#/", num("0")},
		{"#/a~1b", num("1")},
		{"#/c%25d", num("2")},
		{"#/e%5Ef", num("3")},
		{"#/g%7Ch", num("4")},
		{"#/i%5Cj", num("5")},
		{"#/k%22l", num("6")},
		{"#/%20", num("7")},
		{"#/m~0n", num("8")},
	} {
		s, err := url.PathUnescape(c.fragment[1:])
		if err != nil {
			t.Fatal(err)
		}
		checkLookup(t, s, c.want)
	}
}

func checkLookup(t *testing.T, pointer string, want any) {
	t.Helper()
	p, err := Compile(pointer)
	if err != nil {
		t.Errorf("%q: %v", pointer, err)
		return
	}
	got, err := p.Lookup([]byte(rfcDocument))
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("%q gave %#v, %v; want %#v", pointer, got, err, want)
	}
	if p.String() != pointer {
		t.Errorf("%q prints as %q", pointer, p)
	}
}

func TestCompileRefuses(t *testing.T) {
	for pointer, want := range map[string]string{
		"foo":                      `begins with "/"`,
		"#/foo":                    `begins with "/"`,
		"/foo/01":                  "leading zero", // RFC 6901 section 4: array-index = %x30 / ( %x31-39 *(%x30-39) )
		"/00":                      "leading zero",
		"/~2":                      "~0",
		"/~":                       "~0",
		"/a~":                      "~0",
		"/a/b~/c":                  "~0",
		strings.Repeat("/a", 33):   "at most 32 parts",
		strings.Repeat("/", 5_000): "at most 32 parts",
	} {
		if _, err := Compile(pointer); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("Compile(%.20q) = %v; want an error with %q", pointer, err, want)
		}
	}
}

func TestLookupOrder(t *testing.T) {
	// RFC 6901 section 4: ~1 is decoded first, so that ~01 becomes ~1 and not /.
	p, err := Compile("/~01")
	if err != nil {
		t.Fatal(err)
	}
	if got, err := p.Lookup([]byte(`{"~1": "right", "/": "wrong"}`)); err != nil || got != "right" {
		t.Errorf("/~01 gave %v, %v", got, err)
	}
}

func TestLookupAbsent(t *testing.T) {
	for _, c := range []struct{ pointer, doc string }{
		{"/b", `{"a": 1}`},
		{"/a/b", `{"a": 1}`},
		{"/a", `[1]`},
		{"/1", `[1]`},
		{"/-", `[1]`},
		{"/+0", `[1]`},
		{"/ 0", `[1]`},
		{"/0x0", `[1]`},
		{"/99999999999999999999999999", `[1]`},
		{"/a", `7`},
		{"/a", `null`},
		{"/a", `{"A": 1}`},
	} {
		p, err := Compile(c.pointer)
		if err != nil {
			t.Errorf("%q: %v", c.pointer, err)
			continue
		}
		if got, err := p.Lookup([]byte(c.doc)); !errors.Is(err, ErrAbsent) {
			t.Errorf("%q in %s = %v, %v; want ErrAbsent", c.pointer, c.doc, got, err)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, doc := range []string{
		``, ` `, `{`, `[`, `[1`, `{"a"`, `{"a":`, `{"a":1`, `[1,]`, `{"a":1,}`, `{1:2}`, `{"a" 1}`, `nan`, `NaN`, `Infinity`,
		`01`, `+1`, `.5`, `1.`, `'a'`, `{"a":1} x`, `{"a":1}{"a":1}`, `1 2`, `1,`, `]`, `{"a":1,"a":2}`,
		`{"a":1,"\u0061":2}`, "\"\xff\"", "\ufeff", "\ufeff\ufeff1", "1\ufeff", " \ufeff1", "\"\x00\"", `{"a":{"b":1,"b":1}}`,
		strings.Repeat("[", 33) + strings.Repeat("]", 33),
		strings.Repeat("[", 60_000),
		`"` + strings.Repeat("a", MaxDocument) + `"`,
	} {
		if v, err := Parse([]byte(doc)); err == nil {
			t.Errorf("Parse(%.40q) = %v; want an error", doc, v)
		} else if errors.Is(err, ErrAbsent) {
			t.Errorf("Parse(%.40q) = %v; a broken document is not an absent value", doc, err)
		}
	}
	deepest := strings.Repeat("[", MaxDepth) + strings.Repeat("]", MaxDepth)
	if _, err := Parse([]byte(deepest)); err != nil {
		t.Errorf("depth %d: %v", MaxDepth, err)
	}
}

// RFC 8259 §8.1: a parser may ignore a byte order mark. It is one at the beginning, once; elsewhere it is text.
func TestByteOrderMark(t *testing.T) {
	p, _ := Compile("/v")
	if got, err := p.Lookup([]byte("\xef\xbb\xbf{\"v\": \"\ufeff\"}")); err != nil || got != "\ufeff" {
		t.Errorf("behind a byte order mark: %q, %v", got, err)
	}
}

func TestNumbersKeepTheirDigits(t *testing.T) {
	p, _ := Compile("/v")
	for _, digits := range []string{"0.1", "1e400", "12345678901234567890", "-0", "91.30"} {
		if got, err := p.Lookup([]byte(`{"v":` + digits + `}`)); err != nil || got != num(digits) {
			t.Errorf("%s became %v, %v", digits, got, err)
		}
	}
}

// Any member name can be pointed at once it is escaped, and leads to its own value and no other.
func TestEveryNameCanBePointedAt(t *testing.T) {
	escape := strings.NewReplacer("~", "~0", "/", "~1")
	rapid.Check(t, func(t *rapid.T) {
		names := rapid.SliceOfNDistinct(rapid.StringMatching(`[a-c~/01 "\\é]{0,4}`), 1, 5, rapid.ID).Draw(t, "names")
		inner := map[string]any{}
		for i, n := range names {
			inner[n] = i
		}
		doc, err := json.Marshal(map[string]any{"x": inner})
		if err != nil {
			t.Fatal(err)
		}
		for i, n := range names {
			p, err := Compile("/x/" + escape.Replace(n))
			if err != nil {
				if looksLikeIndex(n) && n[0] == '0' && len(n) > 1 {
					continue
				}
				t.Fatalf("%q: %v", n, err)
			}
			if got, err := p.Lookup(doc); err != nil || got != num(fmt.Sprint(i)) {
				t.Fatalf("%q in %s = %v, %v; want %d", p, doc, got, err, i)
			}
		}
	})
}

// FuzzLookup feeds strangers' payloads and pointers: it must never panic, a document it accepts must be one that the
// standard library accepts too, and a value it finds must still be found when the document is written anew.
func FuzzLookup(f *testing.F) {
	f.Add("/foo/0", []byte(rfcDocument))
	f.Add("", []byte("21.5"))
	f.Add("/a~1b", []byte(`{"a/b":[{"c":1e9}]}`))
	f.Add("/0/v", []byte(`[{"n":"rh","v":91.2}]`))
	f.Add("/a", []byte(`{"a":1,"a":2}`))
	f.Fuzz(func(t *testing.T, pointer string, doc []byte) {
		p, err := Compile(pointer)
		if err != nil {
			return
		}
		got, err := p.Lookup(doc)
		if err != nil {
			return
		}
		if !json.Valid(doc) {
			t.Fatalf("accepted what is no JSON: %q", doc)
		}
		whole, err := Parse(doc)
		if err != nil {
			t.Fatal(err)
		}
		again, err := json.Marshal(whole)
		if err != nil {
			t.Fatal(err)
		}
		if len(again) > MaxDocument {
			return // escaping may make it longer
		}
		if second, err := p.Lookup(again); err != nil || !reflect.DeepEqual(got, second) {
			t.Fatalf("%q: %v then %v, %v", pointer, got, second, err)
		}
	})
}

func BenchmarkLookup(b *testing.B) {
	p, err := Compile("/humidity")
	if err != nil {
		b.Fatal(err)
	}
	doc := []byte(`{"battery":87,"humidity":91.3,"temperature":17.2,"quality":120}`)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := p.Lookup(doc); err != nil {
			b.Fatal(err)
		}
	}
}

package nearest

import (
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func TestWord(t *testing.T) {
	roles := []string{"humidifier", "exhaust_fan", "circulation_fan", "lamp"}
	for _, c := range []struct{ word, want string }{
		{"humidifer", "humidifier"},
		{"hmuidifier", "humidifier"}, // neighbors swapped
		{"Exhaust-Fan", "exhaust_fan"},
		{"fan", "exhaust_fan"}, // a part; the earlier one
		{"lmp", "lamp"},
		{"toaster", ""},
		{"", ""},
		{"   ", ""},
		{string(make([]byte, 1000)), ""},
	} {
		if got := Word(c.word, roles); got != c.want {
			t.Errorf("Word(%.20q) = %q, want %q", c.word, got, c.want)
		}
	}
}

func TestWordGivesOneOfTheWords(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		words := rapid.SliceOf(rapid.StringMatching(`[a-z_-]{1,12}`)).Draw(t, "words")
		word := rapid.String().Draw(t, "word")
		if got := Word(word, words); got != "" && !slices.Contains(words, got) {
			t.Fatalf("%q is not among %q", got, words)
		}
		for _, w := range words {
			if got := Word(w, words); Edits(plain(got), plain(w)) != 0 {
				t.Fatalf("the word %q itself gives %q", w, got)
			}
		}
	})
}

func TestEditsIsADistance(t *testing.T) {
	gen := rapid.StringMatching(`[a-c]{0,6}`)
	rapid.Check(t, func(t *rapid.T) {
		a, b := gen.Draw(t, "a"), gen.Draw(t, "b")
		d := Edits(a, b)
		if d != Edits(b, a) {
			t.Fatal("not symmetric")
		}
		if (d == 0) != (a == b) {
			t.Fatalf("edits(%q, %q) = %d", a, b, d)
		}
		if longest := max(len(a), len(b)); d > longest {
			t.Fatalf("%d edits, more than %d", d, longest)
		}
	})
}

// Package nearest finds the right word that looks most like a mistyped one.
//
// It must never decide what somebody meant: its word is only ever shown. It stands under policy because the climate table
// uses it too. Start reading at [Word].
package nearest

import "strings"

// longest bounds the work on hostile input, in bytes; no name of the program is longer.
const longest = 128

// Word gives the word that a mistyped one most likely means, or "" when none is near. Letter case, hyphens, spaces and
// underscores do not count. At equal distance the earlier word wins.
func Word(word string, words []string) string {
	w := plain(word)
	if w == "" || len(w) > longest {
		return ""
	}
	best, least := "", -1
	for _, c := range words {
		p := plain(c)
		d := Edits(w, p)
		if d > max(1, len(p)/3) {
			if !partOf(w, p) {
				continue
			}
			d = len(p) // a part is a weaker hint than any near spelling
		}
		if least < 0 || d < least {
			best, least = c, d
		}
	}
	return best
}

func plain(s string) string {
	return strings.ToLower(strings.NewReplacer("-", "_", " ", "_").Replace(strings.TrimSpace(s)))
}

// partOf tells a word that is one of the parts of another, or its beginning: "fan" of exhaust_fan, "ostreatus" of
// pleurotus-ostreatus.
func partOf(w, whole string) bool {
	if len(w) < 3 {
		return false
	}
	if strings.HasPrefix(whole, w) {
		return true
	}
	for part := range strings.SplitSeq(whole, "_") {
		if part == w {
			return true
		}
	}
	return false
}

// Edits is the number of bytes to insert, remove, replace or swap with their neighbor that makes a into b.
func Edits(a, b string) int {
	before, prev, cur := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range prev {
		prev[j] = j
	}
	for i := 1; i <= len(a); i++ {
		cur[0] = i
		for j := 1; j <= len(b); j++ {
			d := prev[j-1]
			if a[i-1] != b[j-1] {
				d++
			}
			cur[j] = min(prev[j]+1, cur[j-1]+1, d)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				cur[j] = min(cur[j], before[j-2]+1)
			}
		}
		before, prev, cur = prev, cur, before
	}
	return prev[len(b)]
}

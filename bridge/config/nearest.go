package config

import "strings"

// nearest gives the word that a mistyped one most likely means, or "" when none is near. At equal distance the
// earlier word wins.
func nearest(word string, words []string) string {
	w := strings.ToLower(strings.NewReplacer("-", "_", " ", "_").Replace(strings.TrimSpace(word)))
	if w == "" || len(w) > 2*maxName {
		return ""
	}
	best, least := "", -1
	for _, c := range words {
		d := edits(w, strings.ReplaceAll(c, "-", "_"))
		if d > max(1, len(c)/3) {
			if !partOf(w, c) {
				continue
			}
			d = len(c) // a part is a weaker hint than any near spelling
		}
		if least < 0 || d < least {
			best, least = c, d
		}
	}
	return best
}

// partOf tells a word that is one of the parts of another, or its beginning: "fan" of exhaust_fan, "temp" of
// temperature.
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

// edits is the number of bytes to insert, remove, replace or swap with their neighbor that makes a into b.
func edits(a, b string) int {
	before, prev, cur := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range prev {
		prev[j] = j
	}
	for i := 1; i <= len(a); i++ {
		cur[0] = i
		for j := 1; j <= len(b); j++ {
			swap := prev[j-1]
			if a[i-1] != b[j-1] {
				swap++
			}
			cur[j] = min(prev[j]+1, cur[j-1]+1, swap)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				cur[j] = min(cur[j], before[j-2]+1)
			}
		}
		before, prev, cur = prev, cur, before
	}
	return prev[len(b)]
}

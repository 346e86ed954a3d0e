package config

import (
	"strings"
	"time"
)

var zoneKind = textKind("timezone", `a name of the IANA time zone database, such as "Europe/Madrid" or "UTC"`, func(s string) (any, *complaint) {
	if z, err := time.LoadLocation(s); err == nil {
		return z, nil
	}
	return nil, &complaint{what: "is not a timezone that this machine knows", nearest: nearestZone(s)}
})

// nearestZone gives a timezone whose name is one letter, one swap or its capitals away. The list of names is not to
// be had, so guesses are looked up.
func nearestZone(s string) string {
	const longest = 32 // bytes of the names in the database
	guess := titled(s)
	if len(guess) > longest || guess == "" {
		return ""
	}
	for candidate := range variants(guess) {
		if _, err := time.LoadLocation(candidate); err == nil {
			return candidate
		}
	}
	return ""
}

// variants gives a word, and then every word that is one swap, deletion, replacement or insertion away.
func variants(w string) func(yield func(string) bool) {
	const letters = "aeiounrtslcdmghkypbvzwfjxq_/"
	return func(yield func(string) bool) {
		if !yield(w) {
			return
		}
		for i := 0; i+1 < len(w); i++ {
			if !yield(titled(w[:i] + w[i+1:i+2] + w[i:i+1] + w[i+2:])) {
				return
			}
		}
		for i := range len(w) {
			if !yield(titled(w[:i] + w[i+1:])) {
				return
			}
		}
		for i := range len(w) + 1 {
			for _, l := range letters {
				if i < len(w) && !yield(titled(w[:i]+string(l)+w[i+1:])) || !yield(titled(w[:i]+string(l)+w[i:])) {
					return
				}
			}
		}
	}
}

// titled writes europe/madrid as Europe/Madrid.
func titled(s string) string {
	b := []byte(strings.ToLower(strings.ReplaceAll(strings.TrimSpace(s), " ", "_")))
	for i, c := range b {
		if c >= 'a' && c <= 'z' && (i == 0 || b[i-1] == '/' || b[i-1] == '_' || b[i-1] == '-') {
			b[i] = c - 'a' + 'A'
		}
	}
	return string(b)
}
